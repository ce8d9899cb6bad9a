"""One job as the desk knows it: photos at places, set-up, results, decisions, change log.

It is what the store gives out, what a report is made from, and what a package's job.json, findings.json and
change-log.json hold. Results are the contract's own JSON records, untouched. Times are UTC, RFC 3339.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal, TypeVar

from calib.lengths import Units
from calib.records import check_keys
from webui.change_log import Entry

Record = TypeVar("Record")
Pick = tuple[float, float]
PhotoKind = Literal["ridge", "close-up"]
ResultKind = Literal["measure", "check", "plan"]
Action = Literal["accept", "overrule", "sign off", "withdraw"]
CopyKind = Literal["whole", "stripped", "left out"]

RESULT_KINDS: tuple[ResultKind, ...] = ("measure", "check", "plan")
JOB_FORMAT = "ridgewitness job 2"
FINDINGS_FORMAT = "ridgewitness findings 1"
CHANGE_LOG_FORMAT = "ridgewitness change log 1"


@dataclass(frozen=True, slots=True)
class Position:
    """Where a photo says it was taken: degrees north and east, metres above the sea, degrees from north."""

    latitude_deg: float
    longitude_deg: float
    altitude_m: float | None
    direction_deg: float | None


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """What the original's own header and metadata say; None where they do not, or where it is withheld.

    Attributes
    ----------
    format : str
        Container, such as "JPEG".
    width_px, height_px : int
        Size as stored.
    taken_at : str or None
        As the camera had it, ISO 8601, with an offset only if the camera knew one.
    make, model, serial : str or None
        The camera.
    position : Position or None
        Where it was taken.
    """

    format: str
    width_px: int
    height_px: int
    taken_at: str | None = None
    make: str | None = None
    model: str | None = None
    serial: str | None = None
    position: Position | None = None


@dataclass(frozen=True, slots=True)
class PackagedCopy:
    """How an original goes along in a package: whole, with its metadata stripped, or not at all."""

    kind: CopyKind
    sha256: str | None


@dataclass(frozen=True, slots=True)
class FiledPhoto:
    """One photo of a job.

    Attributes
    ----------
    name : str
        Name within the job: unique, and safe as a file name. Results call the photo by it.
    original_name : str
        Name that it came with.
    sha256, size_bytes : str, int
        Of the untouched original.
    kind : {"ridge", "close-up"}
        What it is for.
    place : str or None
        Where on the ridge a close-up belongs; None until it is filed.
    ends : mapping of str to (float, float)
        Picked ridge ends "a" and "b", upright px.
    rectangle : mapping or None
        Known rectangle picked by hand, as in the contract's shoot file.
    set_aside : str or None
        Why it takes no part; None if it does.
    added_utc, added_by : str
        When and by whom it was brought in.
    facts : PhotoFacts
        What the original says of itself.
    copy : PackagedCopy or None
        How it goes along in a package; None outside of one.
    marks : mapping or None
        What a person marked in a close-up, as `vision.marks.Marks.record` has it; None where nothing is.
    """

    name: str
    original_name: str
    sha256: str
    size_bytes: int
    kind: PhotoKind
    place: str | None
    ends: Mapping[str, Pick]
    rectangle: Mapping[str, Any] | None
    set_aside: str | None
    added_utc: str
    added_by: str
    facts: PhotoFacts
    copy: PackagedCopy | None = None
    marks: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class RidgeSetup:
    """What the ridge is measured with; see the contract's shoot file. Targets and lens by their names."""

    targets: tuple[str, ...] = ()
    lens: str | None = None
    tape: tuple[Mapping[str, Any], ...] = ()
    setback_mm: float = 0.0
    setback_u_mm: float = 0.0
    pick_sigma_px: float = 1.0


@dataclass(frozen=True, slots=True)
class CloseUpSetup:
    """What the close-ups are measured with: targets and lens by their names."""

    targets: tuple[str, ...] = ()
    lens: str | None = None


@dataclass(frozen=True, slots=True)
class LayoutSetup:
    """What the cap is laid out for.

    Attributes
    ----------
    ridge_mm, u95_mm : float or None, float
        Length and expanded uncertainty typed in by hand; None takes the measured ridge.
    options : mapping
        Values of the options of `plan` that differ from their defaults, by their names.
    """

    ridge_mm: float | None = None
    u95_mm: float = 0.0
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything but the photos that the results of a job follow from.

    ``targets`` and ``lenses`` hold contract files by name; ``plan`` the keys that the job's documents give.
    """

    targets: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    lenses: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    ridge: RidgeSetup = field(default_factory=RidgeSetup)
    close_ups: CloseUpSetup = field(default_factory=CloseUpSetup)
    plan: Mapping[str, Any] = field(default_factory=dict)
    layout: LayoutSetup = field(default_factory=LayoutSetup)


@dataclass(frozen=True, slots=True)
class Result:
    """A contract record with what made it.

    Attributes
    ----------
    record : mapping
        As the contract has it.
    software : mapping of str to str
        Versions of everything that has a hand in the numbers.
    inputs_sha256 : str
        Hash of all that it was made from, so that a later change of set-up, picks or photos shows.
    made_utc : str
        When.
    drawing : mapping or None
        What pictures need beyond the record; no number of a finding comes from it.
    """

    record: Mapping[str, Any]
    software: Mapping[str, str]
    inputs_sha256: str
    made_utc: str
    drawing: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Decision:
    """What a person decided about a finding, a photo or the job.

    Attributes
    ----------
    number : int
        1, 2, 3 ... within the job.
    action : {"accept", "overrule", "sign off", "withdraw"}
        What was done; "withdraw" takes back the decision before it on the same finding or on the job.
    photo, rule, index : str, str, int, or None
        Which finding: the photo's name, the rule, and which verdict of that rule in that photo, from 1.
    found, measured_mm : str, float, or None
        Verdict and value that the decision was about: a later measurement may differ.
    verdict : str or None
        Verdict that holds by this decision.
    reason, who, time_utc : str
        Why, by whom, when.
    """

    number: int
    action: Action
    photo: str | None
    rule: str | None
    index: int | None
    found: str | None
    measured_mm: float | None
    verdict: str | None
    reason: str
    who: str
    time_utc: str


@dataclass(frozen=True, slots=True)
class Privacy:
    """What goes along when a job leaves the desk.

    Attributes
    ----------
    gps, names, serials : bool
        Positions of photos, names of the people who worked on the job, serial numbers of cameras.
    originals : {"whole", "stripped", "left out"}
        How the originals go along; they carry all three in their own metadata.
    """

    gps: bool = True
    names: bool = True
    serials: bool = True
    originals: CopyKind = "whole"


@dataclass(frozen=True, slots=True)
class Job:
    """One job, whole.

    ``log_entries`` and ``log_head`` are the number of entries and the hash of the last one, kept apart from
    the log itself, so that a log cut short shows. ``privacy`` tells what a copy that left the desk holds.
    """

    id: str
    name: str
    units: Units
    notes: str
    created_utc: str
    created_by: str
    is_archived: bool
    setup: Setup
    photos: tuple[FiledPhoto, ...]
    decisions: tuple[Decision, ...]
    results: Mapping[str, Result]
    log: tuple[Entry, ...]
    log_entries: int
    log_head: str
    privacy: Privacy = field(default_factory=Privacy)

    @property
    def changed_utc(self) -> str:
        """When the job was changed last."""
        return self.log[-1].time_utc if self.log else self.created_utc

    def photo(self, name: str) -> FiledPhoto | None:
        """Return the photo of a name, None if there is none."""
        return next((photo for photo in self.photos if photo.name == name), None)

    def record(self, kind: ResultKind) -> Mapping[str, Any] | None:
        """Return the contract record of a result, None if there is none yet."""
        result = self.results.get(kind)
        return None if result is None else result.record


_JOB_KEYS = (
    *("format", "id", "name", "units", "notes", "created_utc", "created_by", "archived"),
    *("setup", "photos", "decisions", "change_log", "privacy"),
)


def record_from_job(job: Job) -> dict[str, Any]:
    """Return a job's own record: all but its results and its change log."""
    return {
        "format": JOB_FORMAT,
        "id": job.id,
        "name": job.name,
        "units": job.units,
        "notes": job.notes,
        "created_utc": job.created_utc,
        "created_by": job.created_by,
        "archived": job.is_archived,
        "setup": record_from_setup(job.setup),
        "photos": [_json_object(photo) for photo in job.photos],
        "decisions": [_json_object(decision) for decision in job.decisions],
        "change_log": {"entries": job.log_entries, "head": job.log_head},
        "privacy": asdict(job.privacy),
    }


def record_from_findings(job: Job) -> dict[str, Any]:
    """Return the record of a job's results."""
    findings: dict[str, Any] = {"format": FINDINGS_FORMAT}
    for kind in RESULT_KINDS:
        findings[kind] = _json_object(job.results[kind]) if kind in job.results else None
    return findings


def job_from_records(job: Any, findings: Any, log: Sequence[Entry]) -> Job:
    """Return the job of its record, the record of its results and its change log.

    Raises
    ------
    RecordError
        If a record lacks a key or has an unknown one.
    """
    record = check_keys(job, _JOB_KEYS, (), "job")
    found = check_keys(findings, ("format", *RESULT_KINDS), (), "findings")
    head = check_keys(record["change_log"], ("entries", "head"), (), "job: change_log")
    return Job(
        record["id"],
        record["name"],
        record["units"],
        record["notes"],
        record["created_utc"],
        record["created_by"],
        record["archived"],
        setup_from_record(record["setup"]),
        tuple(photo_from_record(photo) for photo in record["photos"]),
        tuple(_plain(Decision, entry, "job: decision") for entry in record["decisions"]),
        {
            kind: _plain(Result, found[kind], f"findings: {kind}")
            for kind in RESULT_KINDS
            if found[kind] is not None
        },
        tuple(log),
        head["entries"],
        head["head"],
        _plain(Privacy, record["privacy"], "job: privacy"),
    )


def record_from_setup(setup: Setup) -> dict[str, Any]:
    """Return the JSON object of a set-up."""
    return _json_object(setup)


def setup_from_record(record: Any) -> Setup:
    """Return the set-up of a JSON object.

    Raises
    ------
    RecordError
        If a key is missing or unknown.
    """
    parts = check_keys(record, tuple(entry.name for entry in fields(Setup)), (), "job: setup")
    ridge = dict(check_keys(parts["ridge"], _names(RidgeSetup), (), "job: setup: ridge"))
    ridge |= {"targets": tuple(ridge["targets"]), "tape": tuple(ridge["tape"])}
    close_ups = dict(check_keys(parts["close_ups"], _names(CloseUpSetup), (), "job: setup: close_ups"))
    return Setup(
        parts["targets"],
        parts["lenses"],
        RidgeSetup(**ridge),
        CloseUpSetup(**close_ups | {"targets": tuple(close_ups["targets"])}),
        parts["plan"],
        _plain(LayoutSetup, parts["layout"], "job: setup: layout"),
    )


def photo_from_record(record: Any) -> FiledPhoto:
    """Return the photo of a JSON object.

    Raises
    ------
    RecordError
        If a key is missing or unknown.
    """
    where = "job: photo"
    known = tuple(name for name in _names(FiledPhoto) if name != "marks")
    # Photos filed before anything could be marked in them do not have the key.
    photo = dict(check_keys(record, known, ("marks",), where))
    facts = dict(check_keys(photo["facts"], _names(PhotoFacts), (), f"{where}: facts"))
    if facts["position"] is not None:
        facts["position"] = _plain(Position, facts["position"], f"{where}: position")
    photo["facts"] = PhotoFacts(**facts)
    photo["ends"] = {end: (float(x), float(y)) for end, (x, y) in photo["ends"].items()}
    if photo["copy"] is not None:
        photo["copy"] = _plain(PackagedCopy, photo["copy"], f"{where}: copy")
    return FiledPhoto(**photo)


def _json_object(record: Any) -> dict[str, Any]:
    """Return a record as JSON has it: objects, and lists for tuples."""
    plain: dict[str, Any] = _without_tuples(asdict(record))
    return plain


def _without_tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_tuples(each) for key, each in value.items()}
    return [_without_tuples(each) for each in value] if isinstance(value, list | tuple) else value


def _plain(kind: type[Record], record: Any, where: str) -> Record:
    """Make a flat record of a JSON object with exactly its keys."""
    return kind(**check_keys(record, _names(kind), (), where))


def _names(kind: Any) -> tuple[str, ...]:
    return tuple(entry.name for entry in fields(kind))
