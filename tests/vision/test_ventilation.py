"""Attic air by IRC R806.2: areas by edition, the conditions for 1/300, the ridge's own share."""

import pytest

from calib.errors import PlanError
from vision.layout import equal_ends
from vision.plan import Plan
from vision.ventilation import Attic, Met, check_ventilation, format_area, upper_share_limits

FT2, IN2 = 304.8**2, 25.4**2
FLOOR_MM2 = 1500.0 * FT2


def ridge_giving(area_mm2: float):
    """Return a ridge of one piece and a rating that together give an area."""
    layout = equal_ends(Plan(), 2000.0)
    return layout, area_mm2 / 2.0


def check(upper_in2: float, **attic):
    layout, rating = ridge_giving(upper_in2 * IN2)
    return check_ventilation([layout], Attic(FLOOR_MM2, rating, end_loss_mm=0.0, **attic))


# IRC R806.2: at least 1/150 of the vented space; 1500 ft2: 10 ft2 = 1440 in2.
def test_published_1_150_of_1500_square_feet():
    air = check(100.0)
    assert air.ratio == 150
    assert (round(air.required_mm2 / FT2, 9), round(air.required_mm2 / IN2, 6)) == (10.0, 1440.0)


# IRC R806.2 exception, 2012 and later: 1/300, 5 ft2 = 720 in2, of which 40 to 50 % up high: 288 to 360 in2.
@pytest.mark.parametrize(("upper_in2", "ratio"), [(287.0, 150), (288.0, 300), (360.0, 300), (361.0, 150)])
def test_published_1_300_needs_288_to_360_square_inches_up_high(upper_in2, ratio):
    air = check(upper_in2, edition=2012, intake_mm2=432.0 * IN2)
    assert air.ratio == ratio
    assert round(air.required_mm2 / IN2, 6) == {150: 1440.0, 300: 720.0}[ratio]


# 2000s editions: 50 to 80 % up high, 360 to 576 in2.
@pytest.mark.parametrize(("upper_in2", "ratio"), [(350.0, 150), (360.0, 300), (576.0, 300), (580.0, 150)])
def test_published_2000s_editions_want_more_up_high(upper_in2, ratio):
    assert check(upper_in2, edition=2006, intake_mm2=400.0 * IN2).ratio == ratio
    assert upper_share_limits(2009) == (0.50, 0.80)


def test_edition_2012_takes_either_condition_and_2015_takes_both():
    # Balanced vents in zone 7 without a vapor retarder: enough in 2012, not from 2015 on.
    cold = {"climate_zone": 7, "vapor_retarder": False, "intake_mm2": 400.0 * IN2}
    assert check(330.0, edition=2012, **cold).ratio == 300
    assert check(330.0, edition=2015, **cold).ratio == 150
    # With the retarder but unbalanced: enough in 2012, not from 2015 on.
    unbalanced = {"climate_zone": 7, "vapor_retarder": True}
    assert check(100.0, edition=2012, **unbalanced).ratio == 300
    assert check(100.0, edition=2015, **unbalanced).ratio == 150


def test_vapor_retarder_is_not_asked_for_in_warm_zones():
    air = check(330.0, edition=2021, climate_zone=3, intake_mm2=400.0 * IN2)
    assert air.ratio == 300
    assert [condition.met for condition in air.conditions] == [Met.YES, Met.YES]
    # One of the two suffices in 2012, so a condition for cold zones cannot be the one that is met in zone 3.
    assert check(100.0, edition=2012, climate_zone=3, vapor_retarder=True).ratio == 150


def test_unknown_answers_are_not_taken_for_yes():
    assert check(330.0, climate_zone=3).ratio == 150  # intake not given
    air = check(330.0, intake_mm2=400.0 * IN2)  # zone not given
    assert air.ratio == 150
    assert air.conditions[0].met is Met.UNKNOWN
    assert "climate zone not given" in air.conditions[0].text


def test_too_little_intake_fails_the_balance():
    assert check(330.0, climate_zone=3, intake_mm2=389.0 * IN2).ratio == 150
    assert check(330.0, climate_zone=3, intake_mm2=390.0 * IN2).ratio == 300


def test_ridge_share_by_hand_loses_laps_and_ends():
    # By hand: 32 ft less 2 x 12 in and three laps of 6 in: 384 - 24 - 18 = 342 in; 18 in2/ft: 513 in2.
    layout = equal_ends(Plan(), 32 * 304.8)
    air = check_ventilation([layout], Attic(FLOOR_MM2, 18.0 * IN2 / 0.3048))
    assert round(air.vented_mm / 25.4, 6) == 342.0
    assert round(air.provided_mm2 / IN2, 6) == 513.0
    assert round(air.intake_needed_mm2 / IN2, 6) == 1440.0 - 513.0


def test_format_area_by_units():
    assert (format_area(720 * IN2, "imperial"), format_area(72_000.0, "metric")) == ("720 in²", "720 cm²")


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"floor_mm2": 0.0}, "floor area and the vent's rating must both be more than 0"),
        ({"edition": 1999}, "no IRC edition 1999 here; choose one of 2000"),
        ({"climate_zone": 9}, "climate zones run from 1 to 8, got 9"),
        ({"intake_mm2": -1.0}, "cannot be negative"),
    ],
)
def test_attic_out_of_range_is_refused(given, message):
    with pytest.raises(PlanError, match=message):
        Attic(**({"floor_mm2": FLOOR_MM2, "strip_mm2_per_m": 1000.0} | given))
