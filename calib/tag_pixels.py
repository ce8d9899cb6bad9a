"""Which pixels of a picture tell where a tag is: profiles across its edges, or all of a small tag.

Only whole pixels are used; nothing is interpolated, since interpolation moves a sharp edge by its phase.
Samples, M groups (profiles, or parts of the whole tag) of Q pixels each, are the last axes, (..., Q, M).
"""

from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Self

import numpy as np
from numpy.typing import NDArray

from calib.tag_cells import LINES, TAG_CORNERS, cell_edges
from calib.tag_map import CellMap

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
Flags = NDArray[np.bool_]
Labels = NDArray[np.intp]

# Pixels of a profile on either side of its edge.
HALF_PROFILE_PX = 4
_MOST_PROFILES_PER_EDGE = 3
# Pixels of a whole tag are handled in groups; they start this far around it, so that it may move.
_GROUP, _MARGIN_PX = 64, 2.0
# White margin of a whole tag that takes part, in cells: less the blur of what lies beyond one cell, px.
_MARGIN_CELLS, _BEYOND_PX = (0.3, 1.0), 2.0
# The box around a tag reaches at most so many half sides from its middle, however wild the map.
_FARTHEST_HALF_SIDES = 4.0


@dataclass(frozen=True, eq=False)
class Samples:
    """Pixels that take part: M groups (profiles, or parts of the whole tag) of Q pixels each.

    Attributes
    ----------
    px : ndarray of shape (2, Q, M)
        Whole pixels.
    slopes : ndarray of shape (2, 2, 1, M) or (2, 2, Q, M)
        Derivative of u and v by x and y: for a profile, where it crosses its edge.
    grey : ndarray of shape (Q, M)
        Grey values.
    usable : ndarray of bool of shape (Q, M)
        Inside the picture, and on the tag or its margin; a profile is usable as a whole or not at all.
    normal : ndarray of shape (2, M)
        Across a profile's edge towards white, in the tag frame; zeros for a whole tag.
    line, block : ndarray of int of shape (1, M) or (Q, M)
        Line between cells that is nearest; edge or cell that the pixel belongs to.
    is_whole : bool
        True for a whole tag.
    cell_px : float
        Smaller width of a cell, px.
    """

    px: Array
    slopes: Array
    grey: Array
    usable: Flags
    normal: Array
    line: Labels
    block: Labels
    is_whole: bool
    cell_px: float

    def without(self, lines: Collection[int]) -> Self:
        """Return the same samples, those of some lines not usable."""
        if not lines:
            return self
        return replace(self, usable=self.usable & ~np.isin(self.line, list(lines)))


@dataclass(frozen=True, eq=False)
class _Feet:
    """Where profiles cross the edges of a tag, in the tag frame; labels as in `Samples`."""

    cells: Array  # (2, M)
    along: Array  # (2, M), unit vector along the edge
    normal: Array  # (2, M)
    line: Labels  # (1, M)
    block: Labels  # (1, M)


def sample_profiles(
    picture: Grey, tag_id: int, cell_map: CellMap, cell_px: float, stride: int = 1
) -> Samples:
    """Take the pixels of profiles across the edges of a tag.

    Parameters
    ----------
    picture : ndarray of shape (H, W)
        The picture.
    tag_id : int
        Which tag it is.
    cell_map : CellMap
        Where it is.
    cell_px : float
        Smaller width of a cell, px.
    stride : int
        Only every so many-th profile is taken.

    Returns
    -------
    Samples
        One group for each profile: a row or a column of pixels, whichever crosses the edge more squarely.
    """
    count = int(np.clip(round(0.8 * cell_px), 1, _MOST_PROFILES_PER_EDGE))
    feet = _feet(tag_id, count, stride)
    foot_px = cell_map.to_px(feet.cells)
    slopes = cell_map.slopes(foot_px)
    px = _profiles_px(foot_px, _tangents(slopes, feet.along))
    grey, inside = _grey_values(picture, px)
    usable = np.broadcast_to(inside.all(axis=0), inside.shape)
    return Samples(px, slopes[:, :, None], grey, usable, feet.normal, feet.line, feet.block, False, cell_px)


@lru_cache(maxsize=256)
def _feet(tag_id: int, count: int, stride: int) -> _Feet:
    """Return the feet of so many profiles on each edge of a tag, of these every so many-th."""
    edges = cell_edges(tag_id)
    along = np.stack([-edges.normal[:, 1], edges.normal[:, 0]], axis=1)
    places = (np.arange(count) + 0.5) / count - 0.5
    cells = (edges.middle[:, None] + along[:, None] * places[:, None]).reshape(-1, 2)
    edge = np.repeat(np.arange(len(edges.line)), count)[::stride]
    arrays = cells[::stride].T, along[edge].T, edges.normal[edge].T, edges.line[edge][None], edge[None]
    for array in arrays:
        array.setflags(write=False)
    return _Feet(*arrays)


def _tangents(slopes: Array, along: Array) -> Array:
    """Return the direction in the picture, (2, M), of one in the tag frame, of any length but zero."""
    (u_x, u_y), (v_x, v_y) = slopes
    # The inverse of the slopes without its determinant.
    return np.array([v_y * along[0] - u_y * along[1], u_x * along[1] - v_x * along[0]])


def _profiles_px(foot_px: Array, tangent: Array) -> Array:
    """Return the pixels, shape (2, Q, M), of the profiles that cross their edges nearest to such feet."""
    # 0 where the edge runs along x: its profile is then a column, at the whole x nearest to its foot.
    main = (np.abs(tangent[0]) < np.abs(tangent[1])).astype(np.intp)
    each = np.arange(len(main))
    snapped = np.rint(foot_px[main, each])
    slope = tangent[1 - main, each] / tangent[main, each]
    across = foot_px[1 - main, each] + slope * (snapped - foot_px[main, each])
    offsets = np.arange(-HALF_PROFILE_PX, HALF_PROFILE_PX + 1)
    px = np.empty((2, len(offsets), len(main)))
    px[main, :, each] = snapped[:, None]
    px[1 - main, :, each] = np.rint(across)[:, None] + offsets
    return px


def patch_px(cell_map: CellMap, shape: tuple[int, ...]) -> Array:
    """Return all pixels of a tag and some margin, in groups, shape (2, Q, M)."""
    margin = 1.0 + _MARGIN_PX / cell_map.cell_px
    corners = cell_map.to_px((TAG_CORNERS + margin * np.sign(TAG_CORNERS - TAG_CORNERS.mean(axis=0))).T).T
    reach = _FARTHEST_HALF_SIDES * cell_map.scale_px
    lowest = np.maximum(cell_map.origin_px - reach, 0.0)
    highest = np.minimum(cell_map.origin_px + reach, [shape[1] - 1.0, shape[0] - 1.0])
    first, last = (
        np.floor(corners.min(axis=0).clip(lowest, highest)),
        np.ceil(corners.max(axis=0).clip(lowest, highest)),
    )
    columns, rows = np.meshgrid(np.arange(first[0], last[0] + 1.0), np.arange(first[1], last[1] + 1.0))
    px = np.stack([columns.ravel(), rows.ravel()])
    px = px[:, _is_within(cell_map.to_cells(px), margin)]
    # The last group is filled up with a pixel outside the picture, which never counts.
    filling = np.full((2, -px.shape[1] % _GROUP), -1.0)
    groups = np.concatenate([px, filling], axis=1).reshape(2, -1, _GROUP)
    return np.ascontiguousarray(np.swapaxes(groups, 1, 2))


def _is_within(cells: Array, margin: float) -> Flags:
    """Say which places in the tag frame, shape (2, ...), lie on the tag or a margin of so many cells."""
    return np.asarray(np.all((cells > -margin) & (cells < LINES - 1 + margin), axis=0))


def sample_patch(picture: Grey, patch: Array, cell_map: CellMap, cell_px: float) -> Samples:
    """Take the pixels of a patch that lie on the tag, or on its white margin as far as nothing else blurs in.

    Parameters
    ----------
    picture : ndarray of shape (H, W)
        The picture.
    patch : ndarray of shape (2, Q, M)
        Pixels, as `patch_px` returns them.
    cell_map : CellMap
        Where the tag is.
    cell_px : float
        Smaller width of a cell, px.

    Returns
    -------
    Samples
        In the groups of the patch.
    """
    cells = cell_map.to_cells(patch)
    margin = float(np.clip(1.0 - _BEYOND_PX / cell_px, *_MARGIN_CELLS))
    grey, usable = _grey_values(picture, patch)
    usable &= _is_within(cells, margin)
    nearest = np.rint(cells).clip(0, LINES - 1)
    from_u, from_v = np.abs(cells - nearest)
    line = np.where(from_u < from_v, nearest[0], nearest[1] + LINES).astype(np.intp)
    column, row = np.floor(cells).clip(-1, LINES - 1).astype(np.intp) + 1
    block = column * (LINES + 1) + row
    no_normal = np.zeros((2, patch.shape[-1]))
    return Samples(patch, cell_map.slopes(patch), grey, usable, no_normal, line, block, True, cell_px)


def _grey_values(picture: Grey, px: Array) -> tuple[Array, Flags]:
    """Return the grey values of whole pixels, and whether they lie inside the picture."""
    height, width = picture.shape
    column, row = px.astype(np.intp)
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    return picture[row.clip(0, height - 1), column.clip(0, width - 1)].astype(float), inside
