"""Lens profiles: read from the contract's file, and refused for photos that they do not belong to."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from calib.errors import LensError, RecordError
from calib.exif import PhotoMetadata, read_metadata
from calib.profile import load_profile, profile_camera

PROFILE: dict[str, Any] = {
    "make": "Quandril",
    "model": "QD-5",
    "focal_mm": 5.1,
    "width": 2400,
    "height": 1800,
    "fx": 1832.3,
    "fy": 1832.3,
    "cx": 1209.1,
    "cy": 888.7,
    "k1": 0.031,
    "k2": -0.042,
    "p1": 4e-4,
    "p2": -3e-4,
    "k3": 0.0,
    "sigma": {"fx": 1.5, "fy": 1.5, "cx": 1.0, "cy": 1.0, "k1": 0.002},
}


def _file(folder: Path, **change: Any) -> Path:
    path = folder / "lens.json"
    path.write_text(json.dumps(PROFILE | change))
    return path


@pytest.fixture
def metadata(rendered_photos: Path) -> PhotoMetadata:
    return read_metadata((rendered_photos / "close_dev_01.jpg").read_bytes())


def test_profile_of_the_same_camera_gives_its_intrinsics(tmp_path, metadata):
    camera = profile_camera(load_profile(_file(tmp_path)), metadata, 2400, 1800)
    assert camera.parameters.tolist() == [
        PROFILE[k] for k in ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
    ]
    assert camera.cov[0, 0] == pytest.approx(1.5**2)


def test_profile_of_another_size_is_refused(tmp_path, metadata):
    with pytest.raises(LensError, match="2400 x 1800 px, the photo has 1200 x 900 px"):
        profile_camera(load_profile(_file(tmp_path)), metadata, 1200, 900)


def test_profile_of_another_camera_is_refused(tmp_path, metadata):
    with pytest.raises(LensError, match="for model 'Other', the photo says 'QD-5'"):
        profile_camera(load_profile(_file(tmp_path, model="Other")), metadata, 2400, 1800)


def test_profile_of_another_focal_length_is_refused(tmp_path, metadata):
    with pytest.raises(LensError, match=r"for 9 mm, the photo was taken at 5\.1 mm"):
        profile_camera(load_profile(_file(tmp_path, focal_mm=9.0)), metadata, 2400, 1800)


def test_profile_for_a_photo_without_metadata_is_taken_at_its_size(tmp_path, metadata):
    bare = replace(metadata, make=None, model=None, focal_mm=None)
    assert profile_camera(load_profile(_file(tmp_path)), bare, 2400, 1800).fx == PROFILE["fx"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"zoom": 1}, "unknown key 'zoom'"),
        ({"fx": 0}, "must be more than 0"),
        ({"sigma": {}}, "fx and fy must have a standard deviation"),
        ({"sigma": {"f": 1}}, "unknown key 'f'"),
        ({"make": 5}, "a text was expected"),
        ({"width": "wide"}, "a number was expected"),
    ],
)
def test_lens_file_that_breaks_the_contract_is_refused(tmp_path, change, message):
    with pytest.raises(RecordError, match=message):
        load_profile(_file(tmp_path, **change))
