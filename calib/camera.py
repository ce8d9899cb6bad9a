"""A camera: pinhole with Brown-Conrady distortion, and the covariance of its nine parameters.

Frames: camera frame in mm, x right, y down, z forward; pixels with (0, 0) at the centre of the top-left
pixel. Parameters are always in the order of `PARAMETERS`.
"""

import math
from dataclasses import dataclass, field, replace
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.errors import GeometryError

Array = NDArray[np.float64]

PARAMETERS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")

# Where each parameter of a picture turned clockwise comes from: (old one, sign); cx also moves by height - 1.
_QUARTER_TURN = ((1, 1), (0, 1), (3, -1), (2, 1), (4, 1), (5, 1), (7, 1), (6, -1), (8, 1))

# Newton steps of `undistort`: each at least squares the error of the last one, so that twelve are plenty.
_UNDISTORT_STEPS = 12
_UNDISTORT_TOLERANCE = 1e-10


@dataclass(frozen=True, eq=False)
class Camera:
    """Intrinsics of one photo or lens, with their covariance.

    Attributes
    ----------
    width, height : int
        Size of the picture, px.
    fx, fy, cx, cy : float
        Focal lengths and principal point, px.
    k1, k2, p1, p2, k3 : float
        Brown-Conrady coefficients, in normalised coordinates (no unit).
    cov : ndarray of shape (9, 9)
        Covariance in the order of `PARAMETERS`; zeros when known exactly.
    """

    width: int
    height: int
    fx: float
    fy: float
    cx: float
    cy: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0
    cov: Array = field(default_factory=lambda: np.zeros((9, 9)), repr=False)

    def __post_init__(self) -> None:
        if not (self.fx > 0.0 and self.fy > 0.0):
            msg = f"focal length must be > 0 px, got {self.fx:g}, {self.fy:g}"
            raise GeometryError(msg)
        cov = np.array(self.cov, dtype=float)
        cov.setflags(write=False)
        object.__setattr__(self, "cov", cov)

    @property
    def parameters(self) -> Array:
        """The nine parameters in the order of `PARAMETERS`, shape (9,)."""
        return np.array([getattr(self, name) for name in PARAMETERS])

    def with_parameters(self, parameters: ArrayLike, cov: ArrayLike | None = None) -> Self:
        """Return the same camera with other parameters, shape (9,), and covariance, shape (9, 9)."""
        values = dict(zip(PARAMETERS, np.asarray(parameters, dtype=float).tolist(), strict=True))
        return replace(self, **values, cov=self.cov if cov is None else np.asarray(cov, dtype=float))

    def turned(self, quarter_turns: int) -> Self:
        """Return the camera of the same picture turned clockwise.

        Parameters
        ----------
        quarter_turns : int
            Clockwise quarter turns that bring this camera's picture into the new one.

        Returns
        -------
        Camera
            Intrinsics and covariance in the turned picture.

        Notes
        -----
        A quarter turn maps normalised (x, y) to (-y, x). The radial terms do not change; (p2, p1) is the
        vector of the tangential term, ``2 (p . x) x + p r^2``, and turns like a point.
        """
        camera = self
        jacobian = turn_jacobian(1)
        for _ in range(quarter_turns % 4):
            parameters = jacobian @ camera.parameters
            parameters[2] += camera.height - 1
            turned = replace(camera, width=camera.height, height=camera.width)
            camera = turned.with_parameters(parameters, jacobian @ camera.cov @ jacobian.T)
        return camera


def turn_jacobian(quarter_turns: int) -> Array:
    """Return the derivative of a turned camera's parameters by the unturned ones, shape (9, 9)."""
    once = np.zeros((9, 9))
    for row, (column, sign) in enumerate(_QUARTER_TURN):
        once[row, column] = sign
    return np.linalg.matrix_power(once, quarter_turns % 4)


@dataclass(frozen=True, eq=False)
class Projection:
    """Projected points with the derivatives that an adjustment needs.

    Attributes
    ----------
    px : ndarray of shape (N, 2)
        Points in the picture, px.
    by_point : ndarray of shape (N, 2, 3)
        Derivative by the point in the camera frame, px/mm.
    by_parameters : ndarray of shape (N, 2, 9)
        Derivative by the parameters, in the order of `PARAMETERS`.
    """

    px: Array
    by_point: Array
    by_parameters: Array


def project(camera: Camera, points_mm: ArrayLike) -> Array:
    """Project points of the camera frame into the picture.

    Parameters
    ----------
    camera : Camera
        Intrinsics.
    points_mm : array_like of shape (N, 3)
        Points in the camera frame, mm, in front of the camera (z > 0).

    Returns
    -------
    ndarray of shape (N, 2)
        Pixels.

    Notes
    -----
    x" = x (1 + k1 r^2 + k2 r^4 + k3 r^6) + 2 p1 x y + p2 (r^2 + 2 x^2), y" likewise.

    References
    ----------
    D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37(8), 1971, pp. 855-866.
    """
    points = np.asarray(points_mm, dtype=float).reshape(-1, 3)
    distorted = distort(camera, points[:, :2] / points[:, 2:])
    return distorted * (camera.fx, camera.fy) + (camera.cx, camera.cy)


def distort(camera: Camera, normalised: ArrayLike) -> Array:
    """Apply the lens distortion to normalised coordinates.

    Parameters
    ----------
    camera : Camera
        Its distortion coefficients are used.
    normalised : array_like of shape (N, 2)
        Ideal coordinates x / z, y / z.

    Returns
    -------
    ndarray of shape (N, 2)
        Distorted normalised coordinates.
    """
    x, y = np.asarray(normalised, dtype=float).reshape(-1, 2).T
    r2 = x * x + y * y
    radial = 1.0 + r2 * (camera.k1 + r2 * (camera.k2 + r2 * camera.k3))
    return np.stack(
        [
            x * radial + 2.0 * camera.p1 * x * y + camera.p2 * (r2 + 2.0 * x * x),
            y * radial + 2.0 * camera.p2 * x * y + camera.p1 * (r2 + 2.0 * y * y),
        ],
        axis=1,
    )


def distortion_jacobian(camera: Camera, normalised: ArrayLike) -> Array:
    """Return the derivative of `distort` by the ideal coordinates, shape (N, 2, 2)."""
    x, y = np.asarray(normalised, dtype=float).reshape(-1, 2).T
    r2 = x * x + y * y
    radial = 1.0 + r2 * (camera.k1 + r2 * (camera.k2 + r2 * camera.k3))
    slope = 2.0 * (camera.k1 + r2 * (2.0 * camera.k2 + r2 * 3.0 * camera.k3))  # d radial / d r2, times 2
    cross = x * y * slope + 2.0 * camera.p1 * x + 2.0 * camera.p2 * y
    jacobian = np.empty((x.size, 2, 2))
    jacobian[:, 0, 0] = radial + x * x * slope + 2.0 * camera.p1 * y + 6.0 * camera.p2 * x
    jacobian[:, 1, 1] = radial + y * y * slope + 2.0 * camera.p2 * x + 6.0 * camera.p1 * y
    jacobian[:, 0, 1] = jacobian[:, 1, 0] = cross
    return jacobian


def project_with_jacobians(camera: Camera, points_mm: ArrayLike) -> Projection:
    """Project points and return the analytic derivatives as well.

    Parameters
    ----------
    camera : Camera
        Intrinsics.
    points_mm : array_like of shape (N, 3)
        Points in the camera frame, mm.

    Returns
    -------
    Projection
        Pixels and derivatives.
    """
    points = np.asarray(points_mm, dtype=float).reshape(-1, 3)
    ideal = points[:, :2] / points[:, 2:]
    distorted = distort(camera, ideal)
    focal = np.array([camera.fx, camera.fy])
    by_ideal = np.zeros((len(points), 2, 3))
    by_ideal[:, 0, 0] = by_ideal[:, 1, 1] = 1.0 / points[:, 2]
    by_ideal[:, :, 2] = -ideal / points[:, 2:]
    by_point = focal[:, None] * (distortion_jacobian(camera, ideal) @ by_ideal)
    return Projection(
        distorted * focal + (camera.cx, camera.cy), by_point, _by_parameters(ideal, distorted, focal)
    )


def _by_parameters(ideal: Array, distorted: Array, focal: Array) -> Array:
    x, y = ideal.T
    r2 = x * x + y * y
    by_parameters = np.zeros((len(ideal), 2, 9))
    by_parameters[:, 0, 0] = distorted[:, 0]
    by_parameters[:, 1, 1] = distorted[:, 1]
    by_parameters[:, 0, 2] = by_parameters[:, 1, 3] = 1.0
    scaled = focal * ideal
    by_parameters[:, :, 4] = scaled * r2[:, None]
    by_parameters[:, :, 5] = scaled * (r2**2)[:, None]
    by_parameters[:, :, 8] = scaled * (r2**3)[:, None]
    by_parameters[:, 0, 6] = focal[0] * 2.0 * x * y
    by_parameters[:, 1, 6] = focal[1] * (r2 + 2.0 * y * y)
    by_parameters[:, 0, 7] = focal[0] * (r2 + 2.0 * x * x)
    by_parameters[:, 1, 7] = focal[1] * 2.0 * x * y
    return by_parameters


def undistort(camera: Camera, px: ArrayLike) -> Array:
    """Return the ideal normalised coordinates of pixels (the inverse of projection).

    Parameters
    ----------
    camera : Camera
        Intrinsics.
    px : array_like of shape (N, 2)
        Pixels.

    Returns
    -------
    ndarray of shape (N, 2)
        x / z and y / z of the ray through each pixel.

    Raises
    ------
    GeometryError
        If the distortion cannot be inverted at a pixel (it folds there).

    Notes
    -----
    Newton's method on `distort`, started from the distorted point.
    """
    distorted = (np.asarray(px, dtype=float).reshape(-1, 2) - (camera.cx, camera.cy)) / (camera.fx, camera.fy)
    ideal = distorted.copy()
    for _ in range(_UNDISTORT_STEPS):
        residual = distort(camera, ideal) - distorted
        if not residual.size or np.abs(residual).max() < _UNDISTORT_TOLERANCE:
            return ideal
        jacobian = distortion_jacobian(camera, ideal)
        determinant = jacobian[:, 0, 0] * jacobian[:, 1, 1] - jacobian[:, 0, 1] ** 2
        if not np.all(determinant > 0.0):
            break
        ideal = ideal - np.linalg.solve(jacobian, residual[:, :, None])[:, :, 0]
    msg = "the lens distortion cannot be inverted at the edge of this picture; the lens file may be wrong"
    raise GeometryError(msg)


def field_of_view_deg(camera: Camera) -> float:
    """Return the diagonal angle of view without distortion, degrees."""
    half_x, half_y = camera.width / (2.0 * camera.fx), camera.height / (2.0 * camera.fy)
    return math.degrees(2.0 * math.atan(math.hypot(half_x, half_y)))
