"""Where the upper sheet ends within the dark or bright line that its edge makes in a photo.

Distances in mm along the ridge, growing from the upper towards the lower sheet. The line that is seen is not
the edge: beside it lie the cut's own face, if the camera stands on the lower side, and the shade at its foot.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from scipy.special import logsumexp, ndtr

from calib.camera import Array

# Thickness of the sheet: galvanized 24 ga (22 ga 0.853, 26 ga 0.551 mm; ASTM A653/A924 table).
SHEET_MM = 0.701
# How far the upper sheet's top stands above the lower one: the sheet and what holds the two apart, paint and
# squeezed sealant (0.35 mm; common practice, no source).
RISE_MM, U_RISE_MM = SHEET_MM + 0.35, 0.25
# What lies in the dark below the sheet or in the sun's shadow is about this much darker than the lower sheet,
# and the foot of the step, which sees half of the sky at best, this much; shares of the level, settings.
_DARK, _U_DARK = -0.5, 0.35
_SHADE, _U_SHADE = -0.3, 0.2
# The cut's face may be darker or brighter than the sheet by about this share.
_U_FACE = 0.5
# Widths of a shadow beside the step, with their probabilities: no sun, or a sun of any height; settings.
_SHADOWS_MM = np.array([0.0, 0.2, 0.5, 0.9, 1.4, 2.0, 3.0])
_P_SHADOWS = np.array([0.3, 0.3, 0.12, 0.08, 0.07, 0.07, 0.06])
# How well the blur is known beforehand, as a share of it; a setting.
_BLURS, _U_BLUR_SHARE = np.array([0.8, 1.2]), 0.3
# Widths of a drawn line, how far off the line's middle it may be, and how much darker or brighter than the
# sheet (share of the level); settings. The level itself, and what differs between two sheets of one paint.
_WIDTHS_MM, _OFF_MM, _U_INK = np.array([0.3, 0.5, 0.7, 0.9, 1.1, 1.4, 1.8]), np.arange(-1.0, 1.05, 0.1), 0.7
_U_LEVEL, _U_UNLIKE = 10.0, 0.15
# What sharpening and the model leave unexplained, as a share of the profile's range.
_MODEL_SHARE = 0.04
# Part of the profile that is explained, and what remains uncertain of the edge whatever the fit says.
_BEFORE_MM, _BEYOND_MM, _U_FLOOR_MM = 4.0, 7.0, 0.1

# Places of the edge that are tried, and heights of the step in standard uncertainties.
_EDGES_MM = np.arange(-3.0, 1.25, 0.1)
_RISES_SIGMA = np.array([-1.6, -0.8, 0.0, 0.8, 1.6])


@dataclass(frozen=True, slots=True)
class EdgePlace:
    """Where the upper sheet ends, with what was inferred of the step's height.

    Attributes
    ----------
    distance_mm, rise_mm : float
        Place of the edge from the line, towards the lower sheet, and height of the step.
    u_distance_mm, u_rise_mm, covariance_mm2 : float
        Standard uncertainties and covariance of the two.
    """

    distance_mm: float
    rise_mm: float
    u_distance_mm: float
    u_rise_mm: float
    covariance_mm2: float


def locate_edge(
    distances_mm: Array,
    levels: Array,
    u_level: float,
    *,
    view_slope: float,
    blur_mm: float,
    rise_mm: float = RISE_MM,
    u_rise_mm: float = U_RISE_MM,
) -> EdgePlace:
    """Find the upper sheet's end in a profile across its edge.

    Parameters
    ----------
    distances_mm : ndarray of shape (M,)
        Places of the profile, growing towards the lower sheet.
    levels : ndarray of shape (M, C)
        Grey levels, one column a channel.
    u_level : float
        Their standard uncertainty.
    view_slope : float
        How far the camera stands towards the lower sheet, over its height above the sheet.
    blur_mm : float
        Expected blur on the sheet along the ridge, standard deviation.
    rise_mm, u_rise_mm : float
        Height of the upper sheet's top above the lower sheet, and its standard uncertainty.

    Returns
    -------
    EdgePlace
        Posterior mean and covariance.

    Notes
    -----
    From the upper sheet to the lower one the profile is modelled as sheet, cut face, dark (what shows of the
    gap below the sheet, and the sun's shadow) and lower sheet, dimmed beside the step by as much of the sky
    as it hides, (1 - cos atan(h / x)) / 2 at x from the foot of a step of height h; all seen through a
    Gaussian blur, with a linear trend. The geometry follows from the step's height, the sheet's thickness and
    the view, and is tried on a grid of edges, heights, shadows and blurs; the levels, linear in the model,
    are integrated out under Gaussian priors.
    """
    profile = _Profile.of(distances_mm, levels, u_level, _EDGES_MM)
    rises, blurs = rise_mm + u_rise_mm * _RISES_SIGMA, blur_mm * _BLURS
    log_posterior = _step_evidence(profile, rises, blurs, view_slope, _U_LEVEL)
    log_posterior += -0.5 * (_RISES_SIGMA**2)[:, None, None, None] + np.log(_P_SHADOWS)[:, None]
    log_posterior += -0.5 * ((np.log(_BLURS) / _U_BLUR_SHARE) ** 2)[:, None, None]
    posterior = np.exp(log_posterior - log_posterior.max()).sum(axis=(1, 2)).T
    return _summary(posterior / posterior.sum(), rises)


def log_odds_of_step(
    distances_mm: Array, levels: Array, u_level: float, *, view_slope: float, blur_mm: float
) -> float:
    """Return the log of how much likelier a profile is for a sheet's end than for a line drawn on a sheet.

    Parameters
    ----------
    distances_mm, levels, u_level, view_slope, blur_mm
        As for `locate_edge`.

    Returns
    -------
    float
        Log of the ratio of the two evidences: of the step as `locate_edge` has it, and of a bar of some
        width on a sheet of one level, both seen through the same blur. On drawn caps six of seven edges had
        more than 0, and one drawn line in thirty; on rendered photos some edges have as little as -6.
    """
    blurs, p_blurs = blur_mm * _BLURS, _p_normal(np.log(_BLURS) / _U_BLUR_SHARE)
    rises, p_rises = RISE_MM + U_RISE_MM * _RISES_SIGMA, _p_normal(_RISES_SIGMA)
    profile = _Profile.of(distances_mm, levels, u_level, _EDGES_MM)
    steps = _step_evidence(profile, rises, blurs, view_slope, _U_UNLIKE)
    p_steps = p_rises[:, None, None, None] * p_blurs[:, None, None] * _P_SHADOWS[:, None] / len(_EDGES_MM)
    lines = _line_evidence(_Profile.of(distances_mm, levels, u_level, _OFF_MM), blurs)
    p_lines = p_blurs[:, None, None] / lines[0].size
    return float(logsumexp(steps + np.log(p_steps)) - logsumexp(lines + np.log(p_lines)))


def _p_normal(sigmas: Array) -> Array:
    """Return the shares of grid points under a normal law."""
    weight = np.exp(-0.5 * sigmas**2)
    return np.asarray(weight / weight.sum(), dtype=float)


@dataclass(frozen=True, eq=False, slots=True)
class _Profile:
    """A profile, and how far each of its samples is from each place where an edge or line is tried.

    A shape depends on that distance alone, and few distances differ: it is reckoned once for each, and its
    sum over the samples, for every place, is its product with one of three matrices.

    Attributes
    ----------
    x, y : ndarray of shape (M,)
        Places of the samples, mm, and their grey levels.
    sigma : float
        Standard uncertainty of a level, with what the model leaves unexplained.
    distances : ndarray of shape (D,)
        The distances that occur.
    ones, by_x, by_y : ndarray of shape (D, places)
        1, x and y of the sample that is at a distance from a place; 0 where there is none.
    """

    x: Array
    y: Array
    sigma: float
    distances: Array
    ones: Array
    by_x: Array
    by_y: Array

    @classmethod
    def of(cls, distances_mm: Array, levels: Array, u_level: float, places_mm: Array) -> Self:
        used = (distances_mm >= -_BEFORE_MM) & (distances_mm <= _BEYOND_MM)
        x, y = distances_mm[used], levels[used].mean(axis=1)
        sigma = math.hypot(u_level, _MODEL_SHARE * float(np.ptp(y)))
        away = np.round(x - places_mm[:, None], 9)
        distances, where = np.unique(away, return_inverse=True)
        ones, by_x, by_y = np.zeros((3, len(distances), len(places_mm)))
        at = where.reshape(away.shape), np.arange(len(places_mm))[:, None]
        ones[at], by_x[at], by_y[at] = 1.0, x, y
        return cls(x, y, sigma, distances, ones, by_x, by_y)


# A part of the profile besides its level and trend, over the distances for every shape, and the prior's mean
# and spread of its height as shares of the level.
_Part = tuple[Array, float, float]


def _line_evidence(profile: _Profile, blurs_mm: Array) -> Array:
    """Return the log evidence of a drawn line, shape (blurs, widths, places)."""
    half = _WIDTHS_MM[:, None] / 2.0
    scale = blurs_mm[:, None, None]
    bar = ndtr((profile.distances + half) / scale) - ndtr((profile.distances - half) / scale)
    return _evidence(profile, [(bar, 0.0, _U_INK)], scale)


def _step_evidence(
    profile: _Profile, rises_mm: Array, blurs_mm: Array, view_slope: float, u_unlike: float
) -> Array:
    """Return the log evidence of a step, shape (rises, blurs, shadows, places).

    The levels of the two sheets are alike within ``u_unlike``, a share of the level.
    """
    steps = [[_Step(rise, view_slope, blur) for blur in blurs_mm.tolist()] for rise in rises_mm.tolist()]
    shapes = np.array([[step.parts(profile.distances) for step in row] for row in steps])
    lower, face, dark, shade = np.moveaxis(shapes, 2, 0)
    parts = [
        (lower, 0.0, u_unlike),
        (face, 0.0, _U_FACE),
        (dark, _DARK, _U_DARK),
        (shade, _SHADE, _U_SHADE),
    ]
    return _evidence(profile, parts, blurs_mm[:, None, None])


@dataclass(frozen=True, slots=True)
class _Step:
    """A step of a height, seen from a side, through a blur; distances grow towards the lower sheet."""

    rise_mm: float
    view_slope: float
    blur_mm: float

    @property
    def face_end_mm(self) -> float:
        """Where the sheet's cut face ends in the picture."""
        return SHEET_MM * max(self.view_slope, 0.0)

    def dark_ends_mm(self) -> Array:
        """Return where the dark ends in the picture, for each width of the shadow."""
        foot = self.rise_mm * self.view_slope
        return np.maximum(foot + _SHADOWS_MM, self.face_end_mm)

    def shade(self, distances: Array) -> Array:
        """Return what the step hides of the sky, 1 at its foot, blurred."""
        fine = np.linspace(-4.0, 4.0, 33) * self.blur_mm
        weight = np.exp(-0.5 * (fine / self.blur_mm) ** 2)
        places = distances[..., None] + fine
        beyond = places - self.rise_mm * self.view_slope
        hidden = 1.0 - beyond / np.hypot(beyond, self.rise_mm)
        shown = places > max(self.rise_mm * self.view_slope, 0.0)
        return np.asarray((np.where(shown, hidden, 0.0) @ weight) / weight.sum(), dtype=float)

    def parts(self, distances: Array) -> Array:
        """Return the shapes of its parts, shape (4, shadows, distances).

        Lower sheet, where it differs from the upper one; cut face; dark; shade.
        """
        edge, face_end = self.after(distances, 0.0), self.after(distances, self.face_end_mm)
        dark = face_end - self.after(distances, self.dark_ends_mm()[:, None])
        each = (face_end, edge - face_end, dark, self.shade(distances))
        return np.stack([np.broadcast_to(part, dark.shape) for part in each])

    def after(self, distances: Array, place_mm: float | Array) -> Array:
        """Return a step from 0 to 1 at a place, blurred."""
        return np.asarray(ndtr((distances - place_mm) / self.blur_mm), dtype=float)


def _evidence(profile: _Profile, parts: Sequence[_Part], blur_mm: Array) -> Array:
    """Return the log evidence of a linear model for every shape and place, the heights integrated out.

    The model is a level, a trend and the parts; the shapes of a part, and of ``blur_mm``, are (..., D).
    """
    level = max(float(profile.y.mean()), 1.0)
    mean = level * np.array([0.0, 0.0, *(value for _, value, _ in parts)])
    spread = level * np.array([_U_LEVEL, _U_LEVEL, *(u for _, _, u in parts)])
    normal, right = _sums(profile, np.stack([shape for shape, _, _ in parts]))
    # What the priors' means leave of the profile is explained by heights about zero.
    of_mean = np.tensordot(mean, normal, 1)
    left = float(profile.y @ profile.y) + np.tensordot(mean, of_mean - 2.0 * right, 1)
    bordered = np.empty((len(mean) + 1, len(mean) + 1, *left.shape))
    bordered[:-1, :-1], bordered[-1, -1] = normal, left
    bordered[:-1, -1] = bordered[-1, :-1] = right - of_mean
    bordered /= profile.sigma**2
    bordered[np.diag_indices(len(mean))] += (spread**-2.0).reshape(-1, *(1,) * left.ndim)
    log_determinant, misfit = _eliminate(bordered)
    # Samples nearer to each other than the blur say the same thing.
    news = np.minimum(1.0, (profile.x[1] - profile.x[0]) / blur_mm)
    return np.asarray(-0.5 * (news * misfit + log_determinant) - np.log(spread).sum(), dtype=float)


def _sums(profile: _Profile, shapes: Array) -> tuple[Array, Array]:
    """Return the sums over the samples of products of level, trend and parts, and of these and the profile.

    Shapes (n, n, ..., places) and (n, ..., places) for n - 2 parts of shape (n - 2, ..., D).
    """
    x, y, count = profile.x, profile.y, len(shapes) + 2
    right = np.empty((count, *shapes.shape[1:-1], profile.ones.shape[1]))
    normal = np.empty((count, *right.shape))
    normal[0, 0], normal[1, 1], normal[0, 1], normal[1, 0] = len(x), x @ x, x.sum(), x.sum()
    normal[0, 2:] = normal[2:, 0] = np.tensordot(shapes, profile.ones, 1)
    normal[1, 2:] = normal[2:, 1] = np.tensordot(shapes, profile.by_x, 1)
    normal[2:, 2:] = np.tensordot(shapes[:, None] * shapes, profile.ones, 1)
    right[0], right[1], right[2:] = y.sum(), x @ y, np.tensordot(shapes, profile.by_y, 1)
    return normal, right


def _eliminate(bordered: Array) -> tuple[Array, Array]:
    """Eliminate all but the last row of symmetric matrices of shape (n + 1, n + 1, ...), in place.

    Returns the log determinants without that row, and what is left in the corner: if the row is the right
    side of a least squares problem and the corner its sum of squares, the sum of squares at the solution.
    """
    log_determinant = np.zeros(bordered.shape[2:])
    for k in range(len(bordered) - 1):
        pivot, row = bordered[k, k], bordered[k, k + 1 :]
        log_determinant += np.log(pivot)
        bordered[k + 1 :, k + 1 :] -= row[:, None] * (row / pivot)
    return log_determinant, bordered[-1, -1]


def _summary(posterior: Array, rises: Array) -> EdgePlace:
    """Return means and covariance of a posterior of shape (edges, rises)."""
    by_edge, by_rise = posterior.sum(axis=1), posterior.sum(axis=0)
    edge, rise = float(by_edge @ _EDGES_MM), float(by_rise @ rises)
    u_edge = math.sqrt(float(by_edge @ (_EDGES_MM - edge) ** 2) + _U_FLOOR_MM**2)
    u_rise = math.sqrt(float(by_rise @ (rises - rise) ** 2))
    covariance = float((_EDGES_MM - edge) @ posterior @ (rises - rise))
    return EdgePlace(edge, rise, u_edge, u_rise, covariance)
