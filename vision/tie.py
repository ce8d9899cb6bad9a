"""Photos solved alone, tied into one network through the targets that they share.

Frames: the world is the frame of the target that most photos see; see vision/network.py.
"""

from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.camera import Array, Camera
from vision.network import Lens, Network, Placement, Station, Tape
from vision.pose import SightedPhoto, Start
from vision.rotation import quarter_turn_matrix
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
    lens_keys : tuple of hashable
        What the photos of each lens have in common.
    quarter_turns : tuple of int
        Clockwise turns of each station from the sensor frame to the upright picture.
    """

    network: Network
    stations: Mapping[str, int]
    left_out: tuple[str, ...]
    lens_keys: tuple[Hashable, ...] = ()
    quarter_turns: tuple[int, ...] = ()

    def upright_rotation(self, station: int) -> Array:
        """Return world axes to upright camera axes of a photo, shape (3, 3)."""
        turn = quarter_turn_matrix(self.quarter_turns[station])
        upright: Array = turn @ self.network.stations[station].rotation
        return upright


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
        start = next((s for s in waiting if any(name in placed for name in seen_targets(s))), None)
        if start is None:
            break
        waiting.remove(start)
        pose = _pose_from_targets(start, placed)
        poses[start.photo.name] = pose
        for name, seen in seen_targets(start).items():
            placed.setdefault(name, _placed_from(pose, seen))
    empty = Network((), (), (), (Placement(world, is_fixed=True),), (), ())
    tied = Tied(empty, {}, tuple(sorted(start.photo.name for start in waiting)))
    for start in sorted((s for s in ordered if s.photo.name in poses), key=lambda s: s.photo.name):
        tied = with_photo(tied, start.photo, poses[start.photo.name], start)
    return with_tapes(tied, tapes)


def seen_targets(start: Start) -> dict[str, Pose]:
    """Return the pose of every target in the camera's frame; the main target, known best, comes first."""
    network = start.solution.network
    station = network.stations[0]
    return {
        p.name: (
            station.rotation @ p.rotation,
            station.rotation @ p.translation_mm + station.translation_mm,
        )
        for p in network.placements
    }


def pose_from_network(start: Start, network: Network) -> Pose | None:
    """Return a photo's pose by a target that is placed already; None where it sees none."""
    placed = {p.name: (p.rotation, p.translation_mm) for p in network.placements}
    return _pose_from_targets(start, placed) if placed.keys() & seen_targets(start).keys() else None


def _pose_from_targets(start: Start, placed: Mapping[str, Pose]) -> Pose:
    seen = seen_targets(start)
    name = next(name for name in seen if name in placed)
    rotation, translation = seen[name]
    turn = rotation @ placed[name][0].T
    return turn, translation - turn @ placed[name][1]


def _placed_from(pose: Pose, seen: Pose) -> Pose:
    return pose[0].T @ seen[0], pose[0].T @ (seen[1] - pose[1])


def with_photo(
    tied: Tied, photo: SightedPhoto, pose: Pose, start: Start | None = None, camera: Camera | None = None
) -> Tied:
    """Add a photo whose pose in the world is known.

    Parameters
    ----------
    tied : Tied
        The network so far.
    photo : SightedPhoto
        The photo.
    pose : tuple of ndarray
        World axes to camera axes, and the world's origin in the camera frame, mm.
    start : Start, optional
        The photo solved alone; its targets come along, those that are not placed yet at this pose.
    camera : Camera, optional
        Present values of its lens where that is a new one; without it those of `start` or the prior's.

    Returns
    -------
    Tied
        The network with one more station.
    """
    network = tied.network
    key = photo.name if photo.lens_key is None else photo.lens_key
    own = None if start is None else start.solution.network
    lenses, cameras, keys = network.lenses, network.cameras, tied.lens_keys
    if key not in keys:
        u_breathing = lenses[0].u_breathing if own is None else own.lenses[0].u_breathing
        lenses = (*lenses, Lens(photo.lens, u_breathing))
        cameras = (*cameras, camera or (photo.lens if own is None else own.cameras[0]))
        keys = (*keys, key)
    lens = keys.index(key)
    station = Station(photo.name, lens, *pose) if own is None else own.stations[0]
    ln_focal = 0.0
    if own is not None and camera is None:
        ln_focal = station.ln_focal + float(np.log(own.cameras[0].fx / cameras[lens].fx))
    station = replace(station, lens=lens, rotation=pose[0], translation_mm=pose[1], ln_focal=ln_focal)
    index = len(network.stations)
    network = replace(network, lenses=lenses, cameras=cameras, stations=(*network.stations, station))
    if start is not None:
        network = _with_sightings(network, index, pose, start)
    turns = (*tied.quarter_turns, photo.quarter_turns)
    return Tied(network, {**tied.stations, photo.name: index}, tied.left_out, keys, turns)


def _with_sightings(network: Network, station: int, pose: Pose, start: Start) -> Network:
    own, seen = start.solution.network, seen_targets(start)
    placements, patterns = list(network.placements), list(network.patterns)
    names = [placement.name for placement in placements]
    for placement in own.placements:
        if placement.name not in names:
            names.append(placement.name)
            placements.append(Placement(placement.name, *_placed_from(pose, seen[placement.name])))
    where = {(pattern.placement, pattern.label): i for i, pattern in enumerate(patterns)}
    sightings = []
    for sighting in own.pattern_sightings:
        pattern = own.patterns[sighting.pattern]
        placement_index = names.index(own.placements[pattern.placement].name)
        item = (placement_index, pattern.label)
        if item not in where:
            where[item] = len(patterns)
            patterns.append(replace(pattern, placement=placement_index, shape=0.0 * pattern.shape))
        sightings.append(replace(sighting, station=station, pattern=where[item]))
    return replace(
        network,
        placements=tuple(placements),
        patterns=tuple(patterns),
        pattern_sightings=(*network.pattern_sightings, *sightings),
    )


def with_tapes(tied: Tied, tapes: Sequence[TapeMeasure]) -> Tied:
    """Set the taped distances of a network: those between tags that it holds."""
    where: dict[str, int] = {}
    for i, pattern in enumerate(tied.network.patterns):
        where.setdefault(pattern.label, i)
    held = tuple(
        Tape(where[f"tag {tape.tag_from}"], where[f"tag {tape.tag_to}"], tape.length_mm, tape.u_mm)
        for tape in tapes
        if f"tag {tape.tag_from}" in where and f"tag {tape.tag_to}" in where
    )
    return replace(tied, network=replace(tied.network, tapes=held))
