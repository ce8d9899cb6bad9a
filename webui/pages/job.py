"""A job: the ridge as a strip, its photos, and the way in for more of them."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from flask import request, url_for

from webui.errors import StoreError
from webui.findings import (
    STATUS_MEANINGS,
    Finding,
    PlaceStatus,
    Status,
    findings_of,
    place_statuses,
)
from webui.job import FiledPhoto, Job
from webui.pages.frame import pages, render, the_job
from webui.pages.strip import lying_strip, standing_strip
from webui.places import Place, parse_place
from webui.shown import Shown

_WORST_FIRST = (Status.DOES_NOT_MEET, Status.CANNOT_TELL, Status.MEETS)


@pages.get("/jobs/<job_id>")
def job(job_id: str) -> str:
    """Show a job."""
    this = the_job(job_id)
    statuses = place_statuses(this)
    place = _asked_place()
    return render(
        "job.html",
        "job",
        this,
        ridge=_ridge(this),
        statuses=statuses,
        counts=Counter(each.status for each in statuses),
        meanings=STATUS_MEANINGS,
        places=[str(each.span.place) for each in statuses],
        place=place,
        place_status=next((each for each in statuses if each.span.place == place), None),
        photo_states=photo_states(this, findings_of(this)),
        whole=request.args.get("kind") == "ridge",
        **_strips(this, statuses, place),
        **_photos(this, place),
    )


def photo_states(this: Job, findings: Sequence[Finding]) -> dict[str, Status]:
    """Return what is known of each close-up that was checked, by its name."""
    states = {}
    for audit in (this.record("check") or {"photos": []})["photos"]:
        held = {finding.holds for finding in findings if finding.photo == audit["photo"]}
        worst = next((status for status in _WORST_FIRST if str(status) in held), Status.DOCUMENTED)
        states[audit["photo"]] = worst if held or audit["measured"] else Status.CANNOT_TELL
    return states


def _asked_place() -> Place | None:
    try:
        return parse_place(request.args["place"]) if "place" in request.args else None
    except StoreError:
        return None


def _ridge(this: Job) -> str | None:
    record = this.record("measure")
    if record is None or record["ridge"] is None:
        return None
    return Shown(this.units).doubted(record["ridge"]["length_mm"], record["ridge"]["u95_mm"])


def _strips(this: Job, statuses: Sequence[PlaceStatus], place: Place | None) -> Mapping[str, Any]:
    if not statuses:
        return {"lying": None, "standing": None}

    def opens(each: Place) -> str:
        return url_for("pages.job", job_id=this.id, place=str(each), _anchor="place-title")

    ridge, shown, chosen = (this.record("plan") or {})["ridges"][0], Shown(this.units), str(place or "")
    return {
        "lying": lying_strip(ridge, statuses, shown, opens, chosen),
        "standing": standing_strip(ridge, statuses, shown, opens, chosen),
    }


def _photos(this: Job, place: Place | None) -> Mapping[str, list[FiledPhoto]]:
    close_ups = [photo for photo in this.photos if photo.kind == "close-up"]
    return {
        "place_photos": [photo for photo in close_ups if place is not None and photo.place == str(place)],
        "unfiled": [photo for photo in close_ups if photo.place is None],
        "filed": [photo for photo in close_ups if photo.place is not None],
        "whole_photos": [photo for photo in this.photos if photo.kind == "ridge"],
    }
