"""The photos of a batch: those of a folder and its sub-folders, or those that a list names.

A photo is known by its name, which is its path within the folder, or the line of the list.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.errors import FileError

# Names that photos have; what is in a file is told by its content.
_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"})
_LIST_SUFFIX = ".txt"


@dataclass(frozen=True, slots=True)
class Listed:
    """One photo of a batch.

    Attributes
    ----------
    name : str
        What it is called in findings.
    location : str
        Path, or URL in the manner of fsspec.
    stamp : str
        Size and time of its last change: while it stays the same, so does the file.
    """

    name: str
    location: str
    stamp: str


def list_photos(where: str) -> Iterator[Listed]:
    """Find the photos of a batch.

    Parameters
    ----------
    where : str
        A folder; a text file with a path or URL on each line, relative to its own place; or a folder's URL,
        such as s3://bucket/season, for which fsspec and its driver must be installed.

    Yields
    ------
    Listed
        Each photo, in no particular order.

    Raises
    ------
    FileError
        If there is no such folder or list.
    """
    if is_url(where):
        yield from _in_url(where)
        return
    path = Path(where)
    if path.is_dir():
        yield from _in_folder(path)
    elif path.suffix.lower() == _LIST_SUFFIX and path.is_file():
        yield from _in_list(path)
    else:
        msg = f"{where}: a folder was expected, or a list of photos as a .txt file with one on each line"
        raise FileError(msg)


def is_url(location: str) -> bool:
    """Tell whether a location is a URL rather than a path."""
    return "://" in location


def read_photo(location: str) -> bytes:
    """Return the bytes of a photo.

    Raises
    ------
    FileError
        If it is missing or cannot be read.
    """
    try:
        if not is_url(location):
            return Path(location).read_bytes()
        import fsspec

        with fsspec.open(location, "rb") as stream:
            return bytes(stream.read())
    except FileNotFoundError as error:
        msg = "no such file"
        raise FileError(msg) from error
    except OSError as error:
        msg = f"cannot be read ({error.strerror or error})"
        raise FileError(msg) from error


def _in_folder(folder: Path) -> Iterator[Listed]:
    for place, _, files in os.walk(folder):
        for name in files:
            path = Path(place, name)
            if path.suffix.lower() in _SUFFIXES:
                yield _listed_file(path.relative_to(folder).as_posix(), path)


def _in_list(path: Path) -> Iterator[Listed]:
    try:
        with path.open(encoding="utf-8") as lines:
            for line in lines:
                name = line.strip()
                if name and not name.startswith("#"):
                    yield Listed(name, name, "") if is_url(name) else _listed_file(name, path.parent / name)
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path}: the list cannot be read ({error})"
        raise FileError(msg) from error


def _listed_file(name: str, path: Path) -> Listed:
    try:
        state = path.stat()
    except OSError:
        # That it is missing is found and told when it is read.
        return Listed(name, str(path.absolute()), "")
    return Listed(name, str(path.absolute()), f"{state.st_size} {state.st_mtime_ns}")


def _in_url(where: str) -> Iterator[Listed]:
    import fsspec

    try:
        system, root = fsspec.core.url_to_fs(where)
        for place, _, files in system.walk(root, detail=True):
            for name, details in files.items():
                if Path(name).suffix.lower() in _SUFFIXES:
                    path = f"{place.rstrip('/')}/{name}"
                    relative = path.removeprefix(root).lstrip("/")
                    yield Listed(relative, system.unstrip_protocol(path), _stamp(details))
    except (OSError, ValueError, ImportError) as error:
        msg = f"{where}: cannot be listed ({error})"
        raise FileError(msg) from error


def _stamp(details: dict[str, Any]) -> str:
    """Return size and whatever the file system says of the last change, as text."""
    changes = (details.get(key) for key in ("ETag", "etag", "mtime", "LastModified", "last_modified"))
    change = next((str(value) for value in changes if value is not None), None)
    return "" if change is None else f"{details.get('size')} {change}"
