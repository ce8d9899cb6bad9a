"""Pixels and millimetres on a plane seen by one photo, with the covariance of both directions.

Frames: the plane is z = z_mm of a target's frame (mm, x right, y down, z into the sheet); pixels are those of
the upright picture. A `View` is one photo's camera and pose with their joint covariance.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.camera import Array, Camera, project, project_with_jacobians, undistort
from calib.errors import GeometryError
from calib.uncertainty import propagate, standard_uncertainty
from vision.rotation import cross_matrix

# A view's parameters: nine of the camera, a small rotation applied after R (3), the translation (3).
VIEW_PARAMETERS = 15

# Spacing of the nodes at which the map of a rectified picture is computed exactly.
_GRID_PX = 16
# What lies nearer than this to the camera's own plane is not looked at.
_NEAR_MM = np.float32(1.0)

Floats = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class View:
    """One photo's camera and pose relative to a target.

    Attributes
    ----------
    camera : Camera
        Intrinsics in the upright picture.
    rotation : ndarray of shape (3, 3)
        Turns target axes into camera axes.
    translation_mm : ndarray of shape (3,)
        The target's origin in the camera frame, mm.
    cov : ndarray of shape (15, 15)
        Joint covariance of the nine camera parameters, the small rotation w (rad; R' = exp([w]x) R) and the
        translation.
    """

    camera: Camera
    rotation: Array
    translation_mm: Array
    cov: Array

    def __post_init__(self) -> None:
        for name in ("rotation", "translation_mm", "cov"):
            array = np.array(getattr(self, name), dtype=float)
            array.setflags(write=False)
            object.__setattr__(self, name, array)

    def to_camera(self, points_mm: ArrayLike) -> Array:
        """Bring target-frame points, shape (N, 3), into the camera frame, mm."""
        return np.asarray(points_mm, dtype=float).reshape(-1, 3) @ self.rotation.T + self.translation_mm

    @property
    def position_mm(self) -> Array:
        """Where the camera stands in the target's frame, shape (3,), mm."""
        position: Array = -self.rotation.T @ self.translation_mm
        return position


@dataclass(frozen=True, eq=False)
class PlanePoints:
    """Points measured on a plane, with every derivative that their uncertainty needs.

    Attributes
    ----------
    mm : ndarray of shape (N, 2)
        Points on the plane.
    by_px : ndarray of shape (N, 2, 2)
        Derivative by the pixel, mm/px.
    by_view : ndarray of shape (N, 2, 15)
        Derivative by the view's parameters.
    by_z : ndarray of shape (N, 2)
        Derivative by the plane's depth z, mm/mm.
    """

    mm: Array
    by_px: Array
    by_view: Array
    by_z: Array


def to_px(view: View, mm: ArrayLike, z_mm: ArrayLike = 0.0) -> Array:
    """Return the pixels of points on a plane.

    Parameters
    ----------
    view : View
        The photo.
    mm : array_like of shape (N, 2)
        Points on the plane.
    z_mm : float or array_like of shape (N,)
        Their depth in the target's frame.

    Returns
    -------
    ndarray of shape (N, 2)
        Pixels; points behind the camera give NaN.
    """
    points = view.to_camera(_with_z(np.asarray(mm, dtype=float).reshape(-1, 2), z_mm))
    visible = points[:, 2] > 0.0
    px = np.full((len(points), 2), np.nan)
    px[visible] = project(view.camera, points[visible])
    return px


def to_mm(view: View, px: ArrayLike, z_mm: ArrayLike = 0.0) -> PlanePoints:
    """Return where the rays of pixels meet a plane, with derivatives.

    Parameters
    ----------
    view : View
        The photo.
    px : array_like of shape (N, 2)
        Pixels.
    z_mm : float or array_like of shape (N,)
        Depth of the plane in the target's frame.

    Returns
    -------
    PlanePoints
        Points and derivatives.

    Raises
    ------
    GeometryError
        If a ray does not meet the plane in front of the camera.

    Notes
    -----
    The derivatives follow from F(X, theta) = project(R X + t) - px = 0 by the implicit function theorem.
    """
    pixels = np.asarray(px, dtype=float).reshape(-1, 2)
    ideal = np.pad(undistort(view.camera, pixels), ((0, 0), (0, 1)), constant_values=1.0)
    rays = ideal @ view.rotation
    origin = view.position_mm
    depth = np.broadcast_to(np.asarray(z_mm, dtype=float), (len(pixels),))
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = (depth - origin[2]) / rays[:, 2]
    if not np.all(np.isfinite(distance) & (distance > 0.0)):
        msg = "the line of sight of a point does not meet the plane: it lies on or above the plane's horizon"
        raise GeometryError(msg)
    mm = np.asarray(origin + distance[:, None] * rays, dtype=float)[:, :2]
    points = _with_z(mm, depth)
    in_camera = view.to_camera(points)
    projection = project_with_jacobians(view.camera, in_camera)
    by_target_point = projection.by_point @ view.rotation
    by_px = np.asarray(np.linalg.inv(by_target_point[:, :, :2]), dtype=np.float64)
    by_view = np.concatenate(
        [
            projection.by_parameters,
            -projection.by_point @ cross_matrix(in_camera - view.translation_mm),
            projection.by_point,
        ],
        axis=2,
    )
    return PlanePoints(mm, by_px, -by_px @ by_view, -(by_px @ by_target_point[:, :, 2:])[:, :, 0])


def covariance_mm2(points: PlanePoints, view: View, cov_px2: ArrayLike, u_z_mm: float = 0.0) -> Array:
    """Return the joint covariance of points on a plane.

    Parameters
    ----------
    points : PlanePoints
        What `to_mm` gave.
    view : View
        The same photo.
    cov_px2 : array_like of shape (N, 2, 2)
        Covariance of each pixel, independent between points.
    u_z_mm : float
        Standard uncertainty of each point's depth, independent between points: sheet metal is not flat.

    Returns
    -------
    ndarray of shape (2 N, 2 N)
        Covariance in the order x0, y0, x1, y1, ...
    """
    n = len(points.mm)
    by_view = points.by_view.reshape(2 * n, VIEW_PARAMETERS)
    cov = propagate(by_view, view.cov)
    own = points.by_px @ np.asarray(cov_px2, dtype=float) @ points.by_px.transpose(0, 2, 1)
    own = own + u_z_mm**2 * points.by_z[:, :, None] * points.by_z[:, None, :]
    for i in range(n):
        cov[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += own[i]
    return cov


def distance_mm(mm: Array, cov_mm2: Array, i: int, j: int) -> tuple[float, float]:
    """Return the distance of two points and its standard uncertainty.

    Parameters
    ----------
    mm : ndarray of shape (N, 2)
        Points.
    cov_mm2 : ndarray of shape (2 N, 2 N)
        Their joint covariance.
    i, j : int
        Which two.

    Returns
    -------
    tuple of float
        Distance and standard uncertainty, mm.
    """
    step = mm[j] - mm[i]
    length = float(np.hypot(*step))
    direction = step / length
    gradient = np.concatenate([-direction, direction])
    index = [2 * i, 2 * i + 1, 2 * j, 2 * j + 1]
    return length, standard_uncertainty(gradient, cov_mm2[np.ix_(index, index)])


@dataclass(frozen=True, eq=False)
class Rectified:
    """A plane's region resampled at a known scale, straight from above.

    Attributes
    ----------
    image : ndarray of shape (H, W) or (H, W, 3)
        The resampled picture, uint8; what the photo does not show is black.
    seen : ndarray of shape (H, W)
        True where the photo shows the plane.
    view : View
        The photo it was taken from.
    z_mm : float
        Depth of the plane in the target's frame.
    mm_per_px : float
        Scale, along the x axis and, unless pixels are not square, along both.
    origin_mm : ndarray of shape (2,)
        Plane point at the centre of the top-left pixel.
    along : ndarray of shape (2,)
        Unit direction of the picture's x axis on the plane; its y axis is a clockwise quarter turn from it.
    aspect : float
        Width of a pixel on the plane over its height.
    """

    image: NDArray[np.uint8]
    seen: NDArray[np.bool_]
    view: View
    z_mm: float
    mm_per_px: float
    origin_mm: Array
    along: Array
    aspect: float = 1.0

    @property
    def mm_per_row(self) -> float:
        """Scale along the y axis."""
        return self.mm_per_px / self.aspect

    @property
    def _pixel_mm(self) -> Array:
        return _pixel_mm(self.mm_per_px, self.aspect)

    def to_plane_mm(self, px: ArrayLike) -> Array:
        """Return plane points, mm, of pixels (x, y) of the rectified picture, shape (N, 2)."""
        steps = np.asarray(px, dtype=float).reshape(-1, 2) * self._pixel_mm
        return self.origin_mm + steps @ _axes(self.along)

    def from_plane_mm(self, mm: ArrayLike) -> Array:
        """Return pixels (x, y) of the rectified picture of plane points, shape (N, 2)."""
        offset = np.asarray(mm, dtype=float).reshape(-1, 2) - self.origin_mm
        pixels: Array = offset @ _axes(self.along).T / self._pixel_mm
        return pixels

    def to_photo_px(self, px: ArrayLike) -> Array:
        """Return the pixels of the photo under pixels (x, y) of the rectified picture, shape (N, 2)."""
        return to_px(self.view, self.to_plane_mm(px), self.z_mm)


def rectify(
    image: NDArray[np.uint8],
    view: View,
    *,
    z_mm: float,
    corner_mm: ArrayLike,
    size_mm: tuple[float, float],
    mm_per_px: float,
    along: ArrayLike = (1.0, 0.0),
    aspect: float = 1.0,
) -> Rectified:
    """Resample a rectangle of a plane at a known scale.

    Parameters
    ----------
    image : ndarray of shape (H, W) or (H, W, 3)
        The upright photo.
    view : View
        Its camera and pose.
    z_mm : float
        Depth of the plane in the target's frame.
    corner_mm : array_like of shape (2,)
        Plane point that becomes the top-left pixel.
    size_mm : tuple of float
        Extent along the picture's x and y axes.
    mm_per_px : float
        Scale of the result, along its x axis if pixels are not to be square.
    along : array_like of shape (2,)
        Direction of the picture's x axis on the plane.
    aspect : float
        Width of a pixel on the plane over its height.

    Returns
    -------
    Rectified
        The picture with its scale.

    Notes
    -----
    The map is computed exactly on a coarse grid and interpolated between (what bends between its nodes is the
    lens alone: 0.02 px over 16 mm of a close-up), then sampled bilinearly.
    """
    direction = np.asarray(along, dtype=float) / np.hypot(*np.asarray(along, dtype=float))
    pixel_mm = _pixel_mm(mm_per_px, aspect)
    columns, rows = (max(2, round(extent) + 1) for extent in np.divide(size_mm, pixel_mm).tolist())
    corner = np.asarray(corner_mm, dtype=float)
    x, y = _pixel_map(view, z_mm, corner, pixel_mm[:, None] * _axes(direction), columns, rows)
    sampled = cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    height, width = image.shape[:2]
    seen = cv2.min(cv2.inRange(x, 0.0, width - 1.0), cv2.inRange(y, 0.0, height - 1.0)) > 0
    picture = sampled.astype(np.uint8, copy=False)
    return Rectified(picture, seen, view, z_mm, mm_per_px, corner, direction, aspect)


def _pixel_map(
    view: View, z_mm: float, corner: Array, steps_mm: Array, columns: int, rows: int
) -> tuple[Floats, Floats]:
    """Return the photo's x and y at every pixel of a rectified picture whose pixels are these steps apart."""
    # Nodes of the coarse grid lie where cv2.resize takes the centres of its source pixels to be, one cell
    # before the first pixel; it interpolates with float weights, where cv2.remap has steps of 1/32 only.
    node_x = _GRID_PX * (np.arange(columns // _GRID_PX + 3) - 0.5) - 0.5
    node_y = _GRID_PX * (np.arange(rows // _GRID_PX + 3) - 0.5) - 0.5
    mesh = np.stack(np.meshgrid(node_x, node_y), axis=2).reshape(-1, 2)
    px = np.nan_to_num(to_px(view, corner + mesh @ steps_mm, z_mm), nan=-1e6)
    # Depth is linear over the plane. So is a pixel times its depth, but for the bending of the lens: bilinear
    # interpolation of the product leaves no error of the perspective.
    corner_depth, depth_steps = view.to_camera((*corner, z_mm))[0, 2], steps_mm @ view.rotation[2, :2]
    depth = np.maximum(corner_depth + mesh @ depth_steps, _NEAR_MM)
    products = (px * depth[:, None]).astype(np.float32).reshape(len(node_y), len(node_x), 2)
    size = (_GRID_PX * len(node_x), _GRID_PX * len(node_y))
    inside = np.s_[_GRID_PX : _GRID_PX + rows, _GRID_PX : _GRID_PX + columns]
    wide = (cv2.resize(part, size, interpolation=cv2.INTER_LINEAR) for part in cv2.split(products))
    x, y = (part.astype(np.float32, copy=False)[inside] for part in wide)
    across, down = np.arange(columns) * depth_steps[0], np.arange(rows) * depth_steps[1]
    divisor = np.add.outer((corner_depth + down).astype(np.float32), across.astype(np.float32))
    np.maximum(divisor, _NEAR_MM, out=divisor)
    x /= divisor
    y /= divisor
    return x, y


def _pixel_mm(mm_per_px: float, aspect: float) -> Array:
    """Return the width and height of a rectified picture's pixels on the plane."""
    return np.array([mm_per_px, mm_per_px / aspect])


def _axes(along: Array) -> Array:
    return np.array([along, (-along[1], along[0])])


def _with_z(mm: Array, z_mm: ArrayLike) -> Array:
    depth = np.broadcast_to(np.asarray(z_mm, dtype=float), (len(mm),))
    return np.column_stack([mm, depth])
