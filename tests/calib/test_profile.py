"""Lens profiles: read from the contract's file, and refused for photos that they do not belong to."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.camera import Camera
from calib.errors import FileError, LensError, RecordError
from calib.exif import PhotoMetadata, read_metadata
from calib.profile import ChartPhoto, LensProfile, load_profile, profile_camera, save_profile

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


def _calibrated() -> LensProfile:
    deviations = np.array([1.9, 1.8, 0.5, 0.4, 3e-4, 5e-4, 8e-5, 1e-4, 2e-3])
    camera = Camera(
        2400, 1800, 1830.9, 1831.0, 1208.6, 888.1, 0.03, -0.04, 3e-4, -4e-4, 1e-3, np.diag(deviations**2)
    )
    photos = {"c1.jpg": ChartPhoto(True, 0.08, ""), "c2.jpg": ChartPhoto(False, None, "no board")}
    return LensProfile("Quandril", "QD-5", 5.1, camera, 0.082, photos)


def test_profile_written_is_the_contracts_lens_file(tmp_path):
    path = tmp_path / "lens.json"
    save_profile(_calibrated(), path)
    record = json.loads(path.read_text())
    # The keys of the contract's lens file, in its order.
    assert list(record) == [
        *("make", "model", "focal_mm", "width", "height"),
        *("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3", "sigma", "rms_px", "photos"),
    ]
    assert record["sigma"]["fx"] == pytest.approx(1.9)
    assert record["photos"][1] == {"photo": "c2.jpg", "used": False, "rms_px": None, "why": "no board"}


def test_profile_read_again_is_the_one_written(tmp_path):
    path = tmp_path / "lens.json"
    save_profile(_calibrated(), path)
    read = load_profile(path)
    np.testing.assert_allclose(read.camera.parameters, _calibrated().camera.parameters)
    np.testing.assert_allclose(np.diag(read.camera.cov), np.diag(_calibrated().camera.cov))
    assert (read.make, read.model, read.focal_mm, read.rms_px) == ("Quandril", "QD-5", 5.1, 0.082)
    assert read.photos == _calibrated().photos


def test_focal_lengths_of_a_profile_hang_together(tmp_path):
    # Scale follows their mean: as independent values it would look better known than either of them.
    path = tmp_path / "lens.json"
    save_profile(_calibrated(), path)
    cov = load_profile(path).camera.cov
    mean = np.zeros(9)
    mean[:2] = 0.5
    assert mean @ cov @ mean > 0.95 * 1.8**2


def test_profile_in_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(FileError, match="cannot be written"):
        save_profile(_calibrated(), tmp_path / "nowhere" / "lens.json")


@pytest.mark.parametrize(
    ("photos", "message"),
    [
        ({}, "a list was expected"),
        ([{"photo": "a", "used": 1, "rms_px": None, "why": ""}], "photos 1 used: true or false was expected"),
        ([{"photo": "a", "used": True, "why": ""}], "missing key 'rms_px'"),
    ],
)
def test_lens_file_with_odd_photos_is_refused(tmp_path, photos, message):
    with pytest.raises(RecordError, match=message):
        load_profile(_file(tmp_path, photos=photos))
