"""The least-squares fit of a lens: against OpenCV, published results on real photos, simulated lenses."""

import cv2
import numpy as np
import pytest

from calib.chart import Board, ChartView, find_chessboard
from calib.errors import GeometryError
from calib.lens_fit import LensModel, fit_lens
from tests.calib.charts import BOARD, LENS, shoot_board

WITH_K3 = LensModel(has_k3=True)


@pytest.fixture(scope="module")
def real_views(open_data) -> list[ChartView]:
    """The thirteen real photos of a chessboard, 640 x 480 px."""
    views = []
    for path in sorted((open_data / "chessboard").glob("left*.jpg")):
        view = find_chessboard(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), Board(9, 6, 25.0))
        assert isinstance(view, ChartView), path
        views.append(view)
    assert len(views) == 13
    return views


def test_fit_of_the_real_photos_gives_the_published_lens(real_views):
    # references.md section 3, "OpenCV chessboard, left01..14", with its formal deviations; tolerance 3 sigma
    # as that table says, for its corners were refined with another window.
    published = [532.83, 532.95, 342.49, 233.86]
    sigma = np.array([0.44, 0.46, 0.46, 0.51])
    fit = fit_lens(real_views, 640, 480, WITH_K3)
    found = fit.camera.parameters
    assert np.all(np.abs(found[:4] - published) < 3.0 * sigma)
    # Distortion, within three of our own formal deviations: the table gives none.
    distortion = np.array([-0.2809, 0.0252, 0.00122, -0.00014, 0.1635])
    assert np.all(np.abs(found[4:] - distortion) < 3.0 * np.sqrt(np.diag(fit.camera.cov))[4:])
    # Formal deviations depend on the noise, which another window changes by a few percent.
    np.testing.assert_allclose(np.sqrt(np.diag(fit.camera.cov))[:4], sigma, rtol=0.05)
    assert np.sqrt(np.mean(fit.rms_px**2)) == pytest.approx(0.1954, rel=0.05)


def test_fit_agrees_with_opencv_on_the_same_corners(real_views):
    # cv2.calibrateCameraExtended of OpenCV 5.0, all five distortion coefficients, on these very corners.
    flat = [np.column_stack([view.mm, np.zeros(len(view.mm))]).astype(np.float32) for view in real_views]
    seen = [view.px.astype(np.float32).reshape(-1, 1, 2) for view in real_views]
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-12)
    rms, matrix, distortion, _, _, deviations, _, per_view = cv2.calibrateCameraExtended(
        flat, seen, (640, 480), None, None, criteria=stop
    )
    fit = fit_lens(real_views, 640, 480, WITH_K3)
    focal_and_centre = [matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2]]
    # Both are the minimum of one sum of squares; corners in single precision differ by 3e-5 px.
    np.testing.assert_allclose(fit.camera.parameters[:4], focal_and_centre, atol=2e-3)
    np.testing.assert_allclose(fit.camera.parameters[4:8], distortion.ravel()[:4], atol=2e-4)
    np.testing.assert_allclose(fit.rms_px, per_view.ravel(), atol=1e-4)
    assert np.sqrt(np.mean(fit.rms_px**2)) == pytest.approx(rms, abs=1e-4)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.camera.cov)), deviations.ravel()[:9], rtol=2e-3)


def test_formal_deviations_are_those_of_simulated_lenses():
    pulls, jackknifed = [], []
    for seed in range(40):
        fit = fit_lens(list(shoot_board(seed).values()), 2400, 1800, LensModel())
        off = (fit.camera.parameters - LENS.parameters)[:8]
        pulls.append(off / np.sqrt(np.diag(fit.camera.cov))[:8])
        jackknifed.append(off / np.sqrt(np.diag(fit.cov_jackknife))[:8])
    # 320 pulls, of which each fit's eight hang together: a standard deviation of 1 within 4 / sqrt(2 x 40).
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=4.0 / np.sqrt(80.0))
    assert 0.6 < np.sqrt(np.mean(np.square(jackknifed))) < 1.6


def test_bend_of_a_board_is_found_and_no_longer_moves_the_focal_length():
    views = list(shoot_board(3, bend_mm=1.0).values())
    flat = fit_lens(views, 2400, 1800, LensModel())
    bent = fit_lens(views, 2400, 1800, LensModel(has_bend=True))
    assert abs(flat.camera.fx - LENS.fx) > 10.0
    assert abs(bent.camera.fx - LENS.fx) < 4.0 * np.sqrt(bent.camera.cov[0, 0])
    # The board's corners rise by 1 mm from its middle to its short sides.
    assert bent.sag_mm == pytest.approx(1.0, abs=0.03)


def test_likelihood_prefers_the_breathing_that_is_there():
    views = list(shoot_board(1, count=20, breathing=0.006).values())
    deviance = {u: fit_lens(views, 2400, 1800, LensModel(u_breathing=u)).deviance for u in (0.0, 0.006, 0.05)}
    assert deviance[0.006] < min(deviance[0.0], deviance[0.05]) - 4.0


def test_fit_does_not_depend_on_the_order_of_the_photos():
    views = list(shoot_board(7).values())
    one, other = (fit_lens(each, 2400, 1800, WITH_K3).camera for each in (views, views[::-1]))
    np.testing.assert_allclose(one.parameters, other.parameters, rtol=1e-6)


def test_boards_that_all_face_the_camera_do_not_fix_the_lens():
    corners = BOARD.corners_mm()
    views = []
    for step in range(5):
        px = corners * 4.0 + (100.0 + 50.0 * step, 200.0)
        views.append(ChartView(corners, px, 0.01 * np.eye(2 * len(px)), np.zeros_like(px)))
    with pytest.raises(GeometryError, match="tilt the chart"):
        fit_lens(views, 2400, 1800, LensModel())
