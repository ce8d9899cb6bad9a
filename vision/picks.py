"""Picked ridge ends: where their lines of sight meet, and which picks cannot be right.

A blunder is named in plain words and left out; it is never averaged in.
"""

import itertools
import math
from collections.abc import Sequence

import numpy as np

from calib.camera import Array, project, undistort
from calib.errors import GeometryError
from vision.adjust import Solution
from vision.equations import point_label
from vision.network import Network, PointSighting

ENDS = ("a", "b")
# Farther than this from where the other lines of sight meet, a pick is left out before the adjustment.
_GROSS_PX = 40.0


def without_outliers(
    network: Network, sightings: Sequence[PointSighting]
) -> tuple[list[PointSighting], list[str]]:
    """Leave out picks that are far from where most others meet, and name them.

    The poses come from the targets alone here, so that only gross blunders show: a tenth of a degree of pose
    is a few px. What is left is judged in the adjustment.
    """
    meets = {end: _consensus(network, [s for s in sightings if s.point == end]) for end in range(len(ENDS))}
    far = [
        s for s in sightings if meets[s.point] is not None and _off_px(network, s, meets[s.point]) > _GROSS_PX
    ]
    notes = []
    for station in sorted({s.station for s in far}):
        own = [s for s in far if s.station == station]
        name = network.stations[station].name
        others = [(s, meets[1 - s.point]) for s in own]
        if len(own) == len(ENDS) and all(
            p is not None and _off_px(network, s, p) < _GROSS_PX for s, p in others
        ):
            notes.append(f"ends A and B of {name} are swapped: both picks were left out")
            continue
        notes += [
            f"end {ENDS[s.point].upper()} in {name} is {_off_px(network, s, meets[s.point]):.0f} px off "
            "and was left out: picked on the wrong corner?"
            for s in own
        ]
    return [s for s in sightings if s not in far], notes


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


def worst_pick(solution: Solution) -> tuple[int, float, float]:
    """Return the index, the size in sigma and the size in px of the pick with the largest residual."""
    network, equations = solution.network, solution.equations
    squares: dict[str, float] = {}
    for source, label, residual in zip(equations.sources, equations.labels, equations.residuals, strict=True):
        if source == "picks":
            squares[label] = squares.get(label, 0.0) + float(residual) ** 2
    sizes = [squares[point_label(network, sighting)] ** 0.5 for sighting in network.point_sightings]
    worst = int(np.argmax(sizes))
    return worst, sizes[worst], sizes[worst] * network.point_sightings[worst].sigma_px
