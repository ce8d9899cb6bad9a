"""Which pixels of a picture tell where a tag is: profiles across its edges, or all of a small tag.

Only whole pixels are used; nothing is interpolated, since interpolation moves a sharp edge by its phase.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from calib.tag_cells import LINES, TAG_CORNERS, CellEdges, cell_edges
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
    px : ndarray of shape (M, Q, 2)
        Whole pixels.
    foot_px : ndarray of shape (M, 1, 2) or (M, Q, 2)
        Where the slopes of the map are taken: where a profile crosses its edge.
    grey : ndarray of shape (M, Q)
        Grey values.
    usable : ndarray of bool of shape (M, Q)
        Inside the picture, and on the tag or its margin.
    normal : ndarray of shape (M, 2)
        Across a profile's edge towards white, in the tag frame; zeros for a whole tag.
    line, block : ndarray of int of shape (M, Q)
        Line between cells that is nearest; edge or cell that the pixel belongs to.
    is_whole : bool
        True for a whole tag.
    cell_px : float
        Smaller width of a cell, px.
    """

    px: Array
    foot_px: Array
    grey: Array
    usable: Flags
    normal: Array
    line: Labels
    block: Labels
    is_whole: bool
    cell_px: float

    def without(self, lines: Collection[int]) -> Self:
        """Return the same samples, those of some lines not usable."""
        return replace(self, usable=self.usable & ~np.isin(self.line, list(lines)))

    def part(self, stride: int) -> Self:
        """Return every so many-th group."""
        return replace(
            self,
            px=self.px[::stride],
            foot_px=self.foot_px[::stride],
            grey=self.grey[::stride],
            usable=self.usable[::stride],
            normal=self.normal[::stride],
            line=self.line[::stride],
            block=self.block[::stride],
        )


def sample_profiles(picture: Grey, tag_id: int, cell_map: CellMap, cell_px: float) -> Samples:
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

    Returns
    -------
    Samples
        One group for each profile: a row or a column of pixels, whichever crosses the edge more squarely.
    """
    edges = cell_edges(tag_id)
    count = int(np.clip(round(0.8 * cell_px), 1, _MOST_PROFILES_PER_EDGE))
    px, foot_px = _profiles(cell_map, edges, count)
    grey, inside = _grey_values(picture, px)
    line = np.broadcast_to(np.repeat(edges.line, count)[:, None], inside.shape)
    block = np.broadcast_to(np.repeat(np.arange(len(edges.line)), count)[:, None], inside.shape)
    usable = inside & inside.all(axis=1, keepdims=True)
    normal = np.repeat(edges.normal, count, axis=0)
    return Samples(px, foot_px, grey, usable, normal, line, block, False, cell_px)


def _profiles(cell_map: CellMap, edges: CellEdges, count: int) -> tuple[Array, Array]:
    along = np.stack([-edges.normal[:, 1], edges.normal[:, 0]], axis=1)
    places = (np.arange(count) + 0.5) / count - 0.5
    cells = (edges.middle[:, None] + along[:, None] * places[:, None]).reshape(-1, 2)
    ahead = cells + 0.01 * np.repeat(along, count, axis=0)
    foot, tangent = cell_map.to_px(np.stack([cells, ahead]))
    tangent -= foot
    # 0 where the edge runs along x: its profile is then a column, at the whole x nearest to its foot.
    main = (np.abs(tangent[:, 0]) < np.abs(tangent[:, 1])).astype(np.intp)
    each = np.arange(len(foot))
    snapped = np.rint(foot[each, main])
    slope = tangent[each, 1 - main] / tangent[each, main]
    across = foot[each, 1 - main] + slope * (snapped - foot[each, main])
    offsets = np.arange(-HALF_PROFILE_PX, HALF_PROFILE_PX + 1)
    px = np.empty((len(foot), len(offsets), 2))
    px[each, :, main] = snapped[:, None]
    px[each, :, 1 - main] = np.rint(across)[:, None] + offsets
    foot[each, main], foot[each, 1 - main] = snapped, across
    return px, foot[:, None]


def patch_px(cell_map: CellMap, shape: tuple[int, ...]) -> Array:
    """Return all pixels of a tag and some margin, in groups, shape (M, Q, 2)."""
    margin = 1.0 + _MARGIN_PX / cell_map.cell_px()
    corners = cell_map.to_px(TAG_CORNERS + margin * np.sign(TAG_CORNERS - TAG_CORNERS.mean(axis=0)))
    reach = _FARTHEST_HALF_SIDES * cell_map.scale_px
    lowest = np.maximum(cell_map.origin_px - reach, 0.0)
    highest = np.minimum(cell_map.origin_px + reach, [shape[1] - 1.0, shape[0] - 1.0])
    first, last = (
        np.floor(corners.min(axis=0).clip(lowest, highest)),
        np.ceil(corners.max(axis=0).clip(lowest, highest)),
    )
    columns, rows = np.meshgrid(np.arange(first[0], last[0] + 1.0), np.arange(first[1], last[1] + 1.0))
    px = np.stack([columns.ravel(), rows.ravel()], axis=-1)
    cells = cell_map.to_cells(px)
    px = px[np.all((cells > -margin) & (cells < LINES - 1 + margin), axis=-1)]
    # The last group is filled up with a pixel outside the picture, which never counts.
    filling = np.full((-len(px) % _GROUP, 2), -1.0)
    return np.concatenate([px, filling]).reshape(-1, _GROUP, 2)


def sample_patch(picture: Grey, patch: Array, cell_map: CellMap, cell_px: float) -> Samples:
    """Take the pixels of a patch that lie on the tag, or on its white margin as far as nothing else blurs in.

    Parameters
    ----------
    picture : ndarray of shape (H, W)
        The picture.
    patch : ndarray of shape (M, Q, 2)
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
    usable &= np.all((cells > -margin) & (cells < LINES - 1 + margin), axis=-1)
    nearest = np.rint(cells).clip(0, LINES - 1)
    is_u = np.abs(cells[..., 0] - nearest[..., 0]) < np.abs(cells[..., 1] - nearest[..., 1])
    line = np.where(is_u, nearest[..., 0], nearest[..., 1] + LINES).astype(np.intp)
    cell = np.floor(cells).clip(-1, LINES - 1).astype(np.intp) + 1
    block = cell[..., 0] * (LINES + 1) + cell[..., 1]
    return Samples(patch, patch, grey, usable, np.zeros((len(patch), 2)), line, block, True, cell_px)


def _grey_values(picture: Grey, px: Array) -> tuple[Array, Flags]:
    """Return the grey values of whole pixels, and whether they lie inside the picture."""
    height, width = picture.shape
    column, row = px[..., 0].astype(np.intp), px[..., 1].astype(np.intp)
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    return picture[row.clip(0, height - 1), column.clip(0, width - 1)].astype(float), inside
