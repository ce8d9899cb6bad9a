"""Stripped photos: the same pixels, the same lens, and nothing of who, where and which device."""

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, PngImagePlugin

from calib.exif import read_metadata
from tests.webui.photos import jpeg
from webui.stripping import strip_metadata


def pixels(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


def test_stripped_jpeg_measures_alike_and_tells_nothing_else() -> None:
    original = jpeg(3, gps=True, serial="Q-7713")
    stripped = strip_metadata(original)
    assert stripped is not None
    before, after = read_metadata(original), read_metadata(stripped)
    assert (before.position is None, before.body_serial) == (False, "Q-7713")
    assert (after.position, after.body_serial) == (None, None)
    assert (after.make, after.model, after.orientation) == ("Quandril", "QD-5", 6)
    assert (after.focal_mm, after.focal_35mm_mm) == (before.focal_mm, before.focal_35mm_mm)
    assert after.taken_at == before.taken_at
    assert np.array_equal(pixels(original), pixels(stripped))
    for secret in (b"Q-7713", b"R. Vane", b"\x00GPS"):
        assert secret not in stripped


@pytest.mark.parametrize(
    "options", [{}, {"progressive": True}, {"subsampling": "4:4:4"}, {"restart_marker_rows": 1}]
)
def test_every_kind_of_jpeg_keeps_its_pixels(options: dict[str, object]) -> None:
    noise = np.random.default_rng(5).integers(0, 255, (90, 130, 3), dtype=np.uint8)
    file = io.BytesIO()
    icc = bytes(range(256)) * 3
    Image.fromarray(noise).save(file, "JPEG", quality=95, icc_profile=icc, comment="secret", **options)
    stripped = strip_metadata(file.getvalue())
    assert stripped is not None
    assert np.array_equal(pixels(file.getvalue()), pixels(stripped))
    assert Image.open(io.BytesIO(stripped)).info["icc_profile"] == icc
    assert b"secret" not in stripped


def test_what_follows_the_picture_is_cut_off() -> None:
    hidden = jpeg(4, gps=True)
    stripped = strip_metadata(jpeg(3) + hidden + b"maker's own data")
    assert stripped is not None
    assert stripped.count(b"\xff\xd8\xff") == 1
    assert stripped.endswith(b"\xff\xd9")


def test_stripped_png_keeps_its_pixels_and_loses_its_texts() -> None:
    noise = np.random.default_rng(6).integers(0, 255, (40, 70, 3), dtype=np.uint8)
    texts = PngImagePlugin.PngInfo()
    texts.add_text("Author", "R. Vane")
    texts.add_itxt("XML:com.adobe.xmp", "<x>44.5 N</x>", zip=True)
    exif = Image.Exif()
    exif[0x0110] = "QD-5"
    file = io.BytesIO()
    Image.fromarray(noise).save(file, "PNG", pnginfo=texts, exif=exif)
    stripped = strip_metadata(file.getvalue())
    assert stripped is not None
    picture = Image.open(io.BytesIO(stripped))
    picture.load()
    assert np.array_equal(np.asarray(picture), noise)
    assert read_metadata(stripped).model == "QD-5"
    assert b"R. Vane" not in stripped
    assert b"tXt" not in stripped.replace(b"IDAT", b"")


def test_real_photos_with_positions_are_stripped_or_kept_out(open_data: Path) -> None:
    done = 0
    for path in sorted((open_data / "exif" / "gps").glob("*.jpg")):
        original = path.read_bytes()
        stripped = strip_metadata(original)
        if stripped is not None:
            done += 1
            assert read_metadata(stripped).position is None
            assert np.array_equal(pixels(original), pixels(stripped))
    assert done >= 8


def test_damaged_or_odd_files_never_raise(open_data: Path) -> None:
    for path in sorted(path for path in (open_data / "exif").rglob("*") if path.is_file()):
        stripped = strip_metadata(path.read_bytes())
        assert stripped is None or read_metadata(stripped).position is None


@pytest.mark.parametrize("cut", [3, 20, 200, 900])
def test_cut_off_photo_is_kept_out_or_the_same(cut: int) -> None:
    data = jpeg(7, gps=True)[:cut]
    assert strip_metadata(data) is None


def test_other_formats_are_kept_out() -> None:
    file = io.BytesIO()
    Image.new("RGB", (20, 10)).save(file, "WEBP")
    assert strip_metadata(file.getvalue()) is None
