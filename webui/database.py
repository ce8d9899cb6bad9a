"""The database of a data folder, SQLite or PostgreSQL: its tables, and how it is opened.

Whatever has a schema of its own (set-up, picks, results) is kept as JSON; what is searched or counted has a
column. The change log can only grow: the database itself refuses to change or remove an entry.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa

from calib.errors import FileError
from webui.errors import StoreError

SCHEMA_VERSION = 1
DATABASE_FILE = "ridgewitness.sqlite3"

metadata = sa.MetaData()

about = sa.Table(
    "about",
    metadata,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)

jobs = sa.Table(
    "jobs",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("units", sa.Text, nullable=False),
    sa.Column("notes", sa.Text, nullable=False),
    sa.Column("created_utc", sa.Text, nullable=False),
    sa.Column("created_by", sa.Text, nullable=False),
    sa.Column("changed_utc", sa.Text, nullable=False),
    sa.Column("is_archived", sa.Boolean, nullable=False),
    sa.Column("setup", sa.JSON, nullable=False),
    sa.Column("log_entries", sa.Integer, nullable=False),
    sa.Column("log_head", sa.Text, nullable=False),
)

photos = sa.Table(
    "photos",
    metadata,
    sa.Column("job_id", sa.ForeignKey("jobs.id"), primary_key=True),
    sa.Column("sha256", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("record", sa.JSON, nullable=False),
    sa.UniqueConstraint("job_id", "name"),
    sa.UniqueConstraint("job_id", "number"),
)

results = sa.Table(
    "results",
    metadata,
    sa.Column("job_id", sa.ForeignKey("jobs.id"), primary_key=True),
    sa.Column("kind", sa.Text, primary_key=True),
    sa.Column("record", sa.JSON, nullable=False),
)

decisions = sa.Table(
    "decisions",
    metadata,
    sa.Column("job_id", sa.ForeignKey("jobs.id"), primary_key=True),
    sa.Column("number", sa.Integer, primary_key=True),
    sa.Column("record", sa.JSON, nullable=False),
)

change_log = sa.Table(
    "change_log",
    metadata,
    sa.Column("job_id", sa.ForeignKey("jobs.id"), primary_key=True),
    sa.Column("sequence", sa.Integer, primary_key=True),
    sa.Column("time_utc", sa.Text, nullable=False),
    sa.Column("what", sa.Text, nullable=False),
    sa.Column("who_text", sa.Text, nullable=False),
    sa.Column("who_salt", sa.Text, nullable=False),
    sa.Column("who_sha256", sa.Text, nullable=False),
    sa.Column("details_text", sa.Text, nullable=False),
    sa.Column("details_salt", sa.Text, nullable=False),
    sa.Column("details_sha256", sa.Text, nullable=False),
    sa.Column("previous", sa.Text, nullable=False),
    sa.Column("sha256", sa.Text, nullable=False),
)

accounts = sa.Table(
    "accounts",
    metadata,
    # Two names that differ only in capitals are one, or people would be mistaken for each other.
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("role", sa.Text, nullable=False),
    sa.Column("password_hash", sa.Text, nullable=False),
    sa.Column("token_sha256", sa.Text, nullable=True, unique=True),
    # Changes with the password: sessions that carry an older one are over.
    sa.Column("stamp", sa.Text, nullable=False),
    sa.Column("created_utc", sa.Text, nullable=False),
)

uploads = sa.Table(
    "uploads",
    metadata,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("job_id", sa.ForeignKey("jobs.id"), nullable=False),
    sa.Column("record", sa.JSON, nullable=False),
    sa.Column("created_utc", sa.Text, nullable=False),
    # The photo that came of it; None while pieces are missing.
    sa.Column("photo", sa.Text, nullable=True),
    sa.Column("is_new", sa.Boolean, nullable=True),
)

tasks = sa.Table(
    "tasks",
    metadata,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("job_id", sa.ForeignKey("jobs.id"), nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("options", sa.JSON, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("steps_done", sa.Integer, nullable=False),
    sa.Column("steps", sa.Integer, nullable=False),
    sa.Column("error", sa.Text, nullable=True),
    sa.Column("starts", sa.Integer, nullable=False),
    sa.Column("asked_utc", sa.Text, nullable=False),
    sa.Column("changed_utc", sa.Text, nullable=False),
    sa.Index("tasks_by_state", "state", "number"),
    sa.Index("tasks_by_job", "job_id", "kind"),
)

_REFUSAL = "the change log can only be added to"
_TRIGGERS = {
    "sqlite": [
        f"CREATE TRIGGER change_log_no_{event.lower()} BEFORE {event} ON change_log "
        f"BEGIN SELECT RAISE(ABORT, '{_REFUSAL}'); END"
        for event in ("UPDATE", "DELETE")
    ],
    "postgresql": [
        "CREATE OR REPLACE FUNCTION refuse_change_of_log() RETURNS trigger AS "
        f"$$ BEGIN RAISE EXCEPTION '{_REFUSAL}'; END $$ LANGUAGE plpgsql",
        "CREATE TRIGGER change_log_no_change BEFORE UPDATE OR DELETE ON change_log "
        "FOR EACH ROW EXECUTE FUNCTION refuse_change_of_log()",
    ],
}

# How long a writer waits for another one; a write takes milliseconds, so that this is never reached in peace.
_BUSY_S = 30


def open_database(url: str | sa.URL) -> sa.Engine:
    """Open a database, making its tables where there are none.

    Raises
    ------
    StoreError
        If another version of the software made it.
    sqlalchemy.exc.DatabaseError
        If it cannot be opened.
    """
    engine = sa.create_engine(url)
    if engine.dialect.name == "sqlite":
        sa.event.listen(engine, "connect", _set_up_sqlite)
        sa.event.listen(engine, "begin", _begin_sqlite)
    try:
        with writing(engine) as connection:
            _prepare(connection)
    except BaseException:
        engine.dispose()
        raise
    return engine


@contextmanager
def writing(engine: sa.Engine) -> Iterator[sa.Connection]:
    """Hold a connection in a transaction that may write.

    Raises
    ------
    FileError
        If the disk is full; nothing of the transaction is there then.
    """
    try:
        with engine.connect().execution_options(writing=True) as connection, connection.begin():
            yield connection
    except sa.exc.OperationalError as error:
        if not _is_disk_full(error):
            raise
        msg = "the database could not be written, its disk is full; make room, then do it again"
        raise FileError(msg) from error


def _is_disk_full(error: sa.exc.OperationalError) -> bool:
    """Tell whether SQLite or PostgreSQL (SQLSTATE 53100) says so."""
    names = (getattr(error.orig, "sqlite_errorname", None), getattr(error.orig, "sqlstate", None))
    return "SQLITE_FULL" in names or "53100" in names


def _set_up_sqlite(connection: Any, _: object) -> None:
    # Transactions begin where _begin_sqlite says, not where Python's sqlite3 thinks that they should.
    connection.isolation_level = None
    for pragma in (
        f"busy_timeout = {_BUSY_S * 1000}",
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: sa.Connection) -> None:
    # A writer takes its lock at once: two that first read and then write would lock each other out.
    is_writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if is_writing else "BEGIN")


def _prepare(connection: sa.Connection) -> None:
    is_new = not sa.inspect(connection).has_table(about.name)
    metadata.create_all(connection)
    for statement in _TRIGGERS[connection.dialect.name] if is_new else ():
        connection.execute(sa.text(statement))
    version = connection.scalar(sa.select(about.c.value).where(about.c.name == "schema version"))
    if version is None:
        row = {"name": "schema version", "value": str(SCHEMA_VERSION)}
        connection.execute(sa.insert(about), row)
    elif int(version) != SCHEMA_VERSION:
        msg = (
            f"the data folder has layout {version}, this version reads {SCHEMA_VERSION}; "
            "use the version of the software that made it, or a newer one"
        )
        raise StoreError(msg)
