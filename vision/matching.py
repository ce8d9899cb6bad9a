"""Features of two photos that show the same thing: alike, each other's best, and agreeing on one geometry.

Places are px of full pictures; rays are ideal normalised coordinates (lens and distortion taken out).
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from vision.features import Features

Pairs = NDArray[np.intp]

# The best match must be closer than this part of the second best: D. G. Lowe, "Distinctive image features
# from scale-invariant keypoints", IJCV 60, 2004, section 7.1.
_RATIO = 0.8
# How far a match may lie from its epipolar line, as a part of the focal length: the lens is not known well.
_TOLERANCE = 0.004
# Fewer agreeing matches than this, or than this part of all, may agree by chance.
_LEAST_AGREEING = 16
_LEAST_PART = 0.5
_CONFIDENCE, _MOST_TRIALS = 0.9999, 2000
# Rows compared at a time, so that the table of distances stays small.
_ROWS = 1024


def match_features(first: Features, second: Features) -> Pairs:
    """Return the pairs of features that are each other's nearest and clearly nearer than the next, (M, 2)."""
    if min(len(first.px), len(second.px)) < 2:
        return np.zeros((0, 2), dtype=np.intp)
    forward, is_clear = _nearest(first.descriptors, second.descriptors)
    backward, is_clear_back = _nearest(second.descriptors, first.descriptors)
    index = np.arange(len(forward))
    kept = (backward[forward] == index) & is_clear & is_clear_back[forward]
    return np.column_stack([index[kept], forward[kept]])


def _nearest(
    first: NDArray[np.float32], second: NDArray[np.float32]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Return the nearest of `second` for each of `first`, and whether it is clearly nearer than the next."""
    best, is_clear = [], []
    for start in range(0, len(first), _ROWS):
        alike = first[start : start + _ROWS] @ second.T
        rows = np.arange(len(alike))
        nearest = alike.argmax(axis=1)
        # The squared distance of unit vectors is 2 - 2 cos.
        closest = 2.0 - 2.0 * alike[rows, nearest]
        alike[rows, nearest] = -1.0
        is_clear.append(closest < _RATIO**2 * (2.0 - 2.0 * alike.max(axis=1)))
        best.append(nearest)
    return np.concatenate(best), np.concatenate(is_clear)


def agree(first_rays: Array, second_rays: Array) -> NDArray[np.bool_]:
    """Find the matches that agree on one geometry of two photos.

    Parameters
    ----------
    first_rays, second_rays : ndarray of shape (M, 2)
        Ideal normalised coordinates of the matched features.

    Returns
    -------
    ndarray of bool of shape (M,)
        Which matches agree; none where so few do that it may be chance. The search starts from a fixed seed.

    References
    ----------
    D. Nister, "An efficient solution to the five-point relative pose problem", PAMI 26, 2004 (run by OpenCV).
    """
    none = np.zeros(len(first_rays), dtype=bool)
    if len(first_rays) < _LEAST_AGREEING:
        return none
    essential, mask = cv2.findEssentialMat(
        first_rays, second_rays, np.eye(3), cv2.RANSAC, _CONFIDENCE, _TOLERANCE, _MOST_TRIALS
    )
    if np.shape(essential) != (3, 3):
        return none
    agrees = np.asarray(mask).ravel().astype(bool)
    return agrees if agrees.sum() >= max(_LEAST_AGREEING, _LEAST_PART * agrees.size) else none


def epipolar_distance(essential: Array, first_rays: Array, second_rays: Array) -> Array:
    """Return how far, with sign, matches are from agreeing with an essential matrix, shape (M,), normalised.

    References
    ----------
    P. D. Sampson, "Fitting conic sections to very scattered data", CGIP 18, 1982, as used for epipolar
    geometry by R. Hartley, A. Zisserman, "Multiple View Geometry", 2nd ed., 11.4.3.
    """
    first = np.pad(first_rays, ((0, 0), (0, 1)), constant_values=1.0)
    second = np.pad(second_rays, ((0, 0), (0, 1)), constant_values=1.0)
    lines, back = first @ essential.T, second @ essential
    size = np.sqrt(np.square(lines[:, :2]).sum(axis=1) + np.square(back[:, :2]).sum(axis=1))
    distance: Array = (lines * second).sum(axis=1) / size
    return distance
