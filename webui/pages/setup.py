"""The set-up of a job: targets, lenses, tapes, set-back; kept whole by one button."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from flask import redirect, request, url_for
from werkzeug.datastructures import FileStorage
from werkzeug.wrappers import Response

from calib.errors import MeasureError, RecordError
from calib.lengths import parse_length
from calib.profile import profile_from_record
from calib.records import number
from calib.targets import built_in_names, built_in_target, record_from_target, target_from_record
from webui.desk import the_desk
from webui.job import CloseUpSetup, Job, RidgeSetup, Setup
from webui.pages.frame import pages, render, the_job
from webui.session import require

_SPARE_TAPES = 2


@pages.get("/jobs/<job_id>/setup")
def setup(job_id: str) -> str:
    """Show the set-up."""
    return _page(the_job(job_id))


@pages.post("/jobs/<job_id>/setup")
def keep_setup(job_id: str) -> Response | tuple[str, int]:
    """Keep the set-up as typed; show what is wrong with it, if anything is."""
    who = require("supervisor")
    this = the_job(job_id)
    try:
        head = request.form.get("if_head") or None
        the_desk().store.change_setup(this.id, _typed_setup(this.setup), who.name, if_head=head)
    except MeasureError as error:
        return _page(this, str(error)), 400
    return redirect(url_for("pages.setup", job_id=this.id, kept=1), code=303)


def _page(this: Job, problem: str = "") -> str:
    tapes = [*this.setup.ridge.tape, *[None] * _SPARE_TAPES]
    return render(
        "setup.html",
        "setup",
        this,
        built_in=[name for name in built_in_names() if name not in this.setup.targets],
        tapes=tapes,
        typed=request.form,
        problem=problem,
        is_kept="kept" in request.args and not problem,
    )


def _typed_setup(before: Setup) -> Setup:
    """Return the set-up that was typed."""
    targets = _without(before.targets, "remove-target") | _new_targets()
    lenses = _without(before.lenses, "remove-lens") | _new_lenses()
    ridge = RidgeSetup(
        _chosen("ridge-target", targets, before.targets),
        _lens("ridge-lens", lenses),
        tuple(_tapes()),
        _length("setback", 0.0, allow_negative=True),
        _length("setback-u", 0.0),
        number(_number("pick-sigma", 1.0), "standard uncertainty of a pick, px", above=0.0),
    )
    close_ups = CloseUpSetup(
        _chosen("close-up-target", targets, before.targets), _lens("close-up-lens", lenses)
    )
    return replace(before, targets=targets, lenses=lenses, ridge=ridge, close_ups=close_ups)


def _without(files: Mapping[str, Any], field: str) -> dict[str, Any]:
    return {name: record for name, record in files.items() if name not in request.form.getlist(field)}


def _new_targets() -> dict[str, Any]:
    """Return the target that was chosen from the built-in ones, and those that came as files."""
    found = {}
    chosen = request.form.get("built-in", "")
    if chosen:
        found[chosen] = record_from_target(built_in_target(chosen))
    for name, record in _files("target-file"):
        target = target_from_record(record, name)
        found[target.name] = record_from_target(target)
    return found


def _new_lenses() -> dict[str, Any]:
    found = {}
    for name, record in _files("lens-file"):
        profile_from_record(record, name)
        found[name.removesuffix(".json")] = record
    return found


def _files(field: str) -> Iterator[tuple[str, Any]]:
    for file in request.files.getlist(field):
        if file.filename:
            yield file.filename, _json_of(file)


def _json_of(file: FileStorage) -> Any:
    try:
        return json.loads(file.read())
    except (ValueError, RecursionError) as error:
        msg = f"{file.filename}: is not a JSON file; choose the one that this tool wrote"
        raise RecordError(msg) from error


def _chosen(field: str, there: Mapping[str, Any], before: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the targets that are ticked, and those that have just come in, unless they were removed."""
    ticked = request.form.getlist(field)
    fresh = [name for name in there if name not in before] if request.form.get("new-for") == field else []
    return tuple(name for name in dict.fromkeys([*ticked, *fresh]) if name in there)


def _lens(field: str, lenses: Mapping[str, Any]) -> str | None:
    name = request.form.get(field, "")
    return name if name in lenses else None


def _tapes() -> Iterator[dict[str, Any]]:
    columns = [request.form.getlist(f"tape-{part}") for part in ("from", "to", "length", "u")]
    for row, (first, second, length, u) in enumerate(zip(*columns, strict=True), 1):
        if not (first or second or length):
            continue
        ends = [number(_whole(text), f"tape {row}: tag", at_least=0.0) for text in (first, second)]
        yield {
            "from": int(ends[0]),
            "to": int(ends[1]),
            "mm": parse_length(length),
            "u_mm": parse_length(u),
        }


def _whole(text: str) -> Any:
    return int(text) if text.strip().isdecimal() else text


def _number(field: str, empty: float) -> Any:
    text = request.form.get(field, "").strip()
    try:
        return float(text) if text else empty
    except ValueError:
        return text


def _length(field: str, empty: float, *, allow_negative: bool = False) -> float:
    text = request.form.get(field, "").strip()
    return parse_length(text, allow_negative=allow_negative) if text else empty
