"""One lens fitted to the charts of several photos, by least squares.

Frames: px in the sensor's frame; each photo's stand takes the chart's mm into the camera frame. Unknown
beside the lens: the chart's bend (z, mm), and per photo its pose, ln of its focal length over the lens's
(focus breathes), and by how much black looks small.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import linalg
from scipy.spatial.transform import Rotation

from calib.camera import PARAMETERS, Array, Camera, project_with_jacobians, undistort
from calib.chart import ChartView
from calib.errors import GeometryError

# Unknowns of one photo: small rotation, translation, ln focal, edge bias; the last two have priors.
_STAND_UNKNOWNS = 8
_LN_FOCAL, _EDGE_BIAS = 6, 7
_WITH_PRIOR = [_LN_FOCAL, _EDGE_BIAS]
# Unknowns that all photos share: the lens, then the bend along x, across, and along y.
_LENS_UNKNOWNS = len(PARAMETERS)
_BEND_UNKNOWNS = 3
_K3 = PARAMETERS.index("k3")

# What is left of the edge bias of tags once their own cells have been used to take it out (vision/pose.py).
_U_EDGE_BIAS_PX = 0.1
# No breathing at all, as a prior that can be inverted.
_LEAST_BREATHING = 1e-6

_MOST_STEPS = 60
_FIRST_DAMPING = 1e-3
_MOST_DAMPING = 1e10
# The fit stands when a step would lower the sum of squares by less than this part of it.
_SMALL_GAIN = 1e-9

_NO_LENS = (
    "no lens fits the charts: tilt the chart by 30 to 45 degrees, every way, take more photos, and check "
    "that all show the same flat chart"
)


@dataclass(frozen=True, slots=True)
class LensModel:
    """What is unknown beside fx, fy, cx, cy, k1, k2, p1, p2 and the poses.

    Attributes
    ----------
    has_k3 : bool
        Whether k3 is unknown; else it is 0.
    has_bend : bool
        Whether the chart may be bent, the same in all photos: z = (b1, b2, b3) . (u^2, u v, v^2), in mm, with
        u and v from its middle and 1 at its rim; else it is flat.
    u_breathing : float
        Standard deviation of ln(focal length) of one photo about the lens's own.
    """

    has_k3: bool = False
    has_bend: bool = False
    u_breathing: float = 0.0


@dataclass(frozen=True, eq=False)
class LensFit:
    """A lens fitted to charts.

    Attributes
    ----------
    camera : Camera
        Intrinsics with their formal covariance, the noise taken from the residuals.
    cov_jackknife : ndarray of shape (9, 9)
        Covariance that the photos themselves show: by how much the lens moves when one of them is left out.
    bend_mm, cov_bend_mm2 : ndarray of shape (3,), (3, 3)
        The chart's bend (see `LensModel`) with its formal covariance.
    sag_mm : float
        From the chart's lowest point to its highest, because of that bend.
    rms_px : ndarray of shape (P,)
        RMS distance of the points seen from the points computed, for every photo.
    deviance : float
        -2 ln of the restricted likelihood, up to a constant that all breathings share.
    """

    camera: Camera
    cov_jackknife: Array
    bend_mm: Array
    cov_bend_mm2: Array
    sag_mm: float
    rms_px: Array
    deviance: float


def fit_lens(views: Sequence[ChartView], width: int, height: int, model: LensModel) -> LensFit:
    """Fit a lens to charts by least squares.

    Parameters
    ----------
    views : sequence of ChartView
        The charts, sensor's frame.
    width, height : int
        Size of the pictures, px.
    model : LensModel
        What is unknown.

    Returns
    -------
    LensFit
        The lens. Its formal covariance is s^2 N^-1 with s^2 from the residuals; its jackknife takes one
        Gauss-Newton step for every photo left out: d_i = (N - N_i)^-1 g_i, (P - 1) / P sum(d_i d_i^T).

    Raises
    ------
    GeometryError
        If the charts do not fix the lens.

    References
    ----------
    Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22(11), 2000, pp. 1330-1334.
    B. Efron, "The jackknife, the bootstrap and other resampling plans", SIAM, 1982, chapter 3 (from memory).
    """
    camera = _first_camera(views, width, height)
    state = _State(camera, np.zeros(_BEND_UNKNOWNS), tuple(_first_stand(camera, view) for view in views))
    # What was seen has its covariance up to a factor only, unlike the priors: the factor must be known first.
    noise = 1.0
    for _ in range(2):
        problem = _Problem(views, model, noise)
        state, system = _settle(problem, state)
        noise *= math.sqrt(system.cost / problem.freedom)
    return _finished(problem, system, state)


@dataclass(frozen=True, eq=False)
class _Stand:
    """Where one photo was taken from: chart to camera frame."""

    rotation: Array
    translation_mm: Array
    ln_focal: float = 0.0
    edge_bias_px: float = 0.0

    def moved(self, step: Array) -> "_Stand":
        return _Stand(
            Rotation.from_rotvec(step[:3]).as_matrix() @ self.rotation,
            self.translation_mm + step[3:6],
            self.ln_focal + float(step[_LN_FOCAL]),
            self.edge_bias_px + float(step[_EDGE_BIAS]),
        )


@dataclass(frozen=True, eq=False)
class _State:
    """Where all unknowns stand."""

    camera: Camera
    bend_mm: Array
    stands: tuple[_Stand, ...]


def _first_camera(views: Sequence[ChartView], width: int, height: int) -> Camera:
    """Return a camera with the focal length that the vanishing points give (Zhang 2000, section 3.1)."""
    flat = [np.column_stack([view.mm, np.zeros(len(view.mm))]).astype(np.float32) for view in views]
    seen = [view.px.astype(np.float32) for view in views]
    focal_px = float(cv2.initCameraMatrix2D(flat, seen, (width, height), 1.0)[0, 0])
    if not (math.isfinite(focal_px) and focal_px > 0.0):
        raise GeometryError(_NO_LENS)
    return Camera(width, height, focal_px, focal_px, (width - 1) / 2.0, (height - 1) / 2.0)


def _first_stand(camera: Camera, view: ChartView) -> _Stand:
    flat = np.column_stack([view.mm, np.zeros(len(view.mm))])
    ideal = undistort(camera, view.px)
    is_found, turn, shift = cv2.solvePnP(flat, ideal, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
    if not is_found:
        raise GeometryError(_NO_LENS)
    return _Stand(np.asarray(cv2.Rodrigues(turn)[0], dtype=float), np.asarray(shift, dtype=float).ravel())


def _settle(problem: "_Problem", state: _State) -> tuple[_State, "_System"]:
    """Return where Levenberg's and Marquardt's steps lead."""
    damping, system = _FIRST_DAMPING, problem.system(state)
    for _ in range(_MOST_STEPS):
        shared_step, steps, gain = system.step(damping)
        if gain < _SMALL_GAIN * system.cost:
            return state, system
        tried = problem.moved(state, shared_step, steps)
        moved = None if tried is None else problem.system(tried)
        if tried is not None and moved is not None and moved.cost < system.cost:
            state, system, damping = tried, moved, damping / 10.0
        else:
            damping *= 10.0
            if damping > _MOST_DAMPING:
                break
    raise GeometryError(_NO_LENS)


class _Problem:
    """The charts with their weights; makes the normal equations at any state."""

    def __init__(self, views: Sequence[ChartView], model: LensModel, noise: float) -> None:
        self._views = views
        self.noise = noise
        free = np.ones(_LENS_UNKNOWNS + _BEND_UNKNOWNS, dtype=bool)
        free[_K3], free[_LENS_UNKNOWNS:] = model.has_k3, model.has_bend
        self.free = np.flatnonzero(free)
        self._whiten = [np.linalg.inv(np.linalg.cholesky(view.cov_px2)) / noise for view in views]
        self._humps = _humps(views)
        self.prior = np.array([max(model.u_breathing, _LEAST_BREATHING), _U_EDGE_BIAS_PX]) ** -2.0

    @property
    def coordinates(self) -> int:
        """How many coordinates were seen."""
        return sum(2 * len(view.px) for view in self._views)

    @property
    def freedom(self) -> int:
        """Observations, priors included, less unknowns."""
        photos = len(self._views) * (_STAND_UNKNOWNS - len(_WITH_PRIOR))
        return self.coordinates - photos - len(self.free)

    def sag_mm(self, state: _State) -> float:
        """Return the height of the chart's bend."""
        heights_mm = np.concatenate(self._humps) @ state.bend_mm
        return float(heights_mm.max() - heights_mm.min())

    def moved(self, state: _State, shared_step: Array, steps: Sequence[Array]) -> _State | None:
        """Return a state moved by a step; None where a focal length or a chart falls behind the camera."""
        shared = np.concatenate([state.camera.parameters, state.bend_mm])
        shared[self.free] += shared_step
        stands = tuple(stand.moved(step) for stand, step in zip(state.stands, steps, strict=True))
        if shared[:2].min() <= 0.0 or min(stand.translation_mm[2] for stand in stands) <= 0.0:
            return None
        camera = state.camera.with_parameters(shared[:_LENS_UNKNOWNS])
        return _State(camera, shared[_LENS_UNKNOWNS:], stands)

    def system(self, state: _State) -> "_System":
        """Return the normal equations at a state."""
        rows = zip(self._views, self._humps, self._whiten, state.stands, strict=True)
        return _System([self._block(state, *row) for row in rows])

    def _block(self, state: _State, view: ChartView, humps: Array, whiten: Array, stand: _Stand) -> "_Block":
        points_mm = np.column_stack([view.mm, humps @ state.bend_mm])
        residual, by_lens, by_point, by_stand = _residuals(state.camera, view, points_mm, stand)
        by_bend = (by_point @ stand.rotation[:, 2])[:, :, None] * humps[:, None, :]
        shared = np.column_stack([by_lens, by_bend.reshape(len(residual), -1)])
        seen, a, b = whiten @ residual, whiten @ shared[:, self.free], whiten @ by_stand
        own, own_right = b.T @ b, b.T @ seen
        present = np.array([stand.ln_focal, stand.edge_bias_px])
        own[_WITH_PRIOR, _WITH_PRIOR] += self.prior
        own_right[_WITH_PRIOR] -= self.prior * present
        cost = float(seen @ seen + self.prior @ present**2)
        return _Block(a.T @ a, a.T @ b, own, a.T @ seen, own_right, cost, 2.0 * float(np.mean(residual**2)))


def _humps(views: Sequence[ChartView]) -> list[Array]:
    """Return u^2, u v and v^2 of every chart point, shape (N, 3): how a bend moves it out of its plane."""
    points = np.concatenate([view.mm for view in views])
    low, high = points.min(axis=0), points.max(axis=0)
    middle, half = (low + high) / 2.0, (high - low).max() / 2.0
    places = [((view.mm - middle) / half).T for view in views]
    return [np.column_stack([u * u, u * v, v * v]) for u, v in places]


def _residuals(
    camera: Camera, view: ChartView, points_mm: Array, stand: _Stand
) -> tuple[Array, Array, Array, Array]:
    """Return seen minus computed and the derivatives of what is computed.

    Shapes: (2 N,); by the lens (2 N, 9), by the point in the camera frame (N, 2, 3), by the stand (2 N, 8).
    """
    factor = math.exp(stand.ln_focal)
    own = replace(camera, fx=camera.fx * factor, fy=camera.fy * factor)
    turned = points_mm @ stand.rotation.T
    seen = project_with_jacobians(own, turned + stand.translation_mm)
    by_stand = np.empty((len(turned), 2, _STAND_UNKNOWNS))
    by_stand[:, :, :3] = np.cross(turned[:, None, :], seen.by_point)
    by_stand[:, :, 3:6] = seen.by_point
    by_stand[:, :, _LN_FOCAL] = seen.by_parameters[:, :, :2] @ (own.fx, own.fy)
    by_stand[:, :, _EDGE_BIAS] = view.bias_direction
    by_lens = seen.by_parameters.copy()
    by_lens[:, :, :2] *= factor
    computed = seen.px + stand.edge_bias_px * view.bias_direction
    shape = (2 * len(turned), -1)
    return (view.px - computed).ravel(), by_lens.reshape(shape), seen.by_point, by_stand.reshape(shape)


@dataclass(frozen=True, eq=False)
class _Block:
    """One photo's share of the normal equations: what is shared, the coupling, the photo's own unknowns."""

    shared: Array
    coupling: Array
    own: Array
    shared_right: Array
    own_right: Array
    cost: float
    square_px2: float

    def reduced(self, damping: float = 0.0) -> tuple[Array, Array]:
        """Return the matrix and right side of what is shared, with the photo's own unknowns eliminated."""
        factor = _cholesky(self.own, damping)
        matrix = self.shared - self.coupling @ linalg.cho_solve(factor, self.coupling.T)
        return matrix, self.shared_right - self.coupling @ linalg.cho_solve(factor, self.own_right)

    def own_step(self, shared_step: Array, damping: float) -> Array:
        """Return the step of the photo's own unknowns."""
        right = self.own_right - self.coupling.T @ shared_step
        step: Array = linalg.cho_solve(_cholesky(self.own, damping), right)
        return step


class _System:
    """Normal equations of all photos."""

    def __init__(self, blocks: Sequence[_Block]) -> None:
        self.blocks = blocks
        self.cost = sum(block.cost for block in blocks)

    def step(self, damping: float) -> tuple[Array, list[Array], float]:
        """Return the steps of what is shared and of the photos, and by how much they would lower the cost."""
        reduced = [block.reduced(damping) for block in self.blocks]
        matrix = sum((part for part, _ in reduced), start=np.zeros_like(reduced[0][0]))
        matrix += damping * np.diag(sum(np.diag(block.shared) for block in self.blocks))
        right = np.sum([part for _, part in reduced], axis=0)
        shared_step = linalg.cho_solve(_cholesky(matrix), right)
        steps = [block.own_step(shared_step, damping) for block in self.blocks]
        gain = sum(
            shared_step @ block.shared_right + step @ block.own_right
            for block, step in zip(self.blocks, steps, strict=True)
        )
        return shared_step, steps, float(gain)

    def jackknife(self) -> tuple[Array, Array]:
        """Return the shared unknowns' cofactors N^-1 and their covariance by the jackknife over photos."""
        parts = [block.reduced() for block in self.blocks]
        whole = np.sum([matrix for matrix, _ in parts], axis=0)
        moves = [linalg.cho_solve(_cholesky(whole - matrix), right) for matrix, right in parts]
        off = np.array(moves) - np.mean(moves, axis=0)
        count = len(self.blocks)
        cofactors: Array = linalg.cho_solve(_cholesky(whole), np.eye(len(whole)))
        return cofactors, (count - 1) / count * off.T @ off

    def log_determinant(self) -> float:
        """Return ln det of the whole normal matrix."""
        whole = np.sum([block.reduced()[0] for block in self.blocks], axis=0)
        return sum(_log_determinant(matrix) for matrix in (whole, *(block.own for block in self.blocks)))


def _cholesky(matrix: Array, damping: float = 0.0) -> tuple[Array, bool]:
    try:
        factor: tuple[Array, bool] = linalg.cho_factor(matrix + damping * np.diag(np.diag(matrix)))
    except linalg.LinAlgError as error:
        raise GeometryError(_NO_LENS) from error
    return factor


def _log_determinant(matrix: Array) -> float:
    return 2.0 * float(np.log(np.diag(_cholesky(matrix)[0])).sum())


def _finished(problem: _Problem, system: _System, state: _State) -> LensFit:
    variance_factor = system.cost / problem.freedom
    cofactors, jackknife = system.jackknife()
    size = _LENS_UNKNOWNS + _BEND_UNKNOWNS
    where = np.ix_(problem.free, problem.free)
    formal, shown = np.zeros((size, size)), np.zeros((size, size))
    formal[where], shown[where] = variance_factor * cofactors, jackknife
    # Restricted likelihood (D. A. Harville, JASA 72, 1977, from memory): ln det of the covariance of what was
    # seen and of the priors, ln det N, and the sum of squares.
    priors = len(system.blocks) * float(np.log(problem.prior).sum())
    seen = 2.0 * problem.coordinates * math.log(problem.noise)
    deviance = seen - priors + system.log_determinant() + system.cost
    lens = np.s_[:_LENS_UNKNOWNS, :_LENS_UNKNOWNS]
    return LensFit(
        replace(state.camera, cov=formal[lens]),
        shown[lens],
        state.bend_mm,
        formal[_LENS_UNKNOWNS:, _LENS_UNKNOWNS:],
        problem.sag_mm(state),
        np.sqrt([block.square_px2 for block in system.blocks]),
        deviance,
    )
