"""The picture of a tag: its cells, the edges between them, and that picture seen through a blurred lens.

Tag frame: one unit is one cell, u right, v down, (0, 0) at the top-left corner of the black square and (8, 8)
at its bottom-right one. Arrays of cells are indexed [u, v], with one white cell of margin all around. Samples
(M groups of Q pixels) are the last two axes of an array, (..., Q, M), so that numpy runs along the many.
"""

from dataclasses import dataclass
from functools import cache
from math import pi, sqrt

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calib.targets import FAMILY_CELLS, FAMILY_CODES

Array = NDArray[np.float64]

# Lines between cells along one side, the outer border included.
LINES = FAMILY_CELLS + 1
# Corners of the black square in the tag frame, in the order that cv2.aruco returns.
TAG_CORNERS = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]) * FAMILY_CELLS
TAG_CORNERS.setflags(write=False)
# Beyond this a Gaussian is nothing next to a grey level; farther out its numbers become slow (denormal) ones.
_FARTHEST_SIGMA = 8.0


@dataclass(frozen=True, eq=False)
class CellEdges:
    """Edges, one cell long, between a black and a white cell.

    Attributes
    ----------
    middle : ndarray of shape (E, 2)
        Middle of each edge in the tag frame.
    normal : ndarray of shape (E, 2)
        Unit vector across the edge, towards white.
    line : ndarray of int of shape (E,)
        Line that the edge lies on: 0 to 8 for u = 0 to 8, 9 to 17 for v = 0 to 8.
    """

    middle: Array
    normal: Array
    line: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class BlurredCells:
    """Brightness of cells seen through B blurs, 0 for black and 1 for white; derivatives only when asked for.

    Attributes
    ----------
    cells : ndarray of shape (L + 1, L + 1, M) or (L + 1, L + 1, 1)
        Colours of the cells between and beside L lines of each direction.
    skew : ndarray of shape (Q, M) or (1, M)
        Cosine of the angle between the gradients of u and v.
    blurs_px, per_u, per_v : ndarray of shape (B, 1, 1), (B, Q, M), (B, Q, M) or (B, 1, M)
        Standard deviations of the blurs in px, and one over those in cells.
    steps_u, steps_v : ndarray of shape (4, B, L, Q, M)
        Blurred step at each line, and its derivatives by the deviate.
    first : ndarray of shape (4, B, Q, M)
        First column of cells, seen along v, and its derivatives.
    changes : ndarray of shape (4, B, L, Q, M)
        How much the colours change at each line of u, seen along v, and derivatives.
    """

    cells: Array
    skew: Array
    blurs_px: Array
    per_u: Array
    per_v: Array
    steps_u: Array
    steps_v: Array
    first: Array
    changes: Array

    @property
    def value(self) -> Array:
        """Brightness, shape (B, Q, M)."""
        return self._series(0, 0)

    @property
    def by_u(self) -> Array:
        """Derivative by u, per cell."""
        return self.per_u * self._series(1, 0)

    @property
    def by_v(self) -> Array:
        """Derivative by v, per cell."""
        return self.per_v * self._series(0, 1)

    @property
    def by_ln_blur(self) -> Array:
        """Derivative by the logarithm of the blur."""
        return self._term(2, 0) + self._term(0, 2)

    @property
    def by_bias(self) -> Array:
        """Derivative by the width, in px, by which white grows over black at every edge."""
        edges_u, edges_v = (np.abs(np.diff(self.cells, axis=axis)) for axis in (0, 1))
        along_v = _seen_along(edges_u, self.steps_v[:1])[0]
        along_u = _seen_along(edges_v.swapaxes(0, 1), self.steps_u[:1])[0]
        grown = _over_lines(self.steps_u[1], along_v) + _over_lines(self.steps_v[1], along_u)
        return np.asarray(grown / self.blurs_px)

    def _series(self, order_u: int, order_v: int) -> Array:
        """Return such derivatives of the tetrachoric series, to the second order of the skew."""
        terms = [self._term(order_u + order, order_v + order) for order in range(3)]
        return np.asarray(terms[0] + self.skew * (terms[1] + 0.5 * self.skew * terms[2]))

    def _term(self, order_u: int, order_v: int) -> Array:
        """Return the cells behind such derivatives of the steps of u and v."""
        at_lines = _over_lines(self.steps_u[order_u], self.changes[order_v])
        return at_lines if order_u else at_lines + self.first[order_v]


@cache
def tag_dictionary() -> cv2.aruco.Dictionary:
    """Return OpenCV's table of the tag36h11 codes."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


@cache
def tag_cells(tag_id: int) -> Array:
    """Return the colours of a tag's cells, 0 black and 1 white, shape (10, 10), margin included."""
    cells = np.ones((FAMILY_CELLS + 2, FAMILY_CELLS + 2))
    cells[1:-1, 1:-1] = tag_dictionary().generateImageMarker(tag_id, FAMILY_CELLS, borderBits=1).T > 0
    cells.setflags(write=False)
    return cells


@cache
def all_tag_cells() -> Array:
    """Return the black squares of the whole family, without margin, shape (587, 8, 8)."""
    cells = np.array([tag_cells(tag_id)[1:-1, 1:-1] for tag_id in range(FAMILY_CODES)])
    cells.setflags(write=False)
    return cells


@cache
def cell_edges(tag_id: int) -> CellEdges:
    """Return all edges between black and white of a tag, its outer border included."""
    cells = tag_cells(tag_id)
    across_u, across_v = np.diff(cells, axis=0), np.diff(cells, axis=1)
    line_u, row_u = np.nonzero(across_u)
    column_v, line_v = np.nonzero(across_v)
    middle = np.concatenate([np.stack([line_u, row_u - 0.5], 1), np.stack([column_v - 0.5, line_v], 1)])
    normal = np.zeros_like(middle)
    normal[: len(line_u), 0] = across_u[line_u, row_u]
    normal[len(line_u) :, 1] = across_v[column_v, line_v]
    return CellEdges(middle, normal, np.concatenate([line_u, line_v + LINES]))


def blur_cells(cells: Array, from_lines: Array, lengths: Array, skew: Array, blurs_px: Array) -> BlurredCells:
    """Return the brightness of cells seen through round Gaussian blurs.

    Parameters
    ----------
    cells : ndarray of shape (L + 1, L + 1, M) or (L + 1, L + 1, 1)
        Colours of the cells between and beside L lines of each direction; the outermost go on for ever.
    from_lines : ndarray of shape (2, L, Q, M)
        Distance of each point from the lines of u and of v, in cells.
    lengths : ndarray of shape (2, Q, M) or (2, 1, M)
        Length of the gradient of u and of v in the picture, cells per px.
    skew : ndarray of shape (Q, M) or (1, M)
        Cosine of the angle between the two gradients; 0 where the cells are rectangles.
    blurs_px : ndarray of shape (B,)
        Standard deviations of the blurs, px.

    Returns
    -------
    BlurredCells
        Brightness and derivatives for each blur.

    Notes
    -----
    A quadrant of white blurred by a round Gaussian is the bivariate normal integral, whose correlation is the
    skew. It is expanded in powers of the correlation (tetrachoric series, K. Pearson, Phil. Trans. R. Soc. A
    195, 1900, pp. 1-47), to the second order; the cells are sums of quadrants.
    """
    blurs = blurs_px[:, None, None]
    per_u, per_v = 1.0 / (blurs * lengths[:, None])
    u, v = _steps(from_lines[0] * per_u[:, None]), _steps(from_lines[1] * per_v[:, None])
    first = _seen_along(cells[:1], v)[:, :, 0]
    changes = _seen_along(np.diff(cells, axis=0), v)
    return BlurredCells(cells, skew, blurs, per_u, per_v, u, v, first, changes)


def _over_lines(steps: Array, changes: Array) -> Array:
    """Return the sum over lines, (B, Q, M), of steps times changes, (B, L, Q, M) each."""
    return np.asarray(np.einsum("blqm,blqm->bqm", steps, changes))


def _steps(deviates: Array) -> Array:
    """Return the blurred step at each line, from 0 to 1, and three derivatives, shape (4, ...)."""
    deviates = deviates.clip(-_FARTHEST_SIGMA, _FARTHEST_SIGMA)
    square = deviates * deviates
    density = np.exp(-0.5 * square) / sqrt(2.0 * pi)
    return np.array([ndtr(deviates), density, -deviates * density, (square - 1.0) * density])


def _seen_along(rows: Array, steps: Array) -> Array:
    """Return rows of colours, (K, L + 1, M), that change by such steps, (D, B, L, Q, M): (D, B, K, Q, M).

    The first D are the derivatives of orders 0 to D - 1.
    """
    jumps = np.diff(rows, axis=1)
    if rows.shape[-1] == 1:  # the same rows for all groups: one product, which is faster
        seen = (jumps[..., 0] @ steps.reshape(*steps.shape[:3], -1)).reshape(
            *steps.shape[:2], len(rows), *steps.shape[3:]
        )
    else:
        seen = np.einsum("klm,dblqm->dbkqm", jumps, steps)
    seen[0] += rows[:, :1]
    return np.asarray(seen)
