"""Predictions: against simulated views whose geometry is exact, and covariance against Monte Carlo."""

from dataclasses import replace

import numpy as np
import pytest

from calib.camera import project
from calib.errors import GeometryError
from tests.vision.drawn_house import view_from
from vision.plane import View
from vision.predict import SeenEnd, epipolar_line, place_point, predict_point
from vision.rotation import from_vector

POINT_MM = np.array([4500.0, 120.0, -60.0])
PLACES = ((-3000, -3500, -11000), (2500, -6000, -10000), (6500, -3000, -9500))
VIEWS = [view_from(place) for place in PLACES]


def _px(view: View) -> np.ndarray:
    return project(view.camera, view.to_camera(POINT_MM))[0]


def _seen(view: View, px: np.ndarray | None = None, sigma_px: float = 1.0) -> SeenEnd:
    return SeenEnd(view, _px(view) if px is None else px, sigma_px**2 * np.eye(2))


def test_epipolar_line_goes_through_the_true_place_in_the_other_photo():
    line = epipolar_line(_seen(VIEWS[0]), VIEWS[1])
    true = _px(VIEWS[1])
    a, b = line[:-1], line[1:]
    steps = b - a
    share = np.clip(np.sum((true - a) * steps, axis=1) / np.sum(steps**2, axis=1), 0.0, 1.0)
    nearest = np.linalg.norm(a + share[:, None] * steps - true, axis=1).min()
    # The line is drawn by straight pieces between places that the lens bends.
    assert nearest < 0.05


def test_epipolar_line_of_a_photo_that_looks_away_is_empty():
    away = view_from((-3000, -3500, -11000), (-3000, -3500, -30000))
    assert epipolar_line(_seen(VIEWS[1]), away).shape == (0, 2)


def test_point_from_two_photos_lies_where_the_third_shows_it():
    point = place_point([_seen(VIEWS[0]), _seen(VIEWS[1])])
    np.testing.assert_allclose(point.mm, POINT_MM, atol=1e-3)
    predicted = predict_point(point, VIEWS[2])
    assert predicted is not None
    np.testing.assert_allclose(predicted.px, _px(VIEWS[2]), atol=1e-4)


def test_covariance_of_a_prediction_is_that_of_many_draws():
    # JCGM 101: pick noise of 2 px and a pose known to 1 mrad and 10 mm, drawn a thousand times.
    cov = np.diag([0.0] * 9 + [1e-6] * 3 + [100.0] * 3)
    views = [replace(view, cov=cov) for view in VIEWS]
    told = predict_point(place_point([_seen(view, sigma_px=2.0) for view in views[:2]]), views[2])
    assert told is not None
    rng = np.random.default_rng(11)
    places = []
    for _ in range(1000):
        moved = [_moved(view, rng) for view in views]
        picked = [_px(own) + rng.normal(0.0, 2.0, 2) for own in moved[:2]]
        seen = [_seen(view, px, 2.0) for view, px in zip(views[:2], picked, strict=True)]
        predicted = predict_point(place_point(seen), views[2])
        assert predicted is not None
        places.append(predicted.px - _px(moved[2]))
    # A variance from 1000 draws is good to 4 sqrt(2 / 1000) = 18 %.
    np.testing.assert_allclose(np.diag(np.cov(np.array(places).T)), np.diag(told.cov_px2), rtol=0.18)


def _moved(view: View, rng: np.random.Generator) -> View:
    turn = from_vector(rng.normal(0.0, 1e-3, 3))
    shift_mm = rng.normal(0.0, 10.0, 3)
    return replace(view, rotation=turn @ view.rotation, translation_mm=view.translation_mm + shift_mm)


def test_point_outside_the_picture_or_behind_it_is_not_predicted():
    point = place_point([_seen(VIEWS[0]), _seen(VIEWS[1])])
    assert predict_point(point, view_from((4500, -100, -2000), (4500, 20000, -2100))) is None
    assert predict_point(point, view_from((4500, -100, 2000), (4500, -100, 9000))) is None


def test_photos_from_one_place_do_not_place_a_point():
    with pytest.raises(GeometryError, match="from one direction only"):
        place_point([_seen(VIEWS[0]), _seen(VIEWS[0])])


def test_lines_of_sight_that_part_are_refused():
    # Picks so far off that the rays meet behind the cameras.
    left, right = view_from((-500, 0, -9000), (-500, 0, 0)), view_from((500, 0, -9000), (500, 0, 0))
    with pytest.raises(GeometryError, match="do not meet"):
        place_point([_seen(left, np.array([700.0, 748.0])), _seen(right, np.array([1300.0, 748.0]))])
