"""A photo without its metadata: the same pixels to the bit, and only what measuring needs beside them.

Nothing is decoded or encoded again: the file's own segments (JPEG, ITU-T T.81) or chunks (PNG, ISO/IEC 15948)
are kept or left out. Other formats are not stripped; their originals have to stay out.
"""

import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import replace

from PIL import Image, JpegImagePlugin, PngImagePlugin
from PIL.ExifTags import IFD, Base

from calib.container import READER_FAILURES, sniff_format
from calib.errors import PhotoError
from calib.exif import read_metadata

# What a lens is known by, and which way is up; nothing of who, where, or which device.
_KEPT = (Base.Make, Base.Model, Base.Orientation)
_KEPT_DETAILS = (
    *(Base.LensModel, Base.FocalLength, Base.FocalLengthIn35mmFilm, Base.DigitalZoomRatio),
    *(Base.ExifImageWidth, Base.ExifImageHeight),
    *(Base.DateTimeOriginal, Base.OffsetTimeOriginal),
)

_SOI, _EOI, _SOS, _APP0, _APP1, _APP2, _APP14, _COM = 0xD8, 0xD9, 0xDA, 0xE0, 0xE1, 0xE2, 0xEE, 0xFE
_APPLICATION = range(0xE0, 0xF0)
_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
# Chunks that pixels and their colours need.
_PNG_KEPT = (b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"iCCP", b"sBIT")


def strip_metadata(data: bytes) -> bytes | None:
    """Return a photo's bytes without its metadata.

    Parameters
    ----------
    data : bytes
        The whole original.

    Returns
    -------
    bytes or None
        The same picture with make, model, lens and orientation alone; None where that cannot be had without
        changing what is measured from it.
    """
    try:
        kind = sniff_format(data)
        if kind == "JPEG":
            stripped = _strip_jpeg(data, _exif(JpegImagePlugin.JpegImageFile(io.BytesIO(data))))
        elif kind == "PNG":
            stripped = _strip_png(data, _exif(PngImagePlugin.PngImageFile(io.BytesIO(data))))
        else:
            return None
    except (PhotoError, *READER_FAILURES):
        return None
    return stripped if _measures_alike(data, stripped) else None


def _measures_alike(original: bytes, stripped: bytes) -> bool:
    """Tell whether the stripped photo says the same of lens and orientation, nothing of place and device."""
    before, after = read_metadata(original), read_metadata(stripped)
    return after == replace(before, body_serial=None, position=None, attitude=None, notes=after.notes)


def _exif(picture: Image.Image) -> bytes:
    """Return an EXIF block with the few tags that are kept, as they stand."""
    found, kept = picture.getexif(), Image.Exif()
    for tag in _KEPT:
        if tag in found:
            kept[tag] = found[tag]
    details, kept_details = found.get_ifd(IFD.Exif), kept.get_ifd(IFD.Exif)
    for tag in _KEPT_DETAILS:
        if tag in details:
            kept_details[tag] = details[tag]
    return bytes(kept.tobytes()).removeprefix(b"Exif\x00\x00")


def _strip_jpeg(data: bytes, exif: bytes) -> bytes:
    segment = b"Exif\x00\x00" + exif
    out = [bytes([0xFF, _SOI, 0xFF, _APP1]), struct.pack(">H", len(segment) + 2), segment]
    for marker, body in _jpeg_segments(data):
        is_colour = marker in (_APP0, _APP14) or (marker == _APP2 and body[4:].startswith(b"ICC_PROFILE\x00"))
        if is_colour or marker not in (*_APPLICATION, _COM):
            out.append(body)
        if marker == _EOI:
            break  # what follows is another picture, or a maker's own data
    return b"".join(out)


def _jpeg_segments(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield the segments after the start of image, each with its marker; a scan with its coded data."""
    position = 2
    while position < len(data):
        if data[position] != 0xFF:
            msg = f"no marker at byte {position}"
            raise ValueError(msg)
        marker = data[position + 1]
        if marker == 0xFF:  # fill byte
            position += 1
            continue
        end = position + 2
        if marker != _EOI:
            end += struct.unpack(">H", data[end : end + 2])[0]
        if marker == _SOS:
            end = _end_of_scan(data, end)
        yield marker, data[position:end]
        position = end


def _end_of_scan(data: bytes, position: int) -> int:
    """Return where coded data end: at a marker that is neither a stuffed byte nor a restart."""
    while True:
        position = data.index(0xFF, position)
        following = data[position + 1]
        if following != 0x00 and not 0xD0 <= following <= 0xD7:
            return position
        position += 2


def _strip_png(data: bytes, exif: bytes) -> bytes:
    out, position = [_PNG_SIGNATURE], len(_PNG_SIGNATURE)
    while position < len(data):
        (length,) = struct.unpack(">I", data[position : position + 4])
        name = data[position + 4 : position + 8]
        if name == b"IDAT" and exif:
            out.append(_png_chunk(b"eXIf", exif))
            exif = b""
        if name in _PNG_KEPT:
            out.append(data[position : position + 12 + length])
        position += 12 + length
        if name == b"IEND":
            break
    return b"".join(out)


def _png_chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
