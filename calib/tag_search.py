"""Where tags may be in a picture: dark four-sided shapes whose cells read like a code, turned or mirrored.

Corners found here are good to a pixel or so of the level they were seen at; `calib.tag_fit` does the rest.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.tag_cells import all_tag_cells, tag_dictionary
from calib.targets import FAMILY_CELLS, FAMILY_CODES

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

# Sides of the tags that a level of the pyramid is asked for; the finest level is asked for smaller ones too.
_LEAST_SIDE_PX, _LEAST_SIDE_FINEST_PX = 18.0, 12.0
# Sides of the small tags, px, that are looked for once more in the doubled picture.
_SMALL_SIDES_PX = (12.0, 40.0)
# A level is not halved again below this size: no tag of 18 px would find its margin there.
_LEAST_LEVEL_PX = 48
# Windows of the adaptive threshold: larger than a cell of the tags that a level is for. Found by trial.
_WINDOW_PX, _DOUBLED_WINDOW_PX = 13, 9
# For glare and covered edges: step below the mean of the window that counts as dark, grey levels, and part of
# an outline that a finger or a clamp may bite out of it. OpenCV's own are 7 and 0.03.
_LENIENT_STEP, _LENIENT_BITE = 5.0, 0.06
# The doubled picture is made in bands of so many rows, to keep 100 MP within memory.
_BAND_ROWS = 2048
# Points read across the middle half of each cell, along each side.
_READINGS = 3
# Correlation of 64 cells with a code from which a shape is worth fitting, and its lead over the next code:
# codes differ in 11 cells at least, other shapes are about equally unlike several. Both found by trial.
_LEAST_SCORE, _LEAST_LEAD = 0.5, 0.08
_LEAST_CONTRAST = 4.0
# Outlines run this far inside the edge; corners flatter than this (sine) are left where they are.
_OUTLINE_PX = 0.5
_FLAT_CORNER = 0.2


@dataclass(frozen=True, eq=False)
class Candidate:
    """A shape that reads like a tag.

    Attributes
    ----------
    tag_id : int
        Code that its cells are most like.
    corners_px : ndarray of shape (4, 2)
        Corners in the full picture, in the order of the tag's own picture.
    score : float
        Correlation of its cells with the code.
    is_mirrored : bool
        True if the code reads only from behind.
    px_per_px : float
        Pixels of the full picture per pixel of the level where it was seen.
    """

    tag_id: int
    corners_px: Array
    score: float
    is_mirrored: bool
    px_per_px: float

    @property
    def side_px(self) -> float:
        """Mean side, px of the full picture."""
        return float(np.linalg.norm(self.corners_px - np.roll(self.corners_px, 1, axis=0), axis=1).mean())


def halved_levels(picture: Grey) -> tuple[Grey, ...]:
    """Return the picture and each time half of it, exactly (an odd last row or column is left out)."""
    levels = [picture]
    while min(levels[-1].shape) >= 2 * _LEAST_LEVEL_PX:
        height, width = (size // 2 for size in levels[-1].shape)
        even = levels[-1][: 2 * height, : 2 * width]
        levels.append(np.asarray(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA), np.uint8))
    return tuple(levels)


def search_levels(levels: Sequence[Grey]) -> Iterator[tuple[Candidate, ...]]:
    """Search from the coarsest level to the finest.

    Parameters
    ----------
    levels : sequence of ndarray
        As `halved_levels` returns them.

    Yields
    ------
    tuple of Candidate
        What one level gave; the caller stops asking when it has all it wants.
    """
    for level in range(len(levels) - 1, -1, -1):
        least_px = _LEAST_SIDE_PX if level else _LEAST_SIDE_FINEST_PX
        quads = _four_sided_shapes(levels[level], (least_px, np.inf), _WINDOW_PX)
        yield read_codes(levels[level], quads, 2.0**level)


def search_around(picture: Grey, found: Sequence[Candidate], px_per_px: float) -> tuple[Candidate, ...]:
    """Search a level of the pyramid only around what a coarser one gave, half a side of each on all sides."""
    quads = [np.empty((0, 4, 2))]
    for item in found:
        corners = (item.corners_px + 0.5) / px_per_px - 0.5
        margin = 0.5 * item.side_px / px_per_px
        left, top = np.maximum(np.floor(corners.min(axis=0) - margin), 0.0).astype(int)
        right, bottom = np.ceil(corners.max(axis=0) + margin).astype(int) + 1
        in_part = _four_sided_shapes(picture[top:bottom, left:right], (_LEAST_SIDE_PX, np.inf), _WINDOW_PX)
        quads.append(in_part + np.array([left, top]))
    return read_codes(picture, np.concatenate(quads), px_per_px)


def search_covered(levels: Sequence[Grey]) -> tuple[Candidate, ...]:
    """Search all levels but the finest once more, for tags whose outline is partly covered or in glare."""
    found: list[Candidate] = []
    for level in range(1, len(levels)):
        quads = _four_sided_shapes(levels[level], (_LEAST_SIDE_PX, np.inf), _WINDOW_PX, is_lenient=True)
        found.extend(read_codes(levels[level], quads, 2.0**level))
    return tuple(found)


def search_small(picture: Grey) -> tuple[Candidate, ...]:
    """Search the full picture for tags of 12 to 40 px, by doubling it."""
    return read_codes(picture, _small_shapes(picture), 1.0)


def read_codes(picture: Grey, quads: Array, px_per_px: float) -> tuple[Candidate, ...]:
    """Return the shapes that read like one code and no other.

    Parameters
    ----------
    picture : ndarray of shape (H, W)
        One level of the picture.
    quads : ndarray of shape (N, 4, 2)
        Corners of the shapes, clockwise, px of this level.
    px_per_px : float
        Pixels of the full picture per pixel of this level.

    Returns
    -------
    tuple of Candidate
        In the order of the shapes.
    """
    if not len(quads):
        return ()
    cells = _read_cells(picture, quads)
    cells -= cells.mean(axis=1, keepdims=True)
    contrast = np.linalg.norm(cells, axis=1)
    cells /= np.maximum(contrast, _LEAST_CONTRAST * FAMILY_CELLS)[:, None]
    # Code by code: one large product would wake the threads of the linear algebra, which costs more.
    scores = np.moveaxis(_codes() @ cells.T, 2, 0).reshape(-1, FAMILY_CODES, 2, 4)
    by_code = scores.max(axis=3)
    side = by_code.max(axis=1).argmax(axis=1)
    each = np.arange(len(quads))
    by_code = by_code[each, :, side]
    best = by_code.argmax(axis=1)
    score, turn = by_code[each, best], scores[each, best, side].argmax(axis=1)
    next_score = np.partition(by_code, -2, axis=1)[:, -2]
    return tuple(
        Candidate(
            int(best[i]),
            (np.roll(quads[i], turn[i], axis=0) + 0.5) * px_per_px - 0.5,
            float(score[i]),
            bool(side[i]),
            px_per_px,
        )
        for i in np.flatnonzero((score >= _LEAST_SCORE) & (score - next_score >= _LEAST_LEAD))
    )


@cache
def _codes() -> Array:
    """Return all codes as seen: four turns, then four in a mirror; centred, of unit length, (587, 8, 64)."""
    pictures = np.swapaxes(all_tag_cells(), 1, 2)  # [row, column]
    seen = [np.rot90(pictures, turn, axes=(1, 2)) for turn in range(4)]
    seen += [np.rot90(pictures[:, :, ::-1], turn, axes=(1, 2)) for turn in range(4)]
    codes = np.stack(seen, axis=1).reshape(FAMILY_CODES, 8, -1)
    codes = codes - codes.mean(axis=2, keepdims=True)
    return np.asarray(codes / np.linalg.norm(codes, axis=2, keepdims=True))


def _read_cells(picture: Grey, quads: Array) -> Array:
    """Return the mean grey value of each cell of each shape, row by row, shape (N, 64)."""
    inside = (np.arange(_READINGS) + 0.5) / _READINGS * 0.5 + 0.25
    along = ((np.arange(FAMILY_CELLS)[:, None] + inside) / FAMILY_CELLS).ravel()
    y, x = np.meshgrid(along, along, indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    mapped = _squares_to(quads) @ points
    px = (mapped[:, :2] / mapped[:, 2:]).astype(np.float32)
    grey = cv2.remap(picture, px[:, 0], px[:, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    split = grey.reshape(-1, FAMILY_CELLS, _READINGS, FAMILY_CELLS, _READINGS).astype(float)
    return np.asarray(split.mean(axis=(2, 4)).reshape(len(quads), -1))


def _squares_to(quads: Array) -> Array:
    """Return the homographies, (N, 3, 3), from the unit square to quads.

    P. S. Heckbert, "Fundamentals of Texture Mapping and Image Warping", 1989, section 2.2.3.
    """
    a, b, c, d = np.moveaxis(quads, 1, 0)
    far, right, down = a - b + c - d, b - c, d - c
    determinant = right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0]
    determinant = np.where(np.abs(determinant) < 1e-9, 1e-9, determinant)
    g = (far[:, 0] * down[:, 1] - far[:, 1] * down[:, 0]) / determinant
    h = (right[:, 0] * far[:, 1] - right[:, 1] * far[:, 0]) / determinant
    homographies = np.ones((len(quads), 3, 3))
    homographies[:, :2, 0] = b - a + g[:, None] * b
    homographies[:, :2, 1] = d - a + h[:, None] * d
    homographies[:, :2, 2] = a
    homographies[:, 2, 0], homographies[:, 2, 1] = g, h
    return homographies


def sides_moved_out(corners_px: Array, by_cells: float) -> Array:
    """Return the corners of a tag, (4, 4, 2), with each side in turn moved outwards by so many cells."""
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    outward = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]]) * (by_cells / FAMILY_CELLS)
    moved = np.repeat(square[None], 4, axis=0)
    for side in range(4):
        moved[side, [side, (side + 1) % 4]] += outward[side]
    points = np.concatenate([moved, np.ones((4, 4, 1))], axis=2)
    mapped = points @ _squares_to(corners_px[None])[0].T
    return np.asarray(mapped[..., :2] / mapped[..., 2:])


def _four_sided_shapes(
    picture: Grey, sides_px: tuple[float, float], window_px: int, is_lenient: bool = False
) -> Array:
    """Return the corners, (N, 4, 2), of the four-sided dark outlines that OpenCV's tag detector considers."""
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin = settings.adaptiveThreshWinSizeMax = window_px
    # It counts the pixels of an outline; a square on its corner has fewer of them by the square root of two.
    settings.minMarkerPerimeterRate = 4.0 * sides_px[0] / np.sqrt(2.0) / max(picture.shape)
    settings.maxMarkerPerimeterRate = min(4.0, 4.0 * sides_px[1] / max(picture.shape))
    if is_lenient:
        settings.adaptiveThreshConstant = _LENIENT_STEP
        settings.polygonalApproxAccuracyRate = _LENIENT_BITE
    # Outlines of one tag, inner and outer, are all kept: reading and fitting them decides.
    settings.minMarkerDistanceRate = 0.02
    detector = cv2.aruco.ArucoDetector(tag_dictionary(), settings)
    decoded, _, rejected = detector.detectMarkers(picture)
    shapes = [shape.reshape(4, 2) for shape in (*decoded, *rejected)]
    return _grown(np.array(shapes, dtype=float).reshape(-1, 4, 2))


def _small_shapes(picture: Grey) -> Array:
    """Return the corners, (N, 4, 2), of small four-sided dark outlines, found in the doubled picture."""
    overlap = int(3 * _SMALL_SIDES_PX[1])
    quads = []
    for first in range(0, picture.shape[0], _BAND_ROWS):
        band = picture[first : first + _BAND_ROWS + overlap]
        doubled = np.asarray(cv2.resize(band, None, fx=2.0, fy=2.0, interpolation=cv2.INTER_CUBIC), np.uint8)
        sides_px = (2.0 * _SMALL_SIDES_PX[0], 2.0 * _SMALL_SIDES_PX[1])
        for is_lenient in (False, True):
            found = _four_sided_shapes(doubled, sides_px, _DOUBLED_WINDOW_PX, is_lenient)
            quads.append((found + 0.5) / 2.0 - 0.5 + (0.0, first))
    return np.concatenate(quads)


def _grown(quads: Array) -> Array:
    """Move each side outwards by half a pixel: outlines run through the middle of the outermost pixels."""
    side = np.roll(quads, -1, axis=1) - quads
    outward = np.stack([side[..., 1], -side[..., 0]], axis=-1)
    outward /= np.maximum(np.linalg.norm(outward, axis=-1, keepdims=True), 1e-9)
    both = np.stack([outward, np.roll(outward, 1, axis=1)], axis=-2)
    flat = np.abs(np.linalg.det(both)) < _FLAT_CORNER
    both[flat] = np.eye(2)
    shift = np.linalg.solve(both, np.full((*both.shape[:-1], 1), _OUTLINE_PX))[..., 0]
    return quads + np.where(flat[..., None], 0.0, shift)
