"""What is known and done of a batch: an SQLite file beside its findings, so that a stopped batch goes on.

A photo's result is kept under its hash, the means and the lens that it was measured with: whatever of these
changes asks for it again, whatever stays the same does not.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from calib.errors import FileError
from webui.batch.listing import Listed
from webui.batch.tasks import Looked

LEDGER_FILE = "ledger.sqlite"

_TABLES = """
CREATE TABLE IF NOT EXISTS photos (
    name TEXT PRIMARY KEY, location TEXT NOT NULL, stamp TEXT NOT NULL, run INTEGER NOT NULL,
    sha256 TEXT NOT NULL DEFAULT '', lens TEXT NOT NULL DEFAULT '', problem TEXT NOT NULL DEFAULT '',
    is_looked_at INTEGER NOT NULL DEFAULT 0
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS photos_by_lens ON photos (lens, sha256);
CREATE TABLE IF NOT EXISTS lenses (
    means TEXT NOT NULL, lens TEXT NOT NULL, share INTEGER NOT NULL, record TEXT NOT NULL, why TEXT NOT NULL,
    PRIMARY KEY (means, lens)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS results (
    sha256 TEXT NOT NULL, means TEXT NOT NULL, lens_hash TEXT NOT NULL, number INTEGER NOT NULL,
    record TEXT NOT NULL, PRIMARY KEY (sha256, means, lens_hash, number)
) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class KnownLens:
    """A lens of the batch.

    Attributes
    ----------
    share : int
        How many photos were asked to teach it.
    record : str
        Lens record as JSON text; empty where nothing could be learned.
    why : str
        Why not.
    """

    share: int
    record: str
    why: str


class Ledger:
    """The ledger of one batch, used by one process.

    Parameters
    ----------
    folder : Path
        Folder of the batch; made if it is not there.

    Raises
    ------
    FileError
        If the folder or its ledger cannot be used, or another process is using it.
    """

    def __init__(self, folder: Path) -> None:
        path = folder / LEDGER_FILE
        try:
            folder.mkdir(parents=True, exist_ok=True)
            # No transaction is begun but where it is said; another process waits for nothing.
            self._db = sqlite3.connect(path, isolation_level=None, timeout=0.0)
            self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.executescript(_TABLES)
            self._run = 1 + (self._db.execute("SELECT max(run) FROM photos").fetchone()[0] or 0)
        except (OSError, sqlite3.Error) as error:
            msg = f"{path}: cannot be used ({error}); is another batch at work there, or the folder locked?"
            raise FileError(msg) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    # What there is

    def list_all(self, photos: Iterator[Listed]) -> int:
        """Take in the photos of this run and return how many; what a file said holds until it changes."""
        with self._changing() as db:
            db.executemany(
                "INSERT INTO photos (name, location, stamp, run) VALUES (?, ?, ?, ?) ON CONFLICT (name) "
                "DO UPDATE SET is_looked_at = is_looked_at AND stamp = excluded.stamp AND stamp != '' "
                "AND location = excluded.location, "
                "location = excluded.location, stamp = excluded.stamp, run = excluded.run",
                ((photo.name, photo.location, photo.stamp, self._run) for photo in photos),
            )
            # What is not there any more is no part of the batch.
            db.execute("DELETE FROM photos WHERE run != ?", (self._run,))
        return self._count("SELECT count(*) FROM photos")

    def to_look_at(self) -> Iterator[tuple[str, str]]:
        """Yield name and location of each photo whose file has not been looked at."""
        yield from self._paged(
            "SELECT name, location FROM photos WHERE NOT is_looked_at AND name > ? ORDER BY name LIMIT 500",
            (),
        )

    def count_to_look_at(self) -> int:
        """Return how many photos have not been looked at."""
        return self._count("SELECT count(*) FROM photos WHERE NOT is_looked_at")

    def put_looked(self, name: str, looked: Looked) -> None:
        """Keep what a photo's file says."""
        self._db.execute(
            "UPDATE photos SET sha256 = ?, lens = ?, problem = ?, is_looked_at = 1 WHERE name = ?",
            (looked.sha256, looked.lens, looked.problem, name),
        )

    # Lenses

    def lenses(self) -> list[tuple[str, int]]:
        """Return each lens with the number of different photos that share it."""
        return self._db.execute(
            "SELECT lens, count(DISTINCT sha256) FROM photos WHERE problem = '' AND lens != '' "
            "GROUP BY lens ORDER BY lens"
        ).fetchall()

    def first_of_lens(self, lens: str, most: int) -> list[tuple[str, str]]:
        """Return hash and location of the photos of a lens with the lowest hashes: a fixed random choice."""
        return self._db.execute(
            "SELECT sha256, min(location) FROM photos WHERE lens = ? AND problem = '' "
            "GROUP BY sha256 ORDER BY sha256 LIMIT ?",
            (lens, most),
        ).fetchall()

    def known_lens(self, means: str, lens: str) -> KnownLens | None:
        """Return what has been learned of a lens with these means."""
        row = self._db.execute(
            "SELECT share, record, why FROM lenses WHERE means = ? AND lens = ?", (means, lens)
        ).fetchone()
        return None if row is None else KnownLens(*row)

    def put_lens(self, means: str, lens: str, known: KnownLens) -> None:
        """Keep what has been learned of a lens."""
        self._db.execute(
            "INSERT OR REPLACE INTO lenses VALUES (?, ?, ?, ?, ?)",
            (means, lens, known.share, known.record, known.why),
        )

    # Results

    def to_check(self, means: str, lens: str, lens_hash: str) -> Iterator[tuple[str, str]]:
        """Yield hash and location of each photo of a lens that has no result; the same bytes once."""
        yield from self._paged(
            "SELECT sha256, min(location) FROM photos WHERE lens = ? AND problem = '' AND is_looked_at AND "
            "NOT EXISTS (SELECT 1 FROM results WHERE results.sha256 = photos.sha256 AND means = ? AND "
            "lens_hash = ?) AND sha256 > ? GROUP BY sha256 ORDER BY sha256 LIMIT 500",
            (lens, means, lens_hash),
        )

    def put_result(self, sha256: str, means: str, lens_hash: str, records: Sequence[str]) -> None:
        """Keep the records of a photo."""
        with self._changing() as db:
            db.executemany(
                "INSERT OR REPLACE INTO results VALUES (?, ?, ?, ?, ?)",
                ((sha256, means, lens_hash, number, record) for number, record in enumerate(records)),
            )

    def findings(self, means: str) -> Iterator[tuple[str, str, str, str]]:
        """Yield name, hash, problem and, where there is one, a record of each photo, by name."""
        yield from self._db.execute(
            "SELECT photos.name, photos.sha256, photos.problem, coalesce(results.record, '') "
            "FROM photos LEFT JOIN lens_hashes ON lens_hashes.lens = photos.lens LEFT JOIN results ON "
            "results.sha256 = photos.sha256 AND results.means = ? AND "
            "results.lens_hash = lens_hashes.hash AND photos.problem = '' "
            "ORDER BY photos.name, results.number",
            (means,),
        )

    def use_lenses(self, hashes: Sequence[tuple[str, str]]) -> None:
        """Say by which lens, as a hash of its record, the photos of each lens are measured in this run."""
        with self._changing() as db:
            db.execute("CREATE TEMP TABLE IF NOT EXISTS lens_hashes (lens TEXT PRIMARY KEY, hash TEXT)")
            db.execute("DELETE FROM lens_hashes")
            db.executemany("INSERT INTO lens_hashes VALUES (?, ?)", hashes)

    def count_to_check(self, means: str) -> int:
        """Return how many photos of this run have no result yet, the same bytes counted once."""
        return self._count(
            "SELECT count(DISTINCT sha256) FROM photos LEFT JOIN lens_hashes "
            "ON lens_hashes.lens = photos.lens WHERE problem = '' AND is_looked_at AND NOT EXISTS "
            "(SELECT 1 FROM results WHERE results.sha256 = photos.sha256 AND means = ? AND "
            "results.lens_hash = lens_hashes.hash)",
            (means,),
        )

    def _count(self, query: str, values: tuple[str, ...] = ()) -> int:
        return int(self._db.execute(query, values).fetchone()[0])

    def _paged(self, query: str, values: tuple[str, ...]) -> Iterator[tuple[str, str]]:
        """Yield the rows of a query page by page, from the last row's first value on, as rows may change."""
        last = ""
        while rows := self._db.execute(query, (*values, last)).fetchall():
            yield from rows
            last = rows[-1][0]

    @contextmanager
    def _changing(self) -> Iterator[sqlite3.Connection]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield self._db
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")
