"""A view of a plane as one straight-line map, for drawings: a lens's distortion is not in it.

Good to a few pixels over a flange; no length is ever taken through it (see vision/plane.py for that).
"""

from typing import Any

import cv2
import numpy as np

from calib.camera import Array
from calib.errors import GeometryError
from vision.plane import View, to_px

_GRID = 9


def flat_map(view: View, z_mm: float, region_mm: Array) -> Array:
    """Return the homography that is nearest to a view over a region of a plane.

    Parameters
    ----------
    view : View
        Camera and pose.
    z_mm : float
        Depth of the plane in the target's frame.
    region_mm : ndarray of shape (N, 2)
        Corners of the region on the plane.

    Returns
    -------
    ndarray of shape (3, 3)
        Takes plane mm (x, y, 1) to upright px, up to scale.

    Raises
    ------
    GeometryError
        If the view does not show the region from its front.
    """
    low, high = region_mm.min(axis=0), region_mm.max(axis=0)
    axes = (np.linspace(low[i], high[i], _GRID) for i in range(2))
    grid = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    px = to_px(view, grid, z_mm)
    is_seen = np.isfinite(px).all(axis=1)
    found: Any = cv2.findHomography(grid[is_seen], px[is_seen])[0] if is_seen.sum() >= 4 else None
    if np.shape(found) != (3, 3):
        msg = "the photo does not show the region from its front"
        raise GeometryError(msg)
    return np.asarray(found, dtype=np.float64)
