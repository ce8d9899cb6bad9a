"""What every page has: who looks, the job that it is about, and how values are said."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, abort, render_template, url_for

from webui import cautions
from webui.desk import the_desk
from webui.errors import StoreError
from webui.inputs import can_make, is_current
from webui.job import FiledPhoto, Job, ResultKind
from webui.session import NOBODY, needs_log_in, person, require
from webui.shown import Shown, sentence, share

pages = Blueprint("pages", __name__)

TILE_PX = 512

_WORK_WORDS: Mapping[ResultKind, str] = {
    "measure": "the ridge",
    "plan": "the layout",
    "check": "the close-ups",
}


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who looks at a page, and what he may do there."""

    name: str
    role: str
    has_account: bool

    @property
    def may_look(self) -> bool:
        """Whether he may see anything."""
        return bool(self.role)

    @property
    def may_change(self) -> bool:
        """Whether he may add photos, pick and mark."""
        return self.role in ("crew", "supervisor")

    @property
    def may_decide(self) -> bool:
        """Whether he may change the set-up, accept, overrule and sign off."""
        return self.role == "supervisor"


def the_visitor() -> Visitor:
    """Return who asks for this page."""
    who = person()
    if who is None:
        return Visitor("", "", has_account=False)
    return Visitor("" if who.name == NOBODY else who.name, who.role, has_account=needs_log_in())


def the_job(job_id: str) -> Job:
    """Return the job of an address, for those who may see it; the page is not found if there is none."""
    require("reader")
    try:
        return the_desk().store.job(job_id)
    except StoreError:
        abort(404)


def the_photo(job: Job, name: str) -> FiledPhoto:
    """Return the photo of an address; the page is not found if there is none."""
    found = job.photo(name)
    if found is None:
        abort(404)
    return found


def render(template: str, here: str, job: Job | None = None, **values: Any) -> str:
    """Return a page.

    Parameters
    ----------
    template : str
        Its template.
    here : str
        Which page it is, for the navigation.
    job : Job, optional
        The job that it is about.
    **values
        What else it shows.

    Returns
    -------
    str
        HTML.
    """
    shown = None if job is None else Shown(job.units)
    return render_template(
        template, here=here, job=job, shown=shown, visitor=the_visitor(), cautions=cautions, **values
    )


def photo_address(job: Job, photo: FiledPhoto) -> str:
    """Return where a photo opens."""
    if photo.kind == "ridge":
        return url_for("pages.ridge", job_id=job.id, photo=photo.name)
    return url_for("pages.photo", job_id=job.id, name=photo.name)


@pages.app_template_filter("to_make")
def to_make(job: Job, kinds: Sequence[ResultKind]) -> list[ResultKind]:
    """Return the results that can be made and are not there, or were made from something else."""
    return [kind for kind in kinds if can_make(job, kind) and not is_current(job, kind)]


@pages.app_template_filter("work_words")
def work_words(job: Job, kinds: Sequence[ResultKind]) -> str:
    """Say what is to be made."""
    made = [_WORK_WORDS[kind] for kind in kinds if kind in job.results]
    fresh = [_WORK_WORDS[kind] for kind in kinds if kind not in job.results]
    told = []
    if fresh:
        told.append(f"Not measured yet: {', '.join(fresh)}.")
    if made:
        told.append(f"Photos, picks or set-up were changed since: {', '.join(made)}.")
    return " ".join(told)


@pages.app_template_filter("address")
def address(photo: FiledPhoto, job: Job) -> str:
    """Return where a photo opens, for templates."""
    return photo_address(job, photo)


@pages.app_template_filter("thumb_address")
def thumb_address(photo: FiledPhoto, job: Job) -> str:
    """Return the smallest whole picture of a photo: the one tile of its coarsest level."""
    return f"/api/jobs/{job.id}/photos/{photo.name}/tiles/{coarsest_level(photo)}/0/0"


def coarsest_level(photo: FiledPhoto) -> int:
    """Return the first level of a photo's pyramid, each half the size of the one before, that is one tile."""
    longest_px = max(photo.facts.width_px, photo.facts.height_px)
    return max(0, math.ceil(math.log2(longest_px / TILE_PX)))


@pages.app_template_filter("capitalize_first")
def capitalize_first(words: str) -> str:
    """Return words with a capital first letter, the others as they are."""
    return words[:1].upper() + words[1:]


@pages.app_template_filter("exact")
def exact(mm: float) -> str:
    """Return a length so that a form gives it back to the last digit."""
    return f"{mm:.12g} mm"


@pages.app_template_filter("quantity")
def quantity(number: float) -> str:
    """Return how many or how much, for a take-off."""
    return f"{number:,.0f}" if float(number).is_integer() else f"{number:,.1f}"


pages.add_app_template_filter(sentence, "sentence")
pages.add_app_template_filter(share, "share")
