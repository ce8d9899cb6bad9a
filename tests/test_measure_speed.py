"""The stages that are timed are those that a check goes through."""

import shutil
from pathlib import Path

from tests.measure_speed import CLOSE_UPS, SIZES, STAGES, resampled, time_check
from vision.photo import load_photo


def test_every_stage_is_met_and_none_is_left_to_the_rest(rendered_photos: Path, tmp_path: Path) -> None:
    lap = tmp_path / "lap.jpg"
    shutil.copyfile(rendered_photos / "close_dev_02.jpg", lap)
    timed = time_check(lap, 1)
    assert [stage for stage in STAGES if not timed.stages[stage].clock] == []
    # The functions that are named do the work; a new one that nobody named would show here.
    named = sum(timed.stages[stage].cpu for stage in STAGES)
    assert named > 0.8 * timed.whole.cpu


def test_resampled_photo_is_taken_for_the_camera_s_own_file(rendered_photos: Path, tmp_path: Path) -> None:
    turned = CLOSE_UPS[2]
    path = tmp_path / "small.jpg"
    path.write_bytes(resampled(rendered_photos / f"{turned}.jpg", SIZES[0]))
    photo = load_photo(path)
    assert photo.sensor_size_px == (SIZES[0].width, SIZES[0].height)
    assert photo.notes == load_photo(rendered_photos / f"{turned}.jpg").notes == ()
