"""Checking a package: every hash, the chain of the change log, the form of every record, the work itself.

Needs neither the server nor its database; nothing in the package is believed before its hash is checked.
"""

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import bagit
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from calib.errors import MeasureError
from calib.records import read_json
from webui.canonical import canonical_json, record_hash
from webui.change_log import check_chain, entry_from_record
from webui.evidence import contents as names
from webui.evidence.bag_check import bag_info, bag_problems, signature_problems, signing_key_hex
from webui.evidence.inventory import opened_package
from webui.evidence.quiet import quiet
from webui.evidence.redo import Progress, redo
from webui.evidence.schemas import is_our_schema, schema_problems
from webui.evidence.signing import public_hex
from webui.evidence.verification import Verification
from webui.job import Job, job_from_records


def verify_package(
    path: Path, *, key: Ed25519PublicKey | None = None, progress: Progress | None = None
) -> Verification:
    """Check a package and redo its measurements.

    Parameters
    ----------
    path : Path
        The package: a folder, or the zip file made of it.
    key : Ed25519PublicKey, optional
        Key that must have signed it.
    progress : callable, optional
        Called with (what is being made again, steps done, steps in all).

    Returns
    -------
    Verification
        What holds and what does not.

    Raises
    ------
    FileError
        If there is no such package.
    PackageError
        If it is refused before it is looked into.
    """
    with opened_package(path) as (folder, files):
        found, job = check_records(folder, files, key=key)
        return found if job is None else found.joined(redo(job, folder, progress))


def check_records(
    folder: Path, files: Sequence[str], *, key: Ed25519PublicKey | None = None
) -> tuple[Verification, Job | None]:
    """Check an opened package as far as it can be checked without measuring.

    Parameters
    ----------
    folder : Path
        The package.
    files : sequence of str
        Names of all files in it.
    key : Ed25519PublicKey, optional
        Key that must have signed it.

    Returns
    -------
    found : Verification
        What holds and what does not.
    job : Job or None
        The job, if nothing is wrong.
    """
    problems = _outer_problems(folder, files, key) or _record_problems(folder, files)
    if problems:
        return Verification(problems, (), ()), None
    job = _load_job(folder)
    problems = (*_log_problems(job, folder), *_original_problems(job, folder, files))
    if problems:
        return Verification(problems, (), ()), None
    confirmed = (
        f"all {len(files)} files have the hashes of both manifests",
        *_signed(folder),
        "every record has the form of its schema",
        f"the change log is whole: {len(job.log)} entries",
    )
    return Verification((), (), confirmed), job


def _outer_problems(folder: Path, files: Sequence[str], key: Ed25519PublicKey | None) -> tuple[str, ...]:
    """Check what needs no look into the records: hashes, signature, and a second judge of the bag."""
    problems = bag_problems(folder, files)
    problems += signature_problems(folder, files, None if key is None else public_hex(key))
    if problems:
        return problems
    try:
        with quiet("bagit"):
            bagit.Bag(str(folder)).validate()
    except bagit.BagError as error:
        return (f"the bag does not hold by RFC 8493: {error}",)
    return ()


def _signed(folder: Path) -> Iterator[str]:
    key_hex = signing_key_hex(folder)
    if key_hex is not None:
        yield f"the signature holds; signed with the key {key_hex}"


_RECORDS = {names.JOB: "job", names.FINDINGS: "findings", names.CHANGE_LOG: "change-log"}


def _record_problems(folder: Path, files: Sequence[str]) -> tuple[str, ...]:
    """Hold every JSON file against the package's own schemas, and these against ours."""
    problems: list[str] = []
    schemas: dict[str, Any] = {}
    for name in names.SCHEMA_NAMES:
        file = f"{names.SCHEMAS}/{name}.schema.json"
        schemas[name] = read_json(folder / file)
        if not is_our_schema(name, (folder / file).read_bytes()):
            problems.append(f"{file}: differs from the schema that its identifier stands for")
    known = {*_RECORDS, *(f"{names.SCHEMAS}/{name}.schema.json" for name in names.SCHEMA_NAMES)}
    extra = [file for file in files if file.endswith(".json") and file not in known]
    problems += [f"{file}: should not be there" for file in extra]
    if problems:
        return tuple(problems)
    for file, name in _RECORDS.items():
        try:
            record = read_json(folder / file)
        except MeasureError as error:
            problems.append(str(error).replace(f"{folder}/", ""))
            continue
        problems += [f"{file}: {problem}" for problem in schema_problems(record, name, schemas)]
    return tuple(problems)


def _load_job(folder: Path) -> Job:
    log = read_json(folder / names.CHANGE_LOG)
    entries = [entry_from_record(entry, names.CHANGE_LOG) for entry in log["entries"]]
    return job_from_records(read_json(folder / names.JOB), read_json(folder / names.FINDINGS), entries)


def _log_problems(job: Job, folder: Path) -> tuple[str, ...]:
    """Check the chain, and that decisions, results and photos of the records stand in it."""
    problems = list(check_chain(job.log, job.id, job.log_entries, job.log_head))
    if read_json(folder / names.CHANGE_LOG)["job"] != job.id:
        problems.append(f"{names.CHANGE_LOG}: belongs to another job")
    if bag_info(folder).get(names.INFO_HEAD) != job.log_head:
        problems.append(f"{names.INFO}: names another end of the change log than {names.JOB}")
    return (*problems, *_unlogged(job))


def _unlogged(job: Job) -> Iterator[str]:
    """Yield what stands in the records but not in the log; nothing can be said where details are withheld."""
    if any(entry.details.text is None for entry in job.log):
        return
    details = [(entry.what, json.loads(entry.details.text or "null")) for entry in job.log]
    added = {detail["sha256"] for what, detail in details if what == "photo added"}
    for photo in job.photos:
        if photo.sha256 not in added:
            yield f"{names.JOB}: photo {photo.name} does not stand in the change log"
    said = {canonical_json(detail) for _, detail in details}
    for decision in job.decisions:
        if canonical_json(asdict(decision)) not in said:
            yield f"{names.JOB}: decision {decision.number} does not stand in the change log"
    made = {detail["kind"]: detail["sha256"] for what, detail in details if what == "result made"}
    for kind, result in job.results.items():
        if made.get(kind) != record_hash(result.record):
            yield f"{names.FINDINGS}: {kind} is not the one that the change log has"


def _original_problems(job: Job, folder: Path, files: Sequence[str]) -> tuple[str, ...]:
    """Check that the originals are those that the record names."""
    problems = []
    wanted = {}
    for photo in job.photos:
        if photo.copy is not None and photo.copy.kind != "left out":
            wanted[f"{names.ORIGINALS}/{photo.name}"] = photo
    there = [name for name in files if name.startswith(f"{names.ORIGINALS}/")]
    problems += [f"{name}: is not in the record" for name in there if name not in wanted]
    problems += [f"{name}: is missing" for name in wanted if name not in there]
    listed = _listed_hashes(folder)
    for name, photo in wanted.items():
        kept = photo.copy.sha256 if photo.copy is not None else None
        if name in there and listed.get(name) != kept:
            problems.append(f"{name}: is not the photo that the record names")
        if photo.copy is not None and photo.copy.kind == "whole" and kept != photo.sha256:
            problems.append(f"{names.JOB}: photo {photo.name} is said to be whole, but has another hash")
    return tuple(problems)


def _listed_hashes(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every payload file, from the manifest that was already checked."""
    lines = (folder / names.MANIFESTS[0]).read_text(encoding="utf-8").splitlines()
    return {name: digest for digest, name in (line.split("  ", 1) for line in lines)}
