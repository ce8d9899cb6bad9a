"""Help with picking: against a drawn house whose views and ends are known, and a rendered shoot."""

import json
import time

import numpy as np
import pytest

from calib.targets import load_target
from tests.vision.drawn_house import House, draw_house, ends_px, view_from
from vision.look import look_at_all
from vision.picking import PredictedLine, distance_px, predict_ends, propose_in_photo, tied_views
from vision.predict import PredictedPoint
from vision.shoot import Shoot, ShootPhoto
from vision.snap import Snap, snap_pick

HOUSE = House(roof=(95, 105, 120), walls=(150, 160, 175))
PLACES = {"p0": (-3500, -3200, -11500), "p1": (2500, -5500, -10500), "p2": (6000, -2800, -9800)}
VIEWS = {name: view_from(place) for name, place in PLACES.items()}
TRUE = {name: ends_px(HOUSE, view) for name, view in VIEWS.items()}
PICKS = {name: {"a": tuple(px[0]), "b": tuple(px[1])} for name, px in TRUE.items()}


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    return draw_house(HOUSE, VIEWS["p2"], 21)


def _off_px(snap: Snap, name: str, end: int) -> float:
    return float(np.hypot(*(snap.px - TRUE[name][end])))


def test_one_pick_gives_a_line_through_the_true_place():
    found = predict_ends(VIEWS, {"p0": {"a": PICKS["p0"]["a"]}}, "p2")
    assert set(found) == {"a"}
    assert isinstance(found["a"], PredictedLine)
    assert distance_px(TRUE["p2"][0], found["a"].px) < 0.05


def test_two_picks_give_the_true_place():
    found = predict_ends(VIEWS, {name: PICKS[name] for name in ("p0", "p1")}, "p2")
    for end, index in (("a", 0), ("b", 1)):
        assert isinstance(found[end], PredictedPoint)
        np.testing.assert_allclose(found[end].px, TRUE["p2"][index], atol=1e-3)


def test_nothing_is_predicted_where_nothing_tells():
    assert predict_ends(VIEWS, {}, "p2") == {}
    assert predict_ends(VIEWS, PICKS, "loose") == {}
    # An end that the photo has a pick of needs no prediction.
    assert set(predict_ends(VIEWS, {**PICKS, "p2": {"a": PICKS["p2"]["a"]}}, "p2")) == {"b"}


def test_picks_from_one_place_predict_nothing():
    views = {**VIEWS, "p1": VIEWS["p0"]}
    picks = {"p0": {"a": PICKS["p0"]["a"]}, "p1": {"a": PICKS["p0"]["a"]}}
    assert predict_ends(views, picks, "p2") == {}


def test_photo_alone_is_proposed_both_ends(picture):
    found = propose_in_photo(picture, {}, {}, "p2")
    assert max(_off_px(found["a"], "p2", 0), _off_px(found["b"], "p2", 1)) < 6.0


def test_picks_in_one_other_photo_name_the_ends(picture):
    # Whoever picked calls the right one A.
    picks = {"p0": {"a": PICKS["p0"]["b"], "b": PICKS["p0"]["a"]}}
    found = propose_in_photo(picture, VIEWS, picks, "p2")
    assert max(_off_px(found["a"], "p2", 1), _off_px(found["b"], "p2", 0)) < 6.0


def test_own_pick_of_one_end_leaves_the_other(picture):
    found = propose_in_photo(picture, VIEWS, {"p2": {"b": PICKS["p2"]["b"]}}, "p2")
    assert set(found) == {"a"}
    assert _off_px(found["a"], "p2", 0) < 6.0


def test_picks_in_two_other_photos_are_answered_at_once(picture):
    # Picks of a person: off by 2 px.
    rng = np.random.default_rng(4)
    picks = {
        name: {end: tuple(np.array(px) + rng.normal(0.0, 2.0, 2)) for end, px in PICKS[name].items()}
        for name in ("p0", "p1")
    }
    propose_in_photo(picture, VIEWS, picks, "p2", 2.0)
    start = time.process_time()
    found = propose_in_photo(picture, VIEWS, picks, "p2", 2.0)
    assert time.process_time() - start < 0.5
    assert max(_off_px(found["a"], "p2", 0), _off_px(found["b"], "p2", 1)) < 3.0
    assert {snap.kind for snap in found.values()} <= {"corner", "line end"}


def test_grey_picture_gets_the_prediction_itself():
    grey = np.full((1500, 2000, 3), 130, np.uint8)
    found = propose_in_photo(grey, VIEWS, {name: PICKS[name] for name in ("p0", "p1")}, "p2")
    assert {snap.kind for snap in found.values()} == {"predicted"}
    assert propose_in_photo(grey, VIEWS, {}, "p2") == {}


def test_click_is_snapped_while_a_person_waits(picture):
    # Only what lies around the click is looked at: a picture four times as large takes no longer.
    large = np.tile(picture, (2, 2, 1))
    click = TRUE["p2"][0] + (4.0, -3.0)
    best = [_best_s(image, click) for image in (picture, large)]
    assert best[0] < 0.1
    assert best[1] < 3.0 * best[0]


def _best_s(image: np.ndarray, click: np.ndarray) -> float:
    spent = []
    for _ in range(5):
        start = time.process_time()
        snap_pick(image, click, TRUE["p2"][1])
        spent.append(time.process_time() - start)
    return min(spent)


def test_rendered_photos_are_tied_by_their_panel_and_predict_each_others_picks(rendered_photos):
    truth = json.loads((rendered_photos / "house2.json").read_text())
    names = [f"house2_dev_{number}.jpg" for number in (1, 2, 3)]
    shoot = Shoot(
        (load_target(rendered_photos / "panel.json"),),
        tuple(ShootPhoto(name, rendered_photos / name, {}) for name in names),
    )
    views = tied_views(look_at_all(shoot).ready)
    assert set(views) == set(names)
    ends = {name: {e: tuple(truth["per_photo"][name]["ends_px"][e]) for e in ("a", "b")} for name in names}
    found = predict_ends(views, {name: ends[name] for name in names[:2]}, names[2])
    for end in ("a", "b"):
        point = found[end]
        assert isinstance(point, PredictedPoint)
        off = point.px - ends[names[2]][end]
        # 99.99 % of chi-square with two degrees of freedom: one photo of many, and one lens.
        assert off @ np.linalg.solve(point.cov_px2, off) < 18.4


def test_photos_that_share_nothing_are_not_tied():
    assert tied_views([]) == {}
