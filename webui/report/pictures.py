"""Photos as the report shows them: upright, resampled to what a page can show, as JPEG.

Pixels of a photo are those of its full upright size, (0, 0) the centre of the top-left one, whatever size is
decoded; a picture knows its own scale to them.
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, JpegImagePlugin

from calib.container import READER_FAILURES, sniff_format
from calib.errors import FileError, PhotoError
from calib.exif import read_metadata
from vision.photo import load_photo

Pixels = NDArray[np.uint8]

# CIPA DC-008, 4.6.4: what makes a stored picture upright.
_UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
_SIDEWAYS = tuple(_UPRIGHT[orientation] for orientation in (5, 6, 7, 8))
_QUALITIES = (82, 74, 64, 52, 40)


@dataclass(frozen=True, slots=True, eq=False)
class Upright:
    """An upright photo, perhaps smaller than it is.

    Attributes
    ----------
    pixels : ndarray of shape (H, W, 3)
        Red, green, blue.
    scale : float
        Pixels here per pixel of the full photo.
    size_px : tuple of int
        Width and height of the full upright photo.
    """

    pixels: Pixels
    scale: float
    size_px: tuple[int, int]

    def here(self, px: Sequence[float]) -> tuple[float, float]:
        """Return a full photo's pixel in this picture: pixel centres stay pixel centres."""
        return (px[0] + 0.5) * self.scale - 0.5, (px[1] + 0.5) * self.scale - 0.5


@dataclass(frozen=True, slots=True)
class Jpeg:
    """A picture ready for the page: its bytes and its size in pixels."""

    data: bytes = field(repr=False)
    width: int
    height: int


def open_upright(path: Path, least_px: int) -> Upright:
    """Open a photo upright, decoded no larger than needed.

    Parameters
    ----------
    path : Path
        The original.
    least_px : int
        The longer side is decoded to at least this, or to its full size.

    Returns
    -------
    Upright
        The picture.

    Raises
    ------
    PhotoError, FileError
        If it cannot be read.
    """
    data = _read(path)
    if sniff_format(data) != "JPEG":
        photo = load_photo(path)
        height, width = photo.image.shape[:2]
        return Upright(np.ascontiguousarray(photo.image[:, :, ::-1]), 1.0, (width, height))
    try:
        return _open_jpeg(data, least_px)
    except READER_FAILURES as error:
        msg = f"{path}: the picture is damaged ({error}); restore it from a backup or a package"
        raise PhotoError(msg) from error


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror})"
        raise FileError(msg) from error


def _open_jpeg(data: bytes, least_px: int) -> Upright:
    """Decode a JPEG file no larger than needed: its coding gives half and quarter sizes for little."""
    picture: Image.Image = JpegImagePlugin.JpegImageFile(io.BytesIO(data))
    width, height = picture.size
    share = min(1.0, least_px / max(width, height))
    picture.draft("RGB", (round(width * share), round(height * share)))
    upright = picture.convert("RGB")
    turn = _UPRIGHT.get(read_metadata(data).orientation)
    if turn is not None:
        upright = upright.transpose(turn)
    if turn in _SIDEWAYS:
        width, height = height, width
    return Upright(np.asarray(upright), upright.width / width, (width, height))


def resampled(photo: Upright, width_px: int) -> Upright:
    """Return a photo reduced to a width, by area so that nothing flickers; never enlarged."""
    height, width = photo.pixels.shape[:2]
    if width <= width_px:
        return photo
    size = width_px, max(1, round(height * width_px / width))
    pixels = cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA)
    return Upright(pixels.astype(np.uint8, copy=False), photo.scale * width_px / width, photo.size_px)


def crop(photo: Upright, centre_px: Sequence[float], half_px: float, size_px: int) -> Pixels:
    """Return a square about a point, enlarged with every pixel to be seen; beyond the photo it is grey."""
    x, y = photo.here(centre_px)
    half, zoom = half_px * photo.scale, size_px / (2.0 * half_px * photo.scale)
    # Pixel centres: the middle of the square falls on the middle of the picture.
    shift = np.array(
        [[zoom, 0.0, (size_px - 1) / 2.0 - zoom * x], [0.0, zoom, (size_px - 1) / 2.0 - zoom * y]]
    )
    made = cv2.warpAffine(
        photo.pixels, shift, (size_px, size_px), flags=cv2.INTER_NEAREST if half < 200 else cv2.INTER_AREA,
        borderMode=cv2.BORDER_CONSTANT, borderValue=(128, 128, 128),
    )  # fmt: skip
    return made.astype(np.uint8, copy=False)


def flattened(
    photo: Upright,
    px_from_mm: Sequence[Sequence[float]],
    picture_from_mm: NDArray[np.float64],
    size: tuple[int, int],
) -> Pixels:
    """Return a plane of the photo seen straight on.

    Parameters
    ----------
    photo : Upright
        The photo.
    px_from_mm : nested sequence, 3 x 3
        Takes plane mm to the full photo's pixels.
    picture_from_mm : ndarray of shape (3, 3)
        Takes plane mm to pixels of the result.
    size : tuple of int
        Width and height of the result.

    Returns
    -------
    ndarray of shape (height, width, 3)
        The plane; white where the photo does not show it.
    """
    scale, shift = photo.scale, 0.5 * photo.scale - 0.5
    here = np.array([[scale, 0.0, shift], [0.0, scale, shift], [0.0, 0.0, 1.0]]) @ np.array(px_from_mm)
    made = cv2.warpPerspective(
        photo.pixels, picture_from_mm @ np.linalg.inv(here), size, flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=(255, 255, 255),
    )  # fmt: skip
    return made.astype(np.uint8, copy=False)


def jpeg(pixels: Pixels, most_bytes: int) -> Jpeg:
    """Return a picture as JPEG, at the best quality that keeps it within a size, or at the least quality."""
    picture = Image.fromarray(pixels)
    data = b""
    for quality in _QUALITIES:
        file = io.BytesIO()
        picture.save(file, "JPEG", quality=quality, optimize=False, subsampling="4:2:0")
        data = file.getvalue()
        if len(data) <= most_bytes:
            break
    return Jpeg(data, picture.width, picture.height)
