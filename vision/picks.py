"""Picked ridge ends: where their lines of sight meet, and which picks cannot be right.

A blunder is named in plain words and left out; it is never averaged in.
"""

import itertools
import math
from collections.abc import Sequence

import numpy as np

from calib.camera import Array, project, undistort
from calib.errors import GeometryError
from vision.network import Network, PointSighting

ENDS = ("a", "b")
# Farther than this from where the other lines of sight meet, a pick is left out before the adjustment.
_GROSS_PX = 40.0


def without_outliers(
    network: Network, sightings: Sequence[PointSighting]
) -> tuple[list[PointSighting], list[str]]:
    """Leave out picks that are far from where most others meet, and name them."""
    far = far_picks(network, sightings)
    notes = [
        f"end {ENDS[s.point].upper()} in {network.stations[s.station].name} is far off and was left out"
        for s in far
    ]
    return [s for s in sightings if s not in far], notes


def far_picks(network: Network, sightings: Sequence[PointSighting]) -> list[PointSighting]:
    """Return the picks that are far from where most lines of sight to that end meet.

    The poses may be a tenth of a degree off before the picks are adjusted with them, which is a few px; only
    gross blunders are found here.
    """
    meets = {end: _consensus(network, [s for s in sightings if s.point == end]) for end in range(len(ENDS))}
    return [s for s in sightings if _off_px(network, s, meets[s.point]) > _GROSS_PX]


def _consensus(network: Network, sightings: Sequence[PointSighting]) -> Array | None:
    """Return the point that most lines of sight agree on; None if fewer than three photos show it."""
    if len(sightings) < 3:
        return None
    best: tuple[int, float, Array] | None = None
    for pair in itertools.combinations(sightings, 2):
        try:
            point = triangulate(network, pair)
        except GeometryError:
            continue
        off = [_off_px(network, s, point) for s in sightings]
        rank = (sum(value <= _GROSS_PX for value in off), -sum(min(value, _GROSS_PX) for value in off))
        if best is None or rank > best[:2]:
            best = (*rank, point)
    return best[2] if best is not None and best[0] > len(sightings) / 2 else None


def _off_px(network: Network, sighting: PointSighting, point: Array | None) -> float:
    if point is None:
        return 0.0
    station = network.stations[sighting.station]
    in_camera = station.rotation @ point + station.translation_mm
    if in_camera[2] <= 0.0:
        return math.inf
    return float(np.hypot(*(project(network.camera_of(sighting.station), in_camera)[0] - sighting.px)))


def triangulate(network: Network, sightings: Sequence[PointSighting]) -> Array:
    """Return the point nearest to the lines of sight, least squares, world mm."""
    normal, right = np.zeros((3, 3)), np.zeros(3)
    for sighting in sightings:
        station = network.stations[sighting.station]
        ideal = undistort(network.camera_of(sighting.station), sighting.px[None])[0]
        ray = station.rotation.T @ np.append(ideal, 1.0)
        ray /= np.linalg.norm(ray)
        across = np.eye(3) - np.outer(ray, ray)
        normal += across
        right += across @ (-station.rotation.T @ station.translation_mm)
    try:
        point = np.asarray(np.linalg.solve(normal, right), dtype=np.float64)
    except np.linalg.LinAlgError as error:
        msg = "the photos look at a ridge end from one direction only: add a photo from another side"
        raise GeometryError(msg) from error
    for sighting in sightings:
        station = network.stations[sighting.station]
        if (station.rotation @ point + station.translation_mm)[2] <= 0.0:
            msg = (
                f"the lines of sight to end {ENDS[sighting.point].upper()} do not meet in front of the "
                "cameras: are the ends swapped in one photo?"
            )
            raise GeometryError(msg)
    return point
