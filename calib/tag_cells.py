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
    """Brightness of blurred cells, 0 for black and 1 for white, with its derivatives.

    Attributes
    ----------
    value : ndarray of shape (B, Q, M)
        Brightness.
    by_u, by_v : ndarray of shape (B, Q, M)
        Derivative by the place in the tag frame, per cell.
    by_ln_blur : ndarray of shape (B, Q, M)
        Derivative by the logarithm of the blur.
    by_bias : ndarray of shape (B, Q, M)
        Derivative by the width, in px, by which white grows over black at every edge.
    """

    value: Array
    by_u: Array
    by_v: Array
    by_ln_blur: Array
    by_bias: Array


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
    # Along v: the first column of cells, then by how much the colours change at each line of u.
    first = _seen_along(cells[:1], v)[:, :, 0]
    changes = _seen_along(np.diff(cells, axis=0), v)

    def term(order_u: int, order_v: int) -> Array:
        """Return the cells behind such derivatives of the steps of u and v."""
        at_lines = np.einsum("blqm,blqm->bqm", u[order_u], changes[order_v])
        return np.asarray(at_lines if order_u else at_lines + first[order_v])

    half_square = 0.5 * skew * skew
    edges_u = _seen_along(np.abs(np.diff(cells, axis=0)), v[:1])[0]
    edges_v = _seen_along(np.abs(np.diff(cells, axis=1)).swapaxes(0, 1), u[:1])[0]
    by_bias = np.einsum("blqm,blqm->bqm", u[1], edges_u) + np.einsum("blqm,blqm->bqm", v[1], edges_v)
    return BlurredCells(
        term(0, 0) + skew * term(1, 1) + half_square * term(2, 2),
        per_u * (term(1, 0) + skew * term(2, 1) + half_square * term(3, 2)),
        per_v * (term(0, 1) + skew * term(1, 2) + half_square * term(2, 3)),
        term(2, 0) + term(0, 2),
        by_bias / blurs,
    )


def _steps(deviates: Array) -> Array:
    """Return the blurred step at each line, from 0 to 1, and three derivatives, shape (4, ...)."""
    deviates = deviates.clip(-_FARTHEST_SIGMA, _FARTHEST_SIGMA)
    density = np.exp(-0.5 * deviates * deviates) / sqrt(2.0 * pi)
    return np.stack([ndtr(deviates), density, -deviates * density, (deviates * deviates - 1.0) * density])


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
