"""Photos solved alone, tied into one network through the targets that they share.

Frames: the world is the frame of the target that most photos see; see vision/network.py.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.camera import Array, Camera
from vision.network import Lens, Network, Pattern, PatternSighting, Placement, Station, Tape
from vision.pose import Start
from vision.shoot import TapeMeasure

Pose = tuple[Array, Array]


@dataclass(frozen=True, eq=False)
class Tied:
    """A network at start values, and which photo is which station.

    Attributes
    ----------
    network : Network
        Lenses, photos, targets and tapes; no points yet.
    stations : Mapping
        Photo name to station index.
    left_out : tuple of str
        Photos that no chain of shared targets ties to the others.
    """

    network: Network
    stations: Mapping[str, int]
    left_out: tuple[str, ...]


def tie_photos(starts: Sequence[Start], tapes: Sequence[TapeMeasure] = ()) -> Tied:
    """Tie photos that were solved alone into one network.

    Parameters
    ----------
    starts : sequence of Start
        At least one photo solved alone; the result does not depend on their order.
    tapes : sequence of TapeMeasure
        Taped distances; those whose tags were not both seen are left out.

    Returns
    -------
    Tied
        The network at its start values.
    """
    ordered = sorted(
        starts, key=lambda start: (-len(start.solution.network.pattern_sightings), start.photo.name)
    )
    counts = Counter(p.name for start in ordered for p in start.solution.network.placements)
    world = min(counts, key=lambda name: (-counts[name], name))
    placed: dict[str, Pose] = {world: (np.eye(3), np.zeros(3))}
    poses: dict[str, Pose] = {}
    waiting = list(ordered)
    while waiting:
        start = next((s for s in waiting if any(name in placed for name in _targets(s))), None)
        if start is None:
            break
        waiting.remove(start)
        pose = _world_pose(start, placed)
        poses[start.photo.name] = pose
        for name, seen in _targets(start).items():
            placed.setdefault(name, _placed_from(pose, seen))
    tied = sorted((s for s in ordered if s.photo.name in poses), key=lambda s: s.photo.name)
    network = _network(tied, poses, placed, world)
    return Tied(
        replace(network, tapes=_tapes(network, tapes)),
        {start.photo.name: i for i, start in enumerate(tied)},
        tuple(sorted(start.photo.name for start in waiting)),
    )


def _targets(start: Start) -> dict[str, Pose]:
    """Return the pose of every target in the camera's frame."""
    network = start.solution.network
    station = network.stations[0]
    return {
        p.name: (
            station.rotation @ p.rotation,
            station.rotation @ p.translation_mm + station.translation_mm,
        )
        for p in network.placements
    }


def _world_pose(start: Start, placed: Mapping[str, Pose]) -> Pose:
    seen = _targets(start)
    # The main target comes first and is known best; another one serves where the main one is not placed yet.
    name = next(name for name in seen if name in placed)
    rotation, translation = seen[name]
    turn = rotation @ placed[name][0].T
    return turn, translation - turn @ placed[name][1]


def _placed_from(pose: Pose, seen: Pose) -> Pose:
    return pose[0].T @ seen[0], pose[0].T @ (seen[1] - pose[1])


def _network(
    starts: Sequence[Start], poses: Mapping[str, Pose], placed: Mapping[str, Pose], world: str
) -> Network:
    names = sorted(placed)
    placements = tuple(Placement(name, *placed[name], is_fixed=name == world) for name in names)
    lenses: dict[object, int] = {}
    kept: list[Lens] = []
    cameras: list[Camera] = []
    stations: list[Station] = []
    patterns: dict[tuple[str, str], Pattern] = {}
    sightings: list[PatternSighting] = []
    for index, start in enumerate(starts):
        own = start.solution.network
        key = start.photo.name if start.photo.lens_key is None else start.photo.lens_key
        if key not in lenses:
            lenses[key] = len(kept)
            kept.append(own.lenses[0])
            cameras.append(own.cameras[0])
        first = cameras[lenses[key]]
        rotation, translation = poses[start.photo.name]
        ln_focal = own.stations[0].ln_focal + float(np.log(own.cameras[0].fx / first.fx))
        stations.append(
            replace(
                own.stations[0],
                lens=lenses[key],
                rotation=rotation,
                translation_mm=translation,
                ln_focal=ln_focal,
            )
        )
        for sighting in own.pattern_sightings:
            pattern = own.patterns[sighting.pattern]
            name = own.placements[pattern.placement].name
            item = (name, pattern.label)
            patterns.setdefault(
                item, replace(pattern, placement=names.index(name), shape=0.0 * pattern.shape)
            )
            sightings.append(replace(sighting, station=index, pattern=list(patterns).index(item)))
    return Network(
        tuple(kept), tuple(cameras), tuple(stations), placements, tuple(patterns.values()), tuple(sightings)
    )


def _tapes(network: Network, tapes: Sequence[TapeMeasure]) -> tuple[Tape, ...]:
    where = {pattern.label: i for i, pattern in enumerate(network.patterns)}
    return tuple(
        Tape(where[f"tag {tape.tag_from}"], where[f"tag {tape.tag_to}"], tape.length_mm, tape.u_mm)
        for tape in tapes
        if f"tag {tape.tag_from}" in where and f"tag {tape.tag_to}" in where
    )
