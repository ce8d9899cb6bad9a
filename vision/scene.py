"""Where cameras, targets and ridge ends stand to each other: for pictures only, no length is taken from it.

Frame: the world of the tied photos, mm; see vision/tie.py.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.camera import Array
from calib.errors import GeometryError
from vision.adjust import adjust
from vision.look import ReadyPhoto, look_at
from vision.network import Network, PointSighting
from vision.picks import ENDS, triangulate, without_outliers
from vision.plane import to_mm
from vision.pose import sensor_px, view_of
from vision.shoot import Shoot
from vision.tie import Tied, tie_photos


@dataclass(frozen=True, eq=False)
class Scene:
    """Points in one frame, mm.

    Attributes
    ----------
    cameras : Mapping
        Photo name to where its camera stood, shape (3,).
    targets : Mapping
        Target name to its tags' outer corners in their order, shape (N, 3).
    ends : Mapping
        "a" and "b" to the ridge ends, shape (3,).
    """

    cameras: Mapping[str, Array]
    targets: Mapping[str, Array]
    ends: Mapping[str, Array]

    def record(self) -> dict[str, Any]:
        """Return the scene as a JSON object, to the millimetre."""
        return {
            part: {name: np.round(points).tolist() for name, points in getattr(self, part).items()}
            for part in ("cameras", "targets", "ends")
        }


def look_at_scene(shoot: Shoot) -> Scene | None:
    """Return the scene of a shoot, None where its photos do not give one.

    Parameters
    ----------
    shoot : Shoot
        Photos with picks, targets, tapes and lens.

    Returns
    -------
    Scene or None
        Poses from targets and tapes, ridge ends from the picks that agree.
    """
    looks = [look_at(photo, shoot) for photo in shoot.photos]
    ready = [look for look in looks if isinstance(look, ReadyPhoto)]
    if not ready:
        return None
    tied = tie_photos([item.start for item in ready], shoot.tapes)
    used = [item for item in ready if item.photo.name in tied.stations]
    try:
        network = adjust(tied.network).network
        ends = _ends(shoot, used, tied, network)
    except GeometryError:
        return None
    cameras = {station.name: -station.rotation.T @ station.translation_mm for station in network.stations}
    return Scene(cameras, _targets(network), ends)


def _targets(network: Network) -> dict[str, Array]:
    targets: dict[str, list[Array]] = {}
    for pattern in network.patterns:
        stand = network.placements[pattern.placement]
        flat = np.column_stack([pattern.corners_mm, np.zeros(len(pattern.corners_mm))])
        targets.setdefault(stand.name, []).append(flat @ stand.rotation.T + stand.translation_mm)
    return {name: np.concatenate(corners) for name, corners in targets.items()}


def _ends(shoot: Shoot, used: Sequence[ReadyPhoto], tied: Tied, network: Network) -> dict[str, Array]:
    sightings = [
        PointSighting(tied.stations[item.photo.name], i, _pick_px(item, end), shoot.pick_sigma_px)
        for item in used
        for i, end in enumerate(ENDS)
        if end in item.photo.ends
    ]
    kept, _ = without_outliers(network, sightings)
    seen = [[s for s in kept if s.point == i] for i in range(len(ENDS))]
    if all(len(each) >= 2 for each in seen):
        return {end: triangulate(network, each) for end, each in zip(ENDS, seen, strict=True)}
    whole = next((item for item in used if len(item.photo.ends) == len(ENDS)), None)
    return {} if whole is None else _ends_on_plane(shoot, whole, tied)


def _pick_px(item: ReadyPhoto, end: str) -> Array:
    photo = item.start.photo
    px: Array = sensor_px(np.array([item.photo.ends[end]]), photo.lens, photo.quarter_turns)[0]
    return px


def _ends_on_plane(shoot: Shoot, item: ReadyPhoto, tied: Tied) -> dict[str, Array]:
    """Return the ends on the plane at the set-back behind the first target that the photo shows."""
    solution = adjust(tied.network)
    placements = solution.network.placements
    shown = {placement.name for placement in item.start.solution.network.placements}
    placement = next(i for i, stand in enumerate(placements) if stand.name in shown)
    turns = item.start.photo.quarter_turns
    view = view_of(solution, tied.stations[item.photo.name], placement, turns)
    flat = to_mm(view, np.array([item.photo.ends[end] for end in ENDS]), shoot.setback_mm).mm
    stand = placements[placement]
    points = np.column_stack([flat, np.full(len(ENDS), shoot.setback_mm)])
    return dict(zip(ENDS, points @ stand.rotation.T + stand.translation_mm, strict=True))
