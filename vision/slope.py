"""Lengths along a slope: rafters, hips and valleys of equal pitch on both sides.

Pitch is rise in 12 of horizontal run, as on a framing square.
"""

import math

from calib.errors import PlanError


def slope_factor(rise_in_12: float) -> float:
    """Return the length along the slope per horizontal length square to the eave: sqrt(1 + (rise / 12)²).

    Raises
    ------
    PlanError
        If the rise is negative or not a number.
    """
    _check_rise(rise_in_12)
    return math.hypot(1.0, rise_in_12 / 12.0)


def hip_factor(rise_in_12: float) -> float:
    """Return the length of a hip or valley per horizontal length of common run: sqrt(2 + (rise / 12)²).

    Both roof planes have the same pitch, so the hip runs at 45 degrees in plan.

    Raises
    ------
    PlanError
        If the rise is negative or not a number.
    """
    _check_rise(rise_in_12)
    return math.sqrt(2.0 + (rise_in_12 / 12.0) ** 2)


def hip_length(common_run_mm: float, rise_in_12: float) -> float:
    """Return the length of a hip, in mm, from the common run (half the span, level) and the pitch.

    Raises
    ------
    PlanError
        If the run is not a positive length, or the rise is negative.
    """
    if not (common_run_mm > 0.0 and math.isfinite(common_run_mm)):
        msg = f"the common run of a hip must be longer than 0 mm, got {common_run_mm} mm"
        raise PlanError(msg)
    return common_run_mm * hip_factor(rise_in_12)


def _check_rise(rise_in_12: float) -> None:
    if not (rise_in_12 >= 0.0 and math.isfinite(rise_in_12)):
        msg = f"a pitch is a rise of 0 or more in 12, got {rise_in_12}"
        raise PlanError(msg)
