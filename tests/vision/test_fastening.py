"""Rivets of a cap: stations of the runs, pattern of a lap, counts worked by hand, refusals."""

import itertools
import random

import pytest

from calib.errors import PlanError
from vision.fastening import (
    FasteningRules,
    count_rivets,
    lap_pattern,
    run_rivets,
    sealant_rows,
    vent_strip_rivets,
)
from vision.layout import equal_ends
from vision.plan import Plan

INCH_MM = 25.4
PLAN, RULES = Plan(), FasteningRules()
LAYOUT = equal_ends(PLAN, 32 * 304.8)


def test_run_rivets_of_the_32_ft_ridge_match_those_worked_by_hand():
    # By hand, in inches: run 1 from 0 to 75 keeps 2 free at each end: 71 holds 5 spaces of 12, 7 1/2 left at
    # each end. Run 2 from 81 to 189: 104 holds 8 spaces, (108 - 96) / 2 = 6 left at each end: 87 to 183.
    first, second, *_ = run_rivets(LAYOUT, PLAN, RULES)
    assert [station / INCH_MM for station in first] == pytest.approx([7.5, 19.5, 31.5, 43.5, 55.5, 67.5])
    assert (second[0] / INCH_MM, second[-1] / INCH_MM, len(second)) == (
        pytest.approx(87),
        pytest.approx(183),
        9,
    )


def test_rivet_count_of_the_32_ft_ridge_matches_the_one_worked_by_hand():
    # By hand: runs 2 x (6 + 9 + 9 + 6) = 60; three laps of 16; a strip of 384 in has 32 spaces, so 33, twice;
    # four at each gable end.
    count = count_rivets(LAYOUT, PLAN, RULES)
    assert (count.runs, count.laps, count.vent_strips, count.gables, count.total) == (60, 48, 66, 8, 182)


def test_run_rivets_are_one_spacing_apart_and_clear_of_the_laps():
    rng = random.Random(41)
    for _ in range(200):
        plan = Plan(rivet_spacing_mm=rng.uniform(60.0, 500.0), rivet_spacing_tolerance_mm=5.0)
        layout = equal_ends(plan, rng.uniform(500.0, 40_000.0), rng.choice("AB"))
        end_mm = min(RULES.run_end_mm, plan.rivet_spacing_mm / 2)
        for (low, high), row in zip(layout.runs_mm, run_rivets(layout, plan, RULES), strict=True):
            gaps = [after - before for before, after in itertools.pairwise(row)]
            assert gaps == pytest.approx([plan.rivet_spacing_mm] * len(gaps))
            assert end_mm - 1e-6 <= row[0] - low <= end_mm + plan.rivet_spacing_mm / 2 + 1e-6
            assert row[0] - low == pytest.approx(high - row[-1])


def test_run_too_short_for_a_rivet_has_none():
    layout = equal_ends(Plan(), 90.0)
    assert run_rivets(layout, Plan(), RULES) == ((),)


def test_vent_strip_has_a_rivet_at_each_end():
    # By hand: 10 ft is ten spaces of 12 in; an inch more needs an eleventh, shorter space.
    assert vent_strip_rivets(equal_ends(PLAN, 3048.0), PLAN) == 11
    assert vent_strip_rivets(equal_ends(PLAN, 3073.4), PLAN) == 12


def test_lap_pattern_by_hand_has_two_rows_of_four_on_the_sealant():
    # By hand: rows 3 in apart, centred in 6 in: 1 1/2 and 4 1/2; across 7 1/2 in, four in steps of 1 7/8.
    pattern = lap_pattern(LAYOUT, PLAN, RULES)
    assert [row / INCH_MM for row in pattern.sealant_mm] == pytest.approx([1.5, 4.5])
    across = [from_fold / INCH_MM for from_edge, from_fold in pattern.rivets_mm if from_edge < 50.0]
    assert across == pytest.approx([0.9375, 2.8125, 4.6875, 6.5625])
    assert len(pattern.rivets_mm) == 8


@pytest.mark.parametrize(("lap_mm", "rows"), [(152.4, 2), (150.0, 2), (100.0, 1), (230.0, 3)])
def test_sealant_rows_follow_the_lap(lap_mm, rows):
    assert sealant_rows(Plan(lap_min_mm=lap_mm)) == rows


def test_lap_with_few_rivets_fills_the_first_row_first():
    pattern = lap_pattern(LAYOUT, Plan(lap_rivets=6), RULES)
    assert [from_edge < 50.0 for from_edge, _ in pattern.rivets_mm] == [True, True, False]


def test_unvented_ridge_has_no_strip_rivets():
    assert count_rivets(LAYOUT, PLAN, FasteningRules(vent_strips=0)).vent_strips == 0


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"flange_mm": 0.0}, "flange .0.0 mm. and end distance .50.8 mm. must be lengths"),
        ({"run_end_mm": float("inf")}, "must be lengths"),
        ({"gable_rivets": -1}, "gable rivets .-1. and vent strips .2. cannot be negative"),
    ],
)
def test_rules_out_of_range_are_refused(given, message):
    with pytest.raises(PlanError, match=message):
        FasteningRules(**given)
