"""The pixels of a picture file, as 8-bit BGR.

OpenCV decodes JPEG, PNG, TIFF and WebP, libheif decodes HEIF. What they write to the terminal is caught: it
is the only sign of damage inside a file.
"""

import os
import re
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import cv2
import numpy as np
import pillow_heif
from cv2.typing import MatLike
from numpy.typing import NDArray

from calib.container import READER_FAILURES, Container
from calib.errors import PhotoError

Image = NDArray[np.uint8]

_STDERR = 2

# The decoders' lines begin so; any other line on the terminal meanwhile is somebody else's.
_DECODER_LINE = re.compile(
    r"Corrupt JPEG|Premature end|Invalid |Inconsistent |Unsupported |Application transferred|Warning: |"
    r"libpng |\[ ?(?:DEBUG|INFO|WARN|ERROR|FATAL):"
)
# Lines that tell of pixels which are not the camera's.
_DAMAGE = re.compile(r"Corrupt JPEG|Premature end|\[ ?ERROR:|libpng error")
# Some cameras pad their files before the end mark (common practice, no source); more bytes are lost pixels.
_STRAY_BYTES = re.compile(r"Corrupt JPEG data: (?P<count>[0-9]+) extraneous bytes before marker 0xd9")
_MOST_STRAY_BYTES = 1024

_ALPHA_MODES = ("RGBA", "RGBa", "LA", "La", "PA")
_ROWS_AT_ONCE = 256

_stderr_lock = threading.Lock()


def decode_picture(data: bytes, container: Container) -> tuple[Image, tuple[str, ...]]:
    """Decode a picture file.

    Parameters
    ----------
    data : bytes
        The whole file.
    container : Container
        What `calib.container.read_container` said of it.

    Returns
    -------
    image : ndarray of shape (H, W, 3), uint8
        Blue, green, red. JPEG, PNG and WebP as stored; TIFF and HEIF upright: their decoders turn them.
    notes : tuple of str
        What was odd, in plain sentences.

    Raises
    ------
    PhotoError
        If the pixels are damaged, or of a kind that cannot be shown in 8 bits.
    """
    if container.format == "TIFF" and container.mode in _ALPHA_MODES:
        # OpenCV gives its colours darkened by its alpha.
        msg = "it is a TIFF with a transparency channel; export the photo as an ordinary JPEG"
        raise PhotoError(msg)
    with _caught_stderr() as lines:
        image = _decode_heif(data) if container.format == "HEIF" else _decode_opencv(data, container)
    notes = _judge(lines)
    if image is None:
        msg = f"its pixels (kind {container.mode!r}) cannot be decoded; export the photo as an ordinary JPEG"
        raise PhotoError(msg)
    bgr, transparent = _to_bgr(image)
    if transparent > 0.0:
        notes.append(f"{transparent:.1%} of the picture is transparent; it is shown on white.")
    return bgr, tuple(notes)


def _decode_opencv(data: bytes, container: Container) -> MatLike | None:
    # A palette may hold transparent colours.
    has_alpha = container.mode in _ALPHA_MODES or (container.format == "PNG" and container.mode == "P")
    flags = cv2.IMREAD_UNCHANGED if has_alpha else cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        image = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error:
        return None
    return image if image is not None and image.dtype in (np.uint8, np.uint16) else None


def _decode_heif(data: bytes) -> MatLike | None:
    try:
        file = pillow_heif.open_heif(data, bgr_mode=True)
        return np.asarray(file[file.primary_index])
    except READER_FAILURES as error:
        msg = f"the picture data are damaged ({str(error).strip()}); copy the photo from the camera again"
        raise PhotoError(msg) from error


def _judge(lines: list[str]) -> list[str]:
    """Return notes on harmless complaints of a decoder; refuse on the others."""
    notes = []
    for line in lines:
        stray = _STRAY_BYTES.match(line)
        if stray and int(stray["count"]) <= _MOST_STRAY_BYTES:
            notes.append(
                f"The JPEG data end with {stray['count']} stray bytes; look whether the photo is whole."
            )
        elif _DAMAGE.match(line):
            msg = f"the picture data are damaged ({line}); copy the photo from the camera again"
            raise PhotoError(msg)
    return notes


def _to_bgr(image: MatLike) -> tuple[Image, float]:
    """Return the picture as 8-bit BGR and the fraction of it that was transparent."""
    if image.dtype == np.uint16:
        image = cv2.convertScaleAbs(image, alpha=1.0 / 257.0)
    transparent = 0.0
    if image.ndim == 2:
        image = cv2.cvtColor(image, cv2.COLOR_GRAY2BGR)
    elif image.shape[2] == 4:
        transparent = 1.0 - np.count_nonzero(image[:, :, 3] == 255) / (image.shape[0] * image.shape[1])
        image = _on_white(image) if transparent > 0.0 else cv2.cvtColor(image, cv2.COLOR_BGRA2BGR)
    return np.asarray(image, np.uint8), transparent


def _on_white(image: MatLike) -> Image:
    """Lay a BGRA picture on white, a few rows at a time to spare memory."""
    result = np.empty((*image.shape[:2], 3), np.uint8)
    for top in range(0, len(image), _ROWS_AT_ONCE):
        rows = image[top : top + _ROWS_AT_ONCE].astype(np.uint32)
        alpha = rows[:, :, 3:]
        result[top : top + _ROWS_AT_ONCE] = (rows[:, :, :3] * alpha + 255 * (255 - alpha) + 127) // 255
    return result


@contextmanager
def _caught_stderr() -> Iterator[list[str]]:
    """Catch what C libraries write to the terminal inside the block, as lines, filled when it ends.

    The terminal belongs to the whole process: one decoding at a time, and foreign lines are passed on.
    """
    lines: list[str] = []
    with _stderr_lock, tempfile.TemporaryFile() as caught:
        try:
            terminal = os.dup(_STDERR)
        except OSError:  # a service without a terminal: nothing to keep clean
            yield lines
            return
        if sys.stderr is not None:
            sys.stderr.flush()
        os.dup2(caught.fileno(), _STDERR)
        try:
            yield lines
        finally:
            os.dup2(terminal, _STDERR)
            os.close(terminal)
            caught.seek(0)
            for line in caught.read().decode("utf-8", "replace").splitlines():
                if _DECODER_LINE.match(line):
                    lines.append(line.strip())
                elif line.strip():
                    os.write(_STDERR, f"{line}\n".encode())
