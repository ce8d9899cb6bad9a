"""Scale check: printed lengths follow the tape, and sigma carries its doubt into every length in full."""

import math

import numpy as np
import pytest

from calib.errors import TargetError
from calib.scale_check import (
    OTHER_AXIS_U_SCALE,
    RULE_READING_U_MM,
    UNCHECKED_U_SCALE,
    BarCheck,
    scaled_target,
    unchecked_target,
    with_scale_doubt,
)
from calib.targets import built_in_names, built_in_target


def fitted_u_scale(target):
    """Return the standard uncertainty of a size fitted to all corners, by the matrix of the fit.

    Unknowns: scale, turn, two shifts; 2-D similarity transformation, linearised at the identity.
    """
    x, y = target.corners_mm().T
    zeros, ones = np.zeros_like(x), np.ones_like(x)
    rows = np.concatenate([np.stack([x, -y, ones, zeros], 1), np.stack([y, x, zeros, ones], 1)])
    return target.sigma_mm * math.sqrt(np.linalg.inv(rows.T @ rows)[0, 0])


def test_scaled_by_two_bars_takes_their_mean():
    target = scaled_target(built_in_target("card"), BarCheck(250.0, 248.0, 0.2), BarCheck(200.0, 199.2, 0.2))
    # 0.992 and 0.996, mean 0.994.
    assert target.tag(3).size_mm == pytest.approx(45.0 * 0.994)
    assert target.tag(3).center_mm == pytest.approx((155.0 * 0.994, 97.0 * 0.994))
    assert target.outline_mm == pytest.approx((190.0 * 0.994, 130.0 * 0.994))


def test_scaled_keeps_names_ids_turns_and_thickness():
    card = built_in_target("card")
    target = scaled_target(card, BarCheck(250.0, 249.0, 0.2))
    assert (target.name, target.ids, target.thickness_mm) == (card.name, card.ids, card.thickness_mm)
    assert [tag.turn_deg for tag in target.tags] == [tag.turn_deg for tag in card.tags]


@pytest.mark.parametrize("name", built_in_names())
@pytest.mark.parametrize("u_scale", [2e-4, 1e-3, 3e-3])
def test_sigma_carries_the_whole_doubt_of_the_scale(name, u_scale):
    # What remains after the print's own sigma is taken out must be the scale's doubt, exactly: the closed
    # form of the module against the normal equations above.
    plain = built_in_target(name)
    doubtful = with_scale_doubt(plain, u_scale)
    assert fitted_u_scale(doubtful) ** 2 - fitted_u_scale(plain) ** 2 == pytest.approx(u_scale**2, rel=1e-9)


def test_sigma_from_two_bars_joins_reading_and_stretch():
    card = built_in_target("card")
    target = scaled_target(card, BarCheck(250.0, 249.0, 0.25), BarCheck(200.0, 200.0, 0.25))
    # Readings 0.001 and 0.00125, correlated: mean 0.001125; scales 0.996 and 1.000: 0.002 each way.
    assert target.sigma_mm == pytest.approx(with_scale_doubt(card, math.hypot(0.001125, 0.002)).sigma_mm)


def test_sigma_from_one_bar_allows_for_the_other_direction():
    card = built_in_target("card")
    target = scaled_target(card, BarCheck(250.0, 250.0, 0.25))
    expected = with_scale_doubt(card, math.hypot(0.001, OTHER_AXIS_U_SCALE))
    assert target.sigma_mm == pytest.approx(expected.sigma_mm)


def test_unchecked_print_is_less_certain_than_a_checked_one():
    card = built_in_target("card")
    checked = scaled_target(card, BarCheck(250.0, 250.0), BarCheck(190.0, 190.0))
    assert card.sigma_mm < checked.sigma_mm < unchecked_target(card).sigma_mm
    assert unchecked_target(card).tags == card.tags
    assert UNCHECKED_U_SCALE > RULE_READING_U_MM / 190.0


def test_lengths_taken_with_a_checked_print_hold_the_truth_in_95_percent():
    # Seeded simulation of what happens: a printer with unequal scales prints, a rule reads both bars with
    # one common error, the corners scatter, and a length is measured along x by the scale fitted to all
    # corners.
    rng = np.random.default_rng(20250701)
    card = built_in_target("card")
    draws, u_reading_mm, length_mm = 2000, 0.25, 304.8
    nominal = card.corners_mm()
    inside = 0
    for _ in range(draws):
        true_scale = rng.normal(1.0, 0.003) + rng.normal(0.0, 0.001, 2)
        error_mm = rng.normal(0.0, u_reading_mm)
        checks = [
            BarCheck(bar_mm, bar_mm * scale + error_mm, u_reading_mm)
            for bar_mm, scale in zip((250.0, 190.0), true_scale, strict=True)
        ]
        target = scaled_target(card, *checks)
        printed = nominal * true_scale + rng.normal(0.0, card.sigma_mm, nominal.shape)
        model = target.corners_mm() - target.corners_mm().mean(axis=0)
        fitted = float(np.sum(model * (printed - printed.mean(axis=0))) / np.sum(model**2))
        u_mm = length_mm * fitted_u_scale(target)
        inside += abs(length_mm / fitted - length_mm) <= 1.96 * u_mm
    # Binomial: 0.95 - 3 sqrt(0.95 x 0.05 / 2000) = 0.935 at least; more is expected, since the stretch is
    # counted as a standard uncertainty although its size is known.
    assert inside / draws >= 0.935


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0.0, 100.0, 0.1), "bar's lengths must be > 0 mm"),
        ((250.0, -1.0, 0.1), "bar's lengths must be > 0 mm, got -1 mm for 250 mm"),
        ((250.0, math.nan, 0.1), "bar's lengths must be > 0 mm"),
        ((250.0, 249.0, 0.0), "doubt of a bar's measured length must be > 0 mm"),
        ((250.0, 9.84, 0.1), "the 250 mm bar was measured as 9.84 mm, more than 10% off; check the unit"),
        ((250.0, 276.0, 0.1), "more than 10% off"),
    ],
)
def test_bar_that_cannot_be_is_refused(arguments, message):
    with pytest.raises(TargetError, match=message):
        BarCheck(*arguments)


def test_print_stretched_by_more_than_one_percent_is_refused():
    card = built_in_target("card")
    assert scaled_target(card, BarCheck(250.0, 250.0), BarCheck(200.0, 198.1)).sigma_mm > 1.0
    with pytest.raises(
        TargetError, match=r"100\.00% of its size one way and 98\.95% the other: its tags are not"
    ):
        scaled_target(card, BarCheck(250.0, 250.0), BarCheck(200.0, 197.9))


def test_rule_reading_is_half_a_division_rectangular():
    # JCGM 100:2008, 4.3.7: a rectangular distribution of half-width a has u = a / sqrt(3); 0.5 mm gives
    # 0.29 mm.
    assert round(RULE_READING_U_MM, 2) == 0.29
