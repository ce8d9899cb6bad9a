"""Poses of rendered close-ups against their exact truth, turned photos included."""

import json
from pathlib import Path

import numpy as np
import pytest

from calib.targets import load_target
from vision.pose import PosedPhoto, UnposedPhoto, pose_photos
from vision.sight import sight_photo

# EXIF orientations 1, 6 and 8, one camera.
STEMS = ("close_dev_04", "close_dev_05", "close_dev_12")


@pytest.fixture(scope="module")
def posed(rendered_photos: Path) -> dict[str, PosedPhoto | UnposedPhoto]:
    card = load_target(rendered_photos / "card.json")
    sights = [sight_photo(rendered_photos / f"{stem}.jpg", stem, [card]) for stem in STEMS]
    return pose_photos([sight.sighted for sight in sights])


@pytest.mark.parametrize("stem", STEMS)
def test_camera_stands_where_the_truth_says(posed, rendered_photos, stem):
    truth = json.loads((rendered_photos / f"{stem}.json").read_text())
    view = posed[stem].views["card"]
    pose = truth["camera"]["pose"]["card"]
    expected = -np.array(pose["R"]).T @ np.array(pose["t_mm"])
    error = view.position_mm - expected
    # Position R^T t: its covariance from the view's, by the small rotation w and the translation.
    by_rotation = view.rotation.T @ np.array(
        [
            [0.0, -view.translation_mm[2], view.translation_mm[1]],
            [view.translation_mm[2], 0.0, -view.translation_mm[0]],
            [-view.translation_mm[1], view.translation_mm[0], 0.0],
        ]
    )
    jacobian = np.hstack([-by_rotation, -view.rotation.T])
    cov = jacobian @ view.cov[9:, 9:] @ jacobian.T
    # Chi squared with 3 degrees of freedom exceeds 16.3 once in 1,000.
    assert error @ np.linalg.solve(cov, error) < 16.3
    assert np.linalg.norm(error) < 0.03 * np.linalg.norm(expected)


@pytest.mark.parametrize("stem", STEMS)
def test_focal_length_is_held_by_its_uncertainty(posed, rendered_photos, stem):
    truth = json.loads((rendered_photos / f"{stem}.json").read_text())["camera"]
    camera = posed[stem].views["card"].camera
    assert (camera.width, camera.height) == (truth["width"], truth["height"])
    assert abs(camera.fx - truth["fx"]) < 3.0 * np.sqrt(camera.cov[0, 0])
    # The focal length's prior alone is good to 3 %; three photos together make it better than 1.5 %.
    assert np.sqrt(camera.cov[0, 0]) < 0.015 * camera.fx


def test_covariance_of_corners_is_that_of_their_errors(rendered_photos):
    # Normalised error squared has mean 1 per coordinate. The coordinates of one tag err together, so that 12
    # tags count as little as 12 values of chi squared: 1 + 4 * sqrt(2 / 12) = 2.6 at most.
    card, squares = load_target(rendered_photos / "card.json"), []
    for stem in STEMS:
        truth = json.loads((rendered_photos / f"{stem}.json").read_text())["tags_px"]
        for pattern in sight_photo(rendered_photos / f"{stem}.jpg", stem, [card]).sighted.patterns:
            error = (pattern.corners_px - truth[pattern.label.removeprefix("tag ")]).ravel()
            squares.append(error @ np.linalg.solve(pattern.cov_px2, error) / error.size)
    assert 0.3 < np.mean(squares) < 2.6


def test_photo_without_its_target_says_so(rendered_photos):
    panel = load_target(rendered_photos / "panel.json")
    sighted = sight_photo(rendered_photos / "close_dev_04.jpg", "p", [panel]).sighted
    result = pose_photos([sighted])["p"]
    assert isinstance(result, UnposedPhoto)
    assert "no tag of the target was found" in result.why
