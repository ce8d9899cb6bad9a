"""The flat map: exact without distortion, near with it, refused where the plane is not seen."""

import numpy as np
import pytest

from calib.camera import Camera
from calib.errors import GeometryError
from vision.flat_map import flat_map
from vision.plane import View, to_px

REGION_MM = np.array([[-400.0, -30.0], [500.0, -30.0], [500.0, 160.0], [-400.0, 160.0]])


def view(k1: float, tilt_deg: float = 35.0) -> View:
    camera = Camera(2400, 1800, 1822.0, 1823.0, 1209.1, 888.7, k1, 0.0, 0.0, 0.0, 0.0, np.eye(9))
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    rotation = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
    return View(camera, rotation, np.array([-30.0, 20.0, 940.0]), np.eye(15))


def largest_error_px(k1: float, z_mm: float) -> float:
    seen = view(k1)
    found = flat_map(seen, z_mm, REGION_MM)
    mm = np.random.default_rng(4).uniform(REGION_MM.min(axis=0), REGION_MM.max(axis=0), (200, 2))
    mapped = np.column_stack([mm, np.ones(len(mm))]) @ found.T
    return float(np.abs(mapped[:, :2] / mapped[:, 2:] - to_px(seen, mm, z_mm)).max())


def test_map_is_exact_for_a_lens_without_distortion() -> None:
    # A homography is exact here; the library's solver stops within this of it.
    assert largest_error_px(0.0, 0.8) < 1e-3


def test_map_is_near_for_an_ordinary_lens() -> None:
    assert largest_error_px(0.03, 0.8) < 6.0


def test_plane_behind_the_camera_is_refused() -> None:
    behind = View(view(0.0).camera, np.eye(3), np.array([0.0, 0.0, -940.0]), np.eye(15))
    with pytest.raises(GeometryError, match="does not show the region from its front"):
        flat_map(behind, 0.0, REGION_MM)
