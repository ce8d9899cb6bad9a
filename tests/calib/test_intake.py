"""Files that are refused before anything is decoded, by what their first bytes say."""

import io
import struct
import zlib

import pytest
from PIL import Image

from calib.errors import PhotoError
from calib.intake import check_photo


def png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def bomb(width: int, height: int) -> bytes:
    """Return a small PNG file whose picture is huge (PNG, third edition, 11.2.1: IHDR)."""
    head = png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    data = png_chunk(b"IDAT", zlib.compress(bytes(1_000_000), 9))
    return b"\x89PNG\r\n\x1a\n" + head + data + png_chunk(b"IEND", b"")


def test_photo_says_its_format_and_size() -> None:
    stream = io.BytesIO()
    Image.new("RGB", (96, 64)).save(stream, "JPEG")
    container = check_photo(stream.getvalue())
    assert (container.format, container.width, container.height) == ("JPEG", 96, 64)


def test_small_file_with_a_huge_picture_is_refused() -> None:
    data = bomb(60_000, 50_000)
    assert len(data) < 5000
    with pytest.raises(PhotoError, match="60000 x 50000 px are 3000 megapixels"):
        check_photo(data)


def test_cut_off_file_is_refused() -> None:
    stream = io.BytesIO()
    Image.effect_noise((96, 64), 50.0).save(stream, "JPEG")
    with pytest.raises(PhotoError, match="cut off before the picture's end"):
        check_photo(stream.getvalue()[:-200])


def test_file_of_several_pages_is_refused() -> None:
    pages = [Image.new("L", (20, 30), level) for level in (0, 255)]
    stream = io.BytesIO()
    pages[0].save(stream, "TIFF", save_all=True, append_images=pages[1:])
    with pytest.raises(PhotoError, match="several frames or pages"):
        check_photo(stream.getvalue())
