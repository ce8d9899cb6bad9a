"""How far a cap's points lie from the plane that a target lies on: sheet metal bows, leans and has dents.

Frame: mm of the target's frame, z into the sheet. Where two pieces lap, one lies a step above the other.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from vision.flange import Flange
from vision.laps import LapSighting, NoLap
from vision.stepedge import RISE_MM, U_RISE_MM

# Standard uncertainties of a depth: of each point for itself, and at this distance along the ridge from the
# target's middle for the whole sheet's lean and bow, which grow with the distance and with its square. By the
# heights of a dozen rendered caps: 0.5 mm (rms) within 450 mm of the target, 1.1 mm beyond.
_U_DENT_MM, _U_LEAN_MM, _U_BOW_MM, _AT_MM = 0.25, 0.25, 0.35, 400.0
# Beyond a lap whose edge was not found the sheet may be a step off, either way, or not at all.
_U_UNKNOWN_STEP_MM = 0.7
# Half a target and a hand's width, as a share of the distance above: so far the sheet is the target's own.
_OWN_SHEET = 0.4


@dataclass(frozen=True, eq=False, slots=True)
class Depths:
    """Depths of points beneath the target's plane of the sheet.

    Attributes
    ----------
    mm : ndarray of shape (N,)
        Expected depth below the sheet under the target.
    cov_mm2 : ndarray of shape (N, N)
        Their covariance.
    """

    mm: Array
    cov_mm2: Array

    def __post_init__(self) -> None:
        for name in ("mm", "cov_mm2"):
            array = np.array(getattr(self, name), dtype=float)
            array.setflags(write=False)
            object.__setattr__(self, name, array)


def sheet_depths(
    points_mm: Array, flange: Flange, target_mm: Array, laps: Sequence[LapSighting | NoLap] = ()
) -> Depths:
    """Return what is known of the depths of points on a flange.

    Parameters
    ----------
    points_mm : ndarray of shape (N, 2)
        The points, on the plane of the sheet under the target.
    flange : Flange
        The flange that they lie on.
    target_mm : ndarray of shape (K, 2)
        Outline of the target.
    laps : sequence of LapSighting or NoLap
        Laps in the photo: what lies beyond one is a step higher or lower.

    Returns
    -------
    Depths
        Positive away from the camera.
    """
    middle = float((target_mm @ flange.along).mean())
    stations = points_mm @ flange.along
    away = (stations - middle) / _AT_MM
    cov = _U_DENT_MM**2 * np.eye(len(away))
    cov += _U_LEAN_MM**2 * np.outer(away, away) + _U_BOW_MM**2 * np.outer(away**2, away**2)
    depth = np.zeros(len(away))
    for lap in laps:
        if isinstance(lap, LapSighting):
            beyond, sign = _beyond_edge(lap, stations, middle, flange)
            depth += sign * RISE_MM * beyond
            cov += U_RISE_MM**2 * np.outer(beyond, beyond)
    if any(isinstance(lap, NoLap) for lap in laps):
        # Nobody knows on which side, or from where on.
        for side in (-1.0, 1.0):
            beyond = np.where(side * away > _OWN_SHEET, 1.0, 0.0)
            cov += _U_UNKNOWN_STEP_MM**2 * np.outer(beyond, beyond)
    return Depths(depth, cov)


def _beyond_edge(
    lap: LapSighting, stations: Array, middle_mm: float, flange: Flange
) -> tuple[NDArray[np.float64], float]:
    """Return 1 for points on the sheet that the target does not lie on, and the sign of their depth."""
    upper = float(np.sign(lap.upper @ flange.along))
    edge = float((lap.edge_mm @ flange.along).mean())
    is_upper = upper * (stations - edge) > 0.0
    target_is_upper = upper * (middle_mm - edge) > 0.0
    return np.where(is_upper != target_is_upper, 1.0, 0.0), 1.0 if target_is_upper else -1.0
