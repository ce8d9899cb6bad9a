"""Picture files told by content, written by Pillow and pillow-heif, never opened by their name."""

import io
import logging
import warnings
from typing import Any

import pillow_heif
import pytest
from PIL import Image

from calib.container import collected_messages, read_container
from calib.errors import PhotoError

_SIZE = (30, 20)
_XMP = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'/>"


def _saved(picture: Image.Image, kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()


def _exif() -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = 6
    return exif


@pytest.mark.parametrize(
    ("kind", "mode"),
    [
        ("JPEG", "RGB"),
        ("JPEG", "L"),
        ("JPEG", "CMYK"),
        ("PNG", "RGB"),
        ("PNG", "RGBA"),
        ("PNG", "I;16"),
        ("PNG", "P"),
        ("TIFF", "RGB"),
        ("TIFF", "F"),
    ],
)
def test_read_container_gives_format_size_and_mode(kind: str, mode: str) -> None:
    container = read_container(_saved(Image.new(mode, _SIZE), kind))
    assert (container.format, container.width, container.height, container.mode) == (kind, *_SIZE, mode)
    assert not container.is_multi_frame
    assert container.notes == ()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WebP"])
def test_read_container_finds_exif_and_xmp(kind: str) -> None:
    options = {"exif": _exif()} if kind == "PNG" else {"exif": _exif(), "xmp": _XMP}
    container = read_container(_saved(Image.new("RGB", _SIZE), kind, **options))
    assert container.format == kind
    assert container.exif is not None
    assert container.exif[:2] in (b"II", b"MM")
    assert container.xmp == (None if kind == "PNG" else _XMP)


def test_read_container_of_heif_finds_exif_and_xmp() -> None:
    stream = io.BytesIO()
    heif = pillow_heif.from_pillow(Image.new("RGB", (64, 48)))
    heif.save(stream, quality=50, exif=_exif().tobytes(), xmp=_XMP)  # writes the turn of orientation 6 too
    container = read_container(stream.getvalue())
    assert (container.format, container.width, container.height) == ("HEIF", 48, 64)
    assert container.exif is not None
    assert container.exif[:2] in (b"II", b"MM")
    assert container.xmp == _XMP


@pytest.mark.parametrize("kind", ["PNG", "WebP", "TIFF"])
def test_read_container_with_more_frames_says_so(kind: str) -> None:
    frames = [Image.new("RGB", (size, 20), colour) for size, colour in ((30, "red"), (30, "blue"))]
    container = read_container(_saved(frames[0], kind, save_all=True, append_images=frames[1:]))
    assert container.is_multi_frame
    assert (container.width, container.height) == _SIZE


def test_read_container_of_tiff_with_a_second_page_gives_the_first_ones_size() -> None:
    data = _saved(Image.new("RGB", _SIZE), "TIFF", save_all=True, append_images=[Image.new("RGB", (9, 7))])
    container = read_container(data)
    assert container.is_multi_frame
    assert (container.width, container.height) == _SIZE


def test_read_container_of_jpeg_with_more_pictures_notes_the_first() -> None:
    data = _saved(Image.new("RGB", _SIZE), "MPO", save_all=True, append_images=[Image.new("RGB", (9, 7))])
    container = read_container(data)
    assert (container.width, container.height) == _SIZE
    assert container.notes == (
        "The file holds more pictures (such as a preview or a gain map); the first is the photo.",
    )


@pytest.mark.parametrize("tag", [254, 330, 50706])
def test_read_container_of_raw_file_is_refused(tag: int) -> None:
    data = _saved(Image.new("RGB", _SIZE), "TIFF", tiffinfo={tag: 1})
    with pytest.raises(PhotoError, match="raw file or begins with a preview; export"):
        read_container(data)


@pytest.mark.parametrize(
    "data",
    [
        b"GIF89a" + b"\0" * 30,
        b"BM" + b"\0" * 60,
        b"%PDF-1.7\n",
        b"a photo, honestly",
        b"\xff",
        b"\0\0\0\x18ftypmp42" + b"\0" * 20,
        b"\0\0\0\x18ftypavif" + b"\0" * 20,
        b"II+\0" + b"\0" * 30,
        b"RIFF\x10\0\0\0WAVE",
    ],
)
def test_read_container_of_other_content_is_refused(data: bytes) -> None:
    with pytest.raises(PhotoError, match="not a photo that can be read here"):
        read_container(data)


def test_read_container_of_nothing_is_refused() -> None:
    with pytest.raises(PhotoError, match="file is empty"):
        read_container(b"")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WebP"])
@pytest.mark.parametrize("keep", [13, 20])
def test_read_container_of_cut_header_is_refused(kind: str, keep: int) -> None:
    data = _saved(Image.new("RGB", _SIZE), kind)[:keep]
    with pytest.raises(PhotoError, match=f"header of this {kind} file is damaged .*copy the photo"):
        read_container(data)


def test_read_container_of_cut_heif_is_refused() -> None:
    with pytest.raises(PhotoError, match="header of this HEIF file is damaged"):
        read_container(b"\0\0\0\x18ftypheic" + b"\0" * 40)


def test_collected_messages_keeps_warnings_and_logs_of_the_package_only() -> None:
    with collected_messages("PIL") as messages:
        logging.getLogger("PIL.TiffImagePlugin").warning("strange %s.", "tag")
        logging.getLogger("PIL").info("of no interest")
        warnings.warn_explicit("odd header", UserWarning, "/x/PIL/JpegImagePlugin.py", 1)
        warnings.warn_explicit("odd header", UserWarning, "/x/PIL/JpegImagePlugin.py", 2)
        warnings.warn_explicit("not ours", UserWarning, "/x/elsewhere.py", 1)
    assert messages == ["odd header", "strange tag"]
    assert not logging.getLogger("PIL").handlers
