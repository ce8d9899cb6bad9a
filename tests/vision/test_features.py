"""Features: the same spots found from two sides once both pictures face the plane, to a part of a pixel."""

import cv2
import numpy as np
import pytest

from calib.camera import Camera
from tests.vision.simulated import Stand, stand
from vision.features import Facing, Features, Picture, reduced_picture
from vision.matching import match_features

LENS = Camera(1800, 1400, 1500.0, 1500.0, 899.5, 699.5)
MM_PER_TEXEL = 4.0
# Two cameras before a wall in the plane z = 0, 50 degrees to the left and to the right.
LEFT = stand((-4600.0, 300.0, -3860.0), (0.0, 0.0, 0.0))
RIGHT = stand((4600.0, 300.0, -3860.0), (0.0, 0.0, 0.0))


def _wall(rng: np.random.Generator) -> np.ndarray:
    """Return a picture of a mottled wall, 6.4 m by 4.8 m, its middle at the world's origin."""
    wall = np.zeros((1200, 1600))
    for blur in (3.0, 8.0, 20.0):
        part = cv2.GaussianBlur(rng.normal(size=wall.shape), (0, 0), blur)
        wall += part / part.std()
    return np.clip(128.0 + 35.0 * wall, 0, 255).astype(np.uint8)


def _homography(where: Stand) -> np.ndarray:
    """Return the map of the wall's texels to pixels of a photo without distortion."""
    texel_to_mm = np.array(
        [
            [MM_PER_TEXEL, 0.0, -799.5 * MM_PER_TEXEL],
            [0.0, MM_PER_TEXEL, -599.5 * MM_PER_TEXEL],
            [0.0, 0.0, 1.0],
        ]
    )
    k = np.array([[LENS.fx, 0.0, LENS.cx], [0.0, LENS.fy, LENS.cy], [0.0, 0.0, 1.0]])
    return k @ np.column_stack([where.rotation[:, :2], where.translation_mm]) @ texel_to_mm


def _photo(where: Stand, wall: np.ndarray) -> np.ndarray:
    photo = cv2.warpPerspective(wall, _homography(where), (LENS.width, LENS.height), flags=cv2.INTER_AREA)
    return cv2.cvtColor(photo, cv2.COLOR_GRAY2BGR)


@pytest.fixture(scope="module")
def both() -> tuple[Picture, Picture]:
    wall = _wall(np.random.default_rng(1))
    return reduced_picture(_photo(LEFT, wall)), reduced_picture(_photo(RIGHT, wall))


def _errors_px(first: Features, second: Features) -> np.ndarray:
    """Return how far matched places are from showing the same texel, px of the second photo."""
    pairs = match_features(first, second)
    to_second = _homography(RIGHT) @ np.linalg.inv(_homography(LEFT))
    wanted = cv2.perspectiveTransform(first.px[pairs[:, 0]][:, None], to_second)[:, 0]
    return np.hypot(*(wanted - second.px[pairs[:, 1]]).T)


def test_facing_the_wall_finds_what_the_photos_as_taken_do_not(both):
    taken = _errors_px(*(picture.features() for picture in both))
    facing = _errors_px(
        both[0].features(Facing(LENS, LEFT.rotation)), both[1].features(Facing(LENS, RIGHT.rotation))
    )
    assert (facing < 3.0).sum() > 100
    assert (facing < 3.0).sum() > 3 * (taken < 3.0).sum()


def test_places_of_features_are_true_to_a_part_of_a_pixel(both):
    facing = _errors_px(
        both[0].features(Facing(LENS, LEFT.rotation)), both[1].features(Facing(LENS, RIGHT.rotation))
    )
    right = facing[facing < 3.0]
    assert right.size > 0.9 * facing.size
    # Seen at 50 degrees a turned pixel is 1.5 px wide in the photo; half of that is the bar.
    assert np.median(right) < 0.75


def test_places_are_of_the_full_picture(both):
    # A square of 40 px by 30 px on grey, at a place of its own, in a picture that is reduced.
    image = np.full((2000, 3000, 3), 90, np.uint8)
    image[700:740, 1203:1253] = 200
    picture = reduced_picture(image)
    assert picture.px_per_px == pytest.approx(3000 / 1600)
    found = picture.features()
    middle = np.array([1203 + 24.5, 700 + 19.5])
    # The blob's own feature lies at its middle: to a quarter of the reduced pixel, for its blur is its size.
    assert np.hypot(*(found.px - middle).T).min() < 0.5


def test_features_are_the_same_every_time(both):
    first, second = (both[0].features(Facing(LENS, LEFT.rotation)) for _ in range(2))
    assert np.array_equal(first.px, second.px)
    assert np.array_equal(first.descriptors, second.descriptors)


def test_features_of_a_plane_seen_from_behind_are_none(both):
    behind = LEFT.rotation @ np.diag([-1.0, 1.0, -1.0])
    assert len(both[0].features(Facing(LENS, behind)).px) == 0


def test_features_of_an_empty_sky_are_none():
    assert len(reduced_picture(np.full((300, 400, 3), 200, np.uint8)).features().px) == 0
