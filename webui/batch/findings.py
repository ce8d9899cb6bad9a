"""What a batch found, as files: findings.jsonl, set-aside.jsonl and summary.json.

Photos stand in the order of their names, so that the files are the same however the work was shared out. They
are written beside their old ones and then take their place: a reader never meets half a file.
"""

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

from calib.errors import FileError
from webui.batch.ledger import KnownLens, Ledger
from webui.batch.tasks import set_aside_record
from webui.canonical import readable_json
from webui.software import software_versions

FINDINGS_FILE, SET_ASIDE_FILE, SUMMARY_FILE = "findings.jsonl", "set-aside.jsonl", "summary.json"


@dataclass(frozen=True, slots=True)
class LensSummary:
    """A camera of the batch: how many photos share its lens, how many of them taught it, or why none did."""

    camera: str
    photos: int
    taught_by: int
    why: str


@dataclass(frozen=True, slots=True)
class BatchSummary:
    """A batch in numbers.

    Attributes
    ----------
    photos, measured, set_aside : int
        Photos in all, those measured, those that could not be.
    done_now : int
        Photos checked in this run; the others had their results already.
    verdicts : mapping of str to mapping of str to int
        Rule, verdict, how many.
    lenses : tuple of LensSummary
        Cameras, as far as photos name them.
    software : mapping of str to str
        Versions.
    """

    photos: int
    measured: int
    set_aside: int
    done_now: int
    verdicts: Mapping[str, Mapping[str, int]]
    lenses: tuple[LensSummary, ...]
    software: Mapping[str, str]


def write_findings(
    out: Path, ledger: Ledger, means_hash: str, lenses: Mapping[str, KnownLens], done_now: int
) -> BatchSummary:
    """Write the findings of a batch and return its summary.

    Raises
    ------
    FileError
        If a file cannot be written.
    """
    tally = _Tally()
    with _replacing(out / FINDINGS_FILE) as findings, _replacing(out / SET_ASIDE_FILE) as set_aside:
        for name, record in _records(ledger, means_hash):
            entry = {**record, "photo": name}
            findings.write(json.dumps(entry, ensure_ascii=False) + "\n")
            if tally.add(name, record):
                aside = {"photo": name, "sha256": record["sha256"], "why": " ".join(record["notes"])}
                set_aside.write(json.dumps(aside, ensure_ascii=False) + "\n")
    summary = BatchSummary(
        tally.photos,
        tally.photos - tally.set_aside,
        tally.set_aside,
        done_now,
        {rule: dict(sorted(counts.items())) for rule, counts in sorted(tally.verdicts.items())},
        tuple(_lens_summary(lens, count, lenses[lens]) for lens, count in ledger.lenses()),
        software_versions(),
    )
    with _replacing(out / SUMMARY_FILE) as file:
        file.write(readable_json(asdict(summary)))
    return summary


class _Tally:
    """Counts photos and verdicts."""

    def __init__(self) -> None:
        self.photos = self.set_aside = 0
        self.verdicts: dict[str, Counter[str]] = {}
        self._last = ""

    def add(self, name: str, record: Mapping[str, Any]) -> bool:
        """Count one record; return whether its photo was set aside. A photo may have one for each flange."""
        if name != self._last or not self.photos:
            self.photos += 1
            self.set_aside += not record["measured"]
        self._last = name
        for verdict in record["verdicts"]:
            self.verdicts.setdefault(verdict["rule"], Counter())[verdict["verdict"]] += 1
        return not record["measured"]


def _records(ledger: Ledger, means_hash: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, sha256, problem, record in ledger.findings(means_hash):
        yield name, json.loads(record) if record else set_aside_record(sha256, problem)


def _lens_summary(lens: str, photos: int, known: KnownLens) -> LensSummary:
    make, model, _, focal_mm, *_, width, height = json.loads(lens)
    said = " ".join(str(part) for part in (make, model) if part)
    focal = "" if focal_mm is None else f", {focal_mm:g} mm"
    taught = [photo for photo in json.loads(known.record)["photos"] if photo["used"]] if known.record else []
    return LensSummary(f"{said}{focal}, {width} x {height} px", photos, len(taught), known.why)


@contextmanager
def _replacing(path: Path) -> Iterator[IO[str]]:
    """Open a file for writing that takes its place when it is whole."""
    draft = path.with_name(f"{path.name}.part")
    try:
        with draft.open("w", encoding="utf-8", newline="\n") as file:
            yield file
        draft.replace(path)
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror or error})"
        raise FileError(msg) from error
