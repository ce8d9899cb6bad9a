"""Straight edges in a small part of a picture: edgels to a fraction of a pixel, and lines through them.

Frame: px of the picture that the part was cut from, (0, 0) at the centre of its top-left pixel. Contrast is
in CIELAB units, so that edges of colour count like edges of light.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Array

Image = NDArray[np.uint8]
Floats = NDArray[np.float32]
Indices = NDArray[np.intp]

# Smoothing before the gradient is taken; as much as a sharp photo's own blur.
_SMOOTH_PX = 1.0
# What lies this near the rim of the part has no full neighbourhood.
_RIM_PX = 3
# Fainter than this (CIELAB units per px), an edgel is noise or texture; found by trial on metal roofs.
_LEAST_CONTRAST = 1.0
# Edgels belong to a line within this distance and within 20 degrees of its direction.
_ON_LINE_PX = 0.8
_ON_LINE_COS = 0.94
_LEAST_EDGELS = 7
_MOST_LINES = 10
# Tangents looked at in each round, and those of them that are fitted.
_SEEDS, _TRIED = 40, 4
# Neighbouring edgels share their noise: this many in a row count as one (2 sqrt(pi) times the smoothing).
_EDGELS_PER_FACT = 3.5
# No edge is known better than this at one fact: pixels are not points, lenses not perfect (no source).
_LEAST_SCATTER_PX = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Edgels:
    """Points of an edge: where, which way it faces (a unit vector across it), and how strong it is."""

    px: Array
    across: Array
    contrast: Array

    def __len__(self) -> int:
        return len(self.px)

    def chosen(self, where: Indices | NDArray[np.bool_]) -> "Edgels":
        """Return some of the edgels."""
        return Edgels(self.px[where], self.across[where], self.contrast[where])


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """A straight edge.

    Attributes
    ----------
    middle_px : ndarray of shape (2,)
        The centre of gravity of its edgels.
    across : ndarray of shape (2,)
        Unit vector across it.
    cov : ndarray of shape (2, 2)
        Covariance of its offset across at the middle, px, and of its angle, rad.
    edgels : Edgels
        The edgels on it.
    """

    middle_px: Array
    across: Array
    cov: Array
    edgels: Edgels

    @property
    def along(self) -> Array:
        """Unit vector along the edge, a quarter turn clockwise from `across` as seen."""
        return np.array([-self.across[1], self.across[0]])

    def stations(self) -> Array:
        """Return how far along the edge each edgel lies from the middle, px."""
        stations: Array = (self.edgels.px - self.middle_px) @ self.along
        return stations


def to_lab(image: Image) -> Floats:
    """Return a picture's CIELAB colours, shape (H, W, 3)."""
    return np.asarray(cv2.cvtColor(image.astype(np.float32) / 255.0, cv2.COLOR_BGR2Lab), np.float32)


def colours_at(lab_or_image: Image | Floats, px: Array) -> Floats:
    """Return the values of a picture of three channels at points, shape (..., 2) to (..., 3)."""
    x, y = (px[..., axis].reshape(1, -1).astype(np.float32) for axis in (0, 1))
    seen = cv2.remap(lab_or_image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, np.float32).reshape(*px.shape[:-1], 3)


def find_edgels(image: Image, low: Sequence[int], high: Sequence[int]) -> Edgels:
    """Return the edgels of a rectangle of a picture.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3), uint8
        Blue, green, red.
    low, high : sequence of int
        First column and row, and those after the last.

    Returns
    -------
    Edgels
        Where the colour gradient is largest across itself, to a fraction of a pixel (a parabola through three
        samples of it).

    References
    ----------
    S. Di Zenzo, "A note on the gradient of a multi-image", CVGIP 33(1), 1986, pp. 116-125 (from memory).
    """
    part = image[low[1] : high[1], low[0] : high[0]]
    size, across = _gradient(np.asarray(cv2.GaussianBlur(to_lab(part), (0, 0), _SMOOTH_PX), np.float32))
    rows, columns = np.mgrid[0 : size.shape[0], 0 : size.shape[1]].astype(np.float32)
    ahead, behind = (
        cv2.remap(size, columns + sign * across[0], rows + sign * across[1], cv2.INTER_LINEAR)
        for sign in (1.0, -1.0)
    )
    bend = ahead - 2.0 * size + behind
    is_peak = (size >= ahead) & (size > behind) & (bend < 0.0) & (size > _LEAST_CONTRAST)
    is_peak[:_RIM_PX] = is_peak[-_RIM_PX:] = is_peak[:, :_RIM_PX] = is_peak[:, -_RIM_PX:] = False
    row, column = np.nonzero(is_peak)
    here = row, column
    step = 0.5 * (behind[here] - ahead[here]) / bend[here]
    facing = np.column_stack([across[0][here], across[1][here]]).astype(float)
    px = np.column_stack([column, row]) + step[:, None] * facing + np.asarray(low, dtype=float)
    return Edgels(px, facing, size[here].astype(float))


def _gradient(lab: Floats) -> tuple[Floats, tuple[Floats, Floats]]:
    """Return the size of the colour gradient and the unit vector along it, by the structure tensor."""
    by_x, by_y = (cv2.Sobel(lab, cv2.CV_32F, *order, ksize=3, scale=1.0 / 8.0) for order in ((1, 0), (0, 1)))
    xx, xy, yy = (np.sum(a * b, axis=2) for a, b in ((by_x, by_x), (by_x, by_y), (by_y, by_y)))
    spread = np.sqrt((xx - yy) ** 2 + 4.0 * xy**2)
    angle = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    return np.sqrt(0.5 * (xx + yy + spread)), (np.cos(angle), np.sin(angle))


def find_edges(edgels: Edgels) -> list[Edge]:
    """Return the straight edges through edgels, the strongest first.

    Parameters
    ----------
    edgels : Edgels
        What to explain; an edgel serves one edge at most.

    Returns
    -------
    list of Edge
        At most ten, each through seven edgels or more.

    Notes
    -----
    Greedy: each round tries the tangents of the strongest edgels, takes the one with most contrast on it,
    fits it by orthogonal regression. Nothing is drawn at random.
    """
    left = edgels.chosen(np.argsort(-edgels.contrast, kind="stable"))
    if len(left):
        # One glaring edge must not outweigh all others.
        strength = np.minimum(left.contrast, np.percentile(left.contrast, 90.0))
    edges: list[Edge] = []
    while len(left) >= _LEAST_EDGELS and len(edges) < _MOST_LINES:
        is_on = _strongest_line(left, strength)
        if is_on.sum() < _LEAST_EDGELS:
            break
        edges.append(fit_edge(left.chosen(is_on)))
        left, strength = left.chosen(~is_on), strength[~is_on]
    return edges


def _strongest_line(edgels: Edgels, strength: Array) -> NDArray[np.bool_]:
    """Return which edgels lie on the strongest line."""
    seeds = np.linspace(0, len(edgels) - 1, min(_SEEDS, len(edgels))).astype(int)
    px, across = edgels.px, edgels.across
    tangents = across[seeds]
    offsets = tangents @ px.T - np.sum(px[seeds] * tangents, axis=1)[:, None]
    is_near = (np.abs(offsets) < 1.5 * _ON_LINE_PX) & (np.abs(tangents @ across.T) > _ON_LINE_COS)
    best, best_sum = np.zeros(len(edgels), dtype=bool), 0.0
    for seed in np.argsort(-(is_near @ strength), kind="stable")[:_TRIED]:
        is_on = is_near[seed]
        for _ in range(2):
            middle, facing = _regression(px[is_on], strength[is_on])
            is_on = (np.abs((px - middle) @ facing) < _ON_LINE_PX) & (np.abs(across @ facing) > _ON_LINE_COS)
            if not is_on.any():
                break
        total = float(strength[is_on].sum())
        if total > best_sum:
            best, best_sum = is_on, total
    return best


def _regression(px: Array, weight: Array) -> tuple[Array, Array]:
    """Return the middle of points and the unit vector across the line that is nearest to them."""
    middle = weight @ px / weight.sum()
    x, y = (px - middle).T
    # The main axis of the second moments; a quarter turn from it lies across.
    angle = 0.5 * math.atan2(2.0 * float(weight @ (x * y)), float(weight @ (x * x - y * y)))
    return middle, np.array([-math.sin(angle), math.cos(angle)])


def fit_edge(edgels: Edgels) -> Edge:
    """Return the line through edgels by orthogonal regression, with its covariance.

    Parameters
    ----------
    edgels : Edgels
        Two or more.

    Returns
    -------
    Edge
        Its covariance is that of a straight-line fit with the scatter of the residuals (JCGM 100:2008, H.3),
        3.5 edgels in a row counting as one.
    """
    middle, across = _regression(edgels.px, np.ones(len(edgels)))
    from_middle = edgels.px - middle
    scatter = np.sum((from_middle @ across) ** 2) / max(len(edgels) - 2, 1)
    variance = _EDGELS_PER_FACT * max(scatter, _LEAST_SCATTER_PX**2)
    lever = np.sum((from_middle @ (-across[1], across[0])) ** 2)
    cov = np.diag([variance / len(edgels), variance / max(lever, 1e-9)])
    return Edge(middle, across, cov, edgels)
