"""The camera model against OpenCV and pycolmap, its derivatives against numeric ones."""

import cv2
import numpy as np
import pycolmap
import pytest

from calib.camera import PARAMETERS, Camera, field_of_view_deg, project, project_with_jacobians, undistort
from calib.errors import GeometryError

CAMERA = Camera(2400, 1800, 1822.0, 1830.0, 1209.1, 888.7, 0.031, -0.042, 0.0004, -0.0003, 0.02)


@pytest.fixture
def points_mm() -> np.ndarray:
    rng = np.random.default_rng(7)
    return rng.uniform([-500.0, -350.0, 800.0], [500.0, 350.0, 1500.0], (40, 3))


def test_project_random_points_agrees_with_opencv(points_mm):
    # OpenCV 5.0: cv2.projectPoints(points, 0, 0, K, (k1, k2, p1, p2, k3)), the same pixel convention.
    K = np.array([[CAMERA.fx, 0.0, CAMERA.cx], [0.0, CAMERA.fy, CAMERA.cy], [0.0, 0.0, 1.0]])
    expected, _ = cv2.projectPoints(points_mm, np.zeros(3), np.zeros(3), K, CAMERA.parameters[4:9])
    assert project(CAMERA, points_mm) == pytest.approx(expected[:, 0], abs=1e-9)


def test_project_random_points_agrees_with_pycolmap(points_mm):
    # pycolmap 4: FULL_OPENCV has (fx, fy, cx, cy, k1, k2, p1, p2, k3 .. k6); (0, 0) is the picture's corner.
    camera = pycolmap.Camera(
        model="FULL_OPENCV",
        width=CAMERA.width,
        height=CAMERA.height,
        params=[
            CAMERA.fx,
            CAMERA.fy,
            CAMERA.cx + 0.5,
            CAMERA.cy + 0.5,
            *CAMERA.parameters[4:9],
            0.0,
            0.0,
            0.0,
        ],
    )
    expected = camera.img_from_cam(points_mm)
    assert project(CAMERA, points_mm) == pytest.approx(np.asarray(expected) - 0.5, abs=1e-9)


def test_undistort_projected_points_gives_them_back(points_mm):
    ideal = undistort(CAMERA, project(CAMERA, points_mm))
    assert ideal == pytest.approx(points_mm[:, :2] / points_mm[:, 2:], abs=1e-10)


def test_undistort_folded_lens_is_refused():
    folded = Camera(2400, 1800, 1822.0, 1822.0, 1199.5, 899.5, k1=-2.0)
    with pytest.raises(GeometryError, match="cannot be inverted"):
        undistort(folded, [[0.0, 0.0]])


def test_camera_without_focal_length_is_refused():
    with pytest.raises(GeometryError, match="focal length must be > 0"):
        Camera(10, 10, 0.0, 1.0, 5.0, 5.0)


def test_jacobian_by_point_agrees_with_central_differences(points_mm):
    step = 1e-4
    numeric = [
        (project(CAMERA, points_mm + step * axis) - project(CAMERA, points_mm - step * axis)) / (2.0 * step)
        for axis in np.eye(3)
    ]
    assert project_with_jacobians(CAMERA, points_mm).by_point == pytest.approx(np.stack(numeric, 2), abs=1e-7)


@pytest.mark.parametrize("index", range(9), ids=PARAMETERS)
def test_jacobian_by_parameter_agrees_with_central_differences(points_mm, index):
    step = np.zeros(9)
    step[index] = 1e-5 * max(1.0, abs(CAMERA.parameters[index]))
    ahead = project(CAMERA.with_parameters(CAMERA.parameters + step), points_mm)
    behind = project(CAMERA.with_parameters(CAMERA.parameters - step), points_mm)
    numeric = (ahead - behind) / (2.0 * step[index])
    analytic = project_with_jacobians(CAMERA, points_mm).by_parameters[:, :, index]
    # Central differences of values near 1e3 px carry rounding of 1e-12 / step, here up to 1e-6.
    assert analytic == pytest.approx(numeric, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turned_camera_sees_turned_points_in_the_turned_picture(points_mm, turns):
    picture = np.zeros((CAMERA.height, CAMERA.width), np.uint8)
    assert np.rot90(picture, -turns).shape == (CAMERA.turned(turns).height, CAMERA.turned(turns).width)
    px, turned_points = project(CAMERA, points_mm), points_mm.copy()
    height, width = picture.shape
    for _ in range(turns):
        px = np.column_stack([height - 1 - px[:, 1], px[:, 0]])
        height, width = width, height
        turned_points = turned_points[:, [1, 0, 2]] * (-1.0, 1.0, 1.0)
    assert project(CAMERA.turned(turns), turned_points) == pytest.approx(px, abs=1e-9)


def test_turned_four_times_gives_the_camera_back():
    assert CAMERA.turned(4).parameters == pytest.approx(CAMERA.parameters, abs=1e-12)


def test_field_of_view_of_a_35_mm_frame_at_50_mm():
    # 36 x 24 mm frame, 50 mm lens: 46.8 degrees over the diagonal, 2 atan(43.2666 / 100); closed form.
    camera = Camera(3600, 2400, 5000.0, 5000.0, 1799.5, 1199.5)
    assert field_of_view_deg(camera) == pytest.approx(46.793, abs=5e-4)
