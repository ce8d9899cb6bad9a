"""The plane: round trips, derivatives, and its covariance against simulation."""

import cv2
import numpy as np
import pytest

from calib.camera import Camera
from calib.errors import GeometryError
from vision.plane import View, covariance_mm2, distance_mm, rectify, to_mm, to_px
from vision.rotation import from_vector

CAMERA = Camera(1600, 1200, 1250.0, 1255.0, 810.0, 590.0, 0.03, -0.04, 4e-4, -3e-4)
PX = np.array([[211.3, 402.7], [903.1, 655.2], [1402.6, 1011.9]])


@pytest.fixture
def view() -> View:
    root = np.diag([3.0, 3.0, 2.0, 2.0, 0.01, 0.01, 1e-4, 1e-4, 1e-3, 1e-3, 1e-3, 1e-3, 0.5, 0.5, 1.0])
    return View(CAMERA, from_vector([0.35, -0.25, 0.15]), np.array([-60.0, 25.0, 880.0]), root @ root)


def _moved(view: View, step: np.ndarray) -> View:
    camera = view.camera.with_parameters(view.camera.parameters + step[:9])
    rotation = from_vector(step[9:12]) @ view.rotation
    return View(camera, rotation, view.translation_mm + step[12:], view.cov)


def test_to_mm_then_to_px_gives_the_pixels_back(view):
    assert to_px(view, to_mm(view, PX, 0.8).mm, 0.8) == pytest.approx(PX, abs=1e-9)


def test_derivatives_of_to_mm_agree_with_central_differences(view):
    points = to_mm(view, PX, 0.8)
    for index in range(15):
        step = np.zeros(15)
        step[index] = 1e-2 if index < 4 else 1e-5
        numeric = (to_mm(_moved(view, step), PX, 0.8).mm - to_mm(_moved(view, -step), PX, 0.8).mm) / (
            2.0 * step[index]
        )
        assert points.by_view[:, :, index] == pytest.approx(numeric, rel=1e-5, abs=1e-5)
    numeric = (to_mm(view, PX, 0.801).mm - to_mm(view, PX, 0.799).mm) / 0.002
    assert points.by_z == pytest.approx(numeric, rel=1e-6, abs=1e-8)
    for axis in (0, 1):
        shift = 1e-3 * np.eye(2)[axis]
        numeric = (to_mm(view, PX + shift, 0.8).mm - to_mm(view, PX - shift, 0.8).mm) / 2e-3
        assert points.by_px[:, :, axis] == pytest.approx(numeric, rel=1e-6, abs=1e-8)


def test_distance_uncertainty_agrees_with_simulation(view):
    # JCGM 101: 4,000 draws; the standard deviation of a simulated deviation is u / sqrt(2 n): 4 allowed.
    rng, draws = np.random.default_rng(11), 4000
    points = to_mm(view, PX, 0.8)
    cov = covariance_mm2(points, view, np.tile(0.2**2 * np.eye(2), (3, 1, 1)), u_z_mm=0.3)
    length, u_mm = distance_mm(points.mm, cov, 0, 2)
    root = np.sqrt(np.diag(view.cov))
    lengths = []
    for _ in range(draws):
        drawn = to_mm(
            _moved(view, root * rng.normal(size=15)),
            PX + rng.normal(0.0, 0.2, PX.shape),
            0.8 + rng.normal(0.0, 0.3, 3),
        )
        lengths.append(np.hypot(*(drawn.mm[2] - drawn.mm[0])))
    assert np.std(lengths) == pytest.approx(u_mm, rel=4.0 / np.sqrt(2.0 * draws))
    assert np.mean(lengths) == pytest.approx(length, abs=5.0 * u_mm / np.sqrt(draws))


def test_to_mm_above_the_horizon_is_refused(view):
    flat = View(CAMERA, from_vector([1.5, 0.0, 0.0]), np.array([0.0, 100.0, 500.0]), view.cov)
    with pytest.raises(GeometryError, match="horizon"):
        to_mm(flat, [[800.0, 5.0]])


def test_rectify_a_drawn_grid_puts_its_lines_where_the_scale_says(view):
    # A dark dot drawn at a known plane point must appear at that point of the rectified picture, to 0.1 px.
    plane = np.array([83.4, 41.7])
    centre = to_px(view, plane[None], 0.8)[0]
    y, x = np.mgrid[0:1200, 0:1600]
    picture = (255 - 200 * np.exp(-((x - centre[0]) ** 2 + (y - centre[1]) ** 2) / (2 * 4.0**2))).astype(
        np.uint8
    )
    result = rectify(
        picture,
        view,
        z_mm=0.8,
        corner_mm=(-20.0, -30.0),
        size_mm=(200.0, 150.0),
        mm_per_px=0.5,
        along=(0.99, 0.1),
    )
    weight = 255.0 - result.image
    weight[~result.seen | (weight < 20)] = 0.0
    rows, columns = np.mgrid[0 : weight.shape[0], 0 : weight.shape[1]]
    found = np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum()
    assert found == pytest.approx(result.from_plane_mm(plane)[0], abs=0.1)
    assert result.to_plane_mm(result.from_plane_mm(plane))[0] == pytest.approx(plane, abs=1e-9)


def test_pixels_of_a_rectified_picture_may_be_wider_than_high(view):
    # Oblong pixels show what every third column of square ones shows.
    picture = np.random.default_rng(5).integers(0, 255, (1200, 1600), dtype=np.uint8)
    picture = cv2.GaussianBlur(picture, (0, 0), 6.0)
    region = {"z_mm": 0.8, "corner_mm": (10.0, 5.0), "size_mm": (90.0, 60.0), "along": (0.99, 0.1)}
    square = rectify(picture, view, mm_per_px=0.5, **region)
    oblong = rectify(picture, view, mm_per_px=1.5, aspect=3.0, **region)
    assert oblong.mm_per_row == pytest.approx(0.5)
    assert oblong.image.shape == (square.image.shape[0], 61)
    assert np.abs(square.image[:, ::3].astype(int) - oblong.image).max() <= 1
    corner = oblong.to_plane_mm([[60.0, 120.0]])
    assert corner == pytest.approx(square.to_plane_mm([[180.0, 120.0]]), abs=1e-9)
    assert oblong.from_plane_mm(corner)[0] == pytest.approx([60.0, 120.0], abs=1e-9)


def test_rectified_pixels_show_what_projection_says_of_a_tilted_plane(view):
    # A photo whose grey level is its own x, 8 px a level, shows at each pixel which column it was taken from:
    # levels are whole, so that the mean over many pixels is tried.
    ramp = np.tile((np.arange(1600) // 8).astype(np.uint8), (1200, 1))
    flat = rectify(ramp, view, z_mm=0.8, corner_mm=(0.0, 0.0), size_mm=(180.0, 120.0), mm_per_px=1.0)
    rows, columns = np.mgrid[0:121, 0:181]
    px = to_px(view, flat.to_plane_mm(np.column_stack([columns.ravel(), rows.ravel()])), 0.8)
    off = 8.0 * flat.image.ravel().astype(float) + 3.5 - px[:, 0]
    assert flat.seen.all()
    assert off.mean() == pytest.approx(0.0, abs=0.1)
    assert np.abs(off).max() < 8.0
