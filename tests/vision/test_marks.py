"""Marks by hand: read, written, refused; rivets put right and lines brought onto the plane."""

import json
import math
from typing import Any

import numpy as np
import pytest

from calib.camera import Camera, project
from calib.errors import RecordError
from vision.marked import gap_between, line_across, mark_rivets, share_out
from vision.marks import (
    LEAST_SIGMA_PX,
    MarkedLine,
    MarkedMove,
    MarkedPoint,
    Marks,
    check_within,
    marks_from_record,
)
from vision.plane import View, to_mm, to_px
from vision.rivets import RivetSighting
from vision.rotation import from_vector

ALL: dict[str, Any] = {
    "add": [[10.5, 20.25], {"px": [30.0, 40.0], "sigma_px": 0.5}],
    "move": [{"from": [1.0, 2.0], "to": [3.0, 4.0]}],
    "remove": [[5.0, 6.0]],
    "edge": [[100.0, 10.0], [101.0, 200.0]],
    "witness": {"px": [[120.0, 10.0], [121.0, 200.0]], "sigma_px": 2.0},
    "lower_end": [[300.0, 10.0], [301.0, 200.0]],
    "sealant": [[[130.0, 10.0], [130.0, 200.0]], [[160.0, 10.0], [160.0, 200.0]]],
    "z_closure": [[10.0, 220.0], [600.0, 225.0]],
    "ridge": [[10.0, 20.0], [600.0, 25.0]],
}
HEAD_MM = 9.5
CAMERA = Camera(1200, 900, 1500.0, 1500.0, 602.3, 447.1, 0.03, -0.04, 3e-4, -2e-4)


def _view(cov: float = 0.0) -> View:
    """Return a camera 700 mm from the card's middle, 25 degrees aslant."""
    rotation = from_vector((math.radians(20.0), math.radians(-15.0), math.radians(8.0)))
    middle = np.array([95.0, 65.0, 0.0])
    return View(CAMERA, rotation, np.array([0.0, 0.0, 700.0]) - rotation @ middle, cov * np.eye(15))


def _heads(*mm: tuple[float, float]) -> list[RivetSighting]:
    return [RivetSighting(px, 0.04 * np.eye(2), 0.9, False) for px in to_px(_view(), mm)]


def _px(mm: tuple[float, float]) -> tuple[float, float]:
    x, y = to_px(_view(), [mm])[0].tolist()
    return x, y


def test_record_comes_back_as_it_was():
    marks = marks_from_record(ALL, "p.jpg")
    assert marks.record() == ALL
    assert marks_from_record(json.loads(json.dumps(marks.record())), "p.jpg") == marks
    assert marks


def test_nothing_marked_is_empty():
    nothing = marks_from_record({"edge": None, "add": [], "sealant": []}, "p.jpg")
    assert not nothing
    assert nothing.record() == {}


def test_point_without_its_own_uncertainty_has_that_of_a_click():
    assert marks_from_record({"add": [[1.0, 2.0]]}, "p").added[0].sigma_px == 1.0


@pytest.mark.parametrize(
    ("record", "words"),
    [
        ({"rivets": []}, "p.jpg: unknown key 'rivets'; allowed: add, move, remove"),
        ({"add": [[1.0, 2.0], [1.0]]}, r"p.jpg: add 2: a pair \[x, y\] was expected"),
        ({"add": {"px": [1, 2]}}, "p.jpg: add: a list was expected"),
        ({"add": [[0, 0]] * 401}, "add: 401 marks are more than a photo can need"),
        ({"add": [[math.nan, 2.0]]}, "add 1 x: a number was expected"),
        ({"add": [{"px": [1, 2], "sigma_px": 0.1}]}, "add 1: sigma_px: must be at least 0.35"),
        ({"add": [{"px": [1, 2], "u": 1}]}, "add 1: unknown key 'u'"),
        ({"move": [{"from": [1, 2]}]}, "move 1: missing key 'to'"),
        ({"edge": [[1, 2], [3, 4], [5, 6]]}, "edge: a line of two ends"),
        ({"edge": [[1, 2], [2, 3]]}, "edge: the line's ends must lie at least 4 px apart; mark it longer"),
        ({"sealant": [[[1, 2], [90, 3]], [[1, 2], [1, 2]]]}, "sealant 2: the line's ends"),
        ([], "p.jpg: an object"),
    ],
)
def test_record_that_is_no_mark_is_refused_by_its_place(record, words):
    with pytest.raises(RecordError, match=words):
        marks_from_record(record, "p.jpg")


def test_mark_outside_the_photo_is_refused():
    # Of a photo stored lying it is not known here whether it stands upright: 1200 is the longer side.
    marks = marks_from_record({"add": [[1199.0, 800.0]]}, "p.jpg")
    check_within(marks, 900, 1200, "p.jpg")
    with pytest.raises(RecordError, match=r"p.jpg: the mark at \(1199, 800\) px lies outside the photo"):
        check_within(marks, 900, 1199, "p.jpg")


def test_no_mark_is_surer_than_what_a_click_snaps_to():
    # vision/snap.py: an edge that was found stands for the one meant within 0.35 px.
    assert LEAST_SIGMA_PX == 0.35


def test_rivets_are_moved_removed_and_added():
    found = _heads((-200.0, 90.0), (100.0, 91.0), (400.0, 92.0))
    place, new = _px((103.0, 92.5)), _px((250.0, 90.0))
    marks = Marks(added=(MarkedPoint(new),), moved=(MarkedMove(_px((101.0, 90.0)), MarkedPoint(place)),))
    marks = Marks(added=marks.added, moved=marks.moved, removed=(_px((-203.0, 93.0)),))
    heads = mark_rivets(found, marks, _view(), z_mm=0.0, head_mm=HEAD_MM)
    assert [tuple(rivet.px) for rivet in heads.rivets] == [place, tuple(found[2].px), new]
    assert heads.by_hand == (True, False, True)
    assert heads.notes == ()


def test_mark_on_a_found_head_stands_in_its_place():
    found = _heads((100.0, 90.0), (400.0, 90.0))
    marks = Marks(added=(MarkedPoint(_px((102.0, 91.0))),))
    heads = mark_rivets(found, marks, _view(), z_mm=0.0, head_mm=HEAD_MM)
    assert heads.by_hand == (True, False)


def test_marked_head_is_as_uncertain_as_the_mark_and_a_tenth_of_its_lean():
    mark = MarkedPoint(_px((100.0, 90.0)), 0.8)
    (head,) = mark_rivets([], Marks(added=(mark,)), _view(), z_mm=0.0, head_mm=HEAD_MM).rivets
    small, large = np.sqrt(np.linalg.eigvalsh(head.cov_px2))
    assert small == pytest.approx(0.8)
    # A line of sight 25 degrees aslant, 2.1 px/mm foreshortened by its cosine: 0.95 mm x sin 25 x 2.1 = 0.85.
    assert large == pytest.approx(math.hypot(0.8, 0.85), rel=0.05)
    assert head.score == 1.0


def test_marks_that_mean_no_rivet_are_named():
    far = (_px((300.0, 300.0)), _px((320.0, 300.0)))
    marks = Marks(removed=far[:1], moved=(MarkedMove(far[0], MarkedPoint(far[1])),))
    heads = mark_rivets(_heads((100.0, 90.0)), marks, _view(), z_mm=0.0, head_mm=HEAD_MM)
    assert len(heads.rivets) == 2
    assert any("to be taken away" in note for note in heads.notes)
    assert any("to be moved" in note for note in heads.notes)


def test_line_across_the_ridge_lies_where_its_ends_lie():
    along = np.array([math.cos(0.02), math.sin(0.02)])
    across = np.array([-along[1], along[0]])
    ends = [300.0 * along + offset * across for offset in (10.0, 150.0)]
    (a, b) = (tuple(px) for px in to_px(_view(), ends).tolist())
    line = line_across(MarkedLine((a, b), 0.7), _view(), 0.0, along)
    assert line is not None
    assert (line.station_mm, line.offset_mm, line.slope) == pytest.approx((300.0, 80.0, 0.0), abs=1e-6)


def test_lines_uncertainty_is_the_spread_of_its_draws():
    rng, along = np.random.default_rng(5), np.array([1.0, 0.0])
    ends = to_px(_view(), [(300.0, 10.0), (302.0, 150.0)])
    first = line_across(MarkedLine(tuple(map(tuple, ends.tolist())), 0.7), _view(), 0.0, along)
    assert first is not None
    drawn = []
    for _ in range(800):
        noisy = (ends + rng.normal(0.0, 0.7, (2, 2))).tolist()
        line = line_across(MarkedLine((tuple(noisy[0]), tuple(noisy[1])), 0.7), _view(), 0.0, along)
        assert line is not None
        drawn.append((line.station_mm + line.slope * (first.offset_mm - line.offset_mm), line.slope))
    # The standard deviation of 800 draws is known to 2.5 %; 4 of these.
    assert np.std(drawn, axis=0) == pytest.approx([first.u_station_mm, first.u_slope], rel=0.1)


def test_line_along_the_ridge_is_no_line_across_it():
    ends = tuple(map(tuple, to_px(_view(), [(10.0, 80.0), (300.0, 82.0)]).tolist()))
    assert line_across(MarkedLine(ends), _view(), 0.0, np.array([1.0, 0.0])) is None


def test_line_above_the_horizon_lies_nowhere():
    view = View(
        CAMERA, from_vector((math.radians(80.0), 0.0, 0.0)), np.array([0.0, 0.0, 700.0]), np.zeros((15, 15))
    )
    assert line_across(MarkedLine(((100.0, 0.0), (110.0, 850.0))), view, 0.0, np.array([1.0, 0.0])) is None


def test_gap_is_right_and_as_uncertain_as_its_draws():
    rng, normal = np.random.default_rng(6), np.array([1.0, 0.0])
    mm = np.array([(100.0, 20.0), (101.0, 150.0), (176.0, 30.0), (177.0, 140.0)])
    px = to_px(_view(), mm)
    found = gap_between(_view(), 0.0, normal, (px[:2], 0.6), (px[2:], 0.9), 0.0)
    assert found is not None
    # Both slopes are 1 in 130 and 1 in 110: at offset 85 the lines are at 100.5 and 176.5.
    assert found[0] == pytest.approx(76.0, abs=1e-6)
    sigma = np.repeat([0.6, 0.9], 2)[:, None]
    drawn = []
    for _ in range(800):
        noisy = px + sigma * rng.normal(size=(4, 2))
        gap = gap_between(_view(), 0.0, normal, (noisy[:2], 0.6), (noisy[2:], 0.9), 0.0)
        assert gap is not None
        drawn.append(gap[0])
    assert np.std(drawn) == pytest.approx(found[1], rel=0.1)


def test_marks_go_to_the_flange_that_they_lie_on():
    left = np.array([(0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (0.0, 400.0)])
    right = left + np.array([600.0, 0.0])
    marks = Marks(
        added=(MarkedPoint((100.0, 100.0)), MarkedPoint((700.0, 100.0)), MarkedPoint((530.0, 10.0))),
        edge=MarkedLine(((300.0, 10.0), (300.0, 390.0))),
        sealant=(MarkedLine(((800.0, 10.0), (800.0, 390.0))),),
    )
    one, two = share_out(marks, [left, right])
    assert [mark.px[0] for mark in one.added] == [100.0, 530.0]
    assert [mark.px[0] for mark in two.added] == [700.0]
    assert (one.edge, two.edge) == (marks.edge, None)
    assert (one.sealant, two.sealant) == ((), marks.sealant)
    assert share_out(marks, [left]) == (marks,)


def test_view_of_these_tests_sees_the_card():
    middle = np.array([[95.0, 65.0, 0.0]])
    view = _view()
    assert project(CAMERA, view.to_camera(middle))[0] == pytest.approx([602.3, 447.1])
    assert to_mm(view, [(602.3, 447.1)]).mm[0] == pytest.approx([95.0, 65.0])
