"""What a worker does with one photo: look at its file, sight its targets, check it. Nothing else is shared.

Each task takes and returns values that can be sent to another machine, and never raises for a bad photo: it
says what is wrong. The same photo gives the same answer in every process.
"""

import hashlib
import json
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import astuple, dataclass
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import Any

from calib.errors import FileError, MeasureError, PhotoError
from calib.exif import PhotoMetadata
from calib.profile import LensProfile, profile_from_record
from calib.targets import Target, target_from_record
from vision.audit import audit_photos
from vision.photo import lens_key_of_file
from vision.plan import Plan, plan_from_record
from vision.pose import SightedPhoto
from vision.sight import sight_photo
from webui.batch.listing import is_url, read_photo
from webui.rounding import tidy

# Targets, plan and lenses are read from their records once in a process.
_KEPT_LENSES = 64


@dataclass(frozen=True, slots=True)
class Looked:
    """What a photo's file says before it is decoded.

    Attributes
    ----------
    sha256 : str
        Hash of its bytes; empty where it cannot be read.
    lens : str
        What photos of one lens share, as text; empty where the photo does not say.
    problem : str
        Why it cannot be measured; empty if it may be.
    """

    sha256: str
    lens: str
    problem: str


@dataclass(frozen=True, slots=True)
class Means:
    """What photos are measured with: target and plan records as JSON texts."""

    targets: tuple[str, ...]
    plan: str


@dataclass(frozen=True, eq=False, slots=True)
class SightedForLens:
    """What a photo teaches of its lens: the targets that it shows, and which camera it says it is."""

    sighted: SightedPhoto
    metadata: PhotoMetadata


@dataclass(frozen=True, slots=True)
class Checked:
    """Records of one photo, one for each flange, as JSON texts; the photo's name is put in later."""

    records: tuple[str, ...]


def look(location: str) -> Looked:
    """Read a photo's file and say what it is."""
    try:
        data = read_photo(location)
    except FileError as error:
        return Looked("", "", str(error))
    digest = hashlib.sha256(data).hexdigest()
    try:
        key = lens_key_of_file(data)
    except PhotoError as error:
        return Looked(digest, "", str(error))
    return Looked(digest, "" if key is None else json.dumps(astuple(key)), "")


def sight(location: str, sha256: str, means: Means) -> SightedForLens | None:
    """Find a photo's targets, for its lens to be learned from; None where it shows none."""
    try:
        with _local(location) as path:
            found = sight_photo(path, sha256, _targets(means))
    except (FileError, PhotoError):
        return None
    return None if found.problem else SightedForLens(found.sighted, found.photo.metadata)


def check(location: str, sha256: str, means: Means, lens: str) -> Checked:
    """Check one photo.

    Parameters
    ----------
    location, sha256 : str
        Where it lies, and the hash that it had when it was looked at.
    means : Means
        Targets and plan.
    lens : str
        Lens record as JSON text; empty where the photo is to be solved alone.

    Returns
    -------
    Checked
        Its records, rounded as those of a job.
    """
    profile = _profile(lens) if lens else None
    try:
        with _local(location) as path:
            audits = audit_photos([path], _targets(means), _plan(means.plan), profile=profile)
            hidden = f"{path}: "
    except MeasureError as error:
        return Checked((json.dumps(set_aside_record(sha256, str(error))),))
    records = [tidy(audit.record(), hidden) for audit in audits]
    if any(record["sha256"] not in ("", sha256) for record in records):
        records = [set_aside_record(sha256, "the file was changed while the batch ran; run it again")]
    return Checked(tuple(json.dumps(record | {"sha256": sha256}) for record in records))


def set_aside_record(sha256: str, why: str) -> dict[str, Any]:
    """Return the contract's entry of a photo that could not be measured; its name is put in later."""
    from vision.audit import NotAudited

    return NotAudited("", sha256, why, ()).record()


@contextmanager
def _local(location: str) -> Iterator[Path]:
    """Give the path of a photo, fetched into a temporary folder where it lies elsewhere."""
    if not is_url(location):
        yield Path(location)
        return
    with tempfile.TemporaryDirectory(prefix="ridgewitness-") as folder:
        path = Path(folder, PurePosixPath(location).name)
        path.write_bytes(read_photo(location))
        yield path


@lru_cache(maxsize=_KEPT_LENSES)
def _profile(lens: str) -> LensProfile:
    return profile_from_record(json.loads(lens), "lens")


@lru_cache(maxsize=1)
def _targets(means: Means) -> tuple[Target, ...]:
    return tuple(target_from_record(json.loads(text), "target") for text in means.targets)


@lru_cache(maxsize=1)
def _plan(plan: str) -> Plan:
    return plan_from_record(json.loads(plan), "plan")
