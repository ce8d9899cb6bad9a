"""Matching and tracks: what is alike, what agrees, what contradicts itself."""

import numpy as np
import pytest

from calib.camera import undistort
from tests.vision.simulated import ENDS_MM, STANDS, TRUE_LENS
from tests.vision.simulated_job import draw_house
from vision.features import Features
from vision.matching import agree, epipolar_distance, match_features
from vision.rotation import cross_matrix
from vision.tracks import Track, chain_matches, spread_tracks


def _features(descriptors: np.ndarray) -> Features:
    return Features(np.zeros((len(descriptors), 2)), descriptors.astype(np.float32))


def test_match_finds_each_feature_again_in_another_order():
    rng = np.random.default_rng(1)
    first = draw_house(rng, 70).descriptors
    order = rng.permutation(70)
    pairs = match_features(_features(first), _features(first[order]))
    assert len(pairs) == 70
    assert np.array_equal(order[pairs[:, 1]], pairs[:, 0])


def test_match_of_a_feature_that_is_there_twice_is_refused():
    # The second best is as near as the best: the ratio test of Lowe 2004, section 7.1, leaves it out.
    rng = np.random.default_rng(2)
    first = draw_house(rng, 20).descriptors
    pairs = match_features(_features(first), _features(np.concatenate([first, first[:1]])))
    assert 0 not in pairs[:, 0]
    assert len(pairs) == 19


def test_match_of_an_empty_photo_is_empty():
    some = _features(draw_house(np.random.default_rng(3), 5).descriptors)
    assert match_features(some, _features(np.zeros((0, 128)))).shape == (0, 2)


def _rays(count: int, wrong: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    points = draw_house(rng, count).points_mm
    rays = [undistort(TRUE_LENS, STANDS[i].px(points) + rng.normal(0.0, 0.5, (count, 2))) for i in (0, 2)]
    rays[1][:wrong] = rng.uniform(-0.6, 0.6, (wrong, 2))
    return rays[0], rays[1]


def test_agree_tells_right_matches_from_wrong_ones():
    agrees = agree(*_rays(100, 35, seed=4))
    assert agrees[35:].all()
    # A wrong match lies in the accepted band by chance: 0.8 % of the picture's height.
    assert agrees[:35].sum() <= 2


def test_agree_on_nothing_but_wrong_matches_is_refused():
    assert not agree(*_rays(40, 40, seed=5)).any()


def test_agree_is_the_same_every_time():
    rays = _rays(60, 20, seed=6)
    assert np.array_equal(agree(*rays), agree(*rays))


def test_epipolar_distance_of_exact_places_is_zero():
    one, two = STANDS[0], STANDS[3]
    turn = two.rotation @ one.rotation.T
    essential = cross_matrix(two.translation_mm - turn @ one.translation_mm) @ turn
    rays = [undistort(TRUE_LENS, stand.px(ENDS_MM)) for stand in (one, two)]
    assert np.abs(epipolar_distance(essential, *rays)) == pytest.approx(0.0, abs=1e-9)


def test_tracks_chain_pairs_of_photos_and_drop_contradictions():
    matches = {
        (0, 1): np.array([[3, 5], [4, 6], [7, 8]]),
        (1, 2): np.array([[5, 9], [6, 1]]),
        # Feature 4 of photo 0 reaches feature 1 of photo 2 by photo 1, and feature 2 directly.
        (0, 2): np.array([[4, 2]]),
    }
    assert chain_matches(matches) == [Track(((0, 3), (1, 5), (2, 9))), Track(((0, 7), (1, 8)))]


def test_tracks_are_spread_over_the_picture():
    rng = np.random.default_rng(7)
    # 300 points in one corner of a non-square picture, 10 elsewhere.
    px = np.concatenate(
        [rng.uniform(0.0, 60.0, (300, 2)), rng.uniform((400.0, 300.0), (900.0, 700.0), (10, 2))]
    )
    tracks = [Track(((0, i), (1, i))) for i in range(310)]
    kept = spread_tracks(tracks, {0: px, 1: px}, {0: (1000, 800), 1: (1000, 800)})
    corner = sum(track.places[0][1] < 300 for track in kept)
    assert corner < 10
    assert len(kept) - corner == 10
