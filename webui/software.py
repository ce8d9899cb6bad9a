"""Which software made a number: versions, and a hash of the code that measures."""

import functools
import hashlib
import platform
from importlib import metadata
from pathlib import Path

import calib
import vision

# Everything that has a hand in a measured number.
_LIBRARIES = ("numpy", "opencv-python", "scipy", "pillow", "pillow-heif", "ExifRead")
_CODE_SUFFIXES = (".py", ".npz")


def ridgewitness_version() -> str:
    """Return the version of this software, "unreleased" when it runs without being installed."""
    return _version("ridgewitness") or "unreleased"


@functools.cache
def software_versions() -> dict[str, str]:
    """Return the versions of all that has a hand in the numbers.

    Returns
    -------
    dict of str to str
        Name to version. ``code`` is the SHA-256 of calib's and vision's own files; ``machine`` is the kind of
        processor and system.
    """
    versions = {"ridgewitness": ridgewitness_version(), "code": _code_hash()}
    versions |= {name: _version(name) or "another build" for name in _LIBRARIES}
    versions["python"] = platform.python_version()
    versions["machine"] = f"{platform.machine()} {platform.system()}"
    return versions


def _version(package: str) -> str | None:
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return None


def _code_hash() -> str:
    digest = hashlib.sha256()
    for package in (calib, vision):
        folder = Path(package.__path__[0])
        for path in sorted(folder.rglob("*")):
            if path.suffix in _CODE_SUFFIXES:
                name = path.relative_to(folder).as_posix()
                digest.update(f"{package.__name__}/{name}\n".encode() + path.read_bytes())
    return digest.hexdigest()
