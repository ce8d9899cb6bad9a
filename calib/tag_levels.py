"""Black and white of a tag under the samples: fitted to their grey values, and taken out of what is fitted.

Each profile has levels of its own; in a whole tag they vary over a coarse mesh. Samples are the last two
axes, as in `calib.tag_pixels`.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.tag_cells import LINES
from calib.tag_map import CellMap
from calib.tag_pixels import Samples

Array = NDArray[np.float64]

# Black and white of a tag fitted at once vary over a mesh so fine (px, or as many blurs if that is more), of
# so many nodes along a side.
_MESH_PX, _MESH_NODES = 8.0, (2, 6)
# Keeps levels that no pixel tells of from being divided by zero.
_NOTHING = 1e-9


@dataclass(frozen=True, eq=False)
class ProfileLevels:
    """Black and white of each profile.

    Attributes
    ----------
    contrast : ndarray of shape (1, M)
        Step from black to white, grey levels.
    black, white : float
        Medians over the profiles.
    count : int
        Levels of each profile.
    direction : ndarray of shape (Q, M)
        What the picture should show, less its mean, of unit length.
    """

    contrast: Array
    black: float
    white: float
    count: int
    direction: Array

    @classmethod
    def fitted(cls, samples: Samples, value: Array) -> Self:
        """Fit the levels to all pixels of each profile; the picture should show the value."""
        mean = value.sum(axis=0) / len(value)
        centred = value - mean
        length = np.sqrt(np.sum(centred * centred, axis=0) + _NOTHING)
        direction = centred / length
        contrast = np.sum(direction * samples.grey, axis=0) / length
        black = median(samples.grey.sum(axis=0) / len(value) - contrast * mean)
        return cls(contrast[None], black, black + median(contrast), 2, direction)

    def without(self, values: Array) -> Array:
        """Return values, (C, Q, M), less what a change of the levels could explain."""
        explained = np.einsum("cqm,qm->cm", values, self.direction)[:, None] * self.direction
        explained += values.sum(axis=1, keepdims=True) / values.shape[1]
        return np.asarray(np.subtract(values, explained, out=explained))


@dataclass(frozen=True, eq=False)
class MeshLevels:
    """Black and white of a whole tag, at the nodes of a mesh.

    Attributes
    ----------
    contrast : ndarray of shape (Q, M)
        Step from black to white, grey levels.
    black, white : float
        Medians over the nodes.
    count : int
        Levels of the tag.
    shares : ndarray of shape (count, Q, M)
        Change of each pixel by each level.
    weighted : ndarray of shape (count, Q, M)
        The same by the weight of the pixel.
    normal : ndarray of shape (count, count)
        Normal equations of the levels.
    """

    contrast: Array
    black: float
    white: float
    count: int
    shares: Array
    weighted: Array
    normal: Array

    @classmethod
    def fitted(cls, samples: Samples, value: Array, cell_map: CellMap, blur_px: float, weight: Array) -> Self:
        """Fit the levels to pixels of such weight, (Q, M); the picture should show the value."""
        share = _mesh(cell_map.to_cells(samples.px), 2.0 * cell_map.scale_px, blur_px)
        shares = np.concatenate([share, share * value])
        weighted = shares * weight
        normal = summed_products(weighted, shares) + _NOTHING * np.eye(len(shares))
        found = np.linalg.solve(normal, summed_products(weighted, samples.grey[None])[:, 0])
        black, contrast = np.split(found, 2)
        middle = median(black)
        return cls(
            np.tensordot(contrast, share, 1),
            middle,
            middle + median(contrast),
            len(shares),
            shares,
            weighted,
            normal,
        )

    def without(self, values: Array) -> Array:
        """Return values, (C, Q, M), less what a change of the levels could explain."""
        levels = np.linalg.solve(self.normal, summed_products(self.weighted, values))
        return np.asarray(values - np.swapaxes(levels.T @ np.swapaxes(self.shares, 0, 1), 0, 1))


def _mesh(cells: Array, side_px: float, blur_px: float) -> Array:
    """Return the share, (G, Q, M), of places, (2, Q, M), in the levels of G nodes."""
    spacing_px = _MESH_PX * max(1.0, blur_px)
    count = int(np.clip(round(side_px / spacing_px) + 1, *_MESH_NODES))
    place = (cells / (LINES - 1) * (count - 1)).clip(0.0, count - 1.0)
    hats = (1.0 - np.abs(place[:, None] - np.arange(count)[:, None, None])).clip(0.0, 1.0)  # (2, count, Q, M)
    product = hats[0][:, None] * hats[1]
    return np.asarray(product.reshape(-1, *product.shape[2:]))


def summed_products(left: Array, right: Array) -> Array:
    """Return the sums, (A, B), over all samples of the products of A and B values, (A, Q, M) and (B, Q, M).

    They are added up by parts: large products would wake the threads of the linear algebra, which costs more.
    """
    return np.asarray(np.matmul(np.swapaxes(left, 0, 1), right.transpose(1, 2, 0)).sum(axis=0))


def median(values: ArrayLike) -> float:
    """Return the upper median; on arrays as small as ours several times faster than numpy's."""
    flat = np.asarray(values, dtype=float).ravel()
    return float(np.partition(flat, flat.size // 2)[flat.size // 2])
