"""Straight lines of a whole picture: short segments, and the long lines that they lie on.

Frame: px of a reduced picture (`Reduced`), (0, 0) at the centre of its top-left pixel. Buildings are told
from what surrounds them by long lines, which a reduced picture shows as well as the full one, and sooner.
"""

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from vision.edges import Floats, Image, colours_at, to_lab

# Long side of the reduced picture: a seam's edges, 25 mm apart, run into one at 12 m, a hem's do not.
_LONG_SIDE_PX = 1600
# Segments shorter than this tell no direction.
_LEAST_SEED_PX = 20.0
_LEAST_MEMBER_PX = 6.0
# Members lie this near to their line, which the lens may bend; short ones may turn by their ends' doubt.
_ON_LINE_PX = 2.5
_END_DOUBT_PX = 3.0
_MOST_TURN = (0.02, 0.2)
_LAB_SMOOTH_PX = 1.0
# The grey that a photo's median is brought to, and how far its curve may be bent. It is never darkened: a
# dark roof on snow would lose its seams.
_MIDDLE_GREY = 110.0
_GAMMA = (0.4, 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Reduced:
    """A picture made smaller: its CIELAB colours, and how many full pixels one of its pixels is."""

    lab: Floats
    grey: Image
    scale: float

    def to_full(self, px: Array) -> Array:
        """Return full-picture pixels of reduced ones."""
        return (px + 0.5) * self.scale - 0.5

    def from_full(self, px: Array) -> Array:
        """Return reduced pixels of full-picture ones."""
        return (px + 0.5) / self.scale - 0.5

    def colours(self, px: Array) -> Array:
        """Return the colours at points, shape (..., 2) to (..., 3)."""
        return colours_at(self.lab, px).astype(float)


def well_lit(image: Image) -> Image:
    """Return a picture with its median brought to a middle grey by a gamma curve, so that contrasts compare.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3), uint8
        Any picture; edges stay where they are.

    Returns
    -------
    ndarray of shape (H, W, 3), uint8
        The picture as a well exposed photo would show it.
    """
    median = float(np.clip(np.median(image[::8, ::8]), 2.0, 250.0))
    gamma = float(np.clip(math.log(_MIDDLE_GREY / 255.0) / math.log(median / 255.0), *_GAMMA))
    curve = np.round(255.0 * (np.arange(256) / 255.0) ** gamma).astype(np.uint8)
    return np.asarray(cv2.LUT(image, curve), np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A long line: a point, its unit vector to the right, the segments on it, (N,), and their length."""

    middle_px: Array
    along: Array
    members: NDArray[np.intp]
    length_px: float

    @property
    def down(self) -> Array:
        """Unit vector across the line, downward in the picture."""
        return np.array([-self.along[1], self.along[0]])

    def stations(self, px: Array) -> Array:
        """Return how far along the line points lie, px."""
        stations: Array = (px - self.middle_px) @ self.along
        return stations

    def depths(self, px: Array) -> Array:
        """Return how far below the line points lie, px."""
        depths: Array = (px - self.middle_px) @ self.down
        return depths

    def at(self, stations: Array | float, depths: Array | float = 0.0) -> Array:
        """Return the points at stations along and depths below the line."""
        along = np.multiply.outer(np.asarray(stations, dtype=float), self.along)
        points: Array = self.middle_px + along + np.multiply.outer(np.asarray(depths, dtype=float), self.down)
        return points


def reduce_picture(image: Image) -> Reduced:
    """Return a picture whose long side has 1600 px at most."""
    height, width = image.shape[:2]
    scale = max(1.0, max(height, width) / _LONG_SIDE_PX)
    size = (round(width / scale), round(height / scale))
    small = image if scale == 1.0 else cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(to_lab(np.asarray(small, np.uint8)), (0, 0), _LAB_SMOOTH_PX)
    return Reduced(
        np.asarray(smooth, np.float32),
        np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), np.uint8),
        width / size[0],
    )


def find_segments(picture: Reduced) -> Array:
    """Return straight segments, shape (N, 2, 2), the upper end first.

    References
    ----------
    R. Grompone von Gioi et al., "LSD: a line segment detector", IPOL 2, 2012, pp. 35-55 (run by OpenCV).
    """
    found: Any = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(picture.grey)[0]
    # A picture without a segment gives none, not an empty array.
    segments = np.asarray([] if found is None else found, dtype=float).reshape(-1, 2, 2)
    is_upside_down = segments[:, 0, 1] > segments[:, 1, 1]
    segments[is_upside_down] = segments[is_upside_down][:, ::-1]
    return segments


def find_lines(segments: Array, least_px: float) -> list[Line]:
    """Return the long lines on which segments lie, the one with the longest segment first.

    Parameters
    ----------
    segments : ndarray of shape (N, 2, 2)
        What `find_segments` gave.
    least_px : float
        Length of its members together, at least.

    Returns
    -------
    list of Line
        A segment may lie on several lines, but starts only one.
    """
    steps = segments[:, 1] - segments[:, 0]
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    is_taken = np.zeros(len(segments), dtype=bool)
    lines = []
    for seed in np.argsort(-lengths, kind="stable"):
        if lengths[seed] < _LEAST_SEED_PX:
            break
        if is_taken[seed]:
            continue
        line = _grown(segments, lengths, steps, seed)
        is_taken[line.members] = True
        if line.length_px >= least_px:
            lines.append(line)
    return lines


def _grown(segments: Array, lengths: Array, steps: Array, seed: int) -> Line:
    """Return the line through a segment and those that lie on it."""
    turns = np.clip(_END_DOUBT_PX / lengths, *_MOST_TURN) * lengths
    line = Line(segments[seed].mean(axis=0), steps[seed] / lengths[seed], np.array([seed]), lengths[seed])
    for _ in range(3):
        off = np.abs(line.depths(segments)).max(axis=1)
        is_on = (off < _ON_LINE_PX) & (np.abs(steps @ line.down) < turns) & (lengths > _LEAST_MEMBER_PX)
        members = np.flatnonzero(is_on)
        if not members.size:
            return line
        line = _fitted(segments, lengths, members)
    return line


def _fitted(segments: Array, lengths: Array, members: NDArray[np.intp]) -> Line:
    ends = segments[members].reshape(-1, 2)
    weight = np.repeat(lengths[members], 2)
    middle = np.average(ends, axis=0, weights=weight)
    off = ends - middle
    along = np.linalg.eigh((off * weight[:, None]).T @ off)[1][:, 1]
    return Line(middle, along if along[0] > 0.0 else -along, members, float(lengths[members].sum()))
