"""What shows on the faces of a photo's heads: a blank disc among heads with a mandrel is none of them.

Heads of one photo are of one make and much in one light (common practice, no source). A network that looks at
one mark after the other cannot know that: burnt out to white, a head and a dab of sealant look the same.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.rivet_net.net import PATCH_HEAD_PX, PATCH_PX

# What is compared lies within this radius of a head's middle, in head diameters.
FACE_HEADS = 0.3
# The comparison is with others that are surely heads, by their score, and with so many at least.
SURE_SCORE_MIN, SURE_MIN = 0.9, 3
# Blank is what shows less than the others by so many of their deviations, in logarithms of the contrast; the
# floor is how heads of one make differ at least. Chosen on 344 heads in 39 photos, 27 of them path-traced.
BLANK_DEVIATIONS, DEVIATION_FLOOR = 3.0, 0.25
# Grey levels that noise alone shows.
NOISE = 1.5


def are_blank(patches: NDArray[np.uint8], score: ArrayLike) -> NDArray[np.bool_]:
    """Tell which marks are blank where the photo's surest heads are not.

    Parameters
    ----------
    patches : ndarray of shape (N, 32, 32, 3)
        Heads of one photo, each in the middle of its patch, BGR.
    score : array_like of shape (N,)
        How surely each is a head.

    Returns
    -------
    ndarray of bool of shape (N,)
        None is blank where too few others are surely heads, or where all are.
    """
    shown = _shown(patches)
    sure = np.asarray(score) >= SURE_SCORE_MIN
    each = np.arange(len(shown))
    return np.array([_is_below(shown[i], shown[sure & (each != i)]) for i in each], dtype=bool)


def _is_below(shown: float, others: NDArray[np.float64]) -> bool:
    if len(others) < SURE_MIN:
        return False
    usual = np.median(others)
    # 1.48 median deviations are one standard deviation of a normal spread (F. R. Hampel, JASA 69, 1974).
    deviation = 1.48 * np.median(np.abs(others - usual)) + DEVIATION_FLOOR
    return bool(shown < usual - BLANK_DEVIATIONS * deviation)


def _shown(patches: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return the logarithm of the contrast on each head's face over that of its whole patch."""
    grey = patches.reshape(-1, PATCH_PX, PATCH_PX, 3).mean(axis=3)
    steps = (np.arange(PATCH_PX) - (PATCH_PX - 1) / 2.0) / PATCH_HEAD_PX
    face = np.hypot(*np.meshgrid(steps, steps)) < FACE_HEADS
    on_face, all_over = grey[:, face].std(axis=1), grey.std(axis=(1, 2))
    return np.asarray(np.log((on_face + NOISE) / (all_over + NOISE)), dtype=np.float64)
