"""The data folder: jobs in a database, originals as files beside it.

SQLite in the folder by default, or PostgreSQL by a URL. Every change is one transaction that also writes its
entry of the change log, so that what was acknowledged is kept, whole, whatever happens to the process.
"""

import secrets
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, Self

import sqlalchemy as sa
from sqlalchemy.exc import DatabaseError

from calib.errors import FileError, PhotoError
from calib.exif import read_metadata
from calib.intake import check_photo
from calib.lengths import Units
from calib.targets import check_targets, target_from_record
from vision.marks import check_within, marks_from_record
from vision.plan import plan_from_record
from webui import database as tables
from webui.canonical import record_hash
from webui.change_log import Entry, Sealed, first_previous, next_entry
from webui.errors import ChangedMeanwhileError, NotThereError, StoreError
from webui.job import (
    Action,
    Decision,
    FiledPhoto,
    Job,
    PhotoFacts,
    PhotoKind,
    Position,
    Result,
    ResultKind,
    Setup,
    photo_from_record,
    record_from_setup,
    setup_from_record,
)
from webui.originals import Originals
from webui.photo_names import free_name
from webui.places import parse_place

_LONGEST_JOB_NAME = 320
_CHANGEABLE = ("kind", "place", "ends", "rectangle", "set_aside", "marks")


@dataclass(frozen=True, slots=True)
class JobSummary:
    """What a list of jobs shows of one."""

    id: str
    name: str
    units: Units
    created_utc: str
    created_by: str
    changed_utc: str
    is_archived: bool
    photos: int


@dataclass(slots=True)
class _Change:
    """One change of one job in the making: its transaction, who makes it, and the log that it adds to."""

    connection: sa.Connection
    job: sa.Row[Any]
    who: str
    time_utc: str
    entries: int = field(init=False)
    head: str = field(init=False)

    def __post_init__(self) -> None:
        self.entries, self.head = self.job.log_entries, self.job.log_head

    def log(self, what: str, details: Mapping[str, Any]) -> None:
        """Add an entry to the change log."""
        entry = next_entry(self.entries + 1, self.head, self.time_utc, self.who, what, details)
        row = {
            "job_id": self.job.id,
            "sequence": entry.sequence,
            "time_utc": entry.time_utc,
            "what": entry.what,
            **{f"who_{key}": value for key, value in asdict(entry.who).items()},
            **{f"details_{key}": value for key, value in asdict(entry.details).items()},
            "previous": entry.previous,
            "sha256": entry.sha256,
        }
        self.connection.execute(sa.insert(tables.change_log), row)
        self.entries, self.head = entry.sequence, entry.sha256
        self.update_job(log_entries=self.entries, log_head=self.head, changed_utc=self.time_utc)

    def update_job(self, **values: Any) -> None:
        """Change columns of the job's row."""
        jobs = tables.jobs
        self.connection.execute(sa.update(jobs).where(jobs.c.id == self.job.id).values(**values))


class Store:
    """A data folder.

    Parameters
    ----------
    folder : Path
        Where everything lies; made if it is not there.
    database_url : str, optional
        Another database than the SQLite file in the folder, as a URL of SQLAlchemy.
    clock : callable, optional
        Gives the present time, aware.

    Raises
    ------
    FileError
        If the folder or its database cannot be used.
    StoreError
        If a newer version of the software made it.
    """

    def __init__(
        self,
        folder: Path,
        database_url: str | None = None,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self.folder = folder.absolute()
        self.originals = Originals(self.folder / "originals")
        self._clock = clock
        url = database_url or sa.URL.create("sqlite", database=str(self.folder / tables.DATABASE_FILE))
        try:
            self.engine = tables.open_database(url)
        except DatabaseError as error:
            msg = f"{self.folder}: its database cannot be opened ({error.orig}); is it a data folder of ours?"
            raise FileError(msg) from error

    def close(self) -> None:
        """Close the database."""
        self.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # Jobs

    def create_job(self, name: str, units: Units, who: str, notes: str = "") -> str:
        """Create a job and return its identifier.

        Raises
        ------
        StoreError
            If the name is empty, or the units are unknown.
        """
        values = {"name": _checked_name(name), "units": _checked_units(units), "notes": notes}
        job_id = secrets.token_hex(8)
        now = self._now()
        row = {
            **values,
            "id": job_id,
            "created_utc": now,
            "created_by": who,
            "changed_utc": now,
            "is_archived": False,
            "setup": record_from_setup(Setup()),
            "log_entries": 0,
            "log_head": first_previous(job_id),
        }
        with tables.writing(self.engine) as connection:
            connection.execute(sa.insert(tables.jobs), row)
            _Change(connection, _job_row(connection, job_id), who, now).log("job created", values)
        return job_id

    def change_job(self, job_id: str, who: str, **changes: Any) -> None:
        """Change a job's ``name``, ``units``, ``notes`` or ``is_archived``.

        Raises
        ------
        StoreError
            If there is no such job, or a value makes no sense.
        """
        unknown = set(changes) - {"name", "units", "notes", "is_archived"}
        if unknown:
            msg = f"a job has no {', '.join(sorted(unknown))} to change"
            raise StoreError(msg)
        if "name" in changes:
            changes["name"] = _checked_name(changes["name"])
        if "units" in changes:
            _checked_units(changes["units"])
        with self._changing(job_id, who) as change:
            before = {key: getattr(change.job, key) for key in changes}
            if before != changes:
                change.update_job(**changes)
                change.log("job changed", {"before": before, "after": changes})

    def change_setup(
        self,
        job_id: str,
        setup: Setup,
        who: str,
        *,
        if_head: str | None = None,
        undoes: int | None = None,
    ) -> None:
        """Replace a job's set-up: targets, lenses, plan, and what is measured with them.

        Parameters
        ----------
        job_id, who : str
            The job, and by whom it is changed.
        setup : Setup
            The new set-up, whole.
        if_head : str, optional
            The end of the change log that the change was made for; another one refuses it.
        undoes : int, optional
            The entry of the change log that this takes back.

        Raises
        ------
        StoreError
            If there is no such job, it was changed meanwhile, or the set-up names a target or lens that it
            does not hold.
        TargetError, PlanError, RecordError
            If a target or the plan cannot be used.
        """
        _check_setup(setup)
        record = record_from_setup(setup)
        with self._changing(job_id, who, if_head) as change:
            before = record_from_setup(setup_from_record(change.job.setup))
            changed = [part for part in record if record[part] != before[part]]
            if changed:
                change.update_job(setup=record)
                pick = {"before": before, "after": record}
                details: dict[str, Any] = {k: {p: v[p] for p in changed} for k, v in pick.items()}
                change.log("set-up changed", details | _undone(undoes))

    def jobs(self, search: str = "", *, archived: bool = False) -> tuple[JobSummary, ...]:
        """Return the jobs whose name or notes hold every word of ``search``, last changed first."""
        jobs, photos = tables.jobs, tables.photos
        number = (
            sa.select(sa.func.count()).where(photos.c.job_id == jobs.c.id).scalar_subquery().label("photos")
        )
        columns = [jobs.c[name] for name in JobSummary.__slots__ if name != "photos"]
        query = sa.select(*columns, number).where(jobs.c.is_archived == archived)
        for word in search.split():
            text = sa.func.lower(jobs.c.name + " " + jobs.c.notes)
            query = query.where(text.contains(word.lower(), autoescape=True))
        with self.engine.connect() as connection:
            rows = connection.execute(query.order_by(jobs.c.changed_utc.desc(), jobs.c.id))
            return tuple(JobSummary(**row._mapping) for row in rows)

    def find_job(self, text: str) -> str:
        """Return the identifier of the job with that identifier or, if it is the only one, that name.

        Raises
        ------
        StoreError
            If there is none, or more than one.
        """
        jobs = tables.jobs
        with self.engine.connect() as connection:
            found = connection.scalars(sa.select(jobs.c.id).where(jobs.c.id == text)).all()
            found = found or connection.scalars(sa.select(jobs.c.id).where(jobs.c.name == text)).all()
        if len(found) != 1:
            how_many = "no job" if not found else f"{len(found)} jobs"
            msg = f"{self.folder} holds {how_many} {text!r:.80}; {self._known_jobs()}"
            raise StoreError(msg)
        return str(found[0])

    def job(self, job_id: str) -> Job:
        """Return a job, whole.

        Raises
        ------
        StoreError
            If there is no such job.
        """
        with self.engine.connect() as connection, connection.begin():
            row = _job_row(connection, job_id)
            records = {
                table.name: connection.execute(
                    sa.select(table).where(table.c.job_id == job_id).order_by(table.c[order])
                ).all()
                for table, order in (
                    (tables.photos, "number"),
                    (tables.results, "kind"),
                    (tables.decisions, "number"),
                    (tables.change_log, "sequence"),
                )
            }
        return Job(
            row.id,
            row.name,
            row.units,
            row.notes,
            row.created_utc,
            row.created_by,
            row.is_archived,
            setup_from_record(row.setup),
            tuple(photo_from_record(photo.record) for photo in records["photos"]),
            tuple(Decision(**decision.record) for decision in records["decisions"]),
            {result.kind: Result(**result.record) for result in records["results"]},
            tuple(_entry(entry) for entry in records["change_log"]),
            row.log_entries,
            row.log_head,
        )

    # Photos

    def add_photo(
        self,
        job_id: str,
        source: Path | bytes | BinaryIO,
        name: str,
        who: str,
        *,
        kind: PhotoKind = "close-up",
        place: str | None = None,
    ) -> tuple[FiledPhoto, bool]:
        """Bring a photo into a job.

        Parameters
        ----------
        job_id : str
            The job.
        source : Path, bytes or binary stream
            The original.
        name : str
            Name that it comes with.
        who : str
            Who brings it.
        kind : {"close-up", "ridge"}
            What it is for.
        place : str, optional
            Where a close-up belongs.

        Returns
        -------
        photo : FiledPhoto
            The photo as filed.
        is_new : bool
            False when the job had the same bytes already; nothing is changed then.

        Raises
        ------
        StoreError
            If there is no such job or place.
        PhotoError
            If it is not a photo, or one that nobody could open: cut off, over 200 megapixels, several pages.
        FileError
            If it cannot be read or kept.
        """
        place = None if place is None else str(parse_place(place))
        kept = self.originals.keep(source)
        try:
            facts = _facts(self.originals.path(kept.sha256).read_bytes())
        except PhotoError as error:
            if kept.is_new:
                self.originals.drop(kept.sha256)
            msg = f"{name}: {error}"
            raise PhotoError(msg) from error
        with self._changing(job_id, who) as change:
            there = [photo_from_record(record) for record in _photo_records(change)]
            for photo in there:
                if photo.sha256 == kept.sha256:
                    return photo, False
            photo = FiledPhoto(
                free_name(name, {photo.name.casefold() for photo in there}),
                name,
                kept.sha256,
                kept.size_bytes,
                kind,
                place,
                *({}, None, None),
                change.time_utc,
                who,
                facts,
            )
            row = {"job_id": job_id, "sha256": photo.sha256, "name": photo.name, "number": len(there) + 1}
            change.connection.execute(sa.insert(tables.photos), row | {"record": asdict(photo)})
            shown = ("name", "original_name", "sha256", "size_bytes", "kind", "place")
            change.log("photo added", {key: getattr(photo, key) for key in shown})
        return photo, True

    def change_photo(
        self,
        job_id: str,
        name: str,
        who: str,
        reason: str = "",
        *,
        if_head: str | None = None,
        undoes: int | None = None,
        **changes: Any,
    ) -> FiledPhoto:
        """Change what a photo is for, where it belongs, its picks, or set it aside.

        Parameters
        ----------
        job_id, name : str
            The job and the photo's name in it.
        who, reason : str
            By whom and why.
        if_head : str, optional
            The end of the change log that the change was made for; another one refuses it.
        undoes : int, optional
            The entry of the change log that this takes back.
        **changes
            New values of ``kind``, ``place``, ``ends``, ``rectangle``, ``set_aside`` or ``marks``.

        Returns
        -------
        FiledPhoto
            The photo as changed.

        Raises
        ------
        StoreError
            If there is no such job, photo, place or thing to change, or the job was changed meanwhile.
        RecordError
            If the marks are no marks, or lie outside the photo.
        """
        unknown = set(changes) - set(_CHANGEABLE)
        if unknown:
            msg = f"a photo has no {', '.join(sorted(unknown))} to change"
            raise StoreError(msg)
        if changes.get("place") is not None:
            changes["place"] = str(parse_place(changes["place"]))
        if "ends" in changes:
            changes["ends"] = {end: (float(x), float(y)) for end, (x, y) in changes["ends"].items()}
        with self._changing(job_id, who, if_head) as change:
            found = [record for record in _photo_records(change) if record["name"] == name]
            if not found:
                msg = f"job {change.job.name!r} has no photo {name!r:.80}"
                raise NotThereError(msg)
            photo = photo_from_record(found[0])
            if changes.get("marks") is not None:
                changes["marks"] = _checked_marks(changes["marks"], photo)
            after = replace(photo, **changes)
            if after != photo:
                photos = tables.photos
                its_row = (photos.c.job_id == job_id) & (photos.c.sha256 == photo.sha256)
                change.connection.execute(sa.update(photos).where(its_row).values(record=asdict(after)))
                before = {key: getattr(photo, key) for key in changes}
                details = {"photo": name, "before": before, "after": changes, "reason": reason}
                change.log("photo changed", details | _undone(undoes))
        return after

    # Results and decisions

    def put_result(self, job_id: str, kind: ResultKind, result: Result, who: str) -> None:
        """Keep the result of a measurement, a check or a layout in the place of the one before."""
        results, record = tables.results, asdict(result)
        with self._changing(job_id, who) as change:
            its_row = (results.c.job_id == job_id) & (results.c.kind == kind)
            change.connection.execute(sa.delete(results).where(its_row))
            row = {"job_id": job_id, "kind": kind, "record": record}
            change.connection.execute(sa.insert(results), row)
            shown = {key: record[key] for key in ("software", "inputs_sha256", "made_utc")}
            change.log("result made", {"kind": kind, **shown, "sha256": record_hash(result.record)})

    def decide(
        self,
        job_id: str,
        who: str,
        action: Action,
        reason: str,
        *,
        photo: str | None = None,
        rule: str | None = None,
        index: int | None = None,
        found: str | None = None,
        measured_mm: float | None = None,
        verdict: str | None = None,
        if_head: str | None = None,
    ) -> Decision:
        """Keep what a person decided; see `webui.job.Decision` for the values.

        Raises
        ------
        StoreError
            If there is no such job, it has another end of its change log than ``if_head``, or something is
            overruled without a reason or a verdict.
        """
        if action == "overrule" and not reason.strip():
            msg = "to overrule a finding needs a reason; write one sentence"
            raise StoreError(msg)
        if action == "overrule" and verdict is None:
            msg = "to overrule a finding needs the verdict that holds instead"
            raise StoreError(msg)
        decisions = tables.decisions
        with self._changing(job_id, who, if_head) as change:
            count = sa.select(sa.func.count()).where(decisions.c.job_id == job_id)
            number = change.connection.scalar(count) or 0
            decision = Decision(
                number + 1,
                action,
                photo,
                rule,
                index,
                found,
                measured_mm,
                verdict,
                reason,
                who,
                change.time_utc,
            )
            row = {"job_id": job_id, "number": decision.number, "record": asdict(decision)}
            change.connection.execute(sa.insert(decisions), row)
            change.log(_LOGGED[action], asdict(decision))
        return decision

    def _now(self) -> str:
        return self._clock().astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def _known_jobs(self) -> str:
        jobs = self.jobs()[:10]
        return "it holds " + ", ".join(f"{job.name!r} ({job.id})" for job in jobs) if jobs else "it is empty"

    @contextmanager
    def _changing(self, job_id: str, who: str, if_head: str | None = None) -> Iterator[_Change]:
        with tables.writing(self.engine) as connection:
            job = _job_row(connection, job_id, for_update=True)
            if if_head is not None and if_head != job.log_head:
                msg = f"job {job.name!r} was changed meanwhile; look at it again, then repeat the change"
                raise ChangedMeanwhileError(msg)
            yield _Change(connection, job, who, self._now())


_LOGGED: Mapping[Action, str] = {
    "accept": "finding accepted",
    "overrule": "finding overruled",
    "sign off": "signed off",
    "withdraw": "decision withdrawn",
}


def _undone(sequence: int | None) -> dict[str, int]:
    return {} if sequence is None else {"undoes": sequence}


def _job_row(connection: sa.Connection, job_id: str, *, for_update: bool = False) -> sa.Row[Any]:
    query = sa.select(tables.jobs).where(tables.jobs.c.id == job_id)
    row = connection.execute(query.with_for_update() if for_update else query).one_or_none()
    if row is None:
        msg = f"there is no job {job_id!r:.80}"
        raise NotThereError(msg)
    return row


def _photo_records(change: _Change) -> list[dict[str, Any]]:
    photos = tables.photos
    query = sa.select(photos.c.record).where(photos.c.job_id == change.job.id).order_by(photos.c.number)
    return list(change.connection.scalars(query))


def _entry(row: sa.Row[Any]) -> Entry:
    return Entry(
        row.sequence,
        row.time_utc,
        row.what,
        Sealed(row.who_text, row.who_salt, row.who_sha256),
        Sealed(row.details_text, row.details_salt, row.details_sha256),
        row.previous,
        row.sha256,
    )


def _facts(data: bytes) -> PhotoFacts:
    container = check_photo(data)
    seen = read_metadata(data)
    where = seen.position
    return PhotoFacts(
        container.format,
        container.width,
        container.height,
        None if seen.taken_at is None else seen.taken_at.isoformat(),
        seen.make,
        seen.model,
        seen.body_serial,
        None
        if where is None
        else Position(where.latitude_deg, where.longitude_deg, where.altitude_m, where.direction_deg),
    )


def _checked_marks(record: Any, photo: FiledPhoto) -> dict[str, Any] | None:
    """Return marks as they are kept; None if nothing is marked."""
    where = f"{photo.name}: marks"
    marks = marks_from_record(record, where)
    check_within(marks, photo.facts.width_px, photo.facts.height_px, where)
    return marks.record() or None


def _check_setup(setup: Setup) -> None:
    check_targets([target_from_record(record, f"target {name}") for name, record in setup.targets.items()])
    plan_from_record(dict(setup.plan), "plan")
    asked = [*setup.ridge.targets, *setup.close_ups.targets]
    lenses = [lens for lens in (setup.ridge.lens, setup.close_ups.lens) if lens]
    for what, names, known in (("target", asked, setup.targets), ("lens", lenses, setup.lenses)):
        for name in names:
            if name not in known:
                msg = f"the job has no {what} {name!r:.60}; it has {', '.join(sorted(known)) or 'none'}"
                raise StoreError(msg)


def _checked_name(name: str) -> str:
    shown = " ".join(name.split())
    if not shown or len(shown) > _LONGEST_JOB_NAME:
        msg = f"a job needs a name of 1 to {_LONGEST_JOB_NAME} characters"
        raise StoreError(msg)
    return shown


def _checked_units(units: str) -> str:
    if units not in ("imperial", "metric"):
        msg = f"units are imperial or metric, not {units!r:.40}"
        raise StoreError(msg)
    return units
