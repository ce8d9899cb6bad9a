"""Charts found in pictures: against drawn boards whose corners are known, and against rendered photos."""

import json

import cv2
import numpy as np
import pytest

from calib import chart
from calib.chart import Board, ChartView, NoChart, find_chessboard, find_tag_board
from calib.errors import LensError
from calib.targets import load_target
from tests.calib.charts import draw_board

BOARD = Board(9, 6, 25.0)
_MARGINS = np.float32([[90, 80], [520, 100], [500, 380], [110, 360]])


def _homography(seed: int) -> np.ndarray:
    corners = np.float32([[0, 0], [200, 0], [200, 125], [0, 125]])
    moved = _MARGINS + np.random.default_rng(seed).uniform(-30.0, 30.0, (4, 2))
    return cv2.getPerspectiveTransform(corners, moved.astype(np.float32))


def _errors(view: ChartView, homography: np.ndarray) -> np.ndarray:
    """Return seen minus true; the board may have been read from its other end."""
    true = cv2.perspectiveTransform(view.mm[None], homography)[0]
    return min((view.px - true, view.px[::-1] - true), key=lambda off: np.abs(off).max())


@pytest.mark.parametrize("seed", range(3))
def test_corners_of_a_drawn_board_are_unbiased_and_sharp(seed):
    homography = _homography(seed)
    view = find_chessboard(draw_board(homography, BOARD, 640, 480, seed), BOARD)
    assert isinstance(view, ChartView)
    off = _errors(view, homography)
    # A corner is weighted as good to 0.1 px, on the safe side; four standard errors of the mean.
    assert off.std() < 0.1
    assert np.all(np.abs(off.mean(axis=0)) < 4.0 * off.std(axis=0) / np.sqrt(len(off)) + 0.005)


def test_corners_of_a_board_found_in_a_reduced_picture_are_not_shifted(monkeypatch):
    # Reduced by 1.49 for the search: what was forgotten on the way up would shift the refined corners.
    monkeypatch.setattr(chart, "_SEARCH_LONG_SIDE_PX", 430)
    homography = _homography(5)
    view = find_chessboard(draw_board(homography, BOARD, 640, 480, 5), BOARD)
    assert isinstance(view, ChartView)
    assert np.all(np.abs(_errors(view, homography).mean(axis=0)) < 0.02)


def test_picture_without_the_board_says_what_was_looked_for():
    blank = np.full((480, 640), 128, np.uint8)
    found = find_chessboard(blank, BOARD)
    assert isinstance(found, NoChart)
    assert "no whole board of 9 x 6 inner corners" in found.why


def test_board_with_other_corner_counts_is_not_taken_for_the_one_asked_for():
    picture = draw_board(_homography(0), BOARD, 640, 480, 0)
    assert isinstance(find_chessboard(picture, Board(7, 5, 25.0)), NoChart)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((2, 6, 25.0), "2 x 6 inner corners cannot be used"),
        ((9, 61, 25.0), "9 x 61 inner corners cannot be used"),
        ((9, 6, 0.0), "must be more than 0 mm"),
        ((9, 6, float("nan")), "must be more than 0 mm"),
    ],
)
def test_board_that_cannot_be_is_refused(arguments, message):
    with pytest.raises(LensError, match=message):
        Board(*arguments)


def test_tags_of_a_card_are_found_as_a_chart(rendered_photos):
    card = load_target(rendered_photos / "card.json")
    grey = cv2.imread(str(rendered_photos / "close_dev_02.jpg"), cv2.IMREAD_GRAYSCALE)
    truth = json.loads((rendered_photos / "close_dev_02.json").read_text())["tags_px"]
    view = find_tag_board(grey, card)
    assert isinstance(view, ChartView)
    true = np.concatenate([truth[str(tag.id)] for tag in card.tags])
    # The goal for tag corners is 0.2 px RMS (issue of the main job); their order must be the target's.
    assert np.sqrt(np.mean((view.px - true) ** 2)) < 0.2
    np.testing.assert_array_equal(view.mm, np.concatenate([tag.corners_mm() for tag in card.tags]))
    assert view.cov_px2.shape == (32, 32)


def test_picture_without_tags_says_how_many_are_needed(rendered_photos):
    found = find_tag_board(np.full((300, 400), 90, np.uint8), load_target(rendered_photos / "card.json"))
    assert found == NoChart(
        "no tags of card found, at least 2 are needed: come closer, avoid glare, and check the target file"
    )


def test_mirrored_photo_of_a_target_is_told(rendered_photos):
    grey = cv2.imread(str(rendered_photos / "close_dev_02.jpg"), cv2.IMREAD_GRAYSCALE)
    found = find_tag_board(np.ascontiguousarray(grey[:, ::-1]), load_target(rendered_photos / "card.json"))
    assert isinstance(found, NoChart)
    assert "mirrored" in found.why
