"""Files that end too early: cut from what Pillow and pillow-heif wrote, and real ones of the open set."""

import io
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from calib.container import read_container
from calib.truncation import is_truncated


def _picture() -> Image.Image:
    noise = np.random.default_rng(3).integers(0, 256, (300, 420, 3)).astype(np.uint8)
    return Image.fromarray(cv2.GaussianBlur(noise, (0, 0), 2.0))


def _saved(kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    if kind == "HEIF":
        pillow_heif.from_pillow(_picture()).save(stream)
    else:
        _picture().save(stream, kind, **options)
    return stream.getvalue()


_WHOLE: dict[str, tuple[str, dict[str, Any]]] = {
    "plain JPEG": ("JPEG", {}),
    "progressive JPEG": ("JPEG", {"progressive": True}),
    "JPEG with restart marks": ("JPEG", {"restart_marker_rows": 1}),
    "PNG": ("PNG", {}),
    "TIFF": ("TIFF", {}),
    "WebP": ("WebP", {}),
    "HEIF": ("HEIF", {}),
}


@pytest.mark.parametrize("case", _WHOLE)
def test_is_truncated_of_whole_file_is_false_with_and_without_a_trailer(case: str) -> None:
    kind, options = _WHOLE[case]
    data = _saved(kind, **options)
    assert not is_truncated(data, read_container(data).format)
    # Some makers append data of their own behind the picture.
    assert not is_truncated(data + b"\0\0\0\x7ftail" * 3, read_container(data).format)


@pytest.mark.parametrize("case", _WHOLE)
@pytest.mark.parametrize("missing", [3, 200, 0.5])
def test_is_truncated_of_cut_file_is_true(case: str, missing: float) -> None:
    kind, options = _WHOLE[case]
    data = _saved(kind, **options)
    keep = len(data) - int(missing if missing >= 1 else missing * len(data))
    if kind == "TIFF" and missing == 3:
        keep -= 140  # Pillow puts tables behind the pixels
    assert is_truncated(data[:keep], read_container(data).format)


def test_is_truncated_of_open_photos_is_false(open_data: Path) -> None:
    for path in sorted((open_data / "exif").rglob("*")):
        if path.is_file() and path.name != "README":
            data = path.read_bytes()
            assert not is_truncated(data, read_container(data).format), path


def test_is_truncated_of_open_heic_cut_in_the_middle_is_true(open_data: Path) -> None:
    # libheif 1.23.6 decodes this half a file, leaves the rest black and says nothing.
    data = (open_data / "exif/IMG_5195.HEIC").read_bytes()
    assert is_truncated(data[: len(data) // 2], "HEIF")


def test_is_truncated_of_jpeg_with_an_end_mark_in_its_thumbnail_only_is_true() -> None:
    thumbnail = _saved("JPEG", quality=20)[:30000]
    app1 = b"\xff\xe1" + (len(thumbnail) + 2).to_bytes(2, "big") + thumbnail
    data = _saved("JPEG")
    whole = data[:2] + app1 + data[2:]
    assert not is_truncated(whole, "JPEG")
    assert is_truncated(whole[: len(whole) // 2], "JPEG")


def test_is_truncated_of_heif_with_long_and_open_boxes() -> None:
    ftyp = b"\0\0\0\x10ftypheic\0\0\0\0"
    long_box = b"\0\0\0\x01mdat" + (24).to_bytes(8, "big") + b"12345678"
    assert not is_truncated(ftyp + long_box, "HEIF")
    assert is_truncated(ftyp + long_box[:-1], "HEIF")
    assert not is_truncated(ftyp + b"\0\0\0\0mdat12", "HEIF")
