"""Slopes against the framing square's table and trigonometry."""

import pytest

from calib.errors import PlanError
from vision.slope import hip_factor, hip_length, slope_factor


# Framing-square table, length of common rafters per foot of run (Army engineer text): 13 in 12: 17.69 in,
# 16 in 12: 20.00 in. The slope factors to four digits are trigonometry, as in the project's reference list.
@pytest.mark.parametrize(("rise", "inches"), [(13, 17.69), (16, 20.00)])
def test_published_rafter_length_per_foot_of_run(rise, inches):
    assert round(12 * slope_factor(rise), 2) == inches


@pytest.mark.parametrize(
    ("rise", "factor"),
    [
        (3, 1.0308),
        (4, 1.0541),
        (5, 1.0833),
        (6, 1.1180),
        (8, 1.2019),
        (9, 1.2500),
        (10, 1.3017),
        (12, 1.4142),
    ],
)
def test_published_slope_factors(rise, factor):
    assert round(slope_factor(rise), 4) == factor


# Framing-square table, length of hip or valley per foot of common run.
@pytest.mark.parametrize(("rise", "inches"), [(4, 17.44), (6, 18.00), (8, 18.76), (12, 20.78)])
def test_published_hip_length_per_foot_of_run(rise, inches):
    assert round(12 * hip_factor(rise), 2) == inches


def test_hip_length_by_hand_of_a_12_ft_run_at_6_in_12_is_18_ft():
    assert hip_length(12 * 304.8, 6) / 304.8 == pytest.approx(18.0, abs=1e-12)


@pytest.mark.parametrize("rise", [-1.0, float("nan"), float("inf")])
def test_pitch_that_is_none_is_refused(rise):
    with pytest.raises(PlanError, match="a pitch is a rise of 0 or more in 12"):
        slope_factor(rise)


def test_hip_without_a_run_is_refused():
    with pytest.raises(PlanError, match="the common run of a hip must be longer than 0 mm, got 0"):
        hip_length(0.0, 6)
