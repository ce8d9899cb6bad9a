"""One server per data folder: two would each take the other's work for broken off.

The system lets go of the lock when the process ends, however it ends.
"""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from calib.errors import FileError

_LOCK_FILE = "server.lock"


@contextmanager
def folder_lock(folder: Path) -> Iterator[None]:
    """Hold a data folder for one server.

    Raises
    ------
    FileError
        If another server holds it, or it cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / _LOCK_FILE).open("a") as file:
            _lock(file)
            yield
    except BlockingIOError as error:
        msg = f"{folder}: another server works on this data folder; stop it first"
        raise FileError(msg) from error


def _lock(file: IO[str]) -> None:
    if sys.platform == "win32":
        import msvcrt

        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError as error:
            raise BlockingIOError from error
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
