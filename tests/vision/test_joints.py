"""The search for joints against an exhaustive one on a coarse whole-number cap."""

import itertools
import random

import pytest

from vision.joints import Rules, place_joints


def exhaustive(rules: Rules) -> tuple[int, int] | None:
    """Return (cuts, pieces) of the best arrangement of whole-number pieces, by trying all of them."""
    full, lap, cap = int(rules.full_mm), int(rules.lap_mm), int(rules.cap_mm)
    best = None

    def fill(start: int, pieces: int, cuts: int) -> None:
        nonlocal best
        if best is not None and (cuts, pieces) >= best:
            return
        is_first = start == 0
        left = cap - start
        least_last = rules.least_end_mm
        if left <= full and (left >= least_last or is_first):
            found = (cuts + (left < full), pieces + 1)
            best = found if best is None else min(best, found)
        least = rules.least_end_mm if is_first else rules.least_inner_mm
        for length in range(full, int(least) - 1, -1):
            joint = start + length - lap
            if joint + lap <= cap and all(
                joint + lap <= low or joint >= high for low, high in rules.keep_clear
            ):
                fill(joint, pieces + 1, cuts + (length < full))

    fill(0, 0, 0)
    return best


def is_allowed(rules: Rules, pieces: list[float]) -> bool:
    starts = list(itertools.accumulate((piece - rules.lap_mm for piece in pieces[:-1]), initial=0.0))
    clear = all(
        start + rules.lap_mm <= low + 1e-5 or start >= high - 1e-5
        for start in starts[1:]
        for low, high in rules.keep_clear
    )
    ends = len(pieces) == 1 or min(pieces[0], pieces[-1]) >= rules.least_end_mm - 1e-5
    inner = all(piece >= rules.least_inner_mm - 1e-5 for piece in pieces[1:-1])
    return clear and ends and inner and max(pieces) <= rules.full_mm + 1e-5


def test_place_joints_is_as_good_as_trying_everything():
    # Every bound is a whole number, so the search's intervals end on whole numbers, and an arrangement of
    # whole pieces is among the best ones: trying all of those is a fair judge.
    rng = random.Random(11)
    impossible = 0
    for _ in range(400):
        full, lap = rng.randint(7, 10), rng.randint(1, 2)
        inner = rng.randint(2 * lap + 1, 6)
        rules = Rules(
            cap_mm=rng.randint(8, 34),
            full_mm=full,
            lap_mm=lap,
            least_end_mm=rng.randint(lap + 1, 7),
            least_inner_mm=inner,
            keep_clear=tuple(
                (low, low + rng.randint(1, 6)) for low in rng.sample(range(30), rng.randint(0, 3))
            ),
        )
        pieces = place_joints(rules)
        expected = exhaustive(rules)
        if expected is None:
            assert pieces is None
            impossible += 1
            continue
        assert pieces is not None
        assert is_allowed(rules, pieces)
        assert sum(pieces) - (len(pieces) - 1) * lap == pytest.approx(rules.cap_mm, abs=1e-5)
        cuts = sum(piece < full - 1e-5 for piece in pieces)
        assert (cuts, len(pieces)) == expected
    assert 10 < impossible < 200  # both outcomes were tried often


def test_place_joints_where_nothing_fits_returns_none():
    assert place_joints(Rules(9000.0, 3000.0, 150.0, 600.0, 600.0, ((200.0, 8900.0),))) is None


def test_place_joints_keeps_full_pieces_first():
    # By hand: 30 = 3 x 12 - 2 x 2 - 2, so the last of three pieces is 12 - 2 = 10.
    assert place_joints(Rules(30.0, 12.0, 2.0, 4.0, 5.0)) == pytest.approx([12.0, 12.0, 10.0])
