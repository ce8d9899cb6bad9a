"""Opening a package that anyone may have made: what is in it is listed and judged before anything is read.

Refused are links, special files, names that point elsewhere, far too many files, and archives that would
unpack to far more than they are. An archive is unpacked into a temporary folder, never beside itself.
"""

import contextlib
import os
import shutil
import stat
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

from calib.errors import FileError
from webui.errors import PackageError
from webui.evidence.contents import is_plain_name

# A job has tens of photos, a large one hundreds; beyond this somebody wants to do harm.
MOST_FILES = 20_000
MOST_BYTES = 64 * 2**30
# Photos do not shrink: an archive that grows more than this when unpacked, beyond some text, holds no photos.
_MOST_GROWTH, _FREE_GROWTH_BYTES = 20, 64 * 2**20
_DEEPEST = 8


@contextlib.contextmanager
def opened_package(path: Path) -> Iterator[tuple[Path, tuple[str, ...]]]:
    """Open a package, a folder or a zip file.

    Parameters
    ----------
    path : Path
        The package.

    Yields
    ------
    folder : Path
        Where its files lie.
    files : tuple of str
        Their names, sorted.

    Raises
    ------
    FileError
        If it is not there or cannot be read.
    PackageError
        If it is refused.
    """
    if path.is_dir() and not path.is_symlink():
        yield path, list_files(path)
        return
    if not path.exists() and not path.is_symlink():
        msg = f"{path}: no such package"
        raise FileError(msg)
    with tempfile.TemporaryDirectory(prefix="ridgewitness-") as temporary:
        folder = _unpack(path, Path(temporary))
        yield folder, list_files(folder)


def list_files(folder: Path) -> tuple[str, ...]:
    """Return the names of all files of a folder, sorted, without following anything out of it.

    Raises
    ------
    FileError
        If it cannot be read.
    PackageError
        If it holds a link, a special file, a strange name, or too many files.
    """
    files: list[str] = []
    total = 0
    try:
        for name, status in _walk(folder, "", 0):
            files.append(name)
            total += status.st_size
            _check_amount(len(files), total, str(folder))
    except OSError as error:
        msg = f"{folder}: cannot be read ({error.strerror})"
        raise FileError(msg) from error
    return tuple(sorted(files))


def _walk(folder: Path, prefix: str, depth: int) -> Iterator[tuple[str, os.stat_result]]:
    if depth > _DEEPEST:
        msg = f"refused: folders lie more than {_DEEPEST} deep in each other"
        raise PackageError(msg)
    with os.scandir(folder) as entries:
        for entry in entries:
            name, status = prefix + entry.name, entry.stat(follow_symlinks=False)
            _check_name(name)
            if stat.S_ISDIR(status.st_mode):
                yield from _walk(Path(entry.path), f"{name}/", depth + 1)
            elif stat.S_ISREG(status.st_mode):
                yield name, status
            else:
                kind = "a link" if stat.S_ISLNK(status.st_mode) else "no ordinary file"
                msg = f"refused: {name!r:.120} is {kind}; a package holds only its own files"
                raise PackageError(msg)


def _check_name(name: str) -> None:
    if not is_plain_name(name):
        msg = f"refused: {name!r:.120} is no name that a package may hold"
        raise PackageError(msg)


def _check_amount(files: int, size_bytes: int, where: str) -> None:
    if files > MOST_FILES:
        msg = f"{where}: refused: more than {MOST_FILES:,} files are in it"
        raise PackageError(msg)
    if size_bytes > MOST_BYTES:
        msg = f"{where}: refused: more than {MOST_BYTES / 2**30:.0f} GiB are in it"
        raise PackageError(msg)


def _unpack(path: Path, place: Path) -> Path:
    """Unpack an archive after every entry was judged; return the folder that holds the bag."""
    try:
        with zipfile.ZipFile(path) as archive:
            entries = [entry for entry in archive.infolist() if not entry.is_dir()]
            _check_entries(entries, path)
            for entry in entries:
                target = place / entry.filename
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(entry) as source, target.open("xb") as file:
                    shutil.copyfileobj(source, file)
    except PackageError:
        raise
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError) as error:
        msg = f"{path}: refused: neither a package's folder nor a sound zip file ({error})"
        raise PackageError(msg) from error
    except OSError as error:
        msg = f"{path}: cannot be unpacked ({error.strerror or error})"
        raise FileError(msg) from error
    inside = list(place.iterdir())
    return inside[0] if len(inside) == 1 and inside[0].is_dir() else place


def _check_entries(entries: list[zipfile.ZipInfo], path: Path) -> None:
    size_bytes = sum(entry.file_size for entry in entries)
    _check_amount(len(entries), size_bytes, str(path))
    if size_bytes > _MOST_GROWTH * path.stat().st_size + _FREE_GROWTH_BYTES:
        grown = f"{size_bytes / 2**20:,.0f} MiB out of {path.stat().st_size / 2**20:,.1f} MiB"
        msg = f"{path}: refused: it would unpack to {grown}; no package of photos does"
        raise PackageError(msg)
    seen: set[str] = set()
    for entry in entries:
        # The library takes out what would lead elsewhere; the name as it stands is judged all the same.
        _check_name(entry.orig_filename)
        if stat.S_ISLNK(entry.external_attr >> 16):
            msg = f"refused: {entry.orig_filename!r:.120} is a link; a package holds only its own files"
            raise PackageError(msg)
        if entry.filename.casefold() in seen:
            msg = f"refused: {entry.filename!r:.120} is in the archive twice"
            raise PackageError(msg)
        seen.add(entry.filename.casefold())
