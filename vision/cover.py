"""Whether something lies on the sheet where a rivet should be: a leaf, a hand, snow, dirt, a shadow as small.

A place is held against the sheet left and right of it along the ridge. Frames: plane mm of a target's frame;
the sheet is flattened coarsely, the ridge along the picture's x axis.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from vision.flange import Flange, flatten_flange
from vision.plane import Rectified, View

# A head is at least three pixels across at this scale, a leaf ten.
SHEET_MM_PER_PX = 2.0
# What counts of a place, as a radius in heads: an empty hole fills a quarter of it or less.
_PLACE_HEADS = 0.6
# The sheet beside it: so far above and below the place, and from where to where along the ridge, in heads.
_BESIDE_HEIGHT_HEADS, _BESIDE_HEADS = 0.8, (2.0, 12.0)
_LEAST_BESIDE_PX = 60
# The place is covered when so much of it is unlike the sheet: by that many standard deviations of the sheet's
# own unevenness, and by that many grey levels, the noise of 8-bit pictures after JPEG.
_LEAST_SHARE, _SIGMAS, _LEAST_LEVELS = 0.6, 4.0, 14.0
_TRIMS = 3
# Median absolute deviation of a normal law to its standard deviation.
_MAD_TO_SIGMA = 1.4826


def flatten_sheet(
    image: NDArray[np.uint8], view: View, flange: Flange, *, z_mm: float, target_mm: Array
) -> Rectified:
    """Return a flange straight from above, coarsely; what the target covers counts as not seen.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3)
        The upright photo.
    view : View
        Its camera and pose.
    flange : Flange
        The band of sheet.
    z_mm : float
        Depth of the sheet.
    target_mm : ndarray of shape (4, 2)
        Outline of the target.

    Returns
    -------
    Rectified
        The ridge along x.
    """
    flat = flatten_flange(image, view, flange, z_mm=z_mm, mm_per_px=SHEET_MM_PER_PX)
    seen = flat.seen.astype(np.uint8)
    cv2.fillPoly(seen, [np.round(flat.from_plane_mm(target_mm)).astype(np.int32)], 0)
    return Rectified(flat.image, seen > 0, view, z_mm, SHEET_MM_PER_PX, flat.origin_mm, flat.along)


def is_covered(sheet: Rectified, place_mm: Array, head_mm: float) -> bool:
    """Say whether something lies where a head is expected.

    Parameters
    ----------
    sheet : Rectified
        What `flatten_sheet` gave.
    place_mm : ndarray of shape (2,)
        The place on the plane.
    head_mm : float
        Diameter of a head.

    Returns
    -------
    bool
        True where most of the place is unlike the sheet beside it. False where it is like it, and where too
        little of the sheet beside it shows to tell.
    """
    head_px = head_mm / sheet.mm_per_px
    ((x, y),) = sheet.from_plane_mm(place_mm)
    rows, columns = np.nonzero(sheet.seen)
    along, down = np.abs(columns - x) / head_px, np.abs(rows - y) / head_px
    inside = np.hypot(along, down) < _PLACE_HEADS
    beside = (down < _BESIDE_HEIGHT_HEADS) & (along > _BESIDE_HEADS[0]) & (along < _BESIDE_HEADS[1])
    if not inside.any() or np.count_nonzero(beside) < _LEAST_BESIDE_PX:
        return False
    levels = sheet.image[rows, columns].astype(float)
    expected, sigma = _sheet_levels(columns[beside] - x, levels[beside])
    off = np.abs(levels[inside] - expected) > np.maximum(_SIGMAS * sigma, _LEAST_LEVELS)
    return bool(off.any(axis=1).mean() > _LEAST_SHARE)


def _sheet_levels(along_px: Array, levels: Array) -> tuple[Array, Array]:
    """Return the sheet's level at a place, shape (3,), and its unevenness, from levels (N, 3) beside it.

    A level and a slope along the ridge, without what stands out: rivets, a witness line, another leaf.
    """
    design = np.column_stack([np.ones_like(along_px), along_px / np.abs(along_px).max()])
    expected, sigma = np.zeros(levels.shape[1]), np.zeros(levels.shape[1])
    for channel, values in enumerate(levels.T):
        kept = np.ones(len(values), dtype=bool)
        residual = values - np.median(values)
        for _ in range(_TRIMS):
            sigma[channel] = max(_MAD_TO_SIGMA * float(np.median(np.abs(residual[kept]))), 1.0)
            kept = np.abs(residual) < 3.0 * sigma[channel]
            fitted, *_ = np.linalg.lstsq(design[kept], values[kept], rcond=None)
            residual, expected[channel] = values - design @ fitted, fitted[0]
    return expected, sigma
