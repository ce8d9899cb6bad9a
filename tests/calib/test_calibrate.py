"""Calibration as a whole: which photos are dropped and why, what deviations it states, when it refuses."""

import numpy as np
import pytest

from calib.calibrate import Calibration, NotCalibrated, calibrate
from calib.chart import ChartView, NoChart
from tests.calib.charts import BOARD, LENS, shoot_board


def _calibrated(charts) -> Calibration:
    found = calibrate(charts, 2400, 1800)
    assert isinstance(found, Calibration), found
    return found


def test_photo_that_does_not_fit_is_dropped_with_its_reason():
    charts = dict(shoot_board(2))
    # Another board was held up in one photo, or the same one when it was wet: it bends by 6 mm.
    charts["c04.jpg"] = shoot_board(50, count=1, bend_mm=6.0)["c00.jpg"]
    found = _calibrated(charts)
    assert not found.photos["c04.jpg"].is_used
    assert "does not fit" in found.photos["c04.jpg"].why
    assert [name for name, photo in found.photos.items() if not photo.is_used] == ["c04.jpg"]


def test_photo_without_a_chart_keeps_its_reason_and_its_place():
    charts = {"z.jpg": NoChart("no board"), **shoot_board(2)}
    found = _calibrated(charts)
    assert list(found.photos) == list(charts)
    assert (found.photos["z.jpg"].is_used, found.photos["z.jpg"].why) == (False, "no board")


def test_result_does_not_depend_on_the_order_of_the_photos():
    charts = shoot_board(2)
    one, other = (_calibrated(dict(each)).camera for each in (charts.items(), reversed(charts.items())))
    np.testing.assert_array_equal(one.parameters, other.parameters)


def test_stated_deviations_hold_the_true_lens_whatever_is_wrong_with_the_charts():
    # Three of four standard deviations, over every kind of trouble: 6 calibrations of 8 parameters each.
    for seed, trouble in enumerate(
        ({}, {"bend_mm": 1.5}, {"breathing": 0.004}, {"breathing": 0.008}, {"sigma_px": 0.3}, {"count": 6})
    ):
        found = _calibrated(shoot_board(seed + 20, **trouble))
        sigma = np.sqrt(np.diag(found.camera.cov))[:8]
        assert np.all(np.abs(found.camera.parameters - LENS.parameters)[:8] < 4.0 * sigma), trouble


def test_flat_board_of_a_steady_lens_is_taken_as_such():
    found = _calibrated(shoot_board(2))
    assert (found.sag_mm, found.u_breathing, found.camera.k3) == (0.0, 0.0, 0.0)


def test_focal_length_of_the_next_shoot_is_uncertain_by_a_thousandth_at_least():
    found = _calibrated(shoot_board(2, sigma_px=0.001))
    assert np.sqrt(found.camera.cov[0, 0]) / found.camera.fx == pytest.approx(0.001, rel=0.01)


def test_breathing_lens_says_so_in_its_focal_length():
    found = _calibrated(shoot_board(4, count=20, breathing=0.008))
    assert 0.004 <= found.u_breathing <= 0.008
    assert np.sqrt(found.camera.cov[0, 0]) / found.camera.fx > 0.004


def test_three_photos_are_too_few():
    found = calibrate({"a.jpg": NoChart("no board"), **shoot_board(2, count=3)}, 2400, 1800)
    assert isinstance(found, NotCalibrated)
    assert found.why.startswith("3 of 4 photos can be used, at least 4 are needed")
    assert found.record()["photos"] == [{"photo": "a.jpg", "used": False, "rms_px": None, "why": "no board"}]


def test_charts_seen_squarely_only_are_refused_with_what_to_do():
    corners = BOARD.corners_mm()
    rng = np.random.default_rng(1)
    charts = {}
    for step in range(6):
        px = corners * 4.0 + (100.0 + 50.0 * step, 200.0) + rng.normal(0.0, 0.1, corners.shape)
        charts[f"{step}.jpg"] = ChartView(corners, px, 0.01 * np.eye(2 * len(px)), np.zeros_like(px))
    found = calibrate(charts, 2400, 1800)
    assert isinstance(found, NotCalibrated)
    assert "tilt the chart" in found.why
