"""Where the shared check data lies: real chessboard and EXIF photos, and rendered photos with exact truth."""

import os
from pathlib import Path

import pytest

# As on the command line: for matrices as small as ours several threads only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_ROOT = Path(__file__).resolve().parent.parent


def _folder(variable: str, default: Path) -> Path:
    folder = Path(os.environ.get(variable, default))
    if folder.is_dir():
        return folder
    reason = f"check data not found: {folder} (set {variable} to its folder)"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Folder of the open chessboard and EXIF pictures."""
    return _folder("RIDGEWITNESS_OPEN_DATA", _ROOT.parent / "shared" / "open_data")


@pytest.fixture(scope="session")
def rendered_photos() -> Path:
    """Folder of the rendered photos with exact truth."""
    return _folder("RIDGEWITNESS_PHOTOS", _ROOT.parent / "shared" / "photos" / "dev")


@pytest.fixture(scope="session")
def sample_images() -> Path:
    """Folder of the pictures that ship with the project."""
    return _ROOT / "sample_images"
