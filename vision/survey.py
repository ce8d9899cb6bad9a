"""What photos show in common besides targets: features found, and matched between photos.

Features are looked for once per photo and plane, and compared once per pair; the order of the photos does not
matter. Places are kept in the sensor frame, as the network wants them.
"""

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from calib.camera import Array, undistort
from calib.errors import GeometryError
from vision.adjust import Solution
from vision.features import Facing, Features, FeatureSource
from vision.matching import Pairs, agree, epipolar_distance, match_features
from vision.network import Network
from vision.pose import SightedPhoto, sensor_px
from vision.rotation import cross_matrix

# With more photos than this, each is compared with its neighbours only.
_MOST_ALL_PAIRS = 9
_NEIGHBOURS = 8
# Matches that agree with each other contradict the poses when they lie farther than this from where the poses
# want them, px, and farther than so many standard deviations of the poses.
_FAR_PX = 6.0
_FAR_SIGMA = 4.0

Wanted = tuple[str, str, Facing | None]


@dataclass(frozen=True, eq=False)
class Shot:
    """A photo as the survey needs it: what is known of its lens, and where its features come from."""

    sighted: SightedPhoto
    source: FeatureSource


class FeatureStore:
    """Features of photos, found when first asked for, and their matches."""

    def __init__(self, shots: Mapping[str, Shot]) -> None:
        self._shots = shots
        self._features: dict[str, dict[str, Features]] = {}
        self._matches: dict[tuple[str, str, str], Pairs] = {}

    def find(self, wanted: Sequence[Wanted]) -> None:
        """Find the features of (photo, plane, way to face it) that are not known yet, several at a time."""
        todo = [item for item in wanted if item[1] not in self._features.get(item[0], {})]
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            found = list(pool.map(lambda item: self._shots[item[0]].source.features(item[2]), todo))
        for (name, plane, _), features in zip(todo, found, strict=True):
            sighted = self._shots[name].sighted
            px = sensor_px(features.px, sighted.lens, sighted.quarter_turns)
            self._features.setdefault(name, {})[plane] = Features(px, features.descriptors)

    def px(self, name: str) -> Array:
        """Return the places of all features of a photo, shape (N, 2), sensor frame."""
        return np.concatenate([np.zeros((0, 2)), *(f.px for f in self._features.get(name, {}).values())])

    def matches(self, first: str, second: str) -> Pairs:
        """Return matched features of two photos, by their numbers in `px`, shape (M, 2)."""
        pairs = [np.zeros((0, 2), dtype=np.intp)]
        starts, other_starts = self._starts(first), self._starts(second)
        for plane in starts:
            if plane in other_starts:
                key = (first, second, plane)
                if key not in self._matches:
                    both = (self._features[name][plane] for name in (first, second))
                    self._matches[key] = match_features(*both)
                pairs.append(self._matches[key] + (starts[plane], other_starts[plane]))
        return np.concatenate(pairs)

    def _starts(self, name: str) -> dict[str, int]:
        starts, count = {}, 0
        for plane, features in self._features.get(name, {}).items():
            starts[plane] = count
            count += len(features.px)
        return starts


@dataclass(frozen=True, eq=False)
class Survey:
    """Matches between photos that agree on one geometry.

    Attributes
    ----------
    matches : Mapping
        Pair of station numbers to the agreeing features' numbers, shape (M, 2).
    contradictions : frozenset
        Pairs whose matches agree with each other, but not with the poses.
    """

    matches: Mapping[tuple[int, int], Pairs]
    contradictions: frozenset[tuple[int, int]]


def survey_photos(network: Network, store: FeatureStore, solution: Solution | None = None) -> Survey:
    """Compare the photos of a network, each with those that stand near it.

    Parameters
    ----------
    network : Network
        Photos with poses.
    store : FeatureStore
        Their features.
    solution : Solution, optional
        The adjustment that the poses come from; with it, contradictions are looked for.

    Returns
    -------
    Survey
        What they have in common.
    """
    matches: dict[tuple[int, int], Pairs] = {}
    contradictions = set()
    pairs = _neighbours(network)
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        compared = list(pool.map(lambda pair: _compare(network, store, *pair), pairs))
    for pair, seen in zip(pairs, compared, strict=True):
        if seen is None:
            continue
        if solution is not None and _contradicts(solution, seen):
            contradictions.add(pair)
        else:
            matches[pair] = seen.pairs
    return Survey(matches, frozenset(contradictions))


@dataclass(frozen=True, eq=False)
class _Compared:
    """Two photos' agreeing matches: stations, feature numbers, places."""

    stations: tuple[int, int]
    pairs: Pairs
    px: tuple[Array, Array]


def _compare(network: Network, store: FeatureStore, first: int, second: int) -> _Compared | None:
    names = (network.stations[first].name, network.stations[second].name)
    pairs = store.matches(*names)
    px = tuple(store.px(name)[pairs[:, column]] for column, name in enumerate(names))
    try:
        rays = [undistort(network.camera_of(i), part) for i, part in zip((first, second), px, strict=True)]
    except GeometryError:
        # A lens bent out of shape by something that is wrong; other photos may tell what.
        return None
    agrees = agree(*rays)
    if not agrees.any():
        return None
    return _Compared((first, second), pairs[agrees], (px[0][agrees], px[1][agrees]))


def _contradicts(solution: Solution, seen: _Compared) -> bool:
    """Say whether matches that agree with each other do not fit the poses, whose doubt is counted in."""
    off_px = _off_px(solution.network, seen)
    median_px = float(np.median(np.abs(off_px)))
    if median_px < _FAR_PX:
        return False
    layout = solution.layout
    stations = [solution.network.stations[i] for i in seen.stations]
    columns = sorted(
        {c for i in seen.stations for c in range(layout.station(i).start, layout.station(i).stop - 1)}
        | {c for s in stations for c in range(layout.lens(s.lens).start, layout.lens(s.lens).stop)}
    )
    cov = solution.covariance(np.eye(layout.size)[columns])
    steps = np.sqrt(np.diag(cov))
    gradient = np.zeros((len(off_px), len(columns)))
    for i, (column, step) in enumerate(zip(columns, steps, strict=True)):
        # A tenth of a standard deviation: small enough for the derivative, large enough for the arithmetic.
        move = np.zeros(layout.size)
        move[column] = 0.1 * step
        gradient[:, i] = (_off_px(solution.network.moved(layout, move), seen) - off_px) / (0.1 * step)
    sigma_px = np.sqrt(np.einsum("ij,jk,ik->i", gradient, cov, gradient))
    return bool(np.median(np.abs(off_px) / sigma_px) > _FAR_SIGMA)


def _off_px(network: Network, seen: _Compared) -> Array:
    """Return how far matches lie from their epipolar lines by the poses, with sign, px."""
    first, second = seen.stations
    one, two = network.stations[first], network.stations[second]
    turn = two.rotation @ one.rotation.T
    essential = cross_matrix(two.translation_mm - turn @ one.translation_mm) @ turn
    cameras = [network.camera_of(i) for i in seen.stations]
    rays = [undistort(camera, px) for camera, px in zip(cameras, seen.px, strict=True)]
    return cameras[0].fx * epipolar_distance(essential, *rays)


def _neighbours(network: Network) -> list[tuple[int, int]]:
    """Return the pairs of photos to compare: all of them, or those seen under the smallest angles."""
    count = len(network.stations)
    if count <= _MOST_ALL_PAIRS:
        return [(i, j) for i in range(count) for j in range(i + 1, count)]
    directions = np.stack([-s.rotation.T @ s.translation_mm for s in network.stations])
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    alike = directions @ directions.T - 2.0 * np.eye(count)
    nearest = np.argsort(-alike, axis=1, kind="stable")[:, :_NEIGHBOURS]
    return sorted({(min(i, j), max(i, j)) for i in range(count) for j in nearest[i].tolist()})
