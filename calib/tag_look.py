"""How a camera shows a tag: its cells blurred in linear light, then the tone curve, then sharpening.

Values run from 0 for black to 1 for white; the grey levels of both are found by the fit (`calib.tag_fit`).
"""

from dataclasses import dataclass, replace
from math import ceil, exp, hypot, log

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from calib.tag_cells import LINES, BlurredCells, blur_cells, tag_cells
from calib.tag_map import CellMap
from calib.tag_pixels import Samples

Array = NDArray[np.float64]

# Unknowns of the look: edge bias in px, ln of the blur in px, halo of sharpening; and what is known of them.
LOOK_UNKNOWNS = 3
_U_BIAS_PX = 0.25
_U_LN_BLUR = 0.5
_HALO, _U_HALO = 0.3, 0.5
_BLUR_RANGE_PX, _HALO_RANGE = (0.3, 4.0), (0.0, 1.5)
# White that grows by more than this part of the blur is beyond the second order in which it is reckoned.
_MOST_BIAS_BLURS = 1.0
# A line so many blurs away changes a pixel by less than a ten-thousandth of the contrast.
_REACH_BLURS = 4.0
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

    def blurs_px(self) -> Array:
        """Return the blur of the picture and that of its halo, shape (2,), px."""
        return np.array([self.blur_px, hypot(self.blur_px, _HALO_RADIUS_PX)])

    def shares(self) -> Array:
        """Return the parts that the picture and its halo have in what is shown, shape (2,)."""
        return np.array([1.0 + self.halo, -self.halo])

    def with_blur(self, blur_px: float) -> "Look":
        """Return the same look with another blur."""
        return replace(self, ln_blur=log(blur_px))

    def enlarged(self, factor: float) -> "Look":
        """Return the same look in a picture enlarged by a factor; the halo, made of pixels, begins anew."""
        return replace(self, ln_blur=self.ln_blur + log(factor), bias_px=self.bias_px * factor, halo=_HALO)

    def unknowns(self) -> Array:
        """Return the unknowns, shape (3,)."""
        return np.array([self.bias_px, self.ln_blur, self.halo])

    def prior(self) -> tuple[Array, Array]:
        """Return mean and standard deviation of the unknowns before the fit, this look being its start."""
        return np.array([0.0, self.ln_blur, _HALO]), np.array([_U_BIAS_PX, _U_LN_BLUR, _U_HALO])

    def stepped(self, step: Array, black_part: float) -> "Look":
        """Return the look after a step of its unknowns, shape (3,), kept within reason."""
        lowest, highest = (log(limit) for limit in _BLUR_RANGE_PX)
        ln_blur = self.ln_blur + _within(step[1], -_LN_BLUR_STEP, _LN_BLUR_STEP)
        halo = self.halo + _within(step[2], -_HALO_STEP, _HALO_STEP)
        blurred = replace(
            self,
            ln_blur=_within(ln_blur, lowest, highest),
            halo=_within(halo, *_HALO_RANGE),
            black_part=_within(black_part, *_BLACK_RANGE),
        )
        most_px = _MOST_BIAS_BLURS * blurred.blur_px
        return replace(blurred, bias_px=_within(self.bias_px + step[0], -most_px, most_px))

    def apparent_bias_px(self) -> float:
        """Return how far an edge lies inside black at half of the step from black to white, px."""
        black = self.black_part ** (1.0 / self.tone_power)
        middle = (0.5 * (1.0 + self.black_part)) ** (1.0 / self.tone_power)
        return self.bias_px - self.blur_px * float(ndtri((middle - black) / (1.0 - black)))


def _within(value: float, lowest: float, highest: float) -> float:
    """Return the value or the limit that it is beyond; on single numbers far quicker than numpy's clip."""
    return min(max(float(value), lowest), highest)


@dataclass(frozen=True, eq=False)
class Picture:
    """What the samples should show, 0 for black and 1 for white, and what changes it.

    Attributes
    ----------
    value : ndarray of shape (Q, M)
        Display value.
    columns : ndarray of shape (P + 1, Q, M)
        Derivative by the unknowns of the map, then of the look; last, across the profile's edge towards
        white, per px.
    brightness : ndarray of shape (2, Q, M)
        Linear brightness behind the blur, and behind that of the halo.
    look : Look
        How the tag looks.
    """

    value: Array
    columns: Array
    brightness: Array
    look: Look

    def by_tone(self) -> Array:
        """Return the change, shape (Q, M), for a tone curve that is off by its standard uncertainty."""
        other = replace(self.look, tone_power=self.look.tone_power + _U_TONE_POWER)
        return _sharpened(_tone(self.brightness, other)[0], self.look) - self.value


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
    mapped = cell_map.mapped(samples.px)
    blurs_px = look.blurs_px()
    blurred = _blurred(samples, tag_id, mapped.cells, blurs_px)
    # White grown by the bias, to the second order: across an edge the second derivative is the Laplacian,
    # which by the heat equation is the derivative by ln blur, divided by the blur squared.
    by_ln_blur, by_bias = blurred.by_ln_blur, blurred.by_bias
    growth = look.bias_px / blurs_px[:, None, None] ** 2 * by_ln_blur
    brightness = blurred.value + look.bias_px * (by_bias + 0.5 * growth)
    toned, tone_slope = _tone(brightness, look)
    gain = look.shares()[:, None, None] * tone_slope
    by_u, by_v = _summed(gain * blurred.by_u), _summed(gain * blurred.by_v)
    blur_gain = gain * ((look.blur_px / blurs_px) ** 2)[:, None, None]
    across_u, across_v = _shift_across(samples.normal, samples.slopes)
    columns = np.empty((cell_map.unknowns + LOOK_UNKNOWNS + 1, *by_u.shape))
    columns[:-4] = cell_map.by_unknowns(mapped, np.array([by_u, by_v]))
    columns[-4] = _summed(gain * (by_bias + growth))
    columns[-3] = _summed(blur_gain * by_ln_blur)
    columns[-2] = toned[0] - toned[1]
    columns[-1] = by_u * across_u + by_v * across_v
    return Picture(_sharpened(toned, look), columns, brightness, look)


def show_plain(samples: Samples, tag_id: int, cells: Array, look: Look) -> Array:
    """Return the display value alone, shape (Q, M), of a look without edge bias at places, (2, Q, M)."""
    toned, _ = _tone(_blurred(samples, tag_id, cells, look.blurs_px()).value, look)
    return _sharpened(toned, look)


def _blurred(samples: Samples, tag_id: int, cells: Array, blurs_px: Array) -> BlurredCells:
    """Return the cells of a tag seen through blurs at the places, (2, Q, M), of the samples."""
    (u_x, u_y), (v_x, v_y) = samples.slopes
    lengths = np.array([np.hypot(u_x, u_y), np.hypot(v_x, v_y)])
    skew = (u_x * v_x + u_y * v_y) / (lengths[0] * lengths[1])
    reach = np.inf if samples.is_whole else _REACH_BLURS * float(blurs_px.max()) / samples.cell_px
    colours, from_lines = _window(tag_id, cells, reach)
    return blur_cells(colours, from_lines, lengths, skew, blurs_px)


def _window(tag_id: int, cells: Array, reach: float) -> tuple[Array, Array]:
    """Return the colours of the cells around each group of points, and the points' distances from lines.

    Lines that are farther than the reach, in cells, from all points of their group do not matter. The colours
    have the shape (L + 1, L + 1, M), the distances (2, L, Q, M).
    """
    colours = tag_cells(tag_id)
    nearest = np.rint(cells[:, cells.shape[1] // 2]).clip(0, LINES - 1)
    # The next lines are a cell farther on.
    beyond = float(np.abs(cells - nearest[:, None]).max()) + reach - 1.0
    if not 2.0 * beyond + 1.0 < LINES:  # also when it is not a number
        return colours[..., None], cells[:, None] - np.arange(LINES)[:, None, None]
    count = 2 * max(0, ceil(beyond)) + 1
    first = (nearest.astype(np.intp) - count // 2).clip(0, LINES - count)
    beside = first[:, None] + np.arange(count + 1)[:, None]  # (2, L + 1, M)
    lines = beside[:, :-1, None]
    return colours[beside[0][:, None], beside[1]], cells[:, None] - lines


def _summed(pair: Array) -> Array:
    """Return the sum of the picture's part and the halo's, shape (2, ...)."""
    return np.asarray(pair[0] + pair[1])


def _sharpened(toned: Array, look: Look) -> Array:
    """Return the sum of the picture, (2, Q, M), and that of the halo, each by its share."""
    own, halo = look.shares()
    return np.asarray(own * toned[0] + halo * toned[1])


def _tone(brightness: Array, look: Look) -> tuple[Array, Array]:
    """Return display value between black and white, 0 to 1, and its slope by linear brightness."""
    black = look.black_part ** (1.0 / look.tone_power)
    light = black + (1.0 - black) * brightness.clip(0.0, 1.0)
    shown = light**look.tone_power
    slope = look.tone_power * shown / light * ((1.0 - black) / (1.0 - look.black_part))
    return (shown - look.black_part) / (1.0 - look.black_part), slope


def _shift_across(normal: Array, slopes: Array) -> Array:
    """Return how u and v change along the picture's normal of each profile's edge, shape (2, Q, M)."""
    direction = normal[0] * slopes[0] + normal[1] * slopes[1]  # (2, Q, M), in the picture
    direction /= np.maximum(np.hypot(*direction), 1e-12)
    return np.asarray(slopes[:, 0] * direction[0] + slopes[:, 1] * direction[1])
