"""Stock cutting against published optima, exhaustive search and first-fit-decreasing."""

import itertools
import math
import random

import pytest

from calib.errors import PlanError
from tests.measure_plan import first_fit_decreasing
from vision.stock import cut_stock, linear_bound


def orders(demand: dict[float, int]) -> list[float]:
    return [length for length, count in demand.items() for _ in range(count)]


# The standard trim-loss example of the cutting-stock literature (an encyclopedia's worked example; the orders
# checked against a public copy): master rolls 5600 mm wide. Optimum 73 rolls and waste 0.401 % from memory.
PAPER_ROLLS = {
    1380: 22, 1520: 25, 1560: 12, 1710: 14, 1820: 18, 1880: 18, 1930: 20,
    2000: 10, 2050: 12, 2100: 14, 2140: 16, 2150: 18, 2200: 20,
}  # fmt: skip

# V. Chvatal, Linear Programming (1983), chapter 13: raws 100 in wide. Orders seen in several public copies;
# linear optimum 452.25 and 453 whole raws from memory.
CHVATAL = {45: 97, 36: 610, 31: 395, 14: 211}

# Fourer, Gay, Kernighan, AMPL (2003), chapter 15, rolls of 110 in. Orders seen in the book's own example
# file; linear optimum 46.25 and 47 whole rolls from memory.
ROLL_TRIM = {20: 48, 45: 35, 50: 24, 55: 10, 75: 8}


def test_published_paper_roll_example_needs_73_rolls_and_wastes_0_401_percent():
    plan = cut_stock(orders(PAPER_ROLLS), 5600.0)
    assert (plan.count, plan.optimal) == (73, True)
    assert round(100.0 * plan.waste_mm / (plan.count * 5600.0), 3) == 0.401


def test_published_chvatal_example_has_its_linear_and_whole_optimum():
    assert round(linear_bound(orders(CHVATAL), 100.0), 2) == 452.25
    assert (cut_stock(orders(CHVATAL), 100.0).count, cut_stock(orders(CHVATAL), 100.0).optimal) == (453, True)


def test_published_roll_trim_example_has_its_linear_and_whole_optimum():
    assert round(linear_bound(orders(ROLL_TRIM), 110.0), 2) == 46.25
    assert cut_stock(orders(ROLL_TRIM), 110.0).count == 47


def test_triplets_fill_every_stock_piece_without_waste():
    # Falkenauer's triplet idea (Journal of Heuristics 2, 1996): stock pieces cut in three at random, none
    # shorter than a quarter, so the optimum is known by construction and no simple rule finds it.
    rng = random.Random(17)
    pieces = []
    for _ in range(14):
        first = rng.randrange(380, 490)
        second = rng.randrange((1000 - first) // 2, min(499, 1000 - first - 250))
        pieces += [first, second, 1000 - first - second]
    plan = cut_stock(pieces, 1000.0, time_limit_s=20.0)
    assert (plan.count, plan.waste_mm, plan.optimal) == (14, 0.0, True)
    assert first_fit_decreasing(pieces, 1000.0, 0.0) > 14


def partitions(items: list[int]):
    """Yield every way to put the items into unordered groups."""
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for groups in partitions(rest):
        yield [[first], *groups]
        for index, group in enumerate(groups):
            yield [*groups[:index], [first, *group], *groups[index + 1 :]]


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6, 7])
def test_few_pieces_are_cut_as_well_as_by_trying_everything(count):
    # One to four pieces: first-fit-decreasing alone is trusted there, so every case must agree.
    rng = random.Random(count)
    for _ in range(60):
        pieces, kerf = [rng.randint(1, 12) for _ in range(count)], rng.choice([0, 1])
        best = min(
            len(groups)
            for groups in partitions(pieces)
            if all(sum(group) + kerf * (len(group) - 1) <= 12 for group in groups)
        )
        plan = cut_stock(pieces, 12.0, kerf_mm=kerf)
        assert (plan.count, plan.optimal) == (best, True)


def test_all_pieces_come_out_once_and_fit_with_their_kerfs():
    rng = random.Random(23)
    for _ in range(40):
        pieces = [round(rng.uniform(300.0, 3048.0), 4) for _ in range(rng.randint(1, 30))]
        plan = cut_stock(pieces, 3048.0, kerf_mm=3.2, keep_mm=600.0)
        assert sorted(itertools.chain(*plan.cuts)) == pytest.approx(sorted(pieces))
        assert all(sum(cut) + 3.2 * (len(cut) - 1) <= 3048.0 + 1e-5 for cut in plan.cuts)
        assert plan.waste_mm == pytest.approx(plan.count * 3048.0 - sum(pieces), abs=1e-6)
        assert plan.bound >= math.ceil(sum(pieces) / 3048.0 - 1e-9)
        assert plan.count <= first_fit_decreasing(pieces, 3048.0, 3.2)


def test_hand_case_shows_first_fit_decreasing_beaten():
    # By hand, stock of 10: the rule puts 4 + 4, then 3 + 3 + 3, then 3; but 4 + 3 + 3 twice takes them all.
    pieces = [4.0, 4.0, 3.0, 3.0, 3.0, 3.0]
    assert first_fit_decreasing(pieces, 10.0, 0.0) == 3
    assert cut_stock(pieces, 10.0).count == 2


def test_kerf_can_cost_a_stock_piece():
    # By hand: 4 x 25 = 100 fits a stock of 100 only when the three cuts take nothing.
    assert cut_stock([25.0] * 4, 100.0).count == 1
    assert cut_stock([25.0] * 4, 100.0, kerf_mm=0.1).count == 2


def test_last_cut_may_run_off_the_end():
    # By hand: 50 + 49 and one kerf of 1 use 100; the piece of 49 is then finished.
    assert cut_stock([50.0, 49.0], 100.0, kerf_mm=1.0).count == 1


def test_offcuts_are_left_long_where_that_costs_nothing():
    # By hand: 60, 50, 30, 20, in 100: two stock pieces either way. 60+30 and 50+20 leave 10 and 30; 60+20 and
    # 50+30 leave 20 and 20; 60 alone and 50+30+20 leave 40 and 0: the best when 40 is worth keeping.
    plan = cut_stock([60.0, 50.0, 30.0, 20.0], 100.0, keep_mm=35.0)
    assert plan.count == 2
    assert plan.kept_mm == (40.0,)


def test_too_many_patterns_are_filled_as_well_as_can_be_and_proven_only_if_so():
    # Sixty different short pieces have millions of patterns; the volume of the pieces is then the bound.
    proven = 0
    for seed in range(29, 39):
        rng = random.Random(seed)
        pieces = [rng.uniform(350.0, 900.0) for _ in range(60)]
        plan = cut_stock(pieces, 3048.0, kerf_mm=3.0)
        assert sorted(itertools.chain(*plan.cuts)) == pytest.approx(sorted(pieces))
        assert math.ceil(sum(piece + 3.0 for piece in pieces) / 3051.0) == plan.bound <= plan.count
        assert plan.count <= first_fit_decreasing(pieces, 3048.0, 3.0)
        proven += plan.optimal
    assert proven >= 8


def test_linear_bound_of_too_many_patterns_is_refused():
    with pytest.raises(PlanError, match="more than 20000 ways to cut one stock piece"):
        linear_bound([350.0 + index for index in range(60)], 3048.0)


def test_search_without_time_says_that_nothing_is_proven():
    rng = random.Random(31)
    pieces = [round(rng.uniform(610.0, 1830.0), 1) for _ in range(40)]
    unhurried = cut_stock(pieces, 3048.0, time_limit_s=20.0)
    hurried = cut_stock(pieces, 3048.0, time_limit_s=0.0)
    assert hurried.bound <= unhurried.bound <= unhurried.count <= hurried.count


def test_nothing_to_cut_takes_no_stock():
    assert cut_stock([], 3048.0).count == 0


@pytest.mark.parametrize(
    ("pieces", "stock", "kerf", "message"),
    [
        (
            [3100.0],
            3048.0,
            0.0,
            "a piece of 3100 mm cannot be cut from stock of 3048 mm; ask for longer stock",
        ),
        ([0.0], 3048.0, 0.0, "a piece of 0 mm cannot be cut"),
        ([float("nan")], 3048.0, 0.0, "a piece of nan mm cannot be cut"),
        ([100.0], 0.0, 0.0, "both must be lengths"),
        ([100.0], 3048.0, -1.0, "both must be lengths"),
    ],
)
def test_lengths_that_cannot_be_cut_are_refused(pieces, stock, kerf, message):
    with pytest.raises(PlanError, match=message):
        cut_stock(pieces, stock, kerf_mm=kerf)
