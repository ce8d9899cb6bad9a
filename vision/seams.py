"""Panel seams counted along a line drawn over a roof in a photo.

Seams are evenly spaced on the roof; in the photo their spacing changes as one over depth does. Pixels: (0, 0)
is the centre of the top-left pixel.
"""

from dataclasses import dataclass
from enum import Enum

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter
from scipy.optimize import minimize

from calib.errors import GeometryError

_BAYS = np.arange(3.0, 80.25, 0.25)
_DEPTH_CHANGES = np.linspace(-0.7, 0.7, 29)
_PHASES = np.arange(0.0, 1.0, 0.1)
_BAND_PX = 3
_SHORTEST_BAY_PX = 8.0
_LONGEST_BAY_SHARE = 1.0 / 3.0
_TOOTH_SHARE = 0.05  # of a bay: half the step of the phases

# The best comb over bare noise, 300 simulated strips, and over lawn, foliage, boards and sky, 180 lines in
# rendered photos, scored at most 8.1; seams on rendered roofs scored 8.9 to 15.5 (measured here).
_LEAST_SCORE = 8.5
# A comb of twice as many teeth puts every other one between seams; these are then much weaker.
_EVEN_SHARE = 0.55


class Uncounted(Enum):
    """Why seams could not be counted."""

    TOO_SHORT = (
        "the line is too short for panels to show; draw it from gable end to gable end, or come closer"
    )
    NO_SEAMS = (
        "no even row of seams shows along this line; draw it where they are plain, or count them by eye"
    )


@dataclass(frozen=True, slots=True, eq=False)
class SeamCount:
    """Seams found along a line.

    Attributes
    ----------
    seams_px : ndarray of shape (N, 2)
        Where the line crosses each seam, px.
    bays : int
        Panel bays that the line touches, begun ones included: one more than there are seams.
    score : float
        How far the seams stand out; 8.5 is the least that counts.
    """

    seams_px: NDArray[np.float64]
    bays: int
    score: float

    def __post_init__(self) -> None:
        seams_px = np.array(self.seams_px, dtype=np.float64)
        seams_px.setflags(write=False)
        object.__setattr__(self, "seams_px", seams_px)


@dataclass(frozen=True, slots=True)
class _Comb:
    """Evenly spaced seams seen aslant: seam i lies i - phase bays along the line, of ``bays`` in all."""

    bays: float
    depth_change: float
    phase: float

    def places(self) -> NDArray[np.float64]:
        """Return where the seams cross the line, as shares of it."""
        along = np.arange(1.0, self.bays + 1.0) - self.phase
        along = along[(along >= 0.0) & (along <= self.bays)]
        return np.asarray(_shares(along, self.bays, np.float64(self.depth_change)))


def count_seams(
    image: NDArray[np.uint8], a_px: tuple[float, float], b_px: tuple[float, float]
) -> SeamCount | Uncounted:
    """Count the seams that a line crosses.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3), uint8
        Upright picture.
    a_px, b_px : tuple of float
        Ends of the line, px: level along the roof, perhaps half way up, from gable end to gable end.

    Returns
    -------
    SeamCount or Uncounted
        The seams, or why they could not be counted.

    Raises
    ------
    GeometryError
        If an end lies outside the picture.

    Notes
    -----
    The brightness along the line is freed of slow changes; combs of every number of bays, slant and phase
    are laid over it, and the one wins whose teeth stand out most from the places half way between them.
    Fewer than about a dozen bays cannot be told from chance that way; they are soon counted by eye.
    """
    height, width = image.shape[:2]
    for x, y in (a_px, b_px):
        if not (0.0 <= x <= width - 1 and 0.0 <= y <= height - 1):
            msg = f"the point {x:g}, {y:g} lies outside the picture of {width} x {height} px"
            raise GeometryError(msg)
    length_px = float(np.hypot(b_px[0] - a_px[0], b_px[1] - a_px[1]))
    if length_px < _SHORTEST_BAY_PX / _LONGEST_BAY_SHARE:
        return Uncounted.TOO_SHORT
    best, score = _best_comb(_contrast(image, a_px, b_px, length_px))
    if score < _LEAST_SCORE:
        return Uncounted.NO_SEAMS
    shares = best.places()
    seams_px = np.outer(1.0 - shares, a_px) + np.outer(shares, b_px)
    return SeamCount(seams_px, len(shares) + 1, score)


def _contrast(
    image: NDArray[np.uint8], a_px: tuple[float, float], b_px: tuple[float, float], length_px: float
) -> NDArray[np.float64]:
    """Return how much the line differs from its surroundings, one value per pixel, in its own deviations."""
    share = np.linspace(0.0, 1.0, int(length_px) + 1)[None, :]
    a, b = np.array(a_px), np.array(b_px)
    across = np.array([a[1] - b[1], b[0] - a[0]]) / length_px * np.arange(-_BAND_PX, _BAND_PX + 1)[:, None]
    x, y = (a[i] + share * (b[i] - a[i]) + across[:, i : i + 1] for i in (0, 1))
    grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    band = cv2.remap(grey, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    profile = band.mean(axis=0)
    slow = median_filter(profile, 2 * (len(profile) // 50) + 1, mode="nearest")
    # A seam shows as a dark flank beside a bright one: the size of the difference tells, not its sign.
    return np.asarray(np.abs(profile - slow))


def _smoothed(contrast: NDArray[np.float64], bays: float) -> NDArray[np.float64]:
    """Return the contrast as wide as a tooth of such a comb can miss a seam by; mean 0, spread 1."""
    # Powers of two, so that combs of about one pitch are compared on one and the same profile.
    widths = 2.0 ** np.arange(1, 8)
    width = widths[np.argmin(np.abs(np.log(widths / (_TOOTH_SHARE * len(contrast) / bays))))]
    smooth = gaussian_filter1d(contrast, width)
    smooth = np.minimum(smooth, np.percentile(smooth, 97.0))
    spread = float(smooth.std())
    return np.asarray((smooth - smooth.mean()) / (spread if spread > 0.0 else 1.0))


def _shares(
    along: NDArray[np.float64], bays: float, depth_change: NDArray[np.float64] | np.float64
) -> NDArray[np.float64]:
    """Return the shares t of a line seen aslant where ``along = bays t (1 + g) / (1 + g t)``."""
    return np.asarray(along / (bays * (1.0 + depth_change) - depth_change * along))


def _best_comb(contrast: NDArray[np.float64]) -> tuple[_Comb, float]:
    """Return the comb whose teeth stand out most; of two that share their teeth, the coarser."""
    best, score = _Comb(float(_BAYS[0]), 0.0, 0.0), -np.inf
    for bays in _BAYS[len(contrast) / _BAYS >= _SHORTEST_BAY_PX]:
        smooth = _smoothed(contrast, float(bays))
        scores = _scores(float(bays), _DEPTH_CHANGES[:, None], _PHASES[None, :], smooth)
        row, column = np.unravel_index(np.argmax(scores), scores.shape)
        if scores[row, column] > score:
            score = float(scores[row, column])
            best = _Comb(float(bays), float(_DEPTH_CHANGES[row]), float(_PHASES[column]))
    half = _every_other(best, _smoothed(contrast, best.bays))
    best = best if half is None else half
    return _refined(best, _smoothed(contrast, best.bays))


def _refined(comb: _Comb, smooth: NDArray[np.float64]) -> tuple[_Comb, float]:
    """Move a comb to where its teeth stand out most, starting from the best one of the grid."""

    def loss(values: NDArray[np.float64]) -> float:
        bays, change, phase = values
        return -float(_scores(float(bays), np.array(change), np.array(phase), smooth))

    start = np.array([comb.bays, comb.depth_change, comb.phase])
    steps = np.array([0.25, 0.05, 0.1])
    simplex = np.vstack([start, start + np.diag(steps / 2.0)])
    found = minimize(loss, start, method="Nelder-Mead", options={"initial_simplex": simplex, "xatol": 1e-3})
    bays, change, phase = (float(value) for value in found.x)
    return _Comb(bays, change, phase), -float(found.fun)


def _scores(
    bays: float, changes: NDArray[np.float64], phases: NDArray[np.float64], contrast: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how far teeth stand out from the places between them, times the root of their number."""
    teeth, count = _mean_at(bays, changes, phases, contrast)
    gaps, _ = _mean_at(bays, changes, phases - 0.5, contrast)
    return np.asarray((teeth - gaps) * np.sqrt(count))


def _mean_at(
    bays: float, changes: NDArray[np.float64], phases: NDArray[np.float64], contrast: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the mean contrast at the teeth of many combs, and how many teeth each has on the line."""
    along = np.arange(0.0, bays + 2.0) - phases[..., None]
    is_on_line = (along >= 0.0) & (along <= bays)
    shares = _shares(np.clip(along, 0.0, bays), bays, changes[..., None])
    values = np.interp(shares * (len(contrast) - 1), np.arange(len(contrast)), contrast)
    count = np.maximum(1, is_on_line.sum(axis=-1))
    return (values * is_on_line).sum(axis=-1) / count, count


def _every_other(comb: _Comb, contrast: NDArray[np.float64]) -> _Comb | None:
    """Return the comb of every other tooth if the teeth between are much weaker; else None."""
    at = comb.places() * (len(contrast) - 1)
    teeth = np.interp(at, np.arange(len(contrast)), contrast) - contrast.min()
    even, odd = teeth[::2].mean(), teeth[1::2].mean()
    if min(even, odd) > _EVEN_SHARE * max(even, odd):
        return None
    # The first tooth kept lies that many of the wider bays along.
    first = (1.0 - comb.phase) / 2.0 if even > odd else (2.0 - comb.phase) / 2.0
    return _Comb(comb.bays / 2.0, comb.depth_change, 1.0 - first)
