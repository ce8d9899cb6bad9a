"""Layouts in whole marks of the tape: sums in integers, stations within half a mark, laps never too short."""

import random

import pytest

from calib.errors import PlanError
from vision.layout import equal_ends, longer_laps
from vision.options import KeepClear, Wishes, propose_layouts
from vision.plan import Plan
from vision.tape import on_tape, tape_mark

SIXTEENTH_MM = 25.4 / 16
INCH_PLAN = Plan()
METRIC_PLAN = Plan(piece_mm=3000.0, lap_min_mm=150.0, gable_allowance_mm=30.0)
MIXED_PLAN = Plan(piece_mm=3000.0, lap_min_mm=152.4)
ODD_PLAN = Plan(piece_mm=1000.0 * 3.0**0.5, lap_min_mm=100.0)


@pytest.mark.parametrize(
    ("plan", "mark_mm"),
    [(INCH_PLAN, SIXTEENTH_MM), (METRIC_PLAN, 1.0), (MIXED_PLAN, 0.1), (ODD_PLAN, 1e-6)],
)
def test_tape_mark_is_the_coarsest_that_holds_the_plan(plan, mark_mm):
    assert tape_mark(plan) == pytest.approx(mark_mm, abs=1e-12)


def test_tape_mark_of_sixteenths_and_millimetres_together_holds_both():
    plan = Plan(piece_mm=3000.0, lap_min_mm=5.875 * 25.4)
    assert tape_mark(plan) == pytest.approx(0.0125, abs=1e-12)


@pytest.mark.parametrize("plan", [INCH_PLAN, METRIC_PLAN, MIXED_PLAN, ODD_PLAN])
def test_rounded_layouts_add_up_in_whole_marks(plan):
    rng, mark_mm = random.Random(13), tape_mark(plan)
    for _ in range(300):
        ridge_mm = rng.uniform(600.0, 60_000.0)
        wishes = Wishes(
            edges_face=rng.choice("AB"), keep_clear=(KeepClear("chimney", rng.uniform(0, ridge_mm), 300.0),)
        )
        for option in propose_layouts(plan, ridge_mm, wishes):
            if option.layout is None:
                continue
            tape = on_tape(option.layout, mark_mm)
            assert sum(tape.pieces) - sum(tape.laps) == tape.ridge + 2 * tape.gable_allowance
            assert all(lap * mark_mm >= plan.lap_min_mm - 1e-6 for lap in tape.laps)
            assert all(piece * mark_mm <= plan.piece_mm + 1e-6 for piece in tape.pieces)
            for marks, exact_mm in zip(tape.lap_stations, option.layout.lap_stations_mm, strict=True):
                # Half a mark, and the dust that lets an exact half go up.
                assert abs(marks * mark_mm - exact_mm) <= mark_mm * 0.5 + 2e-6


def test_full_pieces_stay_full_after_rounding():
    tape = on_tape(equal_ends(INCH_PLAN, 45_678.9), SIXTEENTH_MM)
    assert set(tape.pieces[1:-1]) == {1920}
    assert abs(tape.pieces[0] - tape.pieces[-1]) <= 1


def test_hand_worked_ridge_in_sixteenths_is_exact():
    # 82 in = 1312/16, 75 in = 1200/16: the layout worked by hand in test_layout.
    tape = on_tape(equal_ends(INCH_PLAN, 32 * 304.8), SIXTEENTH_MM)
    assert tape.pieces == (1312, 1920, 1920, 1312)
    assert tape.lap_stations == (1200, 3024, 4848)


@pytest.mark.parametrize("edges_face", ["A", "B"])
def test_longer_laps_share_the_sixteenths(edges_face):
    layout = longer_laps(INCH_PLAN, 11_531.0, edges_face)
    tape = on_tape(layout, SIXTEENTH_MM)
    assert set(tape.pieces) == {1920}
    assert max(tape.laps) - min(tape.laps) <= 1
    assert sum(tape.pieces) - sum(tape.laps) == tape.ridge + 2 * tape.gable_allowance


def test_mark_too_coarse_for_the_plan_is_refused():
    with pytest.raises(PlanError, match="do not lie on marks of 1 mm; choose a finer mark"):
        on_tape(equal_ends(INCH_PLAN, 9753.6), 1.0)
