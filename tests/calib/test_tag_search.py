"""Tags read at any size, turn and tilt; other shapes not read; mirrors told apart."""

import numpy as np
import pytest

from calib.tag_search import halved_levels, read_codes, search_around, search_levels, search_small
from tests.calib.drawn_tags import Camera, any_square, draw


def _all(picture: np.ndarray) -> list:
    levels = halved_levels(picture)
    return [*(item for level in search_levels(levels) for item in level), *search_small(picture)]


def test_levels_are_exact_halves() -> None:
    picture = np.random.default_rng(0).integers(0, 255, (203, 305)).astype(np.uint8)
    levels = halved_levels(picture)
    assert [level.shape for level in levels] == [(203, 305), (101, 152), (50, 76)]
    means = picture[:202, :304].reshape(101, 2, 152, 2).mean(axis=(1, 3))
    assert np.abs(levels[1] - means).max() <= 0.5


@pytest.mark.parametrize(
    ("side_px", "tilt_deg", "camera", "most_missed"),
    # Twelve px leave 1.5 px to a cell: the blur of a good lens is then half a cell wide.
    [
        (12.0, 0.0, Camera(blur_px=0.4), 0),
        (12.0, 0.0, Camera(blur_px=0.7), 2),
        (16.0, 0.0, Camera(), 0),
        (25.0, 60.0, Camera(), 0),
        (60.0, 60.0, Camera(), 0),
        (300.0, 60.0, Camera(points_per_px=3), 0),
    ],
)
def test_tags_are_read_from_their_smallest_size(
    side_px: float, tilt_deg: float, camera: Camera, most_missed: int
) -> None:
    missed = 0
    for seed in range(8):
        tag_id, corners, shape = any_square(side_px, tilt_deg, seed)
        found = [item for item in _all(draw(shape, {tag_id: corners}, camera, seed)) if not item.is_mirrored]
        right = [item for item in found if item.tag_id == tag_id]
        missed += not right
        for item in right:
            # Corners in the order of the tag's own picture, good to some px of the level they were seen at.
            assert np.abs(item.corners_px - corners).max() < 3.0 * max(item.px_per_px, 1.0)
        assert all(item.tag_id == tag_id or item.score < 0.8 for item in found)
    assert missed <= most_missed


def test_search_around_a_coarse_reading_finds_the_tag_where_the_whole_level_does() -> None:
    tag_id, corners, shape = any_square(120.0, 30.0, 5)
    levels = halved_levels(draw(shape, {tag_id: corners}))
    coarse = [item for item in next(search_levels(levels)) if item.tag_id == tag_id]
    assert coarse
    (again,) = {item.tag_id: item for item in search_around(levels[0], coarse, 1.0)}.values()
    assert again.tag_id == tag_id
    # An outline followed pixel by pixel is good to a pixel.
    assert np.abs(again.corners_px - corners).max() < 2.0
    assert search_around(levels[0], [], 1.0) == ()


def test_shape_in_a_mirror_reads_as_mirrored_only() -> None:
    tag_id, corners, shape = any_square(70.0, 20.0, 3)
    found = _all(draw(shape, {tag_id: corners})[:, ::-1].copy())
    assert {(item.tag_id, item.is_mirrored) for item in found} == {(tag_id, True)}


def test_noise_and_chessboards_read_as_nothing() -> None:
    rng = np.random.default_rng(4)
    noise = rng.integers(0, 255, (300, 420)).astype(np.uint8)
    board = np.kron(np.indices((12, 17)).sum(axis=0) % 2, np.ones((25, 25))).astype(np.uint8) * 200 + 20
    assert _all(noise) == []
    assert _all(board) == []


def test_reading_needs_one_code_to_lead() -> None:
    # A square without cells is like every code and leads for none.
    picture = np.full((120, 160), 220, np.uint8)
    picture[30:90, 40:100] = 30
    quad = np.array([[[39.5, 29.5], [99.5, 29.5], [99.5, 89.5], [39.5, 89.5]]])
    assert read_codes(picture, quad, 1.0) == ()
    assert read_codes(picture, np.zeros((0, 4, 2)), 1.0) == ()
