"""From chart photos to a lens profile: the true lens of rendered photos; photos that do not belong."""

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calib.calibrate import NotCalibrated
from calib.camera import PARAMETERS
from calib.chart import Board
from calib.errors import FileError, LensError
from calib.profile import load_profile, profile_camera, save_profile
from vision.chart_shoot import CalibratedLens, calibrate_lens
from vision.photo import load_photo

BOARD = Board(9, 6, 30.0)
ORIENTATION = 0x0112
# As the camera was held: level, upside down, and upright on either side (CIPA DC-008, 4.6.4).
TURNS = (1, 3, 6, 8)


@pytest.fixture(scope="module")
def charts(rendered_photos) -> list[Path]:
    return sorted(rendered_photos.glob("chart_*.jpg"))


@pytest.fixture(scope="module")
def lens(charts) -> CalibratedLens:
    found = calibrate_lens(charts, BOARD)
    assert isinstance(found, CalibratedLens)
    return found


def _true_lens(folder: Path) -> np.ndarray:
    camera = json.loads((folder / "chart_QD-5.json").read_text())["camera"]
    return np.array([camera[name] for name in PARAMETERS[:8]])


def _copy(photo: Path, path: Path, *, orientation: int = 1, focal_mm: float | None = None) -> Path:
    """Copy a photo with other EXIF values; its pixels stay as the sensor has them."""
    with Image.open(photo) as picture:
        exif = picture.getexif()
        exif[ORIENTATION] = orientation
        if focal_mm is not None:
            exif.get_ifd(0x8769)[0x920A] = focal_mm
        picture.save(path, quality=97, exif=exif.tobytes())
    return path


def test_profile_of_rendered_charts_holds_the_true_lens(lens, rendered_photos):
    camera = lens.profile.camera
    off = camera.parameters[:8] - _true_lens(rendered_photos)
    assert np.all(np.abs(off) < 3.0 * np.sqrt(np.diag(camera.cov))[:8])
    assert (lens.profile.make, lens.profile.model, lens.profile.focal_mm) == ("Quandril", "QD-5", 5.1)


def test_charts_cut_by_the_frame_are_dropped_with_their_reason(lens):
    dropped = {name: photo.why for name, photo in lens.profile.photos.items() if not photo.is_used}
    assert sorted(dropped) == ["chart_QD-5_10.jpg", "chart_QD-5_12.jpg"]
    assert all(why.startswith("no whole board of 9 x 6 inner corners") for why in dropped.values())


def test_place_that_no_chart_reached_is_named(lens):
    assert any("little of the bottom right" in note for note in lens.notes)
    assert lens.record()["coverage"]["missing"] == ["bottom right"]


def test_profile_serves_photos_of_its_camera_and_no_others(lens, rendered_photos, tmp_path):
    path = tmp_path / "lens.json"
    save_profile(lens.profile, path)
    profile = load_profile(path)
    close_up, house = (
        load_photo(rendered_photos / name) for name in ("close_dev_01.jpg", "house1_dev_1.jpg")
    )
    camera = profile_camera(profile, close_up.metadata, *close_up.sensor_size_px)
    np.testing.assert_array_equal(camera.parameters, lens.profile.camera.parameters)
    with pytest.raises(LensError, match="2400 x 1800 px, the photo has"):
        profile_camera(profile, house.metadata, *house.sensor_size_px)


def test_photos_turned_by_exif_give_the_lens_of_the_sensors_frame(charts, lens, tmp_path):
    used = [path for path in charts if lens.profile.photos[path.name].is_used]
    turned = [
        _copy(path, tmp_path / path.name, orientation=TURNS[i % len(TURNS)]) for i, path in enumerate(used)
    ]
    found = calibrate_lens(turned, BOARD)
    assert isinstance(found, CalibratedLens)
    assert (found.profile.camera.width, found.profile.camera.height) == (2400, 1800)
    off = found.profile.camera.parameters - lens.profile.camera.parameters
    # A second JPEG compression moves corners by some hundredths of a pixel.
    assert np.all(np.abs(off[:8]) < np.sqrt(np.diag(lens.profile.camera.cov))[:8])


def test_photos_of_two_cameras_are_refused_by_name(charts, rendered_photos):
    with pytest.raises(
        LensError, match=r"chart_QD-5_01\.jpg and house1_dev_1\.jpg .* 2400 x 1800 px against"
    ):
        calibrate_lens([charts[0], rendered_photos / "house1_dev_1.jpg"], BOARD)


def test_photos_at_two_focal_lengths_are_refused_by_name(charts, tmp_path):
    zoomed = _copy(charts[1], tmp_path / "zoomed.jpg", focal_mm=9)
    with pytest.raises(
        LensError, match=r"zoomed\.jpg are not of one lens: focal length 5\.1 mm against .* 9"
    ):
        calibrate_lens([charts[0], zoomed], BOARD)


def test_photo_without_metadata_among_others_is_refused_by_name(charts, tmp_path):
    bare = tmp_path / "bare.jpg"
    with Image.open(charts[1]) as picture:
        picture.save(bare, quality=97)
    with pytest.raises(LensError, match=r"bare\.jpg .* camera Quandril QD-5 against camera not told"):
        calibrate_lens([charts[0], bare], BOARD)


def test_photo_given_twice_is_refused(charts, tmp_path):
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(charts[0].read_bytes())
    with pytest.raises(LensError, match=r"copy\.jpg is the same photo as chart_QD-5_01\.jpg"):
        calibrate_lens([charts[0], copy], BOARD)


def test_missing_photo_is_named(tmp_path):
    with pytest.raises(FileError, match=r"gone\.jpg: no such file"):
        calibrate_lens([tmp_path / "gone.jpg"], BOARD)


def test_unreadable_photos_alone_give_no_lens_and_say_why(tmp_path):
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"no picture")
    found = calibrate_lens([broken], BOARD)
    assert isinstance(found, NotCalibrated)
    assert found.photos["broken.jpg"].why
    assert found.why.startswith("0 of 1 photos can be used")


def test_photos_without_a_named_camera_say_that_the_profile_fits_any(open_data):
    photos = sorted((open_data / "chessboard").glob("left*.jpg"))
    found = calibrate_lens(photos, Board(9, 6, 25.0))
    assert isinstance(found, CalibratedLens)
    assert any("fits any photo of this size" in note for note in found.notes)
    # references.md section 3: within 3 sigma of the published fit, although the board's bend is allowed for.
    assert abs(found.profile.camera.fx - 532.83) < 3.0 * 0.44
    assert abs(found.profile.camera.fy - 532.95) < 3.0 * 0.46
