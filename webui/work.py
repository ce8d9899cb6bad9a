"""The work: from a job's photos and set-up to its results, alike at the desk and in a check years later.

Everything that a result follows from is laid out as contract files in a folder of its own, and read back from
there by the functions that the command line uses. What is measured is rounded to 0.001 mm, 0.001 px or four
significant digits, whichever is finer: what lies below tells one processor from another, not one roof.
"""

import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np

from calib.errors import MeasureError
from calib.profile import load_profile
from calib.targets import load_target
from vision.audit import FlangeAudit, NotAudited, PhotoAudit, audit_photos, audit_prepared
from vision.flat_map import flat_map
from vision.look import look_at_all
from vision.marks import Marks, marks_from_record
from vision.picking import tied_views
from vision.plan import load_plan
from vision.plane import View
from vision.prepared import PreparedPhoto, prepare_photos
from vision.ridge import RidgeMeasurement, measure_ridge
from vision.shoot import load_shoot
from webui.errors import StoreError
from webui.inputs import can_make, inputs_hash, photos_of, ridge_to_lay_out
from webui.job import RESULT_KINDS, FiledPhoto, Job, Result, ResultKind
from webui.plan_command import job_record, plan_from_options
from webui.plan_options import plan_options
from webui.rounding import tidy
from webui.software import software_versions

PhotoPath = Callable[[FiledPhoto], Path]
Progress = Callable[[int, int], None]
PreparedCloseUps = Mapping[str, PreparedPhoto | NotAudited]

# No photo's name begins with a dot.
_PHOTO_FOLDER, _SHOOT_FILE = "photos", ".shoot.json"


def make_result(
    job: Job,
    kind: ResultKind,
    photo_path: PhotoPath,
    now_utc: str,
    progress: Progress | None = None,
    *,
    drawing: bool = True,
    prepared: PreparedCloseUps | None = None,
) -> Result:
    """Measure the ridge, check the close-ups or lay out the cap of a job.

    Parameters
    ----------
    job : Job
        The job; a layout takes the measured ridge from its results.
    kind : {"measure", "check", "plan"}
        What to make.
    photo_path : callable
        Gives the file of a photo.
    now_utc : str
        Time to write beside the result.
    progress : callable, optional
        Called with (steps done, steps in all).
    drawing : bool
        Whether what pictures need is made too.
    prepared : mapping, optional
        What `prepare_close_ups` made of the same job, whatever is marked in it, so that a check need not.

    Returns
    -------
    Result
        The contract's record and what made it.

    Raises
    ------
    MeasureError
        If the job does not hold what is needed, or a file of it cannot be used.
    """
    if not can_make(job, kind):
        msg = f"job {job.name!r}: {_MISSING[kind]}"
        raise StoreError(msg)
    extra: Any = None
    with laid_out(job, photo_path) as folder:
        match kind:
            case "measure":
                record, extra = _measure(job, folder, progress, drawing)
            case "check":
                record, extra = _check(job, folder, progress, drawing, prepared)
            case "plan":
                # Worked out, not measured: its pieces must add up to the last digit.
                record = _plan(job, folder)
        if kind != "plan":
            # Messages name a photo by its path; this folder means nothing to anybody.
            record, extra = (tidy(value, f"{folder / _PHOTO_FOLDER}{os.sep}") for value in (record, extra))
    return Result(record, software_versions(), inputs_hash(job, kind), now_utc, extra)


_MISSING: Mapping[ResultKind, str] = {
    "measure": "no ridge photo has a picked end; file a photo of the whole ridge and pick its ends",
    "check": "there are no close-ups, or no target is named for them; add both",
    "plan": "there is no ridge length; measure the ridge or type its length",
}


@contextlib.contextmanager
def laid_out(job: Job, photo_path: PhotoPath) -> Iterator[Path]:
    """Lay out everything that a job's results follow from as contract files in a temporary folder.

    Parameters
    ----------
    job : Job
        The job.
    photo_path : callable
        Gives the file of a photo.

    Yields
    ------
    Path
        Folder with targets, lenses, plan and shoot file, and the photos under their names.
    """
    with tempfile.TemporaryDirectory(prefix="ridgewitness-") as temporary:
        folder = Path(temporary)
        for part, files in (("target", job.setup.targets), ("lens", job.setup.lenses)):
            (folder / part).mkdir()
            for name, record in files.items():
                _write(record, folder / _file(part, files, name))
        (folder / _PHOTO_FOLDER).mkdir()
        for photo in job.photos:
            if photo.set_aside is None:
                _link(photo_path(photo), folder / _PHOTO_FOLDER / photo.name)
        _write(job.setup.plan, folder / "plan.json")
        _write(_shoot_record(job), folder / _PHOTO_FOLDER / _SHOOT_FILE)
        yield folder


def make_all(
    job: Job, photo_path: PhotoPath, now_utc: str, kinds: Sequence[ResultKind] = RESULT_KINDS
) -> dict[ResultKind, Result | MeasureError]:
    """Make every result that a job holds the makings of; one that fails leaves its error in its place."""
    made: dict[ResultKind, Result | MeasureError] = {}
    for kind in kinds:
        if can_make(job, kind):
            try:
                made[kind] = result = make_result(job, kind, photo_path, now_utc)
            except MeasureError as error:
                made[kind] = error
            else:
                job = replace(job, results={**job.results, kind: result})
    return made


def _measure(
    job: Job, folder: Path, progress: Progress | None, drawing: bool
) -> tuple[dict[str, Any], dict[str, Any] | None]:
    found = measure_ridge(load_shoot(folder / _PHOTO_FOLDER / _SHOOT_FILE), progress)
    scene = found.scene if drawing and isinstance(found, RidgeMeasurement) else None
    return found.record(), None if scene is None else scene.record()


def tie_ridge_photos(job: Job, photo_path: PhotoPath, progress: Progress | None = None) -> dict[str, View]:
    """Tie a job's ridge photos by their targets, for help while somebody picks ends.

    Parameters
    ----------
    job : Job
        The job.
    photo_path : callable
        Gives the file of a photo.
    progress : callable, optional
        Called with (photos looked at, photos in all).

    Returns
    -------
    dict
        As `vision.picking.tied_views`.

    Raises
    ------
    MeasureError
        If there are no ridge photos or nothing gives their scale.
    """
    with laid_out(job, photo_path) as folder:
        shoot = load_shoot(folder / _PHOTO_FOLDER / _SHOOT_FILE)
        return tied_views(look_at_all(shoot, progress).ready, shoot.tapes)


def _shoot_record(job: Job) -> dict[str, Any]:
    ridge = job.setup.ridge
    photos = {
        photo.name: {
            **{end: list(pick) for end, pick in photo.ends.items()},
            **({} if photo.rectangle is None else {"rectangle": photo.rectangle}),
        }
        for photo in photos_of(job, "ridge")
    }
    record: dict[str, Any] = {
        "targets": [f"../{_file('target', job.setup.targets, name)}" for name in ridge.targets],
        "photos": photos,
        "tape": list(ridge.tape),
        "setback_mm": ridge.setback_mm,
        "setback_u_mm": ridge.setback_u_mm,
        "pick_sigma_px": ridge.pick_sigma_px,
    }
    return record | ({"lens": f"../{_file('lens', job.setup.lenses, ridge.lens)}"} if ridge.lens else {})


def _check(
    job: Job,
    folder: Path,
    progress: Progress | None,
    drawing: bool,
    prepared: PreparedCloseUps | None,
) -> tuple[dict[str, Any], dict[str, Any] | None]:
    photos = photos_of(job, "close-up")
    if prepared is None:
        marks = {_in(folder, photo): marks_of(photo.marks, photo.name) for photo in photos if photo.marks}
        audits = audit_photos(**_close_ups(job, folder), marks=marks, progress=progress)
    else:
        audits = [audit for photo in photos for audit in _audits(prepared[photo.name], photo.marks)]
    record = {"photos": [audit.record() for audit in audits]}
    if not drawing:
        return record, None
    seen = [audit for audit in audits if isinstance(audit, FlangeAudit)]
    return record, {"flanges": [_flange_drawing(audit) for audit in seen]}


def _close_ups(job: Job, folder: Path) -> dict[str, Any]:
    """Return what close-ups are measured from: photos, targets, plan, and the lens if there is one."""
    setup = job.setup.close_ups
    lens = folder / _file("lens", job.setup.lenses, setup.lens) if setup.lens else None
    return {
        "paths": [_in(folder, photo) for photo in photos_of(job, "close-up")],
        "targets": [load_target(folder / _file("target", job.setup.targets, name)) for name in setup.targets],
        "plan": load_plan(folder / "plan.json"),
        "profile": None if lens is None else load_profile(lens),
    }


def _in(folder: Path, photo: FiledPhoto) -> Path:
    return folder / _PHOTO_FOLDER / photo.name


def prepare_close_ups(
    job: Job, photo_path: PhotoPath, progress: Progress | None = None
) -> dict[str, PreparedPhoto | NotAudited]:
    """Make a job's close-ups ready to be measured again and again, with other marks.

    Parameters
    ----------
    job : Job
        The job.
    photo_path : callable
        Gives the file of a photo.
    progress : callable, optional
        Called with (steps done, steps in all).

    Returns
    -------
    dict
        Photo name to the photo made ready, without its picture; or to why it cannot be measured.

    Raises
    ------
    MeasureError
        If the job does not hold what is needed, or a file of it cannot be used.
    """
    if not can_make(job, "check"):
        msg = f"job {job.name!r}: {_MISSING['check']}"
        raise StoreError(msg)
    with laid_out(job, photo_path) as folder:
        names = [photo.name for photo in photos_of(job, "close-up")]
        found = prepare_photos(**_close_ups(job, folder), progress=progress)
        hidden = f"{folder / _PHOTO_FOLDER}{os.sep}"
        return {name: _without(hidden, each) for name, each in zip(names, found, strict=True)}


def _without(hidden: str, found: PreparedPhoto | NotAudited) -> PreparedPhoto | NotAudited:
    """Return the same without the folder, gone by then, in what it says."""
    notes = tuple(note.replace(hidden, "") for note in found.notes)
    if isinstance(found, NotAudited):
        return replace(found, why=found.why.replace(hidden, ""), notes=notes)
    return replace(found, notes=notes)


def audit_again(
    prepared: PreparedPhoto | NotAudited, marks: Mapping[str, Any] | None
) -> list[dict[str, Any]]:
    """Return what a close-up's record is with other marks: the same as a whole check would make.

    Parameters
    ----------
    prepared : PreparedPhoto or NotAudited
        The photo as `prepare_close_ups` gave it.
    marks : mapping or None
        The marks as `FiledPhoto` has them.

    Returns
    -------
    list of dict
        The contract's entries of the photo, one for each flange.

    Raises
    ------
    RecordError
        If the marks are no marks.
    """
    return [tidy(audit.record(), "") for audit in _audits(prepared, marks)]


def _audits(prepared: PreparedPhoto | NotAudited, marks: Mapping[str, Any] | None) -> tuple[PhotoAudit, ...]:
    if isinstance(prepared, NotAudited):
        return (prepared,)
    return audit_prepared(prepared, marks_of(marks, prepared.photo))


def marks_of(record: Mapping[str, Any] | None, photo: str) -> Marks:
    """Return the marks that are kept of a photo."""
    return marks_from_record(record or {}, f"{photo}: marks")


def _flange_drawing(audit: FlangeAudit) -> dict[str, Any]:
    """Return where the flange lies, and the map from its millimetres to the photo's pixels."""
    polygon = np.asarray(audit.flange.polygon_mm, dtype=float)
    return {
        "photo": audit.photo,
        "target": audit.target.name,
        "outline_mm": list(audit.target.outline_mm),
        "along": np.asarray(audit.flange.along, dtype=float).tolist(),
        "polygon_mm": polygon.tolist(),
        "px_from_mm": flat_map(audit.view, audit.target.thickness_mm, polygon).tolist(),
    }


def _plan(job: Job, folder: Path) -> dict[str, Any]:
    length = ridge_to_lay_out(job)
    if length is None:
        raise StoreError(_MISSING["plan"])
    asked = _default_options() | dict(job.setup.layout.options)
    asked |= {"ridges": (length[0],), "u95s": (length[1],)}
    return job_record(plan_from_options(folder / "plan.json", job.units, asked))


def _default_options() -> dict[str, Any]:
    """Return the options of `plan` as they stand when nothing is typed."""
    command = click.command("plan")(plan_options(lambda **_: None))
    return dict(command.make_context("plan", []).params)


def _file(part: str, files: Mapping[str, Any], name: str) -> str:
    """Return where a target or lens lies in the laid-out folder; their own names are no file names."""
    return f"{part}/{list(files).index(name)}.json"


def _write(record: Any, path: Path) -> None:
    path.write_text(json.dumps(record), encoding="utf-8")


def _link(source: Path, place: Path) -> None:
    """Put a file at a place without copying it where the system can."""
    try:
        place.symlink_to(source.absolute())
    except OSError:
        shutil.copyfile(source, place)
