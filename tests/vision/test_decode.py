"""Pixels of every kind, judged by Pillow's own decoding and by values worked out by hand."""

import io
import os
import re
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from calib.container import read_container
from calib.errors import PhotoError
from vision.decode import decode_picture

_HEIGHT, _WIDTH = 40, 60


def _rgb() -> np.ndarray:
    rows, columns = np.mgrid[:_HEIGHT, :_WIDTH]
    return np.stack([columns * 4, rows * 6, (rows + columns) * 2], axis=-1).astype(np.uint8)


def _saved(picture: Image.Image, kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()


def _encoded(extension: str, image: np.ndarray) -> bytes:
    return cv2.imencode(extension, image)[1].tobytes()


def _decode(data: bytes) -> tuple[np.ndarray, tuple[str, ...]]:
    image, notes = decode_picture(data, read_container(data))
    assert image.shape == (_HEIGHT, _WIDTH, 3)
    assert image.dtype == np.uint8
    return image, notes


_JPEG = {"quality": 98, "subsampling": 0}


@pytest.mark.parametrize(
    ("kind", "mode", "options"),
    [
        ("JPEG", "RGB", _JPEG),
        ("JPEG", "L", _JPEG),
        ("JPEG", "CMYK", _JPEG),
        ("JPEG", "RGB", {"progressive": True}),
        ("PNG", "RGB", {}),
        ("PNG", "L", {}),
        ("PNG", "P", {}),
        ("PNG", "1", {}),
        ("TIFF", "RGB", {}),
        ("TIFF", "RGB", {"compression": "tiff_lzw"}),
        ("TIFF", "RGB", {"compression": "tiff_adobe_deflate"}),
        ("TIFF", "CMYK", {}),
        ("TIFF", "L", {}),
        ("TIFF", "P", {}),
        ("WebP", "RGB", {"lossless": True}),
    ],
)
def test_decode_agrees_with_pillow(kind: str, mode: str, options: dict[str, Any]) -> None:
    data = _saved(Image.fromarray(_rgb()).convert(mode), kind, **options)
    image, notes = _decode(data)
    expected = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"), int)[:, :, ::-1]
    # Two decoders may round colours differently, by one step each way of the conversion.
    assert np.abs(image - expected).max() <= 2
    assert notes == ()


@pytest.mark.parametrize("extension", [".png", ".tiff"])
@pytest.mark.parametrize("is_grey", [True, False])
def test_decode_of_16_bits_gives_the_upper_8(extension: str, is_grey: bool) -> None:
    bgr = np.ascontiguousarray(_rgb()[:, :, ::-1])
    eight = bgr[:, :, 0] if is_grey else bgr
    image, _ = _decode(_encoded(extension, eight.astype(np.uint16) * 257))
    assert np.array_equal(image, np.repeat(eight[:, :, None], 3, axis=2) if is_grey else bgr)


@pytest.mark.parametrize(("kind", "options"), [("PNG", {}), ("WebP", {"lossless": True, "exact": True})])
@pytest.mark.parametrize("mode", ["RGBA", "LA"])
def test_decode_of_transparent_picture_lays_it_on_white(
    kind: str, options: dict[str, Any], mode: str
) -> None:
    picture = Image.fromarray(_rgb())
    picture.putalpha(Image.fromarray((np.mgrid[:_HEIGHT, :_WIDTH][1] * 5).clip(0, 255).astype(np.uint8)))
    data = _saved(picture.convert(mode), kind, **options)
    image, notes = _decode(data)
    opened = Image.open(io.BytesIO(data)).convert("RGBA")
    white = Image.new("RGBA", opened.size, "white")
    expected = np.asarray(Image.alpha_composite(white, opened).convert("RGB"), int)[:, :, ::-1]
    assert np.abs(image - expected).max() <= 1
    # Columns 51 to 59 are opaque: 51 of 60 are not.
    assert notes == ("85.0% of the picture is transparent; it is shown on white.",)


def test_decode_of_palette_with_a_transparent_colour_lays_it_on_white() -> None:
    picture = Image.new("P", (_WIDTH, _HEIGHT), 1)
    picture.putpalette([255, 0, 0, 0, 0, 255])
    picture.paste(0, (0, 0, 15, _HEIGHT))
    image, notes = _decode(_saved(picture, "PNG", transparency=0))
    assert np.all(image[:, :15] == 255)
    assert np.all(image[:, 15:] == (255, 0, 0))
    assert notes == ("25.0% of the picture is transparent; it is shown on white.",)


def test_decode_of_opaque_alpha_drops_it_without_a_note() -> None:
    image, notes = _decode(_saved(Image.fromarray(_rgb()).convert("RGBA"), "PNG"))
    assert np.array_equal(image, _rgb()[:, :, ::-1])
    assert notes == ()


def test_decode_of_16_bits_with_alpha_gives_the_upper_8() -> None:
    bgra = np.dstack([_rgb()[:, :, ::-1], np.full((_HEIGHT, _WIDTH), 255, np.uint8)])
    image, notes = _decode(_encoded(".png", bgra.astype(np.uint16) * 257))
    assert np.array_equal(image, _rgb()[:, :, ::-1])
    assert notes == ()


@pytest.mark.parametrize("mode", ["RGB", "L", "RGBA"])
def test_decode_of_heif_is_near_what_was_written(mode: str) -> None:
    stream = io.BytesIO()
    picture = Image.fromarray(_rgb()).convert(mode)
    pillow_heif.from_pillow(picture).save(stream, quality=95, chroma=444)
    image, notes = _decode(stream.getvalue())
    expected = np.asarray(picture.convert("RGB"), int)[:, :, ::-1]
    # A lossy format: mean error well below its visible steps.
    assert np.abs(image - expected).mean() < 4.0
    assert notes == ()


@pytest.mark.parametrize("mode", ["F", "I"])
def test_decode_of_pixels_without_a_range_is_refused(mode: str) -> None:
    data = _saved(Image.new(mode, (_WIDTH, _HEIGHT), 3), "TIFF")
    with pytest.raises(PhotoError, match=r"pixels \(kind '.*'\) cannot be decoded; export"):
        decode_picture(data, read_container(data))


@pytest.mark.parametrize("mode", ["RGBA", "LA"])
def test_decode_of_tiff_with_transparency_is_refused(mode: str) -> None:
    data = _saved(Image.new(mode, (_WIDTH, _HEIGHT)), "TIFF")
    with pytest.raises(PhotoError, match="TIFF with a transparency channel; export"):
        decode_picture(data, read_container(data))


def _noisy_jpeg() -> bytes:
    noise = np.random.default_rng(8).integers(0, 256, (_HEIGHT * 4, _WIDTH * 4, 3)).astype(np.uint8)
    return _encoded(".jpg", noise)


def test_decode_of_damaged_jpeg_is_refused_and_terminal_stays_clean(
    capfd: pytest.CaptureFixture[str],
) -> None:
    data = _noisy_jpeg()
    half = len(data) // 2
    # An early end mark: the rest of the picture would be grey.
    damaged = data[:half] + b"\xff\xd9" + data[half:]
    with pytest.raises(PhotoError, match=r"picture data are damaged .*premature end.*copy the photo"):
        decode_picture(damaged, read_container(damaged))
    assert capfd.readouterr() == ("", "")


def test_decode_of_open_corrupted_photo_is_refused(open_data: Path) -> None:
    data = (open_data / "exif/corrupted.jpg").read_bytes()
    with pytest.raises(PhotoError, match="picture data are damaged"):
        decode_picture(data, read_container(data))


def test_decode_of_jpeg_with_a_hole_is_refused() -> None:
    data = _noisy_jpeg()
    third = len(data) // 3
    holed = data[:third] + bytes(third) + data[2 * third :]
    with pytest.raises(PhotoError, match="picture data are damaged"):
        decode_picture(holed, read_container(holed))


@pytest.mark.parametrize(("count", "is_refused"), [(1000, False), (1100, True)])
def test_decode_of_jpeg_padded_before_its_end_mark(count: int, is_refused: bool) -> None:
    data = _encoded(".jpg", _rgb())
    padded = data[:-2] + bytes(count) + data[-2:]
    if is_refused:
        with pytest.raises(PhotoError, match="picture data are damaged"):
            _decode(padded)
        return
    image, notes = _decode(padded)
    assert np.array_equal(image, _decode(data)[0])
    (note,) = notes
    # The decoder has read a few of them ahead before it counts.
    match = re.fullmatch(
        r"The JPEG data end with ([0-9]+) stray bytes; look whether the photo is whole.", note
    )
    assert match is not None
    assert count - 8 <= int(match[1]) <= count


def test_decode_of_damaged_png_and_heif_is_refused(
    open_data: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    png = bytearray(_saved(Image.fromarray(_rgb()), "PNG"))
    png[len(png) // 2] ^= 0xFF
    with pytest.raises(PhotoError, match=r"damaged|cannot be decoded"):
        decode_picture(bytes(png), read_container(bytes(png)))
    heic = (open_data / "exif/samplefilehub.heif").read_bytes()
    container = read_container(heic)
    with pytest.raises(PhotoError, match="picture data are damaged"):
        decode_picture(heic[:2000], container)
    assert capfd.readouterr() == ("", "")


def test_decode_passes_on_what_others_write_to_the_terminal(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    imdecode = cv2.imdecode

    def decode_while_another_thread_speaks(*arguments: Any) -> Any:
        os.write(2, b"GET /photos 200\n")
        return imdecode(*arguments)

    monkeypatch.setattr(cv2, "imdecode", decode_while_another_thread_speaks)
    assert _decode(_encoded(".jpg", _rgb()))[1] == ()
    assert capfd.readouterr() == ("", "GET /photos 200\n")


def test_decode_without_a_terminal_works(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_terminal(_number: int) -> int:
        raise OSError

    monkeypatch.setattr(os, "dup", no_terminal)
    assert _decode(_encoded(".png", _rgb()))[1] == ()
