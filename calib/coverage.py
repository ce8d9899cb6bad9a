"""Which parts of the picture the charts reached: where none did, the distortion is a guess.

Frame: px, (0, 0) at the centre of the top-left pixel.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calib.camera import Array

# Cells along each side: fine enough to tell a corner of the picture from its middle.
_CELLS = 12
_ROWS, _COLUMNS = ("top", "middle", "bottom"), ("left", "middle", "right")
# A ninth of the picture counts as reached when half of its cells were.
_REACHED = 0.5


@dataclass(frozen=True, slots=True)
class Coverage:
    """How much of the picture the charts reached, 0 to 1, and which ninths of it they did not."""

    fraction: float
    missing: tuple[str, ...]


def frame_coverage(charts_px: Sequence[Array], width: int, height: int) -> Coverage:
    """Return which parts of the picture lie within at least one chart.

    Parameters
    ----------
    charts_px : sequence of ndarray of shape (N, 2)
        The points of each chart; what lies between them counts as reached.
    width, height : int
        Size of the picture, px.

    Returns
    -------
    Coverage
        The part reached, by cells of a twelfth of the picture's sides, and the ninths that are not.
    """
    x = (np.arange(_CELLS) + 0.5) * width / _CELLS - 0.5
    y = (np.arange(_CELLS) + 0.5) * height / _CELLS - 0.5
    reached = np.zeros((_CELLS, _CELLS), dtype=bool)
    for px in charts_px:
        hull = cv2.convexHull(px.astype(np.float32))
        reached |= np.array([[cv2.pointPolygonTest(hull, (u, v), False) >= 0.0 for u in x] for v in y])
    ninths = reached.reshape(3, _CELLS // 3, 3, _CELLS // 3).mean(axis=(1, 3))
    missing = [
        _ninth_in_words(row, column)
        for row, shares in zip(_ROWS, ninths, strict=True)
        for column, share in zip(_COLUMNS, shares, strict=True)
        if share < _REACHED
    ]
    return Coverage(float(reached.mean()), tuple(missing))


def _ninth_in_words(row: str, column: str) -> str:
    return "middle" if row == column else f"{row} {column}".replace("middle ", "").replace(" middle", "")
