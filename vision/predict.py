"""Where a ridge end lies in a photo, given where others show it: a line from one pick, a point from two.

Frames: one target's frame for all views, mm; px of each upright picture.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.camera import Array, project, project_with_jacobians, undistort
from calib.errors import GeometryError
from calib.uncertainty import propagate
from vision.plane import View
from vision.rotation import cross_matrix

# Lines of sight are followed from arm's length to farther than any house.
_NEAREST_MM, _FARTHEST_MM = 500.0, 200_000.0
_LINE_POINTS = 400
_STEPS = 10
_SMALL_STEP_MM = 1e-3
# Rays that cross at less than this do not tell where they meet: sine of half a degree.
_LEAST_SINE = 0.009


@dataclass(frozen=True, slots=True, eq=False)
class SeenEnd:
    """An end as one photo shows it: the photo's view, where, and its covariance, shape (2, 2)."""

    view: View
    px: Array
    cov_px2: Array


@dataclass(frozen=True, slots=True, eq=False)
class PlacedPoint:
    """A point in space and its covariance, mm and mm^2."""

    mm: Array
    cov_mm2: Array


@dataclass(frozen=True, slots=True, eq=False)
class PredictedPoint:
    """Where a photo should show a point, px, and its covariance, px^2."""

    px: Array
    cov_px2: Array


def epipolar_line(seen: SeenEnd, view: View) -> Array:
    """Return the line in another photo on which a point lies that one photo shows.

    Parameters
    ----------
    seen : SeenEnd
        The end in the first photo.
    view : View
        The other photo.

    Returns
    -------
    ndarray of shape (N, 2)
        Its points within the other picture, px, from near to far; bent as the lens bends it. Empty where the
        line of sight does not cross the picture.
    """
    distances = np.geomspace(_NEAREST_MM, _FARTHEST_MM, _LINE_POINTS)
    points = seen.view.position_mm + distances[:, None] * _ray(seen)
    in_camera = view.to_camera(points)
    # Far outside the picture a distortion polynomial folds back, and would bring points in that are not
    # there.
    slope = np.abs(in_camera[:, :2]) / np.maximum(in_camera[:, 2:], 1e-9)
    camera = view.camera
    half = np.array([camera.width / camera.fx, camera.height / camera.fy]) * 0.75
    is_ahead = (in_camera[:, 2] > 0.0) & np.all(slope < half, axis=1)
    px = project(camera, in_camera[is_ahead])
    is_inside = np.all((px >= -0.5) & (px < (camera.width - 0.5, camera.height - 0.5)), axis=1)
    return px[is_inside]


def place_point(seen: Sequence[SeenEnd]) -> PlacedPoint:
    """Return the point that two or more photos show.

    Parameters
    ----------
    seen : sequence of SeenEnd
        The end in two photos at least.

    Returns
    -------
    PlacedPoint
        Least squares of the residuals in px, each weighted by its pick's and its view's covariance; the views
        are taken as independent of each other.

    Raises
    ------
    GeometryError
        If the photos see it from one direction only, or it does not lie in front of them.
    """
    point = _crossing(seen)
    try:
        return _settle(seen, point)
    except np.linalg.LinAlgError as error:
        msg = "the lines of sight do not meet"
        raise GeometryError(msg) from error


def _settle(seen: Sequence[SeenEnd], start_mm: Array) -> PlacedPoint:
    """Return the point that Gauss-Newton steps lead to."""
    point = start_mm
    for _ in range(_STEPS):
        normal, right = np.zeros((3, 3)), np.zeros(3)
        for one in seen:
            px, by_point, by_view = _seen_from(one.view, point)
            weight = np.linalg.inv(one.cov_px2 + propagate(by_view, one.view.cov))
            normal += by_point.T @ weight @ by_point
            right += by_point.T @ weight @ (one.px - px)
        step = np.linalg.solve(normal, right)
        point = point + step
        if float(np.abs(step).max()) < _SMALL_STEP_MM:
            break
    return PlacedPoint(point, np.asarray(np.linalg.inv(normal), dtype=float))


def predict_point(point: PlacedPoint, view: View) -> PredictedPoint | None:
    """Return where a photo should show a point; None where that is behind it or outside the picture."""
    try:
        px, by_point, by_view = _seen_from(view, point.mm)
    except GeometryError:
        return None
    if not (-0.5 <= px[0] < view.camera.width - 0.5 and -0.5 <= px[1] < view.camera.height - 0.5):
        return None
    return PredictedPoint(px, propagate(by_point, point.cov_mm2) + propagate(by_view, view.cov))


def _ray(seen: SeenEnd) -> Array:
    """Return the unit line of sight, in the common frame."""
    ideal = undistort(seen.view.camera, seen.px.reshape(1, 2))[0]
    ray: Array = seen.view.rotation.T @ np.append(ideal, 1.0)
    return ray / np.linalg.norm(ray)


def _crossing(seen: Sequence[SeenEnd]) -> Array:
    """Return the point nearest to all lines of sight."""
    rays = [_ray(one) for one in seen]
    normal, right = np.zeros((3, 3)), np.zeros(3)
    for one, ray in zip(seen, rays, strict=True):
        across = np.eye(3) - np.outer(ray, ray)
        normal += across
        right += across @ one.view.position_mm
    sines = [float(np.linalg.norm(np.cross(rays[0], ray))) for ray in rays[1:]]
    if max(sines, default=0.0) < _LEAST_SINE:
        msg = "the photos look at the point from one direction only: add a photo from another side"
        raise GeometryError(msg)
    return np.asarray(np.linalg.solve(normal, right), dtype=float)


def _seen_from(view: View, point_mm: Array) -> tuple[Array, Array, Array]:
    """Return where a view shows a point, and derivatives by the point, (2, 3), and the view, (2, 15)."""
    in_camera = view.to_camera(point_mm)
    if not in_camera[0, 2] > 0.0:
        msg = "the lines of sight do not meet in front of the cameras"
        raise GeometryError(msg)
    projection = project_with_jacobians(view.camera, in_camera)
    turn = -projection.by_point @ cross_matrix(in_camera - view.translation_mm)
    by_view = np.concatenate([projection.by_parameters, turn, projection.by_point], axis=2)[0]
    by_point: Array = projection.by_point[0] @ view.rotation
    return projection.px[0], by_point, by_view
