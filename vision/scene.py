"""Where cameras, targets and ridge ends stand to each other, and how surely: what a picture of a shoot shows.

Frame: the world of the adjusted network, mm; see vision/network.py. No length is taken from it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from vision.adjust import Solution
from vision.facing import vertical
from vision.network import Network, corners_world_mm
from vision.picks import ENDS
from vision.tie import Tied

# The covariance of both ends' distance from each other stands beside those of the ends under this name.
BETWEEN = "ab"


@dataclass(frozen=True, eq=False)
class Scene:
    """Points and directions in one frame, mm.

    Attributes
    ----------
    cameras : Mapping
        Photo name to where its camera stood, shape (3,).
    looks : Mapping
        Photo name to the unit vectors towards the corners of its picture, shape (4, 3), in order round it.
    targets : Mapping
        Target name to its tags' outer corners in their order, shape (N, 3).
    ends : Mapping
        "a" and "b" to the ridge ends, shape (3,).
    picked : Mapping
        Photo name to the ends ("a", "b" or both) that it was measured with.
    tapes : sequence of ndarray of shape (2, 3)
        Taped distances, from tag centre to tag centre.
    cov_mm2 : Mapping
        "a" and "b" to the covariance of the end's place in the frame, "ab" to that of B as seen from A, shape
        (3, 3).
    up : ndarray of shape (3,)
        Unit vector that points up, as far as the cameras were held level.
    is_level : bool
        Whether the photos fix it; else it is only what is up in them.
    """

    cameras: Mapping[str, Array]
    looks: Mapping[str, Array]
    targets: Mapping[str, Array]
    ends: Mapping[str, Array]
    picked: Mapping[str, tuple[str, ...]]
    tapes: tuple[Array, ...]
    cov_mm2: Mapping[str, Array]
    up: Array
    is_level: bool

    def record(self) -> dict[str, Any]:
        """Return the scene as a JSON object, points to the millimetre."""
        return {
            "cameras": _rounded(self.cameras, 0),
            "looks": _rounded(self.looks, 4),
            "targets": _rounded(self.targets, 0),
            "ends": _rounded(self.ends, 0),
            "picked": {name: list(ends) for name, ends in self.picked.items()},
            "tapes": [np.round(ends).tolist() for ends in self.tapes],
            "cov_mm2": _rounded(self.cov_mm2, 3),
            "up": np.round(self.up, 4).tolist(),
            "is_level": self.is_level,
        }


def _rounded(arrays: Mapping[str, Array], decimals: int) -> dict[str, Any]:
    return {name: np.round(array, decimals).tolist() for name, array in arrays.items()}


def scene_of(solution: Solution, tied: Tied) -> Scene:
    """Return the scene of a ridge that was measured.

    Parameters
    ----------
    solution : Solution
        The adjusted network; its first two points are the ridge ends A and B.
    tied : Tied
        How its photos stand upright.

    Returns
    -------
    Scene
        All of it from the one adjustment that the length comes from.
    """
    network = solution.network
    names = [station.name for station in network.stations]
    up = vertical(tied)
    return Scene(
        {s.name: -s.rotation.T @ s.translation_mm for s in network.stations},
        {name: _looks(network, i) for i, name in enumerate(names)},
        _targets(network),
        {end: network.points_mm[i].copy() for i, end in enumerate(ENDS)},
        {name: _picked(network, i) for i, name in enumerate(names)},
        tuple(_taped(network, tape.pattern_from, tape.pattern_to) for tape in network.tapes),
        _covariances(solution),
        _middle_up(tied) if up is None else up,
        up is not None,
    )


def _looks(network: Network, station: int) -> Array:
    """Return where the corners of a picture look; what its lens bends them by would not be seen."""
    camera = network.camera_of(station)
    corners_px = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (camera.width - 1, camera.height - 1)
    slopes = (corners_px - (camera.cx, camera.cy)) / (camera.fx, camera.fy)
    rays = np.column_stack([slopes, np.ones(4)]) @ network.stations[station].rotation
    looks: Array = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    return looks


def _targets(network: Network) -> dict[str, Array]:
    corners: dict[str, list[Array]] = {}
    for i, pattern in enumerate(network.patterns):
        name = network.placements[pattern.placement].name
        corners.setdefault(name, []).append(corners_world_mm(network, i))
    return {name: np.concatenate(parts) for name, parts in corners.items()}


def _picked(network: Network, station: int) -> tuple[str, ...]:
    seen = {s.point for s in network.point_sightings if s.station == station and not s.is_tie}
    return tuple(end for i, end in enumerate(ENDS) if i in seen)


def _taped(network: Network, first: int, second: int) -> Array:
    return np.stack([corners_world_mm(network, i).mean(axis=0) for i in (first, second)])


def _covariances(solution: Solution) -> dict[str, Array]:
    columns: NDArray[np.intp] = solution.layout.point_columns(range(len(ENDS))).ravel()
    cov = solution.covariance(np.eye(solution.layout.size)[columns])
    between = np.hstack([-np.eye(3), np.eye(3)])
    return {"a": cov[:3, :3], "b": cov[3:, 3:], BETWEEN: between @ cov @ between.T}


def _middle_up(tied: Tied) -> Array:
    """Return the middle of what is up in the photos."""
    count = len(tied.network.stations)
    middle = -np.sum([tied.upright_rotation(i)[1] for i in range(count)], axis=0)
    up: Array = middle / np.linalg.norm(middle)
    return up
