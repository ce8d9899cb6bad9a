"""What a printed target's tape-checked bars say about its true size, with the tape's doubt carried along.

Every printer scales a little, and differently along and across the paper. Lengths in mm; a scale is the
printed length over the nominal one.
"""

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from calib.errors import TargetError
from calib.targets import Target

# Standard uncertainty of the scale of a print that nobody has measured, as a fraction: desk printers are
# commonly 0.2 to 0.5 % off (common practice, no source).
UNCHECKED_U_SCALE = 0.003
# The same for one direction when only the other one was measured (common practice, no source).
OTHER_AXIS_U_SCALE = 0.002
# Standard uncertainty of reading a bar against a rule with millimetre divisions: half a division as the
# half-width of a rectangular distribution, 0.5 mm / sqrt(3) (JCGM 100:2008, 4.3.7).
RULE_READING_U_MM = 0.5 / math.sqrt(3.0)

# Beyond these a number was mistyped or the sheet is spoilt; it is not a printer's scale any more.
_SCALE_LIMIT = 0.10
_STRETCH_LIMIT = 0.01


@dataclass(frozen=True, slots=True)
class BarCheck:
    """One printed bar, as drawn and as measured.

    Attributes
    ----------
    nominal_mm : float
        Its length as drawn, mm.
    measured_mm : float
        Its length as measured on the print, mm.
    u_mm : float
        Standard uncertainty of the measured length, the rule's own included, mm.
    """

    nominal_mm: float
    measured_mm: float
    u_mm: float = RULE_READING_U_MM

    def __post_init__(self) -> None:
        if not (0.0 < self.nominal_mm < math.inf and 0.0 < self.measured_mm < math.inf):
            msg = f"a bar's lengths must be > 0 mm, got {self.measured_mm:g} mm for {self.nominal_mm:g} mm"
            raise TargetError(msg)
        if not 0.0 < self.u_mm < math.inf:
            msg = (
                f"the doubt of a bar's measured length must be > 0 mm, got {self.u_mm:g} mm; no rule is exact"
            )
            raise TargetError(msg)
        if abs(self.scale - 1.0) > _SCALE_LIMIT:
            msg = (
                f"the {self.nominal_mm:g} mm bar was measured as {self.measured_mm:g} mm, more than "
                f"{_SCALE_LIMIT:.0%} off; check the unit and the bar, or print again at 100 %"
            )
            raise TargetError(msg)

    @property
    def scale(self) -> float:
        """Printed length over nominal length."""
        return self.measured_mm / self.nominal_mm

    @property
    def u_scale(self) -> float:
        """Standard uncertainty of `scale`."""
        return self.u_mm / self.nominal_mm


def scaled_target(target: Target, bar: BarCheck, other: BarCheck | None = None) -> Target:
    """Return a target as it was really printed.

    Parameters
    ----------
    target : Target
        The target as drawn, with the sigma of a print whose scale is exact.
    bar : BarCheck
        One of the print's bars.
    other : BarCheck, optional
        The bar square to it. Without it, that direction is taken to have the same scale give or take
        `OTHER_AXIS_U_SCALE`.

    Returns
    -------
    Target
        Tags, centres and outline in the printed scale; sigma enlarged to carry the scale's doubt. The
        thickness does not change.

    Raises
    ------
    TargetError
        If the two directions differ by more than 1 %: the tags are no longer squares.

    Notes
    -----
    With both bars the scale is their mean. Its doubt joins the two readings, taken as fully correlated
    because one rule read both, and half the difference of the two scales, by which each direction is off;
    with one bar, the reading and `OTHER_AXIS_U_SCALE`. See `with_scale_doubt` for how it enters sigma.
    """
    if other is None:
        scale, u_scale = bar.scale, math.hypot(bar.u_scale, OTHER_AXIS_U_SCALE)
    else:
        stretch = abs(bar.scale - other.scale)
        if stretch > _STRETCH_LIMIT:
            msg = (
                f"the print is {bar.scale:.2%} of its size one way and {other.scale:.2%} the other: its tags "
                f"are not square within {_STRETCH_LIMIT:.0%}; measure both bars again, or print again"
            )
            raise TargetError(msg)
        scale = 0.5 * (bar.scale + other.scale)
        u_scale = math.hypot(0.5 * (bar.u_scale + other.u_scale), 0.5 * stretch)
    return _resized(with_scale_doubt(target, u_scale), scale)


def unchecked_target(target: Target) -> Target:
    """Return a target as it must be taken to be printed as long as nobody has measured its bars."""
    return with_scale_doubt(target, UNCHECKED_U_SCALE)


def with_scale_doubt(target: Target, u_scale: float) -> Target:
    """Return the target with a sigma that carries the doubt of its scale.

    Parameters
    ----------
    target : Target
        The target.
    u_scale : float
        Standard uncertainty of its scale, a fraction.

    Returns
    -------
    Target
        The same geometry with the larger sigma.

    Notes
    -----
    A scale error moves all corners together, but a target file has one sigma, of corners that err
    independently. A size fitted to corners at distances r_i from their centroid has the relative
    uncertainty sigma / sqrt(sum r_i^2) (least squares on one scale factor), so that

        sigma'^2 = sigma^2 + u_scale^2 sum r_i^2

    makes every length taken from the whole target carry u_scale in full, and more when only some of its
    tags are seen. Tilt then carries more doubt than it has: the safe side. The largest r_i alone, in place
    of the root of the sum, would let the doubt average away over the corners, by a factor of three for four
    tags.
    """
    corners = target.corners_mm()
    spread_mm = float(np.sqrt(np.sum((corners - corners.mean(axis=0)) ** 2)))
    return dataclasses.replace(target, sigma_mm=math.hypot(target.sigma_mm, u_scale * spread_mm))


def _resized(target: Target, scale: float) -> Target:
    tags = tuple(
        dataclasses.replace(
            tag,
            size_mm=scale * tag.size_mm,
            center_mm=(scale * tag.center_mm[0], scale * tag.center_mm[1]),
        )
        for tag in target.tags
    )
    outline_mm = (scale * target.outline_mm[0], scale * target.outline_mm[1])
    return dataclasses.replace(target, outline_mm=outline_mm, tags=tags)
