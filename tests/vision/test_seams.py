"""Seams counted along a line: drawn roofs of a known number, rendered ones by eye, none where none are."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from calib.errors import GeometryError
from vision.seams import SeamCount, Uncounted, count_seams


def drawn_roof(bays: float, first: float, depth_ratio: float, seed: int):
    """Draw a grey roof, 1400 x 300 px, with a seam (dark beside bright) every bay, seen aslant and noisy.

    ``depth_ratio`` is the width of the last bay over that of the first, about.
    """
    rng = np.random.default_rng(seed)
    # A level line seen aslant: along the roof = t / (c + (1 - c) t), whose slope falls from 1/c to c.
    slant = 1.0 / np.sqrt(depth_ratio)
    columns = np.linspace(0.0, 1.0, 1400)
    along = columns * bays / (slant + (1.0 - slant) * columns)
    picture = np.full((300, 1400), 110.0) + rng.normal(0.0, 4.0, (300, 1400))
    seams = np.arange(first, bays, 1.0)
    places = np.interp(seams, along, np.arange(1400.0))
    for x in np.rint(places).astype(int):
        picture[:, max(0, x - 3) : x] -= 35.0
        picture[:, x : x + 3] += 25.0
    grey = cv2.GaussianBlur(picture, (0, 0), 1.0)
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2), places


@pytest.mark.parametrize(
    ("bays", "first", "depth_ratio"), [(14.4, 0.3, 1.0), (23.7, 0.6, 1.5), (23.7, 0.6, 0.6), (40.2, 0.5, 0.8)]
)
def test_seams_of_a_drawn_roof_are_all_found(bays, first, depth_ratio):
    image, places = drawn_roof(bays, first, depth_ratio, seed=int(bays))
    found = count_seams(image, (0.0, 151.0), (1399.0, 149.0))
    assert isinstance(found, SeamCount)
    assert found.bays == len(places) + 1
    # Found within a third of a bay, or neighbouring seams could have been taken for each other.
    assert np.abs(found.seams_px[:, 0] - places).max() < np.diff(places).min() / 3.0


# Counted by eye on the marked pictures: every seam between the two points.
@pytest.mark.parametrize(
    ("name", "a_px", "b_px", "seams"),
    [
        ("house1_dev_1.jpg", (560, 1100), (2560, 1030), 23),
        ("house1_dev_5.jpg", (1180, 900), (2900, 640), 17),
        ("house2_dev_1.jpg", (300, 1350), (2690, 1450), 32),
        ("house2_dev_5.jpg", (700, 1150), (2560, 1140), 28),
    ],
)
def test_seams_of_rendered_roofs_are_counted_as_by_eye(rendered_photos: Path, name, a_px, b_px, seams):
    found = count_seams(cv2.imread(str(rendered_photos / name)), a_px, b_px)
    assert isinstance(found, SeamCount)
    assert len(found.seams_px) == seams


def test_plain_noise_has_no_seams():
    rng = np.random.default_rng(3)
    noise = cv2.GaussianBlur(rng.normal(120.0, 30.0, (80, 1100)), (0, 0), 1.5)
    image = np.repeat(np.clip(noise, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    assert count_seams(image, (0.0, 40.0), (1099.0, 41.0)) is Uncounted.NO_SEAMS


def test_flat_picture_has_no_seams():
    image = np.full((80, 900, 3), 90, dtype=np.uint8)
    assert count_seams(image, (0.0, 40.0), (899.0, 41.0)) is Uncounted.NO_SEAMS


def test_line_shorter_than_three_narrow_bays_is_too_short():
    image = np.zeros((80, 90, 3), dtype=np.uint8)
    assert count_seams(image, (10.0, 40.0), (30.0, 41.0)) is Uncounted.TOO_SHORT


def test_line_beyond_the_picture_is_refused():
    with pytest.raises(GeometryError, match="the point 900, 40 lies outside the picture of 900 x 80 px"):
        count_seams(np.zeros((80, 900, 3), dtype=np.uint8), (10.0, 40.0), (900.0, 40.0))
