"""Rough clicks: against drawn corners, whose places are known, and the ridge ends of rendered photos."""

import json

import cv2
import numpy as np
import pytest

from vision.photo import load_photo
from vision.snap import NoSnap, Snap, snap_candidates, snap_pick

CORNER = np.array([61.3, 47.8])
_SUB = 8


def _wedge(from_deg: float, to_deg: float, seed: int, *, blur: float = 0.9, noise: float = 2.5) -> np.ndarray:
    """Draw a picture, 130 by 100 px, with a dark wedge whose tip is CORNER (64 rays a pixel)."""
    x, y = np.meshgrid((np.arange(130 * _SUB) + 0.5) / _SUB - 0.5, (np.arange(100 * _SUB) + 0.5) / _SUB - 0.5)
    angle = np.degrees(np.arctan2(y - CORNER[1], x - CORNER[0]))
    grey = np.where((angle - from_deg) % 360.0 < (to_deg - from_deg) % 360.0, 60.0, 150.0)
    grey = cv2.GaussianBlur(grey.reshape(100, _SUB, 130, _SUB).mean(axis=(1, 3)), (0, 0), blur)
    noisy = grey + np.random.default_rng(seed).normal(0.0, noise, grey.shape)
    return np.repeat(np.clip(noisy, 0, 255).round().astype(np.uint8)[:, :, None], 3, axis=2)


def _clicks(seed: int, count: int) -> np.ndarray:
    """Return clicks evenly spread over the disc of 12 px around the corner."""
    rng = np.random.default_rng(seed)
    radius, angle = 12.0 * np.sqrt(rng.random(count)), rng.uniform(0.0, 2.0 * np.pi, count)
    return CORNER + radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])


@pytest.mark.parametrize(("from_deg", "to_deg"), [(10.0, 120.0), (160.0, 200.0), (5.0, 255.0), (330.0, 60.0)])
def test_click_within_twelve_pixels_snaps_to_the_drawn_corner(from_deg, to_deg):
    picture = _wedge(from_deg, to_deg, 3)
    for click in _clicks(4, 12):
        found = snap_pick(picture, click)
        assert isinstance(found, Snap)
        assert found.kind == "corner"
        assert np.hypot(*(found.px - CORNER)) < 4.0 * found.sigma_px


def test_covariance_of_a_snap_covers_the_scatter_of_drawn_corners():
    squares = []
    for seed in range(30):
        found = snap_pick(
            _wedge(20.0 + 7.0 * seed, 110.0 + 9.0 * seed, seed, noise=4.0), CORNER + np.array([3.0, -2.0])
        )
        assert isinstance(found, Snap)
        off = found.px - CORNER
        squares.append(off @ np.linalg.solve(found.cov_px2, off))
    # Chi-square with 2 degrees has mean 2. What is added for real corners makes drawn ones come out better.
    assert 0.02 < np.mean(squares) < 2.0 + 4.0 * np.sqrt(4.0 / 30.0)


def test_flat_corner_is_doubtful_along_its_edges():
    # At 160 degrees, an edge that is off by a little moves the corner far along, and hardly across.
    found = snap_pick(_wedge(10.0, 170.0, 5), CORNER)
    assert isinstance(found, Snap)
    assert found.cov_px2[0, 0] > 5.0 * found.cov_px2[1, 1]


def test_two_corners_near_a_click_are_told_apart_by_the_other_end():
    # A ridge runs right from CORNER; a hem with a corner of its own lies 10 px below and beyond.
    picture = _wedge(0.0, 100.0, 6)
    picture[58:, 55:] = np.minimum(picture[58:, 55:], 25)
    click = CORNER + np.array([-1.0, 6.0])
    toward = snap_pick(picture, click, CORNER + np.array([60.0, 0.5]))
    assert isinstance(toward, Snap)
    # The drawing spoils the corner itself; what is meant is its neighbourhood, not the hem's, 10 px below.
    assert np.hypot(*(toward.px - CORNER)) < 3.0
    assert len(snap_candidates(picture, click)) > 1


def test_line_that_just_ends_snaps_to_its_end():
    picture = np.full((100, 130, 3), 120, np.uint8)
    picture[48:51, 61:] = 40
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8)
    kinds = {snap.kind for snap in snap_candidates(picture, (64.0, 47.0), (125.0, 49.0))}
    assert "line end" in kinds
    ends = [s for s in snap_candidates(picture, (64.0, 47.0), (125.0, 49.0)) if s.kind == "line end"]
    assert abs(ends[0].px[0] - 61.0) < 3.0 * np.sqrt(ends[0].cov_px2[0, 0])


def test_click_on_nothing_says_what_to_do():
    found = snap_pick(np.full((100, 130, 3), 120, np.uint8), (60.0, 50.0))
    assert found == NoSnap("no corner within 14 px of the click; zoom in and click on it exactly")


def test_click_outside_the_picture_means_nothing():
    assert isinstance(snap_pick(_wedge(10.0, 120.0, 3), (200.0, 50.0)), NoSnap)


def test_click_near_the_pictures_edge_does_not_fail():
    picture = _wedge(10.0, 120.0, 3)
    assert snap_candidates(picture, (1.0, 1.0)) == []


def test_clicks_on_rendered_ridge_ends_snap_to_them(rendered_photos):
    # Clicks off by 4 px per axis, both ends clicked. What is close by (the hem's corner, 10 to 20 px away)
    # may be meant as well, so not all can come right.
    rng = np.random.default_rng(8)
    off = []
    for house, number in (("house1", 2), ("house1", 4), ("house2", 2), ("house2", 4)):
        name = f"{house}_dev_{number}.jpg"
        ends = json.loads((rendered_photos / f"{house}.json").read_text())["per_photo"][name]["ends_px"]
        image = load_photo(rendered_photos / name).image
        for end, other in (("a", "b"), ("b", "a")):
            for _ in range(3):
                click, toward = (np.array(ends[key]) + rng.normal(0.0, 4.0, 2) for key in (end, other))
                found = snap_pick(image, click, toward)
                off.append(np.hypot(*(found.px - ends[end])) if isinstance(found, Snap) else np.inf)
    assert np.median(off) < 1.0
    assert np.mean(np.array(off) < 3.0) >= 0.8
