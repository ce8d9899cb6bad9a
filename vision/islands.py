"""Groups of photos that share neither target nor features, put together by tapes and ridge ends.

Each group knows its own scale from its own target; six numbers say how one stands to the other. Frames: the
world of the main group, and the island's own, mm; see vision/network.py.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from calib.camera import Array
from calib.errors import GeometryError
from vision.adjust import adjust
from vision.facing import vertical
from vision.network import Network, PointSighting, corners_world_mm
from vision.picks import ENDS, triangulate
from vision.pose import Start
from vision.rotation import from_vector
from vision.shoot import TapeMeasure
from vision.tie import Tied, tie_photos, with_photo, with_tapes

# How well the groups know what they share before they are adjusted together: a ridge end, mm, a tape, mm, and
# the vertical, rad, which photos held level give (no source).
_U_END_MM, _U_TAPE_MM, _U_VERTICAL_RAD = 30.0, 5.0, 0.1
# What one shared end, and two, say of the six numbers.
_WORTH_OF_ENDS = (0, 3, 5)
_NUMBERS = 6
# Two arrangements whose costs differ by less than this cannot be told apart: 4.5 sigma, squared.
_AMBIGUOUS = 20.0
# An arrangement fits when what it leaves is no larger than this, in standard deviations (RMS).
_MOST_MISFIT = 3.0
# Arrangements that differ by less than this are the same, mm and degrees.
_SAME_MM, _SAME_DEG = 100.0, 2.0

Picks = Mapping[str, Mapping[str, Array]]


def join_islands(tied: Tied, starts: Sequence[Start], tapes: Sequence[TapeMeasure], picks: Picks) -> Tied:
    """Add groups of photos that only tapes and ridge ends tie to the main group.

    Parameters
    ----------
    tied : Tied
        The main group, adjusted.
    starts : sequence of Start
        Photos of other groups, solved alone.
    tapes : sequence of TapeMeasure
        Taped distances, among them some between tags of two groups.
    picks : Mapping
        Photo name to its picked ends, "a" and "b" to px in the sensor frame, shape (2,).

    Returns
    -------
    Tied
        The main group with those photos added that one arrangement only fits; not adjusted.
    """
    waiting = [start for start in starts if start.photo.name not in tied.stations]
    while waiting:
        island = _adjusted(tie_photos(waiting))
        moved = None if island is None else _arrange(tied, island, tapes, picks)
        if island is None or moved is None:
            return tied
        by_name = {start.photo.name: start for start in waiting}
        for name in sorted(island.stations):
            station = island.network.stations[island.stations[name]]
            rotation = station.rotation @ moved[0].T
            pose = (rotation, station.translation_mm - rotation @ moved[1])
            tied = with_photo(tied, by_name[name].photo, pose, by_name[name])
        tied = with_tapes(tied, tapes)
        waiting = [start for start in waiting if start.photo.name not in tied.stations]
    return tied


def _adjusted(tied: Tied) -> Tied | None:
    try:
        return replace(tied, network=adjust(tied.network).network)
    except GeometryError:
        return None


@dataclass(frozen=True, eq=False)
class _Shared:
    """What two groups share: ends, tag centres with taped distances, and their verticals.

    Attributes
    ----------
    ends_mm : ndarray of shape (E, 2, 3)
        Ridge ends in the main group and in the island.
    tags_mm : ndarray of shape (T, 2, 3)
        Tag centres likewise, T taped distances.
    tapes_mm : ndarray of shape (T,)
        The distances.
    ups : ndarray of shape (2, 3) or None
        The verticals.
    """

    ends_mm: Array
    tags_mm: Array
    tapes_mm: Array
    ups: Array | None

    def residuals(self, numbers: Array) -> Array:
        """Return the misfit of an arrangement: rotation vector and shift of the island, in sigma."""
        turn, shift = from_vector(numbers[:3]), numbers[3:]
        ends = (self.ends_mm[:, 1] @ turn.T + shift - self.ends_mm[:, 0]) / _U_END_MM
        between = np.linalg.norm(self.tags_mm[:, 1] @ turn.T + shift - self.tags_mm[:, 0], axis=1)
        parts = [ends.ravel(), (between - self.tapes_mm) / _U_TAPE_MM]
        if self.ups is not None:
            parts.append((turn @ self.ups[1] - self.ups[0]) / _U_VERTICAL_RAD)
        return np.concatenate(parts)

    def starts(self) -> Iterator[Array]:
        """Yield arrangements to start from: turns all round, shifts that the first shared thing allows."""
        for turn in self._turns():
            matrix = turn.as_matrix()
            if len(self.ends_mm):
                yield np.concatenate([turn.as_rotvec(), self.ends_mm[0, 0] - matrix @ self.ends_mm[0, 1]])
                continue
            for direction in np.concatenate([np.eye(3), -np.eye(3)]):
                tag = self.tags_mm[0, 0] + self.tapes_mm[0] * direction
                yield np.concatenate([turn.as_rotvec(), tag - matrix @ self.tags_mm[0, 1]])

    def _turns(self) -> Iterator[Rotation]:
        if self.ups is None:
            yield from Rotation.create_group("O")
            return
        upright, _ = Rotation.align_vectors(self.ups[:1], self.ups[1:])
        for angle in np.arange(0.0, 2.0 * np.pi, np.pi / 12.0):
            yield Rotation.from_rotvec(angle * self.ups[0]) * upright


def _arrange(
    tied: Tied, island: Tied, tapes: Sequence[TapeMeasure], picks: Picks
) -> tuple[Array, Array] | None:
    """Return the rotation and shift, mm, that bring the island into the main group's world."""
    shared = _shared(tied, island, tapes, picks)
    if _WORTH_OF_ENDS[len(shared.ends_mm)] + len(shared.tapes_mm) < _NUMBERS:
        return None
    found: list[tuple[float, Array]] = []
    for start in shared.starts():
        solved = least_squares(shared.residuals, start, x_scale=[0.1, 0.1, 0.1, 100.0, 100.0, 100.0])
        found.append((2.0 * float(solved.cost), solved.x))
    best_cost, best = min(found, key=lambda item: item[0])
    others = [cost for cost, numbers in found if not _are_same(numbers, best)]
    fits = best_cost <= _MOST_MISFIT**2 * len(shared.residuals(best))
    if not fits or min(others, default=np.inf) < best_cost + _AMBIGUOUS:
        return None
    return from_vector(best[:3]), best[3:]


def _are_same(first: Array, second: Array) -> bool:
    turn = Rotation.from_rotvec(first[:3]).inv() * Rotation.from_rotvec(second[:3])
    apart_mm = float(np.linalg.norm(first[3:] - second[3:]))
    return apart_mm < _SAME_MM and float(np.degrees(turn.magnitude())) < _SAME_DEG


def _shared(tied: Tied, island: Tied, tapes: Sequence[TapeMeasure], picks: Picks) -> _Shared:
    ends = [_ends(group, picks) for group in (tied, island)]
    both = [end for end in ENDS if all(end in found for found in ends)]
    tags = [_tag_centres(group.network) for group in (tied, island)]
    pairs, lengths = [], []
    for tape in tapes:
        for first, second in ((tape.tag_from, tape.tag_to), (tape.tag_to, tape.tag_from)):
            if first in tags[0] and second in tags[1]:
                pairs.append((tags[0][first], tags[1][second]))
                lengths.append(tape.length_mm)
    ups = [vertical(group) for group in (tied, island)]
    return _Shared(
        np.array([[found[end] for found in ends] for end in both]).reshape(-1, 2, 3),
        np.array(pairs).reshape(-1, 2, 3),
        np.array(lengths),
        None if ups[0] is None or ups[1] is None else np.stack([ups[0], ups[1]]),
    )


def _ends(tied: Tied, picks: Picks) -> dict[str, Array]:
    """Return the ridge ends that a group alone can place."""
    ends = {}
    for i, end in enumerate(ENDS):
        seen = [
            PointSighting(station, i, picks[name][end], 1.0)
            for name, station in sorted(tied.stations.items())
            if end in picks.get(name, {})
        ]
        if len(seen) >= 2:
            try:
                ends[end] = triangulate(tied.network, seen)
            except GeometryError:
                continue
    return ends


def _tag_centres(network: Network) -> dict[int, Array]:
    centres: dict[int, Array] = {}
    for i, pattern in enumerate(network.patterns):
        if pattern.label.startswith("tag "):
            tag = int(pattern.label.removeprefix("tag "))
            centres.setdefault(tag, corners_world_mm(network, i).mean(axis=0))
    return centres
