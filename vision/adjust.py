"""Least squares on a network: Levenberg-Marquardt with the points eliminated, and what follows from it.

The covariance of anything is G N^-1 G^T with the normal matrix N; its split by source of uncertainty is exact
for the linearised problem, because the solution is a linear function of all observations, priors included.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import linalg, sparse, special

from calib.camera import Array
from calib.errors import GeometryError
from vision.equations import Equations, build_equations
from vision.network import Layout, Network

_MOST_STEPS = 100
_FIRST_DAMPING = 1e-3
# Largest step down of the damping, after a step that did as well as hoped.
_LOWER_BY = 0.1
_MOST_DAMPING = 1e10
# The step that would lower the sum of squares by less than this part is the last one.
_SMALL_GAIN = 1e-6
# So few unknowns are faster multiplied as a dense matrix than as a sparse one.
_FEW_UNKNOWNS = 200
# Residuals larger than chance gives once in a hundred times make every uncertainty larger.
_CHANCE = 0.01

_TOO_FEW = "the photos and targets do not fix the geometry: too few sightings for the unknowns"


@dataclass(frozen=True, eq=False)
class Solution:
    """An adjusted network.

    Attributes
    ----------
    network : Network
        The network at its adjusted values.
    layout : Layout
        Where its unknowns stand.
    equations : Equations
        Residuals and derivatives at the solution.
    steps : int
        Steps it took.
    """

    network: Network
    layout: Layout
    equations: Equations
    steps: int
    _normal: "_Normal"

    def covariance(self, gradients: Array) -> Array:
        """Return the covariance of outputs with these gradients by the unknowns, shape (Q, N) to (Q, Q)."""
        cov: Array = self.variance_factor * (gradients @ self._normal.solve(gradients.T))
        return cov

    @property
    def variance_factor(self) -> float:
        """How much larger the residuals are than the noise model says, squared; 1 where chance explains it.

        The ratio of R. T. Birge, "The calculation of errors by the method of least squares", Physical Review
        40, 1932 (from memory), used where the chi-square test speaks against the noise model only.
        """
        freedom = self.equations.residuals.size - self.layout.size
        if freedom <= 0 or special.chdtrc(freedom, self.equations.cost) > _CHANCE:
            return 1.0
        return self.equations.cost / freedom

    def budget(self, gradient: Array) -> Mapping[str, float]:
        """Return the standard uncertainty that each source adds to one output.

        Parameters
        ----------
        gradient : ndarray of shape (N,)
            Derivative of the output by the unknowns.

        Returns
        -------
        Mapping
            Source to standard uncertainty; the squares add up to the output's variance.

        Notes
        -----
        The estimate moves by ``g^T N^-1 J^T dr`` when the whitened observations move by dr, each of unit
        variance: JCGM 100:2008, 5.1.2, Eq. (10), with these sensitivity coefficients.
        """
        moved = np.asarray(self.equations.jacobian @ self._normal.solve(gradient[:, None])[:, 0])
        shares = self.variance_factor * moved**2
        budget: dict[str, float] = {}
        for source, share in zip(self.equations.sources, shares.tolist(), strict=True):
            budget[source] = budget.get(source, 0.0) + share
        return {source: float(np.sqrt(total)) for source, total in budget.items()}


class _Normal:
    """The normal matrix, scaled to a unit diagonal, with the 3 x 3 blocks of the points eliminated."""

    def __init__(self, equations: Equations, first_point: int, damping: float = 0.0) -> None:
        jacobian = equations.jacobian
        size = jacobian.shape[1]
        squares = np.bincount(jacobian.indices, jacobian.data**2, minlength=size)
        self._scale = 1.0 / np.sqrt(np.maximum(squares, 1e-300))
        self._first = first_point
        self._has_points = size > first_point
        if size <= _FEW_UNKNOWNS and not self._has_points:
            dense = jacobian.toarray() * self._scale
            reduced = dense.T @ dense
            reduced[np.diag_indices(size)] += damping
        else:
            reduced = self._without_points(jacobian, damping)
        try:
            self._factor = linalg.cho_factor(reduced, overwrite_a=True, check_finite=False)
        except linalg.LinAlgError as error:
            raise GeometryError(_TOO_FEW) from error

    def _without_points(self, jacobian: sparse.csr_array, damping: float) -> Array:
        """Return the normal matrix of all but the points, these eliminated."""
        first, (rows, size) = self._first, jacobian.shape
        values = jacobian.data * self._scale[jacobian.indices]
        scaled = sparse.csr_array((values, jacobian.indices, jacobian.indptr), (rows, size))
        turned = scaled.T.tocsr()
        reduced: Array = (turned[:first] @ scaled[:, :first]).toarray()
        reduced[np.diag_indices(first)] += damping
        if self._has_points:
            of_points = turned[first:] @ scaled
            self._coupling = of_points[:, :first]
            self._blocks = _inverse_blocks(of_points[:, first:].tocoo(), size - first, damping)
            reduced -= (self._coupling.T.tocsr() @ (self._blocks @ self._coupling)).toarray()
        return reduced

    def solve(self, right: Array) -> Array:
        """Solve N x = right for right of shape (N, Q)."""
        scaled = self._scale[:, None] * right
        own, points = scaled[: self._first], scaled[self._first :]
        if self._has_points:
            own = own - self._coupling.T @ (self._blocks @ points)
        first = linalg.cho_solve(self._factor, own, check_finite=False)
        if self._has_points:
            points = self._blocks @ (points - self._coupling @ first)
        solved: Array = self._scale[:, None] * np.vstack([first, points])
        return solved


def _inverse_blocks(matrix: sparse.coo_array, size: int, damping: float) -> sparse.csr_array:
    count = size // 3
    blocks = np.zeros((count, 3, 3))
    row, column = matrix.coords
    blocks[row // 3, row % 3, column % 3] = matrix.data
    blocks += damping * np.eye(3)
    indices = 3 * np.arange(count)
    where = (
        np.broadcast_to(indices[:, None, None] + np.arange(3)[:, None], (count, 3, 3)).ravel(),
        np.broadcast_to(indices[:, None, None] + np.arange(3), (count, 3, 3)).ravel(),
    )
    try:
        inverse = np.linalg.inv(blocks)
    except np.linalg.LinAlgError as error:
        raise GeometryError(_TOO_FEW) from error
    return sparse.csr_array((inverse.ravel(), where), shape=(size, size))


def adjust(network: Network) -> Solution:
    """Adjust a network by least squares.

    Parameters
    ----------
    network : Network
        Observations, and unknowns at start values near the solution.

    Returns
    -------
    Solution
        The adjusted network with its normal matrix.

    Raises
    ------
    GeometryError
        If the observations do not fix the unknowns, or no solution is reached.

    References
    ----------
    B. Triggs et al., "Bundle adjustment: a modern synthesis", Vision Algorithms, LNCS 1883, 2000, sections 4
    and 6. Damping after H. B. Nielsen, "Damping parameter in Marquardt's method", 1999 (from memory).
    """
    layout = Layout(network)
    equations = build_equations(network, layout)
    damping, raise_by = _FIRST_DAMPING, 2.0
    for count in range(1, _MOST_STEPS + 1):
        right = equations.jacobian.T @ equations.residuals
        step = _Normal(equations, layout.first_point, damping).solve(right[:, None])[:, 0]
        hoped = float(step @ right)
        is_last = hoped < _SMALL_GAIN * (1.0 + equations.cost)
        tried = _try_step(network, layout, step)
        if tried is not None and tried[1].cost < equations.cost:
            ratio = (equations.cost - tried[1].cost) / hoped
            network, equations = tried
            damping *= max(_LOWER_BY, 1.0 - (2.0 * ratio - 1.0) ** 3)
            raise_by = 2.0
        elif not is_last:
            damping *= raise_by
            raise_by *= 2.0
        if is_last:
            return Solution(network, layout, equations, count, _Normal(equations, layout.first_point))
        if damping > _MOST_DAMPING:
            break
    msg = (
        "the adjustment did not settle: the photos contradict each other, or the wrong target file was given"
    )
    raise GeometryError(msg)


def _try_step(network: Network, layout: Layout, step: Array) -> tuple[Network, Equations] | None:
    try:
        moved = network.moved(layout, step)
        return moved, build_equations(moved, layout)
    except GeometryError:
        return None
