"""Doing the work of a package again, from its originals, and comparing it with what the package says.

The same software must give the same numbers, one unit of the last digit aside; another version may differ
within a tolerance, and where it differs more, that is told and not taken for tampering.
"""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from calib.errors import MeasureError
from webui.evidence import contents as names
from webui.evidence.comparison import Agreement, differences
from webui.evidence.verification import Verification
from webui.inputs import photos_of
from webui.job import RESULT_KINDS, FiledPhoto, Job, Result, ResultKind
from webui.software import software_versions
from webui.work import make_result

Progress = Callable[[str, int, int], None]

_RESULT_NAMES: Mapping[ResultKind, str] = {"measure": "ridge", "check": "close-ups", "plan": "layout"}
# The kind of processor is no version: numbers must not depend on it.
_MACHINE = "machine"
# The first few differences of a result are told; thousands would hide them.
_MOST_TOLD = 6


def redo(job: Job, folder: Path, progress: Progress | None = None) -> Verification:
    """Make every result of a package again and compare it with the recorded one.

    Parameters
    ----------
    job : Job
        The job of the package.
    folder : Path
        The package, its hashes checked.
    progress : callable, optional
        Called with (what is being made again, steps done, steps in all).

    Returns
    -------
    Verification
        What agrees and what does not.
    """
    found = Verification((), (), ())
    for kind in RESULT_KINDS:
        if kind in job.results:
            found = found.joined(_redo_one(job, kind, folder, progress))
    return found


def _obstacle(job: Job, kind: ResultKind) -> str:
    """Say why a result cannot be made again; empty if it can."""
    photo_kind = {"measure": "ridge", "check": "close-up"}.get(kind)
    for photo in job.photos:
        is_needed = photo.kind == photo_kind and photo.set_aside is None
        if is_needed and (photo.copy is None or photo.copy.kind == "left out"):
            return f"not made again, for {photo.name} is not in the package (its hash is on record)"
    return ""


def _redo_one(job: Job, kind: ResultKind, folder: Path, progress: Progress | None) -> Verification:
    """Make one result again and compare it with the recorded one."""
    recorded, name = job.results[kind], _RESULT_NAMES[kind]
    obstacle = _obstacle(job, kind)
    if obstacle:
        return Verification((), (f"{name}: {obstacle}",), ())

    def report(done: int, total: int) -> None:
        if progress is not None:
            progress(name, done, total)

    def original(photo: FiledPhoto) -> Path:
        return folder / names.ORIGINALS / photo.name

    try:
        redone = make_result(job, kind, original, recorded.made_utc, report, drawing=False)
    except MeasureError as error:
        return Verification((f"{name}: cannot be made again: {error}",), (), ())
    if redone.inputs_sha256 != recorded.inputs_sha256:
        return Verification((f"{name}: was made from other photos, picks or set-up",), (), ())
    return _judge(job, name, recorded, _as_recorded(job, redone.record))


def _judge(job: Job, name: str, recorded: Result, again: Mapping[str, Any]) -> Verification:
    """Compare a record with the one made again: to the last digit with the same software, else nearly."""
    changed = _changed_versions(recorded.software)
    is_stripped = any(photo.copy is not None and photo.copy.kind == "stripped" for photo in job.photos)
    how = f"with other versions ({', '.join(changed)})" if changed else "from the originals"
    how = "from stripped originals" if is_stripped and not changed else how
    last = Agreement.VERSIONS if changed or is_stripped else Agreement.LAST_DIGIT
    for agreement in (Agreement.EXACT, Agreement.LAST_DIGIT, last):
        if not differences(recorded.record, again, agreement):
            return Verification((), (), (f"{name}: made again {how}, the same {agreement.value}",))
    found = _few(differences(recorded.record, again, last))
    if last is Agreement.LAST_DIGIT:
        return Verification(tuple(f"{name}: {each}" for each in found), (), ())
    return Verification((), (f"{name}: made again {how} it differs: {'; '.join(found)}",), ())


def _few(found: Sequence[str]) -> list[str]:
    more = [f"and {len(found) - _MOST_TOLD} more differences"] if len(found) > _MOST_TOLD else []
    return [*found[:_MOST_TOLD], *more]


def _changed_versions(recorded: Mapping[str, str]) -> list[str]:
    """Return what made the record, where it is not what is at work here."""
    here = software_versions()
    differing = [name for name in recorded if name != _MACHINE and recorded[name] != here.get(name)]
    return [f"{name} {recorded[name][:16]}" for name in differing]


def _as_recorded(job: Job, record: Mapping[str, Any]) -> dict[str, Any]:
    """Return a record made from packaged copies with the hashes of the untouched originals."""
    originals = {photo.name: photo.sha256 for photo in photos_of(job, "close-up")}
    photos = record.get("photos")
    if not isinstance(photos, list):
        return dict(record)
    known = [
        {**photo, "sha256": originals.get(photo["photo"], photo["sha256"])} if photo["sha256"] else photo
        for photo in photos
    ]
    return {**record, "photos": known}
