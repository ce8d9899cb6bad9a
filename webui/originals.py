"""The originals: every file that came in, unchanged, once, under the SHA-256 of its bytes.

A file is there whole or not at all: it is written under a temporary name, flushed to the disk, then renamed.
"""

import contextlib
import hashlib
import io
import os
import re
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from calib.errors import FileError
from webui.errors import NotThereError

_BLOCK_BYTES = 2**20
_SHA256 = re.compile(r"[0-9a-f]{64}")
# A temporary file older than this was left by a process that died; no upload takes a day.
_STALE_S = 24 * 3600.0


@dataclass(frozen=True, slots=True)
class Kept:
    """A file as it is kept: its hash, its size, and whether it was new."""

    sha256: str
    size_bytes: int
    is_new: bool


class Originals:
    """A folder of files by hash.

    Parameters
    ----------
    folder : Path
        Where they lie; made if it is not there.

    Raises
    ------
    FileError
        If the folder cannot be made.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder.absolute()
        self._incoming = self._folder / "incoming"
        try:
            self._incoming.mkdir(parents=True, exist_ok=True)
            self._sweep()
        except OSError as error:
            msg = f"{folder}: cannot be used as a folder of originals ({error.strerror})"
            raise FileError(msg) from error

    def keep(self, source: Path | bytes | BinaryIO) -> Kept:
        """Keep a file.

        Parameters
        ----------
        source : Path, bytes or binary stream
            What to keep; read once, never changed.

        Returns
        -------
        Kept
            Hash and size; ``is_new`` is False when the same bytes were there before.

        Raises
        ------
        FileError
            If the source cannot be read, or the folder cannot be written.
        """
        try:
            with contextlib.ExitStack() as stack:
                return self._keep(_opened(source, stack))
        except OSError as error:
            where = source if isinstance(source, Path) else self._folder
            msg = f"{where}: the file could not be kept ({error.strerror or error})"
            raise FileError(msg) from error

    def path(self, sha256: str) -> Path:
        """Return where a file lies.

        Raises
        ------
        NotThereError
            If there is no such file.
        """
        path = self._place(sha256) if _SHA256.fullmatch(sha256) else None
        if path is None or not path.is_file():
            msg = f"there is no original with SHA-256 {sha256:.64}; restore it from a backup or a package"
            raise NotThereError(msg)
        return path

    def drop(self, sha256: str) -> None:
        """Remove a file that turned out to be no photo, right after it came in."""
        self._place(sha256).unlink(missing_ok=True)

    def _keep(self, stream: BinaryIO) -> Kept:
        digest, size = hashlib.sha256(), 0
        handle, name = tempfile.mkstemp(dir=self._incoming)
        temporary = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                while block := stream.read(_BLOCK_BYTES):
                    digest.update(block)
                    size += len(block)
                    file.write(block)
                file.flush()
                os.fsync(file.fileno())
            place = self._place(digest.hexdigest())
            is_new = not place.exists()
            if is_new:
                place.parent.mkdir(exist_ok=True)
                temporary.chmod(0o444)
                temporary.replace(place)
                _sync_folder(place.parent)
                _sync_folder(self._folder)
        finally:
            temporary.unlink(missing_ok=True)
        return Kept(digest.hexdigest(), size, is_new)

    def _place(self, sha256: str) -> Path:
        # Two levels keep the folders small enough for any file system and any file manager.
        return self._folder / sha256[:2] / sha256

    def _sweep(self) -> None:
        oldest = time.time() - _STALE_S
        for left in self._incoming.iterdir():
            if left.stat().st_mtime < oldest:
                left.unlink(missing_ok=True)


def _opened(source: Path | bytes | BinaryIO, stack: contextlib.ExitStack) -> BinaryIO:
    if isinstance(source, bytes):
        return io.BytesIO(source)
    return stack.enter_context(source.open("rb")) if isinstance(source, Path) else source


def _sync_folder(folder: Path) -> None:
    """Flush a folder's entries, so that a rename outlives a power cut; Windows has no such call."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
