"""Uploads in pieces: what was acknowledged is on the disk, and a broken connection goes on where it stopped.

A piece is appended to a file of its own; with the last piece the photo is filed. The name that a photo comes
with is kept as a text, never used as a path.
"""

import hashlib
import os
import secrets
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, Any

import sqlalchemy as sa

from calib.errors import FileError, MeasureError, PhotoError
from webui import database as tables
from webui.errors import ChangedMeanwhileError, NotThereError
from webui.job import FiledPhoto, PhotoKind
from webui.places import parse_place
from webui.store import Store

_BLOCK_BYTES = 2**20
# Uploads that share a lock wait for each other; with this many that is rare.
_LOCKS = 64
# Nobody comes back to an upload after a week; a finished one is kept for those who lost its answer.
_KEPT = timedelta(days=7)
# What the disk must have left beside a photo, so that the database can still be written.
_RESERVE_BYTES = 200 * 2**20


class OffsetError(ChangedMeanwhileError):
    """A piece that does not follow what is there."""


@dataclass(frozen=True, slots=True)
class Announced:
    """What an upload says of itself before its first byte."""

    name: str
    size_bytes: int
    sha256: str | None
    kind: PhotoKind
    place: str | None
    who: str


@dataclass(frozen=True, slots=True)
class Upload:
    """An upload as it stands.

    Attributes
    ----------
    id, job_id : str
        The upload and its job.
    announced : Announced
        What it is to become.
    offset : int
        Bytes that are on the disk.
    photo : FiledPhoto or None
        What came of it; None while pieces are missing.
    is_new : bool or None
        False when the job had the same photo already.
    """

    id: str
    job_id: str
    announced: Announced
    offset: int
    photo: FiledPhoto | None = None
    is_new: bool | None = None


class Uploads:
    """The uploads of a data folder.

    Parameters
    ----------
    store : Store
        The data folder.
    largest_bytes : int
        Largest photo.
    clock : callable, optional
        Gives the present time, aware.
    """

    def __init__(
        self,
        store: Store,
        largest_bytes: int,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._store = store
        self._folder = store.folder / "uploads"
        self._largest_bytes = largest_bytes
        self._clock = clock
        self._locks = tuple(threading.Lock() for _ in range(_LOCKS))
        self._folder.mkdir(exist_ok=True)
        self._sweep()

    def begin(self, job_id: str, announced: Announced) -> Upload:
        """Begin an upload, or find the one of the same photo that was broken off.

        Parameters
        ----------
        job_id : str
            The job.
        announced : Announced
            What is to come. With its SHA-256, a photo that the job has already needs no upload.

        Returns
        -------
        Upload
            Where to go on; with its photo if nothing needs to be sent.

        Raises
        ------
        StoreError
            If there is no such job or place.
        PhotoError
            If it is too large.
        FileError
            If the disk is too full.
        """
        self._check_size(announced)
        if announced.place is not None:
            parse_place(announced.place)
        job = self._store.job(job_id)
        there = [photo for photo in job.photos if announced.sha256 == photo.sha256]
        if there:
            return Upload("", job_id, announced, announced.size_bytes, there[0], is_new=False)
        earlier = self._unfinished(job_id, announced) if announced.sha256 else None
        if earlier is not None:
            return earlier
        upload_id = secrets.token_hex(16)
        row = {
            "id": upload_id,
            "job_id": job_id,
            "record": asdict(announced),
            "created_utc": self._now(),
            "photo": None,
            "is_new": None,
        }
        with tables.writing(self._store.engine) as connection:
            connection.execute(sa.insert(tables.uploads), row)
        return Upload(upload_id, job_id, announced, 0)

    def find(self, job_id: str, upload_id: str) -> Upload:
        """Return an upload as it stands; one whose server died at its last piece is finished.

        Raises
        ------
        NotThereError
            If there is none.
        MeasureError
            If it is finished now, and turns out to be no photo.
        """
        with self._held(upload_id):
            return self._finished(self._find(job_id, upload_id))

    def append(self, job_id: str, upload_id: str, offset: int, piece: IO[bytes]) -> Upload:
        """Append a piece.

        Parameters
        ----------
        job_id, upload_id : str
            The upload.
        offset : int
            Where the piece begins: what is on the disk.
        piece : binary stream
            The piece.

        Returns
        -------
        Upload
            The upload with the piece on the disk; filed as a photo if it was the last one.

        Raises
        ------
        NotThereError
            If there is no such upload.
        OffsetError
            If the piece begins elsewhere; go on at the offset that `find` gives.
        PhotoError
            If there is more than was announced, the hash is another one, or it is no photo. The upload is
            over then.
        FileError
            If it cannot be written; what was acknowledged stays.
        """
        with self._held(upload_id):
            upload = self._find(job_id, upload_id)
            if upload.photo is not None:
                return upload
            if offset != upload.offset:
                msg = f"the piece begins at {offset}, but {upload.offset} bytes are here; go on from there"
                raise OffsetError(msg)
            self._write(upload, piece)
            return self._finished(self._find(job_id, upload_id))

    def _write(self, upload: Upload, piece: IO[bytes]) -> None:
        room = upload.announced.size_bytes - upload.offset
        try:
            with self._path(upload.id).open("ab") as file:
                while block := piece.read(_BLOCK_BYTES):
                    room -= len(block)
                    if room < 0:
                        break
                    file.write(block)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            msg = f"the piece could not be kept ({error.strerror or error}); send it again"
            raise FileError(msg) from error
        if room < 0:
            self._forget(upload)
            msg = f"more than the announced {upload.announced.size_bytes} bytes came; begin the upload again"
            raise PhotoError(msg)

    def _finished(self, upload: Upload) -> Upload:
        """Return an upload, filed if all of it is there."""
        announced = upload.announced
        if upload.photo is not None or upload.offset < announced.size_bytes:
            return upload
        path = self._path(upload.id)
        try:
            _check_hash(path, announced)
            photo, is_new = self._store.add_photo(
                upload.job_id,
                path,
                announced.name,
                announced.who,
                kind=announced.kind,
                place=announced.place,
            )
        except FileError as error:
            # Its own words name a place on this machine, which is nobody else's business.
            reason = getattr(error.__cause__, "strerror", None) or "it cannot be written"
            msg = f"{announced.name}: it could not be filed ({reason}); make room, then send it again"
            raise FileError(msg) from error
        except MeasureError:
            self._forget(upload)
            raise
        uploads = tables.uploads
        with tables.writing(self._store.engine) as connection:
            done = sa.update(uploads).where(uploads.c.id == upload.id)
            connection.execute(done.values(photo=photo.name, is_new=is_new))
        path.unlink(missing_ok=True)
        return Upload(upload.id, upload.job_id, announced, announced.size_bytes, photo, is_new)

    def _find(self, job_id: str, upload_id: str) -> Upload:
        uploads = tables.uploads
        with self._store.engine.connect() as connection:
            its = (uploads.c.id == upload_id) & (uploads.c.job_id == job_id)
            row = connection.execute(sa.select(uploads).where(its)).one_or_none()
        if row is None:
            msg = f"there is no upload {upload_id!r:.40}; begin it again"
            raise NotThereError(msg)
        return self._upload(row)

    def _unfinished(self, job_id: str, announced: Announced) -> Upload | None:
        uploads = tables.uploads
        open_ones = (uploads.c.job_id == job_id) & uploads.c.photo.is_(None)
        with self._store.engine.connect() as connection:
            rows = connection.execute(sa.select(uploads).where(open_ones)).all()
        same = [row for row in rows if Announced(**row.record) == announced]
        return self._upload(same[0]) if same else None

    def _upload(self, row: sa.Row[Any]) -> Upload:
        announced = Announced(**row.record)
        if row.photo is not None:
            photo = self._store.job(row.job_id).photo(row.photo)
            return Upload(row.id, row.job_id, announced, announced.size_bytes, photo, row.is_new)
        path = self._path(row.id)
        return Upload(row.id, row.job_id, announced, path.stat().st_size if path.exists() else 0)

    def _forget(self, upload: Upload) -> None:
        with tables.writing(self._store.engine) as connection:
            connection.execute(sa.delete(tables.uploads).where(tables.uploads.c.id == upload.id))
        self._path(upload.id).unlink(missing_ok=True)

    def _path(self, upload_id: str) -> Path:
        # The identifier is our own: it was looked up in the database before.
        return self._folder / f"{upload_id}.part"

    def _check_size(self, announced: Announced) -> None:
        if not 0 < announced.size_bytes <= self._largest_bytes:
            msg = f"a photo of {announced.size_bytes} bytes is not taken; at most {self._largest_bytes} are"
            raise PhotoError(msg)
        # Kept once while it comes in, and once as an original.
        if shutil.disk_usage(self._folder).free < 2 * announced.size_bytes + _RESERVE_BYTES:
            msg = "the disk of the server is full; make room, then send the photo again"
            raise FileError(msg)

    @contextmanager
    def _held(self, upload_id: str) -> Iterator[None]:
        """Let one request at a time work on an upload."""
        with self._locks[sum(upload_id.encode()) % _LOCKS]:
            yield

    def _sweep(self) -> None:
        """Remove uploads that nobody will come back to, and files that belong to none."""
        oldest = (self._clock() - _KEPT).astimezone(UTC).isoformat()
        uploads = tables.uploads
        with tables.writing(self._store.engine) as connection:
            connection.execute(sa.delete(uploads).where(uploads.c.created_utc < oldest))
            kept = set(connection.scalars(sa.select(uploads.c.id).where(uploads.c.photo.is_(None))))
        for path in self._folder.glob("*.part"):
            if path.stem not in kept:
                path.unlink(missing_ok=True)

    def _now(self) -> str:
        return self._clock().astimezone(UTC).isoformat()


def _check_hash(path: Path, announced: Announced) -> None:
    if announced.sha256 is None:
        return
    with path.open("rb") as file:
        found = hashlib.file_digest(file, "sha256").hexdigest()
    if found != announced.sha256:
        msg = f"{announced.name}: it came with SHA-256 {found}, not as announced; send it again"
        raise PhotoError(msg)
