"""Whether a picture file ends before its picture does, by each format's own lengths and end marks.

Some decoders fill what is missing with grey or black and say nothing, so that this is asked before decoding.
"""

import io
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from PIL import TiffImagePlugin

from calib.container import READER_FAILURES, Format, collected_messages

# What follows 0xFF within a scan of JPEG data: a stuffed zero, a fill byte, a restart mark. All else is
# a marker that ends it (ITU-T T.81, B.1.1).
_JPEG_STUFFED, _JPEG_FILL, _JPEG_RESTARTS = 0x00, 0xFF, (0xD0, 0xD7)
_JPEG_END = 0xD9
_JPEG_WITHOUT_LENGTH = (0x01, 0xD8)

_HEIF_BOXES = (b"ftyp", b"meta", b"mdat", b"moov", b"free", b"skip", b"uuid")

# Where the strips, or else the tiles, of a page lie and how long they are (TIFF 6.0, sections 8 and 15).
_TIFF_OFFSETS_AND_LENGTHS = ((273, 279), (324, 325))


def is_truncated(data: bytes, kind: Format) -> bool:
    """Return whether a picture file ends too early.

    Parameters
    ----------
    data : bytes
        The whole file.
    kind : {"JPEG", "PNG", "TIFF", "WebP", "HEIF"}
        Its format, by `sniff_format`.

    Returns
    -------
    bool
        Whether its end is missing. Damage in between is not seen here, nor is anything behind the picture.
    """
    return _TESTS[kind](data)


def _is_jpeg_truncated(data: bytes) -> bool:
    """Walk from marker to marker until the end mark of the (first) picture."""
    markers = _jpeg_markers(data)
    position = 2
    while (next_one := int(np.searchsorted(markers, position + 1))) < len(markers):
        position = int(markers[next_one]) + 1
        marker = data[position - 1]
        if marker == _JPEG_END:
            return False
        if marker not in _JPEG_WITHOUT_LENGTH:
            position += int.from_bytes(data[position : position + 2], "big")
    return True


def _jpeg_markers(data: bytes) -> NDArray[np.intp]:
    """Return where markers may stand, the byte after 0xFF; what looks like one within a segment included."""
    codes = np.frombuffer(data, dtype=np.uint8)
    places = np.flatnonzero(codes[:-1] == 0xFF) + 1
    follow = codes[places]
    is_restart = (follow >= _JPEG_RESTARTS[0]) & (follow <= _JPEG_RESTARTS[1])
    ends_scan = (follow != _JPEG_STUFFED) & (follow != _JPEG_FILL) & ~is_restart
    return np.asarray(places[ends_scan])


def _is_png_truncated(data: bytes) -> bool:
    """Walk from chunk to chunk until IEND (ISO/IEC 15948, 5.3)."""
    position = 8
    while position + 12 <= len(data):
        if data[position + 4 : position + 8] == b"IEND":
            return False
        position += 12 + int.from_bytes(data[position : position + 4], "big")
    return True


def _is_webp_truncated(data: bytes) -> bool:
    return int.from_bytes(data[4:8], "little") + 8 > len(data)


def _is_heif_truncated(data: bytes) -> bool:
    """Walk from box to box (ISO/IEC 14496-12, 4.2) to the end, or to what some makers append behind them."""
    position = 0
    while position + 8 <= len(data) and data[position + 4 : position + 8] in _HEIF_BOXES:
        length = int.from_bytes(data[position : position + 4], "big")
        if length == 1:
            length = int.from_bytes(data[position + 8 : position + 16], "big")
        if length == 0:  # reaches to the end of the file, wherever that is
            return False
        position += max(length, 8)
    return position > len(data)


def _is_tiff_truncated(data: bytes) -> bool:
    """Look whether each strip or tile of the first page lies within the file."""
    try:
        with collected_messages("PIL"):
            tags = TiffImagePlugin.TiffImageFile(io.BytesIO(data)).tag_v2
    except READER_FAILURES:  # a damaged header, as opening it will say
        return False
    for offsets, lengths in _TIFF_OFFSETS_AND_LENGTHS:
        ends = map(sum, zip(tags.get(offsets, ()), tags.get(lengths, ()), strict=False))
        if max(ends, default=0) > len(data):
            return True
    return False


_TESTS: dict[Format, Callable[[bytes], bool]] = {
    "JPEG": _is_jpeg_truncated,
    "PNG": _is_png_truncated,
    "TIFF": _is_tiff_truncated,
    "WebP": _is_webp_truncated,
    "HEIF": _is_heif_truncated,
}
