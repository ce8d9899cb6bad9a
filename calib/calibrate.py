"""Lens calibration: photos of a chart to one lens, with honest deviations and what became of every photo.

Frame: px in the sensor's frame, (0, 0) at the centre of the top-left pixel.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calib.camera import PARAMETERS, Camera
from calib.chart import ChartView, NoChart
from calib.coverage import Coverage, frame_coverage
from calib.errors import GeometryError
from calib.lens_fit import LensFit, LensModel, fit_lens
from calib.profile import ChartPhoto, photo_records

# With fewer photos, what one of them has wrong cannot be told.
_LEAST_PHOTOS = 4
# A photo is dropped when its misfit is this many times the median of all: at 54 corners a good photo's stays
# within 1.2 of it by chance, real ones reach 1.5; a bent board or another zoom shows by far more (by trial).
_MISFIT_RATIO = 3.0
# k3 is used when it lies this many standard deviations from 0; unused, it leaves k1 and k2 better known.
_K3_SIGMA = 3.0
_K3 = PARAMETERS.index("k3")
# The chart is taken as flat unless its bend says otherwise: 99.9 % quantile of chi-square, three degrees.
_BEND_SQUARE = 16.27
# Breathing that is tried, as deviations of ln(focal length): telephones move by up to 1 % (no source).
_BREATHING = (0.001, 0.002, 0.004, 0.008)
# It is believed when twice the log-likelihood gains this much: 95 % quantile of chi-square with one degree.
_BREATHING_GAIN = 3.84
# By how much the focal length differs between shoots of one lens: focus, stabiliser, warmth (no source).
_RELATIVE_U_SHOOT = 0.001
# Less certain than this, a calibration is no better than what the photos' metadata tell.
_MOST_RELATIVE_U_FOCAL = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """A calibrated lens.

    Attributes
    ----------
    camera : Camera
        Intrinsics in the sensor's frame. Their covariance is that of the lens in the next shoot's photos.
    rms_px : float
        RMS distance of the points seen from the points computed.
    u_breathing : float
        Standard deviation of ln(focal length) from photo to photo; 0 where none shows.
    sag_mm : float
        By how much the chart is bent, which was taken into account; 0 where it shows as flat.
    photos : Mapping
        Photo name to what became of it.
    coverage : Coverage
        Which parts of the picture the charts reached.
    """

    camera: Camera
    rms_px: float
    u_breathing: float
    sag_mm: float
    photos: Mapping[str, ChartPhoto]
    coverage: Coverage


@dataclass(frozen=True, slots=True, eq=False)
class NotCalibrated:
    """A lens that could not be calibrated, why, and what became of the photos."""

    why: str
    photos: Mapping[str, ChartPhoto]

    def record(self) -> dict[str, Any]:
        """Return the reasons as a JSON object, the photos as in a lens file."""
        return {"why": self.why, "photos": photo_records(self.photos)}


def calibrate(
    charts: Mapping[str, ChartView | NoChart], width: int, height: int
) -> Calibration | NotCalibrated:
    """Calibrate a lens from the charts that its photos show.

    Parameters
    ----------
    charts : Mapping
        Photo name to the chart found in it, sensor's frame; the result does not depend on their order.
    width, height : int
        Size of the pictures in the sensor's frame, px.

    Returns
    -------
    Calibration or NotCalibrated
        The lens, or why there is none.

    Notes
    -----
    A photo that fits three times worse than the others is dropped, worst first, and the rest fitted anew. k3,
    a bend of the chart and a focal length that breathes from photo to photo are used where they show: a board
    that bends by 1 mm over 240 mm, taken as flat, moves the focal length by 1.4 %.

    The standard deviations are the larger ones of the formal ones and of the jackknife's over photos, which
    sees what the noise model does not: a bent board, corners that are all off by the same. To those of fx and
    fy the breathing is added, for the next photo breathes as well, and 0.1 % for the next shoot: formal
    deviations alone fall short (three chart sets of one camera type gave 1127, 1131 and 1193 px, each within
    2 to 7 px by its own account).
    """
    photos = {
        name: ChartPhoto(False, None, view.why) for name, view in charts.items() if isinstance(view, NoChart)
    }
    views = {name: view for name, view in sorted(charts.items()) if isinstance(view, ChartView)}
    while True:
        if len(views) < _LEAST_PHOTOS:
            usable = f"{len(views)} of {len(charts)} photos can be used, at least {_LEAST_PHOTOS} are needed"
            return NotCalibrated(f"{usable}; 10 to 20 with the chart tilted every way are good", photos)
        try:
            model, fit = _best_fit(list(views.values()), width, height)
        except GeometryError as error:
            return NotCalibrated(str(error), photos)
        worst = int(np.argmax(fit.rms_px))
        if fit.rms_px[worst] < _MISFIT_RATIO * np.median(fit.rms_px):
            break
        name = list(views)[worst]
        photos[name] = _misfit(fit, worst)
        del views[name]
    camera = _next_camera(fit, model.u_breathing)
    relative_u = math.sqrt(camera.cov[0, 0]) / camera.fx
    if relative_u > _MOST_RELATIVE_U_FOCAL:
        why = f"the focal length stays uncertain by {relative_u:.1%}"
        return NotCalibrated(f"{why}: tilt the chart by 30 to 45 degrees, every way, and add photos", photos)
    photos |= {name: ChartPhoto(True, float(rms), "") for name, rms in zip(views, fit.rms_px, strict=True)}
    rms_px = math.sqrt(np.average(fit.rms_px**2, weights=[len(view.px) for view in views.values()]))
    coverage = frame_coverage([view.px for view in views.values()], width, height)
    in_order = {name: photos[name] for name in charts}
    return Calibration(camera, rms_px, model.u_breathing, fit.sag_mm, in_order, coverage)


def _misfit(fit: LensFit, worst: int) -> ChartPhoto:
    rms_px, usual_px = float(fit.rms_px[worst]), float(np.median(fit.rms_px))
    why = (
        f"does not fit: {rms_px:.2f} px off, the others {usual_px:.2f} px; is it blurred, was the zoom "
        "moved, or does it show another chart?"
    )
    return ChartPhoto(False, rms_px, why)


def _best_fit(views: Sequence[ChartView], width: int, height: int) -> tuple[LensModel, LensFit]:
    """Return the simplest model that the charts do not gainsay, with its fit."""
    fit = fit_lens(views, width, height, LensModel(has_k3=True, has_bend=True))
    has_k3 = abs(fit.camera.k3) > _K3_SIGMA * math.sqrt(fit.camera.cov[_K3, _K3])
    has_bend = bool(fit.bend_mm @ np.linalg.solve(fit.cov_bend_mm2, fit.bend_mm) > _BEND_SQUARE)
    model = LensModel(has_k3, has_bend)
    fit = fit_lens(views, width, height, model)
    best = model, fit
    for u_breathing in _BREATHING:
        breathing = replace(model, u_breathing=u_breathing)
        tried = fit_lens(views, width, height, breathing)
        if tried.deviance < min(fit.deviance - _BREATHING_GAIN, best[1].deviance):
            best = breathing, tried
    return best


def _next_camera(fit: LensFit, u_breathing: float) -> Camera:
    """Return the lens with the covariance that it has for the next shoot's photos."""
    formal = np.sqrt(np.diag(fit.camera.cov))
    larger = np.maximum(1.0, np.sqrt(np.diag(fit.cov_jackknife)) / np.where(formal > 0.0, formal, 1.0))
    cov = np.outer(larger, larger) * fit.camera.cov
    focal = np.array([fit.camera.fx, fit.camera.fy])
    cov[:2, :2] += (u_breathing**2 + _RELATIVE_U_SHOOT**2) * np.outer(focal, focal)
    return replace(fit.camera, cov=cov)
