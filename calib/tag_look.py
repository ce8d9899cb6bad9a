"""How a camera shows a tag: its cells blurred in linear light, then the tone curve, then sharpening.

Values run from 0 for black to 1 for white; the grey levels of both are found by the fit (`calib.tag_fit`).
"""

from dataclasses import dataclass, replace
from math import exp, hypot, log

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from calib.tag_cells import LINES, blur_cells, tag_cells
from calib.tag_map import CellMap
from calib.tag_pixels import HALF_PROFILE_PX, Samples

Array = NDArray[np.float64]

# Unknowns of the look: edge bias in px, ln of the blur in px, halo of sharpening; and what is known of them.
LOOK_UNKNOWNS = 3
_U_BIAS_PX = 0.25
_U_LN_BLUR = 0.5
_HALO, _U_HALO = 0.3, 0.5
_BLUR_RANGE_PX, _HALO_RANGE = (0.3, 4.0), (0.0, 1.5)
# White that grows by more than this part of the blur is beyond the second order in which it is reckoned.
_MOST_BIAS_BLURS = 1.0
# Longest steps of ln blur and halo; the model is far from linear in both.
_LN_BLUR_STEP, _HALO_STEP = 0.5, 0.4
_BLACK_RANGE = (0.02, 0.9)
# Radius of the blur that sharpening takes away; common practice in cameras, no source.
_HALO_RADIUS_PX = 1.0
# Display value = (linear light)^0.6 between black and white: sRGB alone is about 1/2.2 (IEC 61966-2-1), a
# camera's curve flatter in the lights. The edge bias takes up what this misses, unless cells are very small.
_TONE_POWER, _U_TONE_POWER = 0.6, 0.12


@dataclass(frozen=True, slots=True)
class Look:
    """How a tag looks.

    Attributes
    ----------
    bias_px : float
        Width by which white grows over black at every edge, before the blur, px.
    ln_blur : float
        Natural logarithm of the blur's standard deviation in px.
    halo : float
        Part of what the picture differs from itself blurred once more that sharpening adds.
    black_part : float
        Display value of black as a part of that of white.
    tone_power : float
        Exponent of the tone curve.
    """

    bias_px: float = 0.0
    ln_blur: float = 0.0
    halo: float = _HALO
    black_part: float = 0.25
    tone_power: float = _TONE_POWER

    @property
    def blur_px(self) -> float:
        """Standard deviation of the blur, px."""
        return exp(self.ln_blur)

    def with_blur(self, blur_px: float) -> "Look":
        """Return the same look with another blur."""
        return replace(self, ln_blur=log(blur_px))

    def enlarged(self, factor: float) -> "Look":
        """Return the same look in a picture enlarged by a factor."""
        return replace(self, ln_blur=self.ln_blur + log(factor), bias_px=self.bias_px * factor)

    def unknowns(self) -> Array:
        """Return the unknowns, shape (3,)."""
        return np.array([self.bias_px, self.ln_blur, self.halo])

    def prior(self) -> tuple[Array, Array]:
        """Return mean and standard deviation of the unknowns before the fit, this look being its start."""
        return np.array([0.0, self.ln_blur, _HALO]), np.array([_U_BIAS_PX, _U_LN_BLUR, _U_HALO])

    def stepped(self, step: Array, black_part: float) -> "Look":
        """Return the look after a step of its unknowns, shape (3,), kept within reason."""
        lowest, highest = (log(limit) for limit in _BLUR_RANGE_PX)
        blurred = replace(
            self,
            ln_blur=float(
                np.clip(self.ln_blur + step[1].clip(-_LN_BLUR_STEP, _LN_BLUR_STEP), lowest, highest)
            ),
            halo=float(np.clip(self.halo + step[2].clip(-_HALO_STEP, _HALO_STEP), *_HALO_RANGE)),
            black_part=float(np.clip(black_part, *_BLACK_RANGE)),
        )
        most_px = _MOST_BIAS_BLURS * blurred.blur_px
        return replace(blurred, bias_px=float(np.clip(self.bias_px + step[0], -most_px, most_px)))

    def apparent_bias_px(self) -> float:
        """Return how far an edge lies inside black at half of the step from black to white, px."""
        black = self.black_part ** (1.0 / self.tone_power)
        middle = (0.5 * (1.0 + self.black_part)) ** (1.0 / self.tone_power)
        return self.bias_px - self.blur_px * float(ndtri((middle - black) / (1.0 - black)))


@dataclass(frozen=True, eq=False)
class Picture:
    """What the samples should show, 0 for black and 1 for white, and what changes it.

    Attributes
    ----------
    value : ndarray of shape (M, Q)
        Display value.
    by_unknowns : ndarray of shape (M, Q, P)
        Derivative by the unknowns of the map, then of the look.
    across : ndarray of shape (M, Q)
        Derivative across the profile's edge towards white, per px.
    by_tone : ndarray of shape (M, Q)
        Change for a tone curve that is off by its standard uncertainty.
    """

    value: Array
    by_unknowns: Array
    across: Array
    by_tone: Array


def show(samples: Samples, tag_id: int, cell_map: CellMap, look: Look) -> Picture:
    """Return what the samples should show.

    Parameters
    ----------
    samples : Samples
        Pixels that take part.
    tag_id : int
        Which tag it is.
    cell_map : CellMap
        Where it is.
    look : Look
        How it looks.

    Returns
    -------
    Picture
        Values and derivatives.
    """
    cells, by_map = cell_map.to_cells_with_derivatives(samples.px)
    slopes = cell_map.slopes(samples.foot_px)
    slope_u, slope_v = np.moveaxis(np.linalg.norm(slopes, axis=-1), -1, 0)
    skew = np.sum(slopes[..., 0, :] * slopes[..., 1, :], axis=-1) / (slope_u * slope_v)
    blurs_px = np.array([look.blur_px, hypot(look.blur_px, _HALO_RADIUS_PX)])
    reach_px = np.inf if samples.is_whole else HALF_PROFILE_PX + 1.0 + 3.0 * blurs_px[1]
    colours, from_u, from_v = _window(tag_id, cells, reach_px / samples.cell_px)
    blurred = blur_cells(colours, from_u, from_v, slope_u, slope_v, skew, blurs_px)
    # White grown by the bias, to the second order: across an edge the second derivative is the Laplacian,
    # which by the heat equation is the derivative by ln blur, divided by the blur squared.
    growth = look.bias_px / blurs_px[:, None, None] ** 2
    by_bias = blurred.by_bias + growth * blurred.by_ln_blur
    brightness = blurred.value + look.bias_px * (blurred.by_bias + 0.5 * growth * blurred.by_ln_blur)
    toned, tone_slope = _tone(brightness, look)
    toned_else, _ = _tone(brightness, replace(look, tone_power=look.tone_power + _U_TONE_POWER))
    share = np.array([1.0 + look.halo, -look.halo])[:, None, None]
    gain = share * tone_slope
    by_u, by_v = np.sum(gain * blurred.by_u, axis=0), np.sum(gain * blurred.by_v, axis=0)
    blur_gain = ((look.blur_px / blurs_px) ** 2)[:, None, None]
    by_unknowns = np.empty((*cells.shape[:2], cell_map.unknowns + LOOK_UNKNOWNS))
    by_unknowns[..., :-3] = by_u[..., None] * by_map[..., 0, :] + by_v[..., None] * by_map[..., 1, :]
    by_unknowns[..., -3] = np.sum(gain * by_bias, axis=0)
    by_unknowns[..., -2] = np.sum(gain * blur_gain * blurred.by_ln_blur, axis=0)
    by_unknowns[..., -1] = toned[0] - toned[1]
    by_shift = _shift_across(samples.normal, slopes)
    return Picture(
        np.sum(share * toned, axis=0),
        by_unknowns,
        by_u * by_shift[0] + by_v * by_shift[1],
        np.sum(share * (toned_else - toned), axis=0),
    )


def _window(tag_id: int, cells: Array, reach: float) -> tuple[Array, Array, Array]:
    """Return the colours of the cells near each group of points, and the points' distances from lines."""
    colours = tag_cells(tag_id)
    count = LINES if reach > LINES else min(LINES, 2 * int(np.ceil(reach)) + 1)
    if count == LINES:
        first = np.zeros((len(cells), 2), dtype=np.intp)
    else:
        first = np.rint(cells[:, cells.shape[1] // 2]).astype(np.intp) - count // 2
        first = first.clip(0, LINES - count)
    lines = first[:, None, :, None] + np.arange(count)  # (M, 1, 2, L)
    beside = first[:, :, None] + np.arange(count + 1)  # (M, 2, L + 1)
    from_lines = cells[..., None] - lines
    return colours[beside[:, 0, :, None], beside[:, 1, None, :]], from_lines[..., 0, :], from_lines[..., 1, :]


def _tone(brightness: Array, look: Look) -> tuple[Array, Array]:
    """Return display value between black and white, 0 to 1, and its slope by linear brightness."""
    black = look.black_part ** (1.0 / look.tone_power)
    light = black + (1.0 - black) * brightness.clip(0.0, 1.0)
    shown = light**look.tone_power
    slope = look.tone_power * shown / light * ((1.0 - black) / (1.0 - look.black_part))
    return (shown - look.black_part) / (1.0 - look.black_part), slope


def _shift_across(normal: Array, slopes: Array) -> Array:
    """Return how u and v change along the picture's normal of each profile's edge, shape (2, M, Q)."""
    direction = np.einsum("mi,mqij->mqj", normal, slopes)
    direction /= np.maximum(np.linalg.norm(direction, axis=-1, keepdims=True), 1e-12)
    return np.asarray(np.einsum("mqij,mqj->imq", slopes, direction))
