"""Layouts: the hand-worked ridge, the exact sum, never a stub, stations in both directions."""

import random

import pytest

from calib.errors import PlanError
from vision.layout import (
    all_alike,
    cap_length,
    equal_ends,
    layout_of,
    least_pieces,
    longer_laps,
    one_cut,
)
from vision.plan import Plan

INCH_MM = 25.4
FOOT_MM = 304.8


def test_equal_ends_32_ft_ridge_matches_the_layout_worked_by_hand():
    # 32 ft ridge, 10 ft pieces, 6 in laps, 1 in at each gable end, by hand in inches:
    #   the cap covers 384 + 2 x 1 = 386; a further piece adds 120 - 6 = 114;
    #   3 pieces reach 120 + 2 x 114 = 348 < 386, 4 reach 462, so 4 pieces and 3 laps;
    #   the pieces together measure 386 + 3 x 6 = 404; two full ones take 240, each end piece half of 164: 82;
    #   from gable end A, where the cap begins at -1, the second piece begins at -1 + 82 - 6 = 75, the next
    #   ones 114 further on, 189 and 303; and 303 + 82 = 385 = 384 + 1, the cap's end beyond gable end B.
    layout = equal_ends(Plan(), 32 * FOOT_MM)
    assert [piece / INCH_MM for piece in layout.pieces_mm] == pytest.approx([82, 120, 120, 82], abs=1e-9)
    assert [station / INCH_MM for station in layout.lap_stations_mm] == pytest.approx(
        [75, 189, 303], abs=1e-9
    )
    assert layout.ends_mm[-1] / INCH_MM == pytest.approx(385, abs=1e-9)


def test_exposed_edges_facing_b_are_the_other_ends_of_the_same_laps():
    # Same ridge by hand: facing B, the edges are the ends of pieces 1 to 3 at 75 + 6, 189 + 6, 303 + 6.
    layout = equal_ends(Plan(), 32 * FOOT_MM, "B")
    assert [station / INCH_MM for station in layout.lap_stations_mm] == pytest.approx(
        [81, 195, 309], abs=1e-9
    )


def test_runs_by_hand_lie_between_the_laps():
    layout = equal_ends(Plan(), 32 * FOOT_MM)
    borders = [station / INCH_MM for run in layout.runs_mm for station in run]
    assert borders == pytest.approx([0, 75, 81, 189, 195, 303, 309, 384], abs=1e-9)


@pytest.mark.parametrize(
    ("ridge_mm", "pieces"), [(600.0, 1), (2997.2, 1), (2997.3, 2), (5892.8, 2), (5892.9, 3)]
)
def test_least_pieces_changes_exactly_where_the_pieces_run_out(ridge_mm, pieces):
    # By hand: one piece covers 3048 - 50.8 = 2997.2 mm of ridge, two cover 2895.6 mm more.
    assert least_pieces(Plan(), ridge_mm) == pieces


def test_layouts_of_random_plans_add_up_and_leave_no_stub():
    rng = random.Random(7)
    for _ in range(3000):
        lap_mm = rng.uniform(50.0, 400.0)
        plan = Plan(
            piece_mm=rng.uniform(2.2, 20.0) * lap_mm,
            lap_min_mm=lap_mm,
            gable_allowance_mm=rng.uniform(0.0, 80.0),
            rivet_spacing_mm=300.0,
        )
        ridge_mm = rng.uniform(0.3, 40.0) * plan.piece_mm
        edges_face = rng.choice("AB")
        for layout in (equal_ends(plan, ridge_mm, edges_face), all_alike(plan, ridge_mm, edges_face)):
            cover_mm = sum(layout.pieces_mm) - layout.joints * layout.lap_mm
            # Nine decimals are kept, so the sum of n pieces is right to n x 0.5e-9 and floating-point dust.
            assert cover_mm == pytest.approx(ridge_mm + 2 * plan.gable_allowance_mm, abs=1e-7)
            assert max(layout.pieces_mm) <= plan.piece_mm + 1e-6
            # With the fewest pieces, one less cannot reach; so an end piece is longer than (piece + lap) / 2.
            assert layout.joints == 0 or min(layout.pieces_mm) > (plan.piece_mm + lap_mm) / 2 - 1e-6


def test_equal_ends_puts_full_pieces_between_two_equal_ones():
    layout = equal_ends(Plan(), 20_000.0)
    assert set(layout.pieces_mm[1:-1]) == {3048.0}
    assert layout.pieces_mm[0] == layout.pieces_mm[-1] < 3048.0


def test_longer_laps_use_full_pieces_only():
    layout = longer_laps(Plan(), 32 * FOOT_MM)
    assert layout is not None
    assert layout.cut_pieces == ()
    # By hand: 4 full pieces measure 480 in, the cap 386 in, so three laps share 94 in.
    assert layout.lap_mm / INCH_MM == pytest.approx(94 / 3, abs=1e-9)


def test_one_cut_lays_the_short_piece_last():
    # By hand: 404 - 3 x 120 = 44 in.
    from_a, from_b = one_cut(Plan(), 32 * FOOT_MM, "A"), one_cut(Plan(), 32 * FOOT_MM, "B")
    assert from_a is not None
    assert from_b is not None
    assert from_a.pieces_mm[-1] / INCH_MM == pytest.approx(44, abs=1e-9)
    assert from_b.pieces_mm == from_a.pieces_mm[::-1]
    assert (from_a.cut_pieces, from_b.cut_pieces) == ((3,), (0,))


@pytest.mark.parametrize("ridge_mm", [0.0, -5.0, float("nan"), float("inf")])
def test_ridge_that_is_no_length_is_refused(ridge_mm):
    with pytest.raises(PlanError, match="a ridge must be longer than 0 mm"):
        cap_length(Plan(), ridge_mm)


def test_pieces_that_do_not_cover_the_ridge_are_refused():
    with pytest.raises(PlanError, match="do not cover a ridge of 5000 mm"):
        layout_of(Plan(), 5000.0, [3048.0, 2000.0], "A")
