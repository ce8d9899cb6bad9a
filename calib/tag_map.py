"""From pixels to the cells of one tag: a homography behind small bends, with derivatives.

The map runs from the picture to the tag. Bends are what a lens (or a cropped picture) leaves over from a
homography: second-order terms, and radial terms about the middle of the picture.
"""

from dataclasses import dataclass, replace
from math import hypot
from typing import Self

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.tag_cells import TAG_CORNERS

Array = NDArray[np.float64]

HOMOGRAPHY_UNKNOWNS = 8
BEND_UNKNOWNS = 8

# Standard deviation of a lens's radial distortion at the corner of the picture, as a part of half its
# diagonal, before the tag itself is asked. Phones keep within 2 %, wide lenses reach 10 %. Common practice,
# no source.
_U_RADIAL = 0.05
# Second-order terms, per half side of the tag and half diagonal of the picture: an off-centre crop of such a
# lens makes 3 x 0.05 x (distance of the two centres), and a quarter of the half diagonal is a strong crop.
_U_SECOND_ORDER = 0.04
_INVERSE_STEPS = 4


@dataclass(frozen=True, eq=False)
class CellMap:
    """Pixels to cells of one tag, at one level of the pyramid.

    Attributes
    ----------
    origin_px : ndarray of shape (2,)
        Pixel about which the map is written.
    scale_px : float
        Half the side of the tag, px.
    homography : ndarray of shape (3, 3)
        From straightened, scaled pixels to cells.
    bends : ndarray of shape (8,) or (0,)
        Second-order and radial terms; none for a tag too small to feel them.
    middle : ndarray of shape (2,)
        Middle of the picture, scaled.
    half_diagonal : float
        Half the picture's diagonal, scaled.
    """

    origin_px: Array
    scale_px: float
    homography: Array
    bends: Array
    middle: Array
    half_diagonal: float

    @property
    def unknowns(self) -> int:
        """Number of unknowns: eight of the homography, then the bends."""
        return HOMOGRAPHY_UNKNOWNS + len(self.bends)

    def bend_sigmas(self) -> Array:
        """Return the standard deviations of the bends before they are measured, shape (8,) or (0,)."""
        second_order = _U_SECOND_ORDER / self.half_diagonal
        return np.array([second_order] * 6 + [_U_RADIAL] * 2)[: len(self.bends)]

    def to_cells(self, px: Array) -> Array:
        """Return the places in the tag frame, shape (..., 2), of pixels, shape (..., 2)."""
        scaled = (px - self.origin_px) / self.scale_px
        if len(self.bends):
            scaled = scaled + self._bend_basis(scaled) @ self.bends
        return _project(self.homography, scaled)

    def to_cells_with_derivatives(self, px: Array) -> tuple[Array, Array]:
        """Return places in the tag frame and their derivatives by the unknowns, shape (..., 2, P)."""
        scaled = (px - self.origin_px) / self.scale_px
        basis = self._bend_basis(scaled) if len(self.bends) else np.zeros((*scaled.shape, 0))
        straight = scaled + basis @ self.bends
        depth = straight @ self.homography[2, :2] + self.homography[2, 2]
        cells = (straight @ self.homography[:2, :2].T + self.homography[:2, 2]) / depth[..., None]
        derivatives = np.zeros((*px.shape, self.unknowns))
        derivatives[..., 0, 0:2] = derivatives[..., 1, 3:5] = straight / depth[..., None]
        derivatives[..., 0, 2] = derivatives[..., 1, 5] = 1.0 / depth
        derivatives[..., 6:8] = -cells[..., :, None] * derivatives[..., 0, None, 0:2]
        if len(self.bends):
            slope = (self.homography[:2, :2] - cells[..., :, None] * self.homography[2, :2]) / depth[
                ..., None, None
            ]
            derivatives[..., HOMOGRAPHY_UNKNOWNS:] = slope @ basis
        return cells, derivatives

    def slopes(self, px: Array) -> Array:
        """Return the derivative of the place in the tag frame by the pixel, (..., 2, 2), cells per px."""
        half = 0.25  # px; the map is smooth over a pixel
        around = self.to_cells(
            px[..., None, :] + half * np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])
        )
        return np.swapaxes(around[..., :2, :] - around[..., 2:, :], -1, -2) / (2.0 * half)

    def to_px(self, cells: Array) -> Array:
        """Return the pixels, shape (..., 2), of places in the tag frame."""
        straight = _project(np.asarray(np.linalg.inv(self.homography)), cells)
        scaled = straight
        if len(self.bends):
            for _ in range(_INVERSE_STEPS):
                scaled = straight - self._bend_basis(scaled) @ self.bends
        return scaled * self.scale_px + self.origin_px

    def corners_px(self) -> Array:
        """Return the corners of the black square, shape (4, 2), px."""
        return self.to_px(TAG_CORNERS)

    def cell_px(self) -> float:
        """Return the smaller width of a cell in the middle of the tag, px."""
        slopes = self.slopes(self.to_px(TAG_CORNERS.mean(axis=0)))
        return float(1.0 / np.linalg.norm(slopes, axis=1).max())

    def moved(self, step: Array) -> Self:
        """Return the map after a step of its unknowns, shape (P,)."""
        homography = self.homography.copy()
        homography.flat[:HOMOGRAPHY_UNKNOWNS] += step[:HOMOGRAPHY_UNKNOWNS]
        return replace(self, homography=homography, bends=self.bends + step[HOMOGRAPHY_UNKNOWNS:])

    def enlarged(self, factor: float) -> Self:
        """Return the map in a picture enlarged about its top-left corner, which is half a px off (0, 0)."""
        return replace(self, origin_px=(self.origin_px + 0.5) * factor - 0.5, scale_px=self.scale_px * factor)

    def _bend_basis(self, scaled: Array) -> Array:
        x, y = scaled[..., 0], scaled[..., 1]
        basis = np.zeros((*scaled.shape, BEND_UNKNOWNS))
        basis[..., 0, 0] = basis[..., 1, 3] = x * x
        basis[..., 0, 1] = basis[..., 1, 4] = x * y
        basis[..., 0, 2] = basis[..., 1, 5] = y * y
        # What the radial terms do to the origin is taken off: the homography shifts the whole tag better.
        basis[..., 6:] = self._radial(scaled) - self._radial(np.zeros(2))
        return basis

    def _radial(self, scaled: Array) -> Array:
        arm = (scaled - self.middle) / self.half_diagonal
        square = np.sum(arm * arm, axis=-1)[..., None]
        return np.stack([arm * square, arm * square * square], axis=-1) * self.half_diagonal


def map_from_corners(corners_px: Array, width: int, height: int, least_sag_px: float) -> CellMap:
    """Return the map through four corners.

    Parameters
    ----------
    corners_px : ndarray of shape (4, 2)
        Corners of the black square, px.
    width, height : int
        Size of the picture, px.
    least_sag_px : float
        Bends are left out when a lens could hardly bow the tag's edges by more than this.

    Returns
    -------
    CellMap
        A map without distortion yet.

    Notes
    -----
    A radial term c r^3 / R^2 bows a side s at radius r by about (s^2 / 8) 6 c r / R^2.
    """
    origin = corners_px.mean(axis=0)
    side = float(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1).mean())
    scale = 0.5 * side
    homography = cv2.getPerspectiveTransform(
        ((corners_px - origin) / scale).astype(np.float32), TAG_CORNERS.astype(np.float32)
    )
    middle = np.array([width - 1.0, height - 1.0]) / 2.0 - origin
    half_diagonal = hypot(width, height) / 2.0
    radius = float(np.linalg.norm(middle)) + scale
    sag = side**2 / 8.0 * 6.0 * _U_RADIAL * radius / half_diagonal**2
    bends = np.zeros(BEND_UNKNOWNS if sag > least_sag_px else 0)
    return CellMap(origin, scale, homography / homography[2, 2], bends, middle / scale, half_diagonal / scale)


def _project(homography: Array, points: Array) -> Array:
    depth = points @ homography[2, :2] + homography[2, 2]
    mapped: Array = (points @ homography[:2, :2].T + homography[:2, 2]) / depth[..., None]
    return mapped
