"""Making an evidence package: a bag (RFC 8493) that holds a job whole, the same bytes for the same job.

Every date in it is the job's own, names are sorted, nothing depends on the machine or the hour.
"""

import hashlib
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import bagit
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from calib.errors import FileError
from webui.canonical import readable_json
from webui.change_log import record_from_entry
from webui.errors import PackageError
from webui.evidence import contents as names
from webui.evidence.quiet import quiet
from webui.evidence.read_me import read_me
from webui.evidence.schemas import schema_bytes, schema_problems
from webui.evidence.signing import public_hex
from webui.inputs import is_current
from webui.job import (
    CHANGE_LOG_FORMAT,
    RESULT_KINDS,
    FiledPhoto,
    Job,
    PackagedCopy,
    Privacy,
    record_from_findings,
    record_from_job,
)
from webui.numbers_out import findings_csv, ridge_photos_geojson, takeoff_csv
from webui.privacy import withhold
from webui.report import report_pdf
from webui.software import ridgewitness_version
from webui.stripping import strip_metadata

PhotoPath = Callable[[FiledPhoto], Path]
Progress = Callable[[int, int], None]

# RFC 8493 leaves room for any time; the zip format begins here, and so do all files in our zips.
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)


def make_package(
    job: Job,
    photo_path: PhotoPath,
    folder: Path,
    *,
    privacy: Privacy | None = None,
    key: Ed25519PrivateKey | None = None,
    replace_old: bool = False,
    progress: Progress | None = None,
) -> Job:
    """Make the evidence package of a job.

    Parameters
    ----------
    job : Job
        The job.
    photo_path : callable
        Gives the original of a photo.
    folder : Path
        The package; it appears only when it is complete.
    privacy : Privacy, optional
        What may go along; everything by default.
    key : Ed25519PrivateKey, optional
        Signs the package.
    replace_old : bool
        Whether a package of ours that is there already may be replaced.
    progress : callable, optional
        Called with (close-ups drawn, close-ups in all).

    Returns
    -------
    Job
        The job as it went along.

    Raises
    ------
    PackageError
        If the folder is in use, results are out of date, or what is asked for contradicts itself.
    FileError
        If an original is missing or changed, or the folder cannot be written.
    """
    _check_free(folder, replace_old=replace_old)
    _check_current(job)
    shared = withhold(job, privacy or Privacy())
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".package-") as temporary:
            bag = Path(temporary) / "bag"
            shared = _fill(bag, shared, photo_path, progress)
            _seal(bag, shared, key)
            if folder.exists():
                shutil.rmtree(folder)
            bag.rename(folder)
    except OSError as error:
        if isinstance(error, FileError):
            raise
        msg = f"{folder}: the package cannot be written ({error.strerror or error})"
        raise FileError(msg) from error
    return shared


def make_zip(folder: Path, path: Path) -> None:
    """Write a package as one zip file, the same bytes for the same package on every machine.

    Parameters
    ----------
    folder : Path
        The package.
    path : Path
        The file to write.

    Raises
    ------
    FileError
        If it cannot be written.

    Notes
    -----
    Files are stored, not compressed: photos do not shrink, and compressors differ from version to version.
    """
    try:
        with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
            for name in _files(folder):
                entry = zipfile.ZipInfo(f"evidence/{name}", _ZIP_TIME)
                entry.create_system, entry.external_attr = 3, 0o100644 << 16
                with (
                    (folder / name).open("rb") as source,
                    archive.open(entry, "w", force_zip64=True) as place,
                ):
                    shutil.copyfileobj(source, place)
    except OSError as error:
        msg = f"{path}: the zip file cannot be written ({error.strerror or error})"
        raise FileError(msg) from error


def _check_free(folder: Path, *, replace_old: bool) -> None:
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return
    is_ours = (folder / names.DECLARATION).is_file() and (folder / names.JOB).is_file()
    if not (replace_old and is_ours):
        msg = f"{folder}: is there already; name a folder that does not exist yet"
        raise PackageError(msg)


def _check_current(job: Job) -> None:
    """Refuse a job whose results do not follow from what it holds: nobody could redo them."""
    stale = [kind for kind in RESULT_KINDS if kind in job.results and not is_current(job, kind)]
    if stale:
        msg = (
            f"job {job.name!r}: photos, picks or set-up were changed after the results were made "
            f"({', '.join(stale)}); make these again before they are packed"
        )
        raise PackageError(msg)


def _fill(bag: Path, job: Job, photo_path: PhotoPath, progress: Progress | None) -> Job:
    """Write the payload, still without its data/ folder; return the job with what became of its originals."""
    (bag / "schemas").mkdir(parents=True)
    copies = {photo.name: _copy(photo, photo_path(photo), job.privacy, bag) for photo in job.photos}
    job = replace(job, photos=tuple(replace(photo, copy=copies[photo.name]) for photo in job.photos))
    for name in names.SCHEMA_NAMES:
        (bag / "schemas" / f"{name}.schema.json").write_bytes(schema_bytes(name))
    log = {
        "format": CHANGE_LOG_FORMAT,
        "job": job.id,
        "entries": [record_from_entry(entry) for entry in job.log],
    }
    records = {"job": record_from_job(job), "findings": record_from_findings(job), "change-log": log}
    for name, record in records.items():
        problems = schema_problems(record, name)
        if problems:
            msg = f"{name}.json would not fit its own schema: {'; '.join(problems)}"
            raise PackageError(msg)
        _write(bag / f"{name}.json", readable_json(record).encode())
    _write(bag / "findings.csv", findings_csv(job))
    _write(bag / "take-off.csv", takeoff_csv(job))
    places = ridge_photos_geojson(job)
    if places is not None:
        _write(bag / "ridge-photos.geojson", readable_json(places).encode())
    _write(bag / "READ-ME.txt", read_me(job).encode())
    _write(bag / "report.pdf", report_pdf(job, _paths(bag, job), progress))
    return job


def _copy(photo: FiledPhoto, original: Path, privacy: Privacy, bag: Path) -> PackagedCopy:
    """Let an original go along as far as it may; the hash is checked on the way."""
    data = original.read_bytes()
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        msg = f"{original}: the original of {photo.name} was changed or damaged; restore it from a backup"
        raise FileError(msg)
    copy = data if privacy.originals == "whole" else None
    if privacy.originals == "stripped":
        copy = strip_metadata(data)
    if copy is None:
        return PackagedCopy("left out", None)
    (bag / "originals").mkdir(exist_ok=True)
    _write(bag / "originals" / photo.name, copy)
    return PackagedCopy(privacy.originals, hashlib.sha256(copy).hexdigest())


def _paths(bag: Path, job: Job) -> Callable[[FiledPhoto], Path | None]:
    """Give the originals as they go along: the report shows nothing that the package does not hold."""
    kept = {photo.name for photo in job.photos if photo.copy is not None and photo.copy.kind != "left out"}
    return lambda photo: bag / "originals" / photo.name if photo.name in kept else None


def _seal(bag: Path, job: Job, key: Ed25519PrivateKey | None) -> None:
    """Make a bag of the payload, and sign it."""
    info = {
        names.INFO_JOB: job.id,
        "External-Description": " ".join(f"Ridge record of job {job.name}".split()),
        "Bagging-Date": job.changed_utc[:10],
        "Bag-Software-Agent": f"ridgewitness {ridgewitness_version()}",
        names.INFO_HEAD: job.log_head,
    }
    if key is not None:
        info[names.INFO_KEY] = public_hex(key)
    with quiet("bagit"):
        bagit.make_bag(str(bag), info, checksums=list(names.ALGORITHMS))
    # The library declares version 0.97 and lists files in an order of its own; RFC 8493 is 1.0, and the same
    # package is to have the same bytes.
    _write(bag / names.DECLARATION, names.DECLARATION_BYTES)
    payload = [name for name in _files(bag) if name.startswith(f"{names.PAYLOAD}/")]
    tags = (names.INFO, names.DECLARATION, *names.MANIFESTS)
    for manifests, covered in ((names.MANIFESTS, payload), (names.TAG_MANIFESTS, tags)):
        for algorithm, name in zip(names.ALGORITHMS, manifests, strict=True):
            _write(bag / name, manifest_text(bag, algorithm, covered).encode())
    if key is not None:
        _write(bag / names.SIGNATURE, key.sign((bag / names.SIGNED).read_bytes()))
    for name in _files(bag):
        (bag / name).chmod(0o644)


def manifest_text(bag: Path, algorithm: str, files: Sequence[str]) -> str:
    """Return a manifest of files, sorted by name (RFC 8493, 2.1.3)."""
    lines = []
    for name in sorted(files):
        with (bag / name).open("rb") as file:
            lines.append(f"{hashlib.file_digest(file, algorithm).hexdigest()}  {name}\n")
    return "".join(lines)


def _files(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def _write(path: Path, data: bytes) -> None:
    path.write_bytes(data)
