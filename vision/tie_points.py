"""Tie points: tracks placed in space, adjusted with the photos, with the noise that their residuals show.

Frames: see vision/network.py. Tie points tell photos how they stand to each other, never the scale.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from calib.camera import Array, project, undistort
from vision.adjust import Solution, adjust
from vision.equations import point_residuals_px
from vision.network import Network, PointSighting

# Standard uncertainty with which the first adjustment takes tie points, px: poses from small targets miss by
# several px.
_FIRST_SIGMA_PX = 4.0
# Farther than this from where the lines of sight meet, a match is wrong however doubtful the poses, px.
_GROSS_PX = 30.0
# What no feature is better than, px (no source).
_LEAST_SIGMA_PX = 0.2
# Lines of sight that meet at a smaller angle than this do not place a point, degrees.
_LEAST_ANGLE_DEG = 2.0
# A point whose residuals have a smaller chance than this holds a wrong match.
_CHANCE = 1e-3
_ROUNDS = 6
# A noise that changes by less than this part is known well enough.
_SAME_SIGMA = 0.05


@dataclass(frozen=True, eq=False)
class Tie:
    """One natural point: where each of some photos shows it.

    Attributes
    ----------
    stations : tuple of int
        Which photos.
    px : ndarray of shape (N, 2)
        Where, sensor frame.
    """

    stations: tuple[int, ...]
    px: Array


def place_ties(network: Network, ties: Sequence[Tie]) -> list[Array | None]:
    """Return where the lines of sight of ties meet, shape (3,) each; None where they do not."""
    rays = _rays(network, ties)
    return [_place(network, tie, directions) for tie, directions in zip(ties, rays, strict=True)]


def with_tie_points(network: Network, ties: Sequence[Tie]) -> Network:
    """Add ties as points, those that their photos' present poses can place.

    Parameters
    ----------
    network : Network
        Photos at good start poses; its points stay the first ones.
    ties : sequence of Tie
        Natural points.

    Returns
    -------
    Network
        The network with more points, their noise not known yet.
    """
    points, sightings = [network.points_mm], list(network.point_sightings)
    count = len(network.points_mm)
    for tie, point in zip(ties, place_ties(network, ties), strict=True):
        if point is None:
            continue
        points.append(point[None])
        sightings += [
            PointSighting(station, count, px, _FIRST_SIGMA_PX, is_tie=True)
            for station, px in zip(tie.stations, tie.px, strict=True)
        ]
        count += 1
    return replace(network, points_mm=np.concatenate(points), point_sightings=tuple(sightings))


def _rays(network: Network, ties: Sequence[Tie]) -> list[Array]:
    """Return the directions of sight of every tie in world axes, unit vectors of shape (N, 3)."""
    rays = [np.zeros((len(tie.stations), 3)) for tie in ties]
    where: dict[int, list[tuple[int, int]]] = {}
    for i, tie in enumerate(ties):
        for j, station in enumerate(tie.stations):
            where.setdefault(station, []).append((i, j))
    for index, places in where.items():
        ideal = undistort(network.camera_of(index), np.array([ties[i].px[j] for i, j in places]))
        directions = np.column_stack([ideal, np.ones(len(ideal))]) @ network.stations[index].rotation
        directions /= np.linalg.norm(directions, axis=1, keepdims=True)
        for (i, j), direction in zip(places, directions, strict=True):
            rays[i][j] = direction
    return rays


def _place(network: Network, tie: Tie, directions: Array) -> Array | None:
    """Return the point nearest to the lines of sight; None where they do not meet, or are near parallel."""
    if (directions @ directions.T).min() > np.cos(np.radians(_LEAST_ANGLE_DEG)):
        return None
    stations = [network.stations[i] for i in tie.stations]
    origins = np.stack([-station.rotation.T @ station.translation_mm for station in stations])
    across = np.eye(3) - directions[:, :, None] * directions[:, None, :]
    point = np.linalg.solve(across.sum(axis=0), (across @ origins[:, :, None]).sum(axis=0))[:, 0]
    for index, station, px in zip(tie.stations, stations, tie.px, strict=True):
        in_camera = station.rotation @ point + station.translation_mm
        if in_camera[2] <= 0.0:
            return None
        if np.hypot(*(project(network.camera_of(index), in_camera)[0] - px)) > _GROSS_PX:
            return None
    return point


def adjust_ties(network: Network) -> Solution:
    """Adjust a network with tie points, leaving out those that do not fit, and learn their noise.

    Parameters
    ----------
    network : Network
        With tie points at start places.

    Returns
    -------
    Solution
        The adjusted network; its tie points carry the noise that their residuals show.

    Raises
    ------
    GeometryError
        If the adjustment does not settle.
    """
    sigma_px = _FIRST_SIGMA_PX
    for _ in range(_ROUNDS):
        misfit = _Misfit(adjust(network).network)
        known_px, sigma_px = sigma_px, misfit.robust_sigma_px()
        kept = misfit.kept(sigma_px)
        is_complete = len(kept.point_sightings) == len(network.point_sightings)
        network = with_tie_sigma(kept, sigma_px)
        if is_complete and abs(sigma_px - known_px) < _SAME_SIGMA * sigma_px:
            break
    return adjust(with_tie_sigma(network, _Misfit(network).sigma_px()))


def with_tie_sigma(network: Network, sigma_px: float) -> Network:
    """Return the network with this noise for all its tie points."""
    sightings = tuple(
        replace(sighting, sigma_px=sigma_px) if sighting.is_tie else sighting
        for sighting in network.point_sightings
    )
    return replace(network, point_sightings=sightings)


class _Misfit:
    """How well tie points fit: squared residuals of each, with 2 k - 3 degrees of freedom in k photos.

    Poses take up some freedom too; it is counted as if they rested on tie points alone, which makes the noise
    come out rather too large than too small.
    """

    def __init__(self, network: Network) -> None:
        self._network = network
        self._ties = [sighting for sighting in network.point_sightings if sighting.is_tie]
        self._squares = np.square(point_residuals_px(network, self._ties)).sum(axis=1)
        index = np.array([tie.point for tie in self._ties], dtype=np.intp)
        count = len(network.points_mm)
        self._sums = np.bincount(index, self._squares, minlength=count)
        self._freedom = np.maximum(2 * np.bincount(index, minlength=count) - 3, 0)
        total = int(self._freedom.sum())
        taken = 6 * len({tie.station for tie in self._ties})
        self._left = max(total - taken, 1)
        self._part = self._left / max(total, 1)

    def robust_sigma_px(self) -> float:
        """Return the noise by the median of the points, which wrong matches hardly change."""
        is_tie = self._freedom > 0
        if not is_tie.any():
            return _FIRST_SIGMA_PX
        medians = special.chdtri(self._freedom[is_tie], 0.5)
        variance = float(np.median(self._sums[is_tie] / medians)) / self._part
        return max(float(np.sqrt(variance)), _LEAST_SIGMA_PX)

    def sigma_px(self) -> float:
        """Return the noise by the mean square of all residuals."""
        if not self._ties:
            return _FIRST_SIGMA_PX
        return max(float(np.sqrt(self._sums.sum() / self._left)), _LEAST_SIGMA_PX)

    def kept(self, sigma_px: float) -> Network:
        """Leave out the worst sighting of every point that does not fit, and points seen less than twice."""
        limits = sigma_px**2 * special.chdtri(np.maximum(self._freedom, 1), _CHANCE)
        is_wrong = self._sums > limits
        worst: dict[int, int] = {}
        for i, tie in enumerate(self._ties):
            if is_wrong[tie.point] and self._squares[i] >= self._squares[worst.setdefault(tie.point, i)]:
                worst[tie.point] = i
        dropped = {id(self._ties[i]) for i in worst.values()}
        return _without_lone_points(self._network, dropped)


def _without_lone_points(network: Network, dropped: Collection[int]) -> Network:
    """Return the network without some sightings, by their ids, and without tie points seen but once."""
    near = [sighting for sighting in network.point_sightings if id(sighting) not in dropped]
    counts = np.bincount([s.point for s in near], minlength=len(network.points_mm))
    ties = {sighting.point for sighting in network.point_sightings if sighting.is_tie}
    points = [i for i in range(len(network.points_mm)) if i not in ties or counts[i] >= 2]
    where = {point: i for i, point in enumerate(points)}
    kept = tuple(replace(s, point=where[s.point]) for s in near if s.point in where)
    return replace(network, points_mm=network.points_mm[points], point_sightings=kept)
