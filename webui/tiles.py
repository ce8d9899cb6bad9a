"""Tiles of a photo: the upright picture at halving sizes, cut into squares that a browser can pan over.

Level 0 is the whole size. Made once per original, kept in the data folder beside the originals; whatever is
missing there is made again.
"""

import json
import secrets
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from webui.at_hand import load_image

TILE_PX = 512
_QUALITY = 85
ABOUT_FILE = "picture.json"


@dataclass(frozen=True, slots=True)
class PictureSize:
    """Size of an upright picture, px, and how many levels of tiles there are of it."""

    width: int
    height: int
    tile_px: int
    levels: int


def make_tiles(original: Path, place: Path) -> PictureSize:
    """Make all tiles of an original, the coarsest first: a first view need not wait for the rest.

    Parameters
    ----------
    original : Path
        The photo.
    place : Path
        Folder for its tiles; each level appears in it whole.

    Returns
    -------
    PictureSize
        Size and levels.

    Raises
    ------
    PhotoError
        If the photo cannot be decoded.
    FileError
        If it cannot be read, or the folder cannot be written.
    """
    image = load_image(original)
    size = size_of(image)
    try:
        place.mkdir(parents=True, exist_ok=True)
        _write_whole(place / ABOUT_FILE, json.dumps(asdict(size)).encode())
        for level, picture in reversed(list(enumerate(halved(image, size.levels)))):
            _write_level(place / str(level), picture)
    except OSError as error:
        msg = f"tiles cannot be kept ({error.strerror or error}); make room on the server's disk"
        raise FileError(msg) from error
    return size


def tile_in(level: Path, x: int, y: int) -> Path:
    """Return where a tile lies in the folder of its level."""
    return level / f"{x}-{y}.jpg"


def size_of(image: NDArray[np.uint8]) -> PictureSize:
    """Return size and number of levels of a picture: the coarsest fits into one tile."""
    height, width = image.shape[:2]
    levels = 1
    while max(width, height) > TILE_PX << (levels - 1):
        levels += 1
    return PictureSize(width, height, TILE_PX, levels)


def halved(image: NDArray[np.uint8], levels: int) -> list[NDArray[np.uint8]]:
    """Return a picture and its halves, quarters ...; a pixel covers the two by two that it stands for.

    An odd last row or column is doubled first, so that a place keeps its position: pixel (x, y) of a level is
    at (2 x + 0.5, 2 y + 0.5) of the level before.
    """
    pictures = [image]
    for _ in range(levels - 1):
        last = pictures[-1]
        height, width = last.shape[:2]
        if height % 2 or width % 2:
            last = np.asarray(
                cv2.copyMakeBorder(last, 0, height % 2, 0, width % 2, cv2.BORDER_REPLICATE), np.uint8
            )
            height, width = last.shape[:2]
        half = cv2.resize(last, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        pictures.append(np.asarray(half, np.uint8))
    return pictures


def _write_level(place: Path, picture: NDArray[np.uint8]) -> None:
    if place.is_dir():
        return
    fresh = place.with_name(f".{place.name}-{secrets.token_hex(4)}")
    fresh.mkdir()
    height, width = picture.shape[:2]
    for y in range(0, height, TILE_PX):
        for x in range(0, width, TILE_PX):
            square = picture[y : y + TILE_PX, x : x + TILE_PX]
            _, data = cv2.imencode(".jpg", square, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
            tile_in(fresh, x // TILE_PX, y // TILE_PX).write_bytes(data.tobytes())
    try:
        fresh.rename(place)
    except OSError:
        # Another process was quicker; its tiles are the same.
        shutil.rmtree(fresh, ignore_errors=True)


def _write_whole(path: Path, data: bytes) -> None:
    fresh = path.with_name(f".{path.name}-{secrets.token_hex(4)}")
    fresh.write_bytes(data)
    fresh.replace(path)
