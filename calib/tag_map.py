"""From pixels to the cells of one tag: a homography behind small bends, with derivatives.

The map runs from the picture to the tag. Bends are what a lens (or a cropped picture) leaves over from a
homography: second-order terms, and radial terms about the middle of the picture. Many points are an array of
shape (2, ...), components first, so that numpy runs along the points and not along their two numbers. Such
arrays are put together by `np.array`, which takes a third of the time of `np.stack`.
"""

from dataclasses import dataclass, replace
from functools import cached_property
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
# The inverse is iterated so often, or until it moves by less than this, in half sides of the tag.
_INVERSE_STEPS, _INVERSE_STILL = 4, 1e-6


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
        """Return the places in the tag frame, shape (2, ...), of pixels, shape (2, ...)."""
        return self.mapped(px).cells

    def mapped(self, px: Array) -> "MappedPixels":
        """Return pixels, shape (2, ...), taken to the tag frame."""
        scaled = np.array([(px[i] - self.origin_px[i]) / self.scale_px for i in (0, 1)])
        straight = scaled + self._bend(scaled) if len(self.bends) else scaled
        return MappedPixels(*_project(self.homography, straight), scaled, straight)

    def by_unknowns(self, mapped: "MappedPixels", by_cells: Array) -> Array:
        """Return the derivative by the unknowns, shape (P, ...), of what depends on the place in the tag.

        Its derivative by that place has the shape (2, ...).
        """
        by_numerator = by_cells / mapped.depth
        by_depth = -(mapped.cells[0] * by_numerator[0] + mapped.cells[1] * by_numerator[1])
        derivatives = np.empty((self.unknowns, *by_depth.shape))
        for row, factor in enumerate((*by_numerator, by_depth)):
            np.multiply(factor, mapped.straight, out=derivatives[3 * row : 3 * row + 2])
        derivatives[2], derivatives[5] = by_numerator
        if len(self.bends):
            columns = self.homography[:, :2].T
            by_straight = [a * by_numerator[0] + b * by_numerator[1] + c * by_depth for a, b, c in columns]
            self._set_by_bends(derivatives[HOMOGRAPHY_UNKNOWNS:], mapped.scaled, np.array(by_straight))
        return derivatives

    def slopes(self, px: Array) -> Array:
        """Return the derivative of u and v in the tag frame by x and y, shape (2, 2, ...), cells per px."""
        half = 0.25  # px; the map is smooth over a pixel
        steps = half * np.array([[1.0, 0.0, -1.0, 0.0], [0.0, 1.0, 0.0, -1.0]])
        around = self.to_cells(px[:, None] + steps.reshape(2, 4, *[1] * (px.ndim - 1)))
        return np.asarray((around[:, :2] - around[:, 2:]) / (2.0 * half))

    def to_px(self, cells: Array) -> Array:
        """Return the pixels, shape (2, ...), of places in the tag frame."""
        straight, _ = _project(np.asarray(np.linalg.inv(self.homography)), cells)
        scaled = straight
        if len(self.bends):
            for _ in range(_INVERSE_STEPS):
                before, scaled = scaled, straight - self._bend(scaled)
                if np.abs(scaled - before).max(initial=0.0) < _INVERSE_STILL:
                    break
        return np.array([scaled[i] * self.scale_px + self.origin_px[i] for i in (0, 1)])

    @cached_property
    def corners_px(self) -> Array:
        """Corners of the black square, shape (4, 2), px."""
        return self.to_px(TAG_CORNERS.T).T

    @cached_property
    def corner_slopes(self) -> Array:
        """Derivative of u and v by x and y at each corner, shape (4, 2, 2), cells per px."""
        return np.moveaxis(self.slopes(self.corners_px.T), -1, 0)

    @cached_property
    def corners_by_unknowns(self) -> Array:
        """Derivative of the corners, x and y of each in turn, by the unknowns, shape (8, P)."""
        mapped = self.mapped(self.corners_px.T)
        cells_by_unknowns = [
            self.by_unknowns(mapped, np.repeat(unit[:, None], 4, axis=1)) for unit in np.eye(2)
        ]
        moves = -np.linalg.solve(self.corner_slopes, np.stack(cells_by_unknowns).transpose(2, 0, 1))
        return np.asarray(moves.reshape(8, -1))

    @cached_property
    def cell_px(self) -> float:
        """Smaller width of a cell in the middle of the tag, px."""
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

    def _bend(self, scaled: Array) -> Array:
        """Return how far the bends move scaled places, shape (2, ...)."""
        x, y = scaled
        arm_x, arm_y = self._arm(scaled)
        square = arm_x * arm_x + arm_y * arm_y
        third, fifth = self.bends[6:] * self.half_diagonal
        radial = square * (third + fifth * square)
        (a, b, c, d, e, f), (start_x, start_y) = self.bends[:6], self.bends[6:] @ self._radial_at_origin
        return np.array(
            [
                x * (a * x + b * y) + c * y * y + radial * arm_x - start_x,
                x * (d * x + e * y) + f * y * y + radial * arm_y - start_y,
            ]
        )

    def _set_by_bends(self, out: Array, scaled: Array, by_straight: Array) -> None:
        """Set the derivative by the bends, shape (8, ...), of what has these by the straightened place."""
        x, y = scaled
        second_order = np.array([x * x, x * y, y * y])
        np.multiply(by_straight[0], second_order, out=out[:3])
        np.multiply(by_straight[1], second_order, out=out[3:6])
        arm = self._arm(scaled)
        along_arm = self.half_diagonal * (by_straight[0] * arm[0] + by_straight[1] * arm[1])
        square = arm[0] * arm[0] + arm[1] * arm[1]
        for i, factor in enumerate((square, square * square)):
            start_x, start_y = self._radial_at_origin[i]
            out[6 + i] = factor * along_arm - start_x * by_straight[0] - start_y * by_straight[1]

    def _arm(self, scaled: Array) -> Array:
        """Return how far places lie from the middle of the picture, in half diagonals, shape (2, ...)."""
        return np.array([(scaled[i] - self.middle[i]) / self.half_diagonal for i in (0, 1)])

    @cached_property
    def _radial_at_origin(self) -> Array:
        """Radial terms of third and fifth order at the origin, shape (2, 2).

        They are taken off everywhere: the homography shifts the whole tag better.
        """
        arm = -self.middle / self.half_diagonal
        square = arm @ arm
        return np.asarray(np.stack([arm * square, arm * square * square]) * self.half_diagonal)


@dataclass(frozen=True, eq=False)
class MappedPixels:
    """Pixels taken to the tag frame, with what the derivatives by the map need.

    Attributes
    ----------
    cells : ndarray of shape (2, ...)
        Places in the tag frame.
    depth : ndarray of shape (...)
        Denominator of the homography.
    scaled, straight : ndarray of shape (2, ...)
        Scaled pixels, before and after the bends.
    """

    cells: Array
    depth: Array
    scaled: Array
    straight: Array


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


def _project(homography: Array, points: Array) -> tuple[Array, Array]:
    """Return points, shape (2, ...), put through a homography, and the denominator, shape (...)."""
    x, y = points
    across, down, depth = (row[0] * x + row[1] * y + row[2] for row in homography)
    return np.array([across / depth, down / depth]), depth
