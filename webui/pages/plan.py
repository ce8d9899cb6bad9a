"""The plan: its values and where they come from, the layout, the cut list, the take-off."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from flask import redirect, request, url_for
from werkzeug.wrappers import Response

from calib.errors import MeasureError, PlanError
from calib.lengths import parse_length
from vision.plan import COMMON_PRACTICE, PLAN_KEYS, Plan, meaning_of, plan_from_record
from vision.planning import NOT_HELD
from vision.ventilation import format_area
from webui.desk import the_desk
from webui.inputs import ridge_to_lay_out
from webui.job import Job, LayoutSetup
from webui.pages.frame import pages, render, the_job
from webui.pages.layout_choices import layout_choices, typed_choices
from webui.pages.strip import layout_strip
from webui.session import require
from webui.shown import Shown

_COUNTS = ("lap_rivets",)


@dataclass(frozen=True, slots=True)
class PlanValue:
    """One value of the plan.

    Attributes
    ----------
    key, meaning : str
        Which, and what it means.
    given : str
        As this job's documents give it, "" where they do not.
    default : str
        What stands in its place then.
    """

    key: str
    meaning: str
    given: str
    default: str


@pages.get("/jobs/<job_id>/plan")
def plan(job_id: str) -> str:
    """Show the plan."""
    return _page(the_job(job_id))


@pages.post("/jobs/<job_id>/plan")
def keep_plan(job_id: str) -> Response | tuple[str, int]:
    """Keep the plan as typed; show what is wrong with it, if anything is."""
    who = require("supervisor")
    this = the_job(job_id)
    try:
        changed = replace(this.setup, plan=_typed_plan(this), layout=_typed_layout(this))
        head = request.form.get("if_head") or None
        the_desk().store.change_setup(this.id, changed, who.name, if_head=head)
    except MeasureError as error:
        return _page(this, str(error)), 400
    return redirect(url_for("pages.plan", job_id=this.id, kept=1), code=303)


def _page(this: Job, problem: str = "") -> str:
    record, shown = this.record("plan"), Shown(this.units)
    ridge = None if record is None else record["ridges"][0]
    taken, measured = ridge_to_lay_out(this), _measured(this)
    return render(
        "plan.html",
        "plan",
        this,
        values=_values(this, shown),
        common_practice=COMMON_PRACTICE,
        choices=layout_choices(this.setup.layout.options, shown),
        taken=None if taken is None else shown.doubted(*taken),
        measured=None if measured is None else shown.doubted(*measured),
        ridge=ridge,
        drawing=None if ridge is None else layout_strip(ridge, shown),
        warnings=[] if ridge is None else [note for note in ridge["notes"] if note.startswith(NOT_HELD)],
        notes=[] if ridge is None else [note for note in ridge["notes"] if not note.startswith(NOT_HELD)],
        stock=None if record is None else record["stock"],
        cuts=Counter(tuple(cut) for cut in record["stock"]["cuts"]) if record else {},
        takeoff=record["takeoff"] if record else [],
        air=record["ventilation"] if record else None,
        area=lambda mm2: format_area(mm2, this.units),
        typed=request.form,
        problem=problem,
        is_kept="kept" in request.args and not problem,
    )


def _measured(this: Job) -> tuple[float, float] | None:
    record = this.record("measure")
    if record is None or record["ridge"] is None:
        return None
    return record["ridge"]["length_mm"], record["ridge"]["u95_mm"]


def _values(this: Job, shown: Shown) -> list[PlanValue]:
    given, default = plan_from_record(dict(this.setup.plan), "plan"), Plan()
    return [
        PlanValue(
            key,
            meaning_of(key),
            _told(key, getattr(given, key), shown) if key in given.given else "",
            _told(key, getattr(default, key), shown) or "none",
        )
        for key in PLAN_KEYS
        if key != "ridge_mm"
    ]


def _told(key: str, value: float | None, shown: Shown) -> str:
    if value is None:
        return ""
    return str(value) if key in _COUNTS else shown.length(value)


def _typed_plan(this: Job) -> Mapping[str, Any]:
    """Return the plan's keys as typed; what was not touched keeps its value to the last digit."""
    shown = Shown(this.units)
    before = {value.key: value.given for value in _values(this, shown)}
    typed = {key: value for key, value in this.setup.plan.items() if key not in before}
    for key, was in before.items():
        text = request.form.get(key, "").strip()
        if text and text == was:
            typed[key] = this.setup.plan[key]
        elif text:
            typed[key] = _count(key, text) if key in _COUNTS else parse_length(text)
    return typed


def _count(key: str, text: str) -> int:
    if not text.isdecimal():
        msg = f"{meaning_of(key)}: {text!r:.40} is not a whole number"
        raise PlanError(msg)
    return int(text)


def _typed_layout(this: Job) -> LayoutSetup:
    length, doubt = (request.form.get(field, "").strip() for field in ("ridge-length", "ridge-u95"))
    before = this.setup.layout
    is_typed = request.form.get("ridge-from") == "typed"
    if is_typed and not length:
        msg = "the ridge's length is missing; type it, or take the measured one"
        raise PlanError(msg)
    return LayoutSetup(
        _length(length, before.ridge_mm, this) if is_typed else None,
        _length(doubt, before.u95_mm, this) if is_typed and doubt else 0.0,
        typed_choices(request.form),
    )


def _length(text: str, before_mm: float | None, this: Job) -> float:
    """Return a typed length; one that was not touched keeps its value to the last digit."""
    if before_mm is not None and text == Shown(this.units).length(before_mm):
        return before_mm
    return parse_length(text)
