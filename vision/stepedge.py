"""Where the upper sheet ends within the dark or bright line that its edge makes in a photo.

Distances in mm along the ridge, growing from the upper towards the lower sheet. The line that is seen is not
the edge: beside it lie the cut's own face, if the camera stands on the lower side, and the shade at its foot.
"""

import math
from dataclasses import dataclass

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
    used = (distances_mm >= -_BEFORE_MM) & (distances_mm <= _BEYOND_MM)
    x, y = distances_mm[used], levels[used].mean(axis=1)
    sigma = math.hypot(u_level, _MODEL_SHARE * float(np.ptp(y)))
    rises = rise_mm + u_rise_mm * _RISES_SIGMA
    log_posterior = np.empty((len(_EDGES_MM), len(rises), len(_SHADOWS_MM), len(_BLURS)))
    for i, rise in enumerate(rises):
        for k, blur in enumerate(blur_mm * _BLURS):
            step = _Step(float(rise), view_slope, float(blur))
            log_posterior[:, i, :, k] = _evidence(step.parts(x, _U_LEVEL), y, sigma, float(blur), x)
    log_posterior += -0.5 * (_RISES_SIGMA**2)[:, None, None] + np.log(_P_SHADOWS)[:, None]
    log_posterior += -0.5 * (np.log(_BLURS) / _U_BLUR_SHARE) ** 2
    posterior = np.exp(log_posterior - log_posterior.max()).sum(axis=(2, 3))
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
    used = (distances_mm >= -_BEFORE_MM) & (distances_mm <= _BEYOND_MM)
    x, y = distances_mm[used], levels[used].mean(axis=1)
    sigma = math.hypot(u_level, _MODEL_SHARE * float(np.ptp(y)))
    steps, lines = [], []
    for blur, p_blur in zip(blur_mm * _BLURS, _p_normal(np.log(_BLURS) / _U_BLUR_SHARE), strict=True):
        for rise, p_rise in zip(RISE_MM + U_RISE_MM * _RISES_SIGMA, _p_normal(_RISES_SIGMA), strict=True):
            step = _Step(float(rise), view_slope, float(blur))
            prior = np.log(_P_SHADOWS * p_rise * p_blur / len(_EDGES_MM))
            steps.append(_evidence(step.parts(x, _U_UNLIKE), y, sigma, float(blur), x) + prior)
        bar = _bars(x, float(blur))
        lines.append(_evidence(bar, y, sigma, float(blur), x) + math.log(p_blur / bar[0][0][..., 0].size))
    return float(logsumexp(steps) - logsumexp(lines))


def _p_normal(sigmas: Array) -> Array:
    """Return the shares of grid points under a normal law."""
    weight = np.exp(-0.5 * sigmas**2)
    return np.asarray(weight / weight.sum(), dtype=float)


# A shape of the profile, and the prior's mean and spread of its height as shares of the level.
_Part = tuple[Array, float, float]


def _bars(x: Array, blur_mm: float) -> list[_Part]:
    """Return the parts of a drawn line's profile, for every place and width."""
    away = x - _OFF_MM[:, None, None]
    half = _WIDTHS_MM[:, None] / 2.0
    bar = ndtr((away + half) / blur_mm) - ndtr((away - half) / blur_mm)
    ones = np.ones(bar.shape)
    return [(ones, 0.0, _U_LEVEL), (ones * x, 0.0, _U_LEVEL), (bar, 0.0, _U_INK)]


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

    def parts(self, x: Array, u_unlike: float) -> "list[_Part]":
        """Return the parts of its profile, for every edge and shadow.

        Upper sheet, trend, lower less upper sheet (known to ``u_unlike``), face, dark, shade.
        """
        distances = x - _EDGES_MM[:, None]
        edge, face_end = self.after(distances, 0.0), self.after(distances, self.face_end_mm)
        dark_end = self.after(distances[:, None, :], self.dark_ends_mm()[:, None])
        ones = np.ones(dark_end.shape)
        return [
            (ones, 0.0, _U_LEVEL),
            (ones * x, 0.0, _U_LEVEL),
            (ones * face_end[:, None], 0.0, u_unlike),
            (ones * (edge - face_end)[:, None], 0.0, _U_FACE),
            (face_end[:, None] - dark_end, _DARK, _U_DARK),
            (ones * self.shade(distances)[:, None], _SHADE, _U_SHADE),
        ]

    def after(self, distances: Array, place_mm: float | Array) -> Array:
        """Return a step from 0 to 1 at a place, blurred."""
        return np.asarray(ndtr((distances - place_mm) / self.blur_mm), dtype=float)


def _evidence(parts: list[_Part], y: Array, sigma: float, blur_mm: float, x: Array) -> Array:
    """Return the log evidence of a linear model for every choice of its shape, the heights integrated out."""
    design = np.stack([part for part, _, _ in parts], axis=-1)
    level = max(float(y.mean()), 1.0)
    mean = level * np.array([value for _, value, _ in parts])
    spread = level * np.array([u for _, _, u in parts])
    left = y - design @ mean
    normal = design.swapaxes(-1, -2) @ design / sigma**2 + np.diag(spread**-2.0)
    right = (design.swapaxes(-1, -2) @ left[..., None]) / sigma**2
    explained = (right * np.linalg.solve(normal, right)).sum(axis=(-1, -2))
    misfit = (left**2).sum(axis=-1) / sigma**2
    # Samples nearer to each other than the blur say the same thing.
    news = min(1.0, float(x[1] - x[0]) / blur_mm)
    occam = 0.5 * np.linalg.slogdet(normal)[1] + np.log(spread).sum()
    return np.asarray(0.5 * news * (explained - misfit) - occam, dtype=float)


def _summary(posterior: Array, rises: Array) -> EdgePlace:
    """Return means and covariance of a posterior of shape (edges, rises)."""
    by_edge, by_rise = posterior.sum(axis=1), posterior.sum(axis=0)
    edge, rise = float(by_edge @ _EDGES_MM), float(by_rise @ rises)
    u_edge = math.sqrt(float(by_edge @ (_EDGES_MM - edge) ** 2) + _U_FLOOR_MM**2)
    u_rise = math.sqrt(float(by_rise @ (rises - rise) ** 2))
    covariance = float((_EDGES_MM - edge) @ posterior @ (rises - rise))
    return EdgePlace(edge, rise, u_edge, u_rise, covariance)
