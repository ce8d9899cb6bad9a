"""The picture file as a container: its format, the size of its picture, its EXIF and XMP blocks.

The format is told by content, never by the file's name, and no pixel is decoded here. Only the five formats
that a photo may have are opened; a camera's raw file is refused, because its first picture is but a preview.
"""

import io
import logging
import struct
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import pillow_heif
from PIL import JpegImagePlugin, PngImagePlugin, TiffImagePlugin, WebPImagePlugin
from PIL.ImageFile import ImageFile

from calib.errors import PhotoError

Format = Literal["JPEG", "PNG", "TIFF", "WebP", "HEIF"]

# What the readers of damaged or hostile files are known to raise besides their own errors.
READER_FAILURES = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    LookupError,
    MemoryError,
    OSError,
    RuntimeError,
    SyntaxError,
    TypeError,
    ValueError,
    struct.error,
)

# TIFF 6.0, section 8 (NewSubfileType, bit 0: reduced-resolution copy); TIFF technical note 1 (SubIFDs);
# DNG specification (DNGVersion).
_NEW_SUBFILE_TYPE, _SUB_IFDS, _DNG_VERSION = 254, 330, 50706

_FIRST_OF_MANY = "The file holds more pictures (such as a preview or a gain map); the first is the photo."
_PRIMARY_OF_MANY = "The file holds more pictures; the one that it names as primary is the photo."

_EXIF_PREFIX = b"Exif\x00\x00"

_warnings_lock = threading.RLock()


@dataclass(frozen=True, slots=True)
class Container:
    """What a picture file says before its pixels are decoded.

    Attributes
    ----------
    format : {"JPEG", "PNG", "TIFF", "WebP", "HEIF"}
        Told by content.
    width, height : int
        Size of the picture as stored, px; HEIF: as decoded, that is upright.
    mode : str
        Kind of pixels, in Pillow's words (``RGB``, ``CMYK``, ``RGBA``, ``I;16``, ...).
    is_multi_frame : bool
        Whether there is more than one page or frame to choose from.
    exif : bytes or None
        EXIF block, starting with its TIFF header. None for TIFF, where the whole file is the block.
    xmp : bytes or None
        XMP packet.
    notes : tuple of str
        What was odd, in plain sentences.
    """

    format: Format
    width: int
    height: int
    mode: str
    is_multi_frame: bool
    exif: bytes | None
    xmp: bytes | None
    notes: tuple[str, ...]


def read_container(data: bytes) -> Container:
    """Open a picture file's bytes as far as its header.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    Container
        Format, size and metadata blocks.

    Raises
    ------
    PhotoError
        If the bytes are empty, no picture of the five formats, a raw file, or too damaged to open. The
        message speaks of "the file"; the caller says which one.
    """
    kind = sniff_format(data)
    with collected_messages("PIL") as messages:
        try:
            container = _OPENERS[kind](data)
        except PhotoError:
            raise
        except READER_FAILURES as error:
            msg = f"the header of this {kind} file is damaged ({error}); copy the photo from the camera again"
            raise PhotoError(msg) from error
    if container.width < 1 or container.height < 1:
        msg = f"the header of this {kind} file gives a picture of {container.width} x {container.height} px"
        raise PhotoError(msg)
    notes = tuple(f"The file's header is odd: {message}." for message in messages)
    return replace(container, notes=container.notes + notes)


def sniff_format(data: bytes) -> Format:
    """Return a picture file's format by the signature that the format's own specification prescribes.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    {"JPEG", "PNG", "TIFF", "WebP", "HEIF"}
        The format.

    Raises
    ------
    PhotoError
        If the bytes are empty, or no picture of the five formats.
    """
    if not data:
        msg = "the file is empty; copy the photo from the camera again"
        raise PhotoError(msg)
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data.startswith((b"II*\x00", b"MM\x00*")):
        return "TIFF"
    if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
        return "WebP"
    if pillow_heif.is_supported(io.BytesIO(data[:12])) and data[8:11] != b"avi":
        return "HEIF"
    msg = (
        "the file is not a photo that can be read here: by its content it is no JPEG, PNG, TIFF, WebP or HEIC"
    )
    raise PhotoError(msg)


@contextmanager
def collected_messages(package: str) -> Iterator[list[str]]:
    """Collect what a library warns or logs inside the block, so that it reaches the notes, not the terminal.

    Parameters
    ----------
    package : str
        The library's package, which is also the name of its logger.

    Yields
    ------
    list of str
        Filled when the block ends: each message once, without its closing full stop.
    """
    collector = _Collector()
    logger = logging.getLogger(package)
    collected: list[str] = []
    # The filters of `warnings` belong to the whole process: one thread at a time may set them.
    with _warnings_lock, warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        logger.addHandler(collector)
        try:
            yield collected
        finally:
            logger.removeHandler(collector)
            spoken = [str(warning.message) for warning in caught if package in Path(warning.filename).parts]
            spoken += collector.messages
            collected.extend(dict.fromkeys(message.strip().rstrip(".") for message in spoken))


class _Collector(logging.Handler):
    """Keeps the warnings that its own thread logs."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.messages: list[str] = []
        self._thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self._thread:
            self.messages.append(record.getMessage())


def _open_jpeg(data: bytes) -> Container:
    picture = JpegImagePlugin.JpegImageFile(io.BytesIO(data))
    return _from_pillow("JPEG", picture, notes=(_FIRST_OF_MANY,) if "mp" in picture.info else ())


def _open_png(data: bytes) -> Container:
    picture = PngImagePlugin.PngImageFile(io.BytesIO(data))
    return _from_pillow("PNG", picture, is_multi_frame=picture.n_frames > 1)


def _open_webp(data: bytes) -> Container:
    picture = WebPImagePlugin.WebPImageFile(io.BytesIO(data))
    return _from_pillow("WebP", picture, is_multi_frame=picture.n_frames > 1)


def _open_tiff(data: bytes) -> Container:
    picture = TiffImagePlugin.TiffImageFile(io.BytesIO(data))
    tags = picture.tag_v2
    if data[8:10] == b"CR" or _SUB_IFDS in tags or _DNG_VERSION in tags or tags.get(_NEW_SUBFILE_TYPE, 0) & 1:
        msg = (
            "the file is a camera's raw file or begins with a preview; export the photo as JPEG or plain TIFF"
        )
        raise PhotoError(msg)
    container = _from_pillow("TIFF", picture)
    try:
        picture.seek(1)
    except EOFError:
        return container
    return replace(container, is_multi_frame=True)


def _from_pillow(
    kind: Format, picture: ImageFile, *, is_multi_frame: bool = False, notes: tuple[str, ...] = ()
) -> Container:
    width, height = picture.size
    return Container(
        kind,
        width,
        height,
        picture.mode,
        is_multi_frame=is_multi_frame,
        exif=_block(picture.info.get("exif"), _EXIF_PREFIX),
        xmp=_block(picture.info.get("xmp")),
        notes=notes,
    )


def _open_heif(data: bytes) -> Container:
    file = pillow_heif.open_heif(data)
    width, height = file.size
    return Container(
        "HEIF",
        width,
        height,
        file.mode,
        is_multi_frame=False,
        exif=_block(file.info.get("exif"), _EXIF_PREFIX),
        xmp=_block(file.info.get("xmp")),
        notes=(_PRIMARY_OF_MANY,) if len(file) > 1 else (),
    )


def _block(value: object, prefix: bytes = b"") -> bytes | None:
    return value.removeprefix(prefix) or None if isinstance(value, bytes) else None


_OPENERS: dict[Format, Callable[[bytes], Container]] = {
    "JPEG": _open_jpeg,
    "PNG": _open_png,
    "TIFF": _open_tiff,
    "WebP": _open_webp,
    "HEIF": _open_heif,
}
