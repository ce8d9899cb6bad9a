"""What is set out under a cap: lines with known places on the sheet, seen aslant, marked with known noise."""

import math

import numpy as np
import pytest

from calib.camera import Camera
from tests.vision.drawn_ridge import Ridge, draw, known_flange, stand
from vision.crosslines import find_cross_lines
from vision.flange import Border, Flange
from vision.marks import MarkedLine, Marks
from vision.plan import Plan
from vision.plane import View, rectify, to_px
from vision.rotation import from_vector
from vision.rules import judge_set_out
from vision.set_out import Length, NoLength, SetOut, measure_set_out

CAMERA = Camera(1200, 900, 1100.0, 1100.0, 602.3, 447.1, 0.03, -0.04, 3e-4, -2e-4)
Z_MM = 0.8
CARD_MM = np.array([[0.0, 0.0], [190.0, 0.0], [190.0, 130.0], [0.0, 130.0]])
# The ridge runs a little aslant of the card.
ALONG = np.array([math.cos(0.03), math.sin(0.03)])
ACROSS = np.array([-ALONG[1], ALONG[0]])


def _view() -> View:
    rotation = from_vector((math.radians(18.0), math.radians(-12.0), math.radians(6.0)))
    middle = np.array([200.0, 65.0, 0.0])
    return View(CAMERA, rotation, np.array([0.0, 0.0, 800.0]) - rotation @ middle, np.zeros((15, 15)))


def _flange(*, has_fold: bool = True, notes: tuple[str, ...] = ()) -> Flange:
    corners = [s * ALONG + o * ACROSS for s, o in ((-50, -25), (450, -25), (450, 165), (-50, 165))]
    fold = Border(np.array(corners[:2]), 0.3, 20.0) if has_fold else None
    return Flange(ALONG, 0.001, fold, Border(np.array(corners[2:]), 0.3, 20.0), np.array(corners), 0.9, notes)


def _line(
    first: tuple[float, float],
    second: tuple[float, float],
    rng: np.random.Generator | None = None,
    sigma_px: float = 1.0,
) -> MarkedLine:
    """Return the mark of a line between two (station, offset) points."""
    px = to_px(_view(), [s * ALONG + o * ACROSS for s, o in (first, second)], Z_MM)
    if rng is not None:
        px = px + rng.normal(0.0, sigma_px, px.shape)
    a, b = px.tolist()
    return MarkedLine((tuple(a), tuple(b)), sigma_px)


def _measure(marks: Marks, flange: Flange | None = None) -> SetOut:
    return measure_set_out(marks, (), _view(), flange or _flange(), z_mm=Z_MM, target_mm=CARD_MM)


def test_sealant_rows_are_measured_along_the_ridge_whatever_their_order():
    rows = tuple(_line((s, -20.0), (s, 150.0)) for s in (376.4, 223.2, 300.0))
    found = _measure(Marks(sealant=rows))
    assert found.sealant_rows == 3
    assert [gap.mm for gap in found.sealant_gaps] == pytest.approx([76.8, 76.4], abs=1e-3)


@pytest.mark.parametrize("what", ["sealant", "z_closure", "ridge and z_closure", "end and mark"])
def test_lengths_are_right_within_their_uncertainty(what):
    rng, errors, us = np.random.default_rng(3), [], []
    for _ in range(300):
        if what == "sealant":
            rows = tuple(_line((s, -20.0), (s, 150.0), rng) for s in (224.0, 300.0))
            (length,), true_mm = _measure(Marks(sealant=rows)).sealant_gaps, 76.0
        elif what == "end and mark":
            end, mark = (_line((s, -20.0), (s, 150.0), rng, 2.0) for s in (400.0, 240.0))
            length, true_mm = _measure(Marks(lower_end=end, witness=mark)).end_to_mark, 160.0
        else:
            ridge = _line((0.0, -25.0), (400.0, -25.0), rng) if "ridge" in what else None
            marks = Marks(z_closure=_line((20.0, 131.0), (380.0, 131.0), rng), ridge=ridge)
            length, true_mm = _measure(marks).z_closure_offset, 156.0
        assert isinstance(length, Length)
        errors.append(length.mm - true_mm)
        us.append(length.u_mm)
    # The uncertainty holds what is not drawn here (bead, bend, flatness): it is never less than the spread.
    spread = float(np.std(errors))
    assert spread <= np.mean(us) * 1.1
    assert abs(np.mean(errors)) < 4.0 * spread / math.sqrt(300)


def test_z_closure_without_a_fold_asks_for_the_ridge_line():
    marks = Marks(z_closure=_line((20.0, 131.0), (380.0, 131.0)))
    for flange in (
        _flange(has_fold=False),
        _flange(notes=("which border is the fold and which the hem is not clear",)),
    ):
        found = _measure(marks, flange).z_closure_offset
        assert isinstance(found, NoLength)
        assert "mark it too" in found.why


def test_lines_that_run_the_wrong_way_give_no_length():
    along, across = _line((20.0, 131.0), (380.0, 131.0)), _line((300.0, 0.0), (300.0, 120.0))
    wrong = _measure(Marks(sealant=(across, along), z_closure=across, lower_end=along))
    assert all(isinstance(gap, NoLength) for gap in wrong.sealant_gaps)
    assert isinstance(wrong.z_closure_offset, NoLength)
    assert isinstance(wrong.end_to_mark, NoLength)
    assert wrong.record() == {}


def test_lower_end_without_any_line_on_the_piece_gives_no_length():
    found = _measure(Marks(lower_end=_line((400.0, -20.0), (400.0, 150.0)))).end_to_mark
    assert isinstance(found, NoLength)
    assert "mark the line drawn on the lower piece too" in found.why


def test_line_drawn_on_an_open_lap_is_found_in_the_picture():
    # The lower piece ends 160 mm from the line drawn on it, and lies on what is below almost without a step.
    camera = Camera(720, 540, 1022.0, 1022.0, 363.1, 262.7, 0.031, -0.042, 4e-4, -3e-4)
    ridge = Ridge(card=False, edge_mm=400.0, lower=-1, rise_mm=0.02, mark_mm=240.0)
    view = stand((320.0, 75.0), 720.0, 14.0, 25.0, 3.0, camera)
    image, flange = draw(ridge, view, 51), known_flange(ridge, view)
    axes = np.array([flange.along, flange.across])
    places = flange.polygon_mm @ axes.T
    low, size = places.min(axis=0), np.ptp(places, axis=0)
    picture = rectify(
        image,
        view,
        z_mm=Z_MM,
        corner_mm=low @ axes,
        size_mm=(size[0], size[1]),
        mm_per_px=0.4,
        along=flange.along,
    )
    end = to_px(view, ridge.mm(np.array([400.0, 400.0]), np.array([10.0, 140.0])), Z_MM).tolist()
    found = measure_set_out(
        Marks(lower_end=MarkedLine((tuple(end[0]), tuple(end[1])))),
        find_cross_lines(image, picture, flange, ()),
        view,
        flange,
        z_mm=Z_MM,
        target_mm=CARD_MM,
    ).end_to_mark
    assert isinstance(found, Length)
    assert found.mm == pytest.approx(160.0, abs=3.0 * found.u_mm)
    assert found.u_mm < 1.0


def _verdicts(found: SetOut, plan: Plan) -> list[tuple[str, str, str]]:
    return [(v.rule, str(v.judgement.verdict), v.judgement.limit) for v in judge_set_out(found, plan)]


def test_set_out_is_held_against_the_plan():
    found = SetOut(2, (Length(76.0, 1.0),), Length(175.0, 1.0), Length(203.0, 0.5))
    # Plan: 3 in, 6 1/8 in, each within 1/2 in; a witness mark at 8 in within 1/8 in.
    assert _verdicts(found, Plan(witness_mm=203.2)) == [
        ("sealant row", "meets", "63.5 .. 88.9 mm"),
        ("sealant row count", "meets", ">= 2 rows of sealant"),
        ("z-closure offset", "does not meet", "142.9 .. 168.3 mm"),
        ("witness mark", "meets", "200.02 .. 206.38 mm"),
    ]


def test_line_drawn_without_a_witness_mark_in_the_plan_shows_the_lap_itself():
    assert _verdicts(SetOut(end_to_mark=Length(150.0, 0.5)), Plan()) == [
        ("lap length", "does not meet", ">= 152.4 mm")
    ]


def test_fewer_rows_of_sealant_than_wanted_are_not_held_against_the_work():
    # The person may have marked only some of them.
    assert _verdicts(SetOut(sealant_rows=1), Plan()) == [
        ("sealant row count", "cannot tell", ">= 2 rows of sealant")
    ]


def test_what_could_not_be_measured_cannot_be_told():
    found = SetOut(z_closure_offset=NoLength("the ridge line was not found"))
    assert [v.judgement.why for v in judge_set_out(found, Plan())] == ["the ridge line was not found"]


def test_nothing_marked_gives_no_verdict():
    assert judge_set_out(_measure(Marks()), Plan()) == []
