"""The lens of many photos: learned from all targets that they show, to be used on each of them alone.

Where thousands of photos cannot be solved in one go, a share of them teaches the lens, and every photo is
then measured with what they taught. Frame: the sensor's, px, as in a lens file.
"""

from collections.abc import Sequence

import numpy as np

from calib.errors import GeometryError, LensError
from calib.exif import PhotoMetadata
from calib.profile import ChartPhoto, LensProfile
from vision.adjust import Solution, adjust
from vision.pose import CLOSE_UP_BREATHING, SightedPhoto, Start, merged_by_lens, rms_px, start_alone

# A lens known from fewer photos than this is no better known than from the photo at hand.
LEAST_PHOTOS = 2


def learn_lens(
    photos: Sequence[SightedPhoto], metadata: PhotoMetadata, u_breathing: float = CLOSE_UP_BREATHING
) -> LensProfile:
    """Learn the lens that photos share from the targets that they show.

    Parameters
    ----------
    photos : sequence of SightedPhoto
        Photos of one lens; the result does not depend on their order.
    metadata : PhotoMetadata
        Of one of them: which camera it is.
    u_breathing : float
        Standard uncertainty of ln(focal length) from photo to photo; it is not in the profile's deviations,
        since pose solving allows for it photo by photo.

    Returns
    -------
    LensProfile
        The lens, with what became of each photo.

    Raises
    ------
    LensError
        If fewer than two of the photos show a target from which a pose follows.
    """
    starts: list[Start] = []
    fates: dict[str, ChartPhoto] = {}
    for photo in sorted(photos, key=lambda item: item.name):
        try:
            starts.append(start_alone(photo, u_breathing))
        except GeometryError as error:
            fates[photo.name] = ChartPhoto(False, None, str(error))
    if len(starts) < LEAST_PHOTOS:
        msg = f"{len(starts)} of {len(photos)} photos show a target well enough to learn their lens from"
        raise LensError(msg)
    try:
        solution = adjust(merged_by_lens([start.solution.network for start in starts]))
    except GeometryError as error:
        msg = f"the photos do not agree on one lens: {error}"
        raise LensError(msg) from error
    for station, start in enumerate(starts):
        fates[start.photo.name] = ChartPhoto(True, _misfit_px(solution, station), "")
    return _profile(solution, metadata, dict(sorted(fates.items())))


def _misfit_px(solution: Solution, station: int) -> float:
    """Return the RMS distance of corners from where they should be; `rms_px` is per axis."""
    own = [s for s in solution.network.pattern_sightings if s.station == station]
    return float(np.sqrt(2.0)) * rms_px(solution.network, own)


def _profile(solution: Solution, metadata: PhotoMetadata, fates: dict[str, ChartPhoto]) -> LensProfile:
    gradient = np.zeros((9, solution.layout.size))
    gradient[:, solution.layout.lens(0)] = np.eye(9)
    camera = solution.network.cameras[0]
    used = [fate.rms_px for fate in fates.values() if fate.rms_px is not None]
    return LensProfile(
        metadata.make or "",
        metadata.model or "",
        metadata.focal_mm,
        camera.with_parameters(camera.parameters, solution.covariance(gradient)),
        float(np.sqrt(np.mean(np.square(used)))),
        fates,
    )
