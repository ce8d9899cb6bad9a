"""Where the upper sheet ends within the dark or bright line that its edge makes in a photo.

Distances in mm along the ridge, growing from the upper towards the lower sheet. The line that is seen is not
the edge: beside it lie the cut's own face, if the camera stands on the lower side, and the shade at its foot.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from calib.camera import Array

# Thickness of the sheet: galvanized 24 ga (22 ga 0.853, 26 ga 0.551 mm; ASTM A653/A924 table).
SHEET_MM = 0.701
# How far the upper sheet's top stands above the lower one: the sheet and what holds the two apart, paint and
# squeezed sealant (0.35 mm; common practice, no source).
RISE_MM, U_RISE_MM = SHEET_MM + 0.35, 0.25
# Next to a step of height h the sky is seen in part, (1 + cos atan(h / x)) / 2 at x from its foot; half of
# what is lost at the foot is back at x = h / tan 60 deg. The spread is that of light that is not even.
_SHADE_PER_RISE, _U_SHADE_MM = 0.577, 0.25
# In direct sun the shadow may be of any length up to this, with this probability.
_LONG_SHADOW_MM, _P_LONG = 6.0, 0.15
# A camera's blur (standard deviation, in its own pixels), lens, sensor and resampling together; a setting.
BLUR_PX, _U_BLUR_SHARE = 0.75, 0.3
# What sharpening and the model leave unexplained, as a share of the profile's range.
_MODEL_SHARE = 0.04
# Part of the profile that is explained, and what remains uncertain of the edge whatever the fit says.
_BEFORE_MM, _BEYOND_MM, _U_FLOOR_MM = 4.0, 7.0, 0.08
# A strip's level lies about as far from its neighbours' as they lie from black, or less.
_STRIP_SHARE = 0.5

_EDGES_MM = np.arange(-6.0, 1.55, 0.1)
_WIDTHS_MM = np.concatenate([np.arange(0.1, 2.0, 0.15), np.arange(2.2, 6.1, 0.4)])
_BLURS = np.array([0.75, 1.0, 1.3])
_RISES_SIGMA = np.linspace(-2.0, 2.0, 9)


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
    The profile is modelled as upper sheet, cut face, shade, lower sheet, seen through a Gaussian blur, with a
    linear trend; the levels are integrated out for every place of the edge, width of the shade and blur on a
    grid. The face shows thickness times slope of itself, and may be darker or brighter than the sheet. Prior
    for the shade: what shows below the sheet, and what the step keeps from the sky; where the camera stands
    on the upper side the edge hides part of it.
    """
    used = (distances_mm >= -_BEFORE_MM) & (distances_mm <= _BEYOND_MM)
    x, y = distances_mm[used], levels[used].mean(axis=1)
    sigma = math.hypot(u_level, _MODEL_SHARE * float(np.ptp(y)))
    step_mm = float(x[1] - x[0])
    # Samples nearer than the blur say the same thing.
    news = min(1.0, step_mm / blur_mm)
    face_mm = SHEET_MM * max(view_slope, 0.0)
    fit = np.stack([_fit_strips(x, y, face_mm, blur_mm * blur, sigma) for blur in _BLURS], axis=2)
    log_likelihood = news * fit - 0.5 * (np.log(_BLURS) / _U_BLUR_SHARE) ** 2
    rises = rise_mm + u_rise_mm * _RISES_SIGMA
    log_prior = _log_width_prior(rises, view_slope) - 0.5 * (_RISES_SIGMA**2)[:, None]
    # (edges, widths, blurs) and (rises, widths) -> (edges, rises)
    peak = float(log_likelihood.max())
    by_width = np.exp(log_likelihood - peak).sum(axis=2)
    posterior = by_width @ np.exp(log_prior - log_prior.max()).T
    return _summary(posterior / posterior.sum(), rises)


def _fit_strips(x: Array, y: Array, face_mm: float, blur_mm: float, sigma: float) -> Array:
    """Return the log likelihood of every place of the edge and width of the shade, the levels integrated out.

    The profile is U + (L - U) (F1 + F3) / 2 + f (F1 - F2) + s (F2 - F3) + t x, with F1, F2, F3 the blurred
    steps at the edge, below the cut's face and at the end of the shade; U, L and t are free, the face's f and
    the shade's s have Gaussian priors.
    """
    ends = _EDGES_MM[:, None] + face_mm + _WIDTHS_MM
    edge, foot = (_blurred_step(x, _EDGES_MM + shift, blur_mm)[:, None, :] for shift in (0.0, face_mm))
    end = _blurred_step(x, ends.ravel(), blur_mm).reshape(*ends.shape, len(x))
    ones = np.ones_like(end)
    parts = [ones, ones * x, (edge + end) / 2.0, foot - end]
    # Nearly free levels keep the matrix regular where a step lies outside the profile.
    level = max(float(np.abs(y).mean()), 1.0)
    spread = [10.0 * level, 10.0 * level, 10.0 * level, _STRIP_SHARE * level]
    if face_mm > 0.0:
        parts.append(np.broadcast_to(edge - foot, end.shape))
        spread.append(_STRIP_SHARE * level)
    design = np.stack(parts, axis=3)
    normal = design.swapaxes(2, 3) @ design / sigma**2 + np.diag(np.array(spread) ** -2.0)
    right = (design.swapaxes(2, 3) @ y[:, None]) / sigma**2
    explained = (right * np.linalg.solve(normal, right)).sum(axis=(2, 3))
    return np.asarray(0.5 * explained - 0.5 * np.linalg.slogdet(normal)[1], dtype=float)


def _blurred_step(x: Array, places_mm: Array, blur_mm: float) -> Array:
    """Return steps from 0 to 1 at each place, shape (places, len(x))."""
    return np.asarray(ndtr((x[None, :] - places_mm[:, None]) / blur_mm), dtype=float)


def _log_width_prior(rises: Array, view_slope: float) -> Array:
    """Return the log prior of the strip's width for each height of the step, shape (rises, widths)."""
    shown = rises * (_SHADE_PER_RISE + view_slope) - SHEET_MM * max(view_slope, 0.0)
    expected = np.maximum(shown, 0.0)[:, None]
    usual = np.exp(-0.5 * ((_WIDTHS_MM - expected) / _U_SHADE_MM) ** 2) / (
        math.sqrt(2 * math.pi) * _U_SHADE_MM
    )
    spacing = np.gradient(_WIDTHS_MM)
    return np.asarray(np.log(spacing * ((1.0 - _P_LONG) * usual + _P_LONG / _LONG_SHADOW_MM)), dtype=float)


def _summary(posterior: Array, rises: Array) -> EdgePlace:
    """Return means and covariance of a posterior of shape (edges, rises)."""
    by_edge, by_rise = posterior.sum(axis=1), posterior.sum(axis=0)
    edge, rise = float(by_edge @ _EDGES_MM), float(by_rise @ rises)
    u_edge = math.sqrt(float(by_edge @ (_EDGES_MM - edge) ** 2) + _U_FLOOR_MM**2)
    u_rise = math.sqrt(float(by_rise @ (rises - rise) ** 2))
    covariance = float((_EDGES_MM - edge) @ posterior @ (rises - rise))
    return EdgePlace(edge, rise, u_edge, u_rise, covariance)
