"""Depths of a sheet that is not flat: the step beyond a lap's edge; intervals of whole simulated audits."""

import numpy as np
import pytest

from tests.measure_audit import simulate
from vision.flange import Flange
from vision.laps import LapSighting, NoLap, WhyNoLap
from vision.stepedge import RISE_MM
from vision.unevenness import sheet_depths

CARD_MM = np.array([[0.0, 0.0], [190.0, 0.0], [190.0, 130.0], [0.0, 130.0]])
# The ridge runs towards smaller x.
FLANGE = Flange(np.array([-1.0, 0.0]), 0.001, None, None, CARD_MM, 0.9, ())
POINTS_MM = np.array([[-200.0, 100.0], [95.0, 100.0], [290.0, 100.0], [400.0, 100.0]])


def _lap(upper_x: float) -> LapSighting:
    """Return a lap whose upper sheet ends at x = 300 mm and lies towards ``upper_x``."""
    edge = np.array([[300.0, -20.0], [300.0, 160.0]])
    return LapSighting(edge, edge, np.array([upper_x, 0.0]), None, None, None, None, None, None, (), 1.0, ())


def test_lower_sheet_lies_deeper_than_the_card_on_the_upper_one():
    depths = sheet_depths(POINTS_MM, FLANGE, CARD_MM, [_lap(-1.0)])
    assert depths.mm == pytest.approx([0.0, 0.0, 0.0, RISE_MM])


def test_upper_sheet_stands_higher_than_the_card_on_the_lower_one():
    depths = sheet_depths(POINTS_MM, FLANGE, CARD_MM, [_lap(1.0)])
    assert depths.mm == pytest.approx([0.0, 0.0, 0.0, -RISE_MM])


def test_doubt_grows_with_the_distance_from_the_card():
    u_mm = np.sqrt(np.diag(sheet_depths(POINTS_MM, FLANGE, CARD_MM).cov_mm2))
    assert u_mm[1] == pytest.approx(0.25)
    assert u_mm[1] < u_mm[2] < u_mm[0]
    # 305 mm from the card's middle: hypot of 0.25, 0.25 x 305 / 400 and 0.35 x (305 / 400)^2.
    assert u_mm[3] == pytest.approx(np.sqrt(0.25**2 + 0.1906**2 + 0.2035**2), abs=1e-3)


def test_lap_whose_edge_was_not_found_casts_doubt_on_both_sides():
    bare, doubted = (
        np.diag(sheet_depths(POINTS_MM, FLANGE, CARD_MM, laps).cov_mm2)
        for laps in ((), (NoLap(WhyNoLap.NO_EDGE),))
    )
    assert (doubted - bare > 0.4).tolist() == [True, False, True, True]


@pytest.mark.parametrize("has_profile", [True, False])
def test_intervals_of_simulated_audits_hold_the_truth(has_profile):
    tally = simulate(96, 7, has_profile=has_profile, near=False)
    for pairs in (tally.spacing, tally.lap):
        error, u = np.array(pairs).T
        # Photos of a job share lens and print, so that about a third of the values are news; four deviations.
        slack = 4.0 * np.sqrt(0.05 * 0.95 / (len(error) / 3.0))
        assert np.mean(np.abs(error) <= 1.96 * u) >= 0.95 - slack
        assert np.sqrt(np.mean((error / u) ** 2)) <= 1.2
    assert not tally.wrong_mm
