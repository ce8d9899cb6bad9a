"""What a job's results are made from: whether it is there, and whether it was changed since.

Light on purpose: pages and lists ask this without loading anything that measures.
"""

from dataclasses import asdict
from typing import Any

from webui.canonical import record_hash
from webui.job import FiledPhoto, Job, PhotoKind, ResultKind


def inputs_hash(job: Job, kind: ResultKind) -> str:
    """Return the hash of all that a result is made from: it changes when the result must be made again."""
    setup = job.setup
    match kind:
        case "measure":
            part: Any = asdict(setup.ridge)
            targets, lens = setup.ridge.targets, setup.ridge.lens
            photos = [[p.sha256, p.name, p.ends, p.rectangle] for p in photos_of(job, "ridge")]
        case "check":
            part = [asdict(setup.close_ups), dict(setup.plan)]
            targets, lens = setup.close_ups.targets, setup.close_ups.lens
            # A photo without marks counts as it did before there were any.
            photos = [[p.sha256, p.name, *([p.marks] if p.marks else [])] for p in photos_of(job, "close-up")]
        case "plan":
            part = [asdict(setup.layout), dict(setup.plan), job.units, ridge_to_lay_out(job)]
            targets, lens, photos = (), None, []
    files = [setup.targets[name] for name in targets], setup.lenses[lens] if lens else None
    return record_hash([part, files, photos])


def is_current(job: Job, kind: ResultKind) -> bool:
    """Tell whether a job has a result that was made from what the job holds now."""
    return kind in job.results and job.results[kind].inputs_sha256 == inputs_hash(job, kind)


def photos_of(job: Job, kind: PhotoKind) -> list[FiledPhoto]:
    """Return the photos that take part in a result, in the order in which they came in."""
    return [photo for photo in job.photos if photo.kind == kind and photo.set_aside is None]


def can_make(job: Job, kind: ResultKind) -> bool:
    """Tell whether a job holds what a result is made from."""
    match kind:
        case "measure":
            return any(photo.ends for photo in photos_of(job, "ridge"))
        case "check":
            return bool(photos_of(job, "close-up")) and bool(job.setup.close_ups.targets)
        case "plan":
            return ridge_to_lay_out(job) is not None


def ridge_to_lay_out(job: Job) -> tuple[float, float] | None:
    """Return length and expanded uncertainty of the ridge: typed in, else measured, else the plan's own."""
    layout, measured = job.setup.layout, job.record("measure")
    if layout.ridge_mm is not None:
        return layout.ridge_mm, layout.u95_mm
    if measured is not None and measured["ridge"] is not None:
        return measured["ridge"]["length_mm"], measured["ridge"]["u95_mm"]
    planned = job.setup.plan.get("ridge_mm")
    return None if planned is None else (planned, 0.0)
