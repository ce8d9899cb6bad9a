"""What would help most: one more photo, target or tape, judged by what it would do to the length's doubt.

Every idea is tried on paper: its observations are added to the adjusted network where they would be seen, and
the covariance says what they would be worth. Frames: see vision/network.py.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.camera import Array, project
from vision.adjust import Solution
from vision.ends import length_of
from vision.equations import TIE_POINTS, build_equations
from vision.network import (
    CORNERS,
    Layout,
    Network,
    PatternSighting,
    Placement,
    PointSighting,
    Station,
    Tape,
    corners_world_mm,
)
from vision.picks import ENDS

# Ideas that lower the uncertainty by less than this part are not worth a trip.
_LEAST_GAIN = 0.1
# Places tried for another photo: degrees to either side of straight in front of the ridge, and part of the
# distance of the photos there are.
_SIDES_DEG = (-65.0, -45.0, -25.0, 0.0, 25.0, 45.0, 65.0)
_DISTANCES = (0.7, 1.0)
# Nearer to the rim than this part of the picture nothing is counted on.
_RIM = 0.03
# Smaller tags are not found, px (see calib/sighting.py); flatter than this they are not read (cosine).
_LEAST_TAG_PX = 12.0
_LEAST_COSINE = 0.25
# Farther to the side than this a place is called left or right of a target, mm.
_ASIDE_MM = 1500.0
# Standard uncertainty of a distance taped with care, mm (common practice, no source).
_U_TAPE_MM = 3.0
# Relative standard uncertainty of the focal length of a lens calibrated from chart photos, and what is left
# of the doubt of its other parameters (no source).
_U_CALIBRATED, _CALIBRATED_PART = 0.001, 0.05
# What a tape-checked print and picks with more magnification leave of their doubt (no source).
_CHECKED_PART, _MAGNIFIED_PART = 0.3, 0.5

# So many tie points stand for all of them.
_MOST_TIES = 60
# A natural point is found again when some photo that shows it looks at it from within this angle, degrees (no
# source).
_MOST_TURN_DEG = 45.0

_OBSERVED = ("target corners", "picks", "tape", TIE_POINTS)


@dataclass(frozen=True, eq=False)
class Idea:
    """Something to add, and what it would do.

    Attributes
    ----------
    kind : str
        What it is: "photo", "target", "target and tape", "tape", "lens", "print" or "picks".
    words : str
        What to do, for a sentence that goes on with what it would do.
    gain : float
        Part by which the length's uncertainty would shrink.
    added : Network or None
        What it adds to the network: the new photo, target or tape come last. None where it is nothing new.
    """

    kind: str
    words: str
    gain: float
    added: Network | None = None


class _Worth:
    """What observations would be worth to the length; all unknowns but most tie points are kept for it.

    `bare` is the network with its unknowns only, and `ties` of its points stand for all tie points.
    """

    def __init__(self, solution: Solution) -> None:
        layout, network = solution.layout, solution.network
        count = len(network.points_mm) - len(ENDS)
        ties = np.unique(np.linspace(len(ENDS), len(ENDS) + count - 1, min(count, _MOST_TIES)).astype(int))
        self.network, self.layout, self.solution = network, layout, solution
        self._points = [*range(len(ENDS)), *ties.tolist()]
        self._columns = [*range(layout.first_point), *layout.point_columns(self._points).ravel().tolist()]
        self.bare = replace(
            network,
            points_mm=network.points_mm[self._points],
            pattern_sightings=(),
            point_sightings=(),
            tapes=(),
            set_back=None,
        )
        self.ties = _Ties(network, ties.tolist())
        self._cov = solution.covariance(np.eye(layout.size)[self._columns]) / solution.variance_factor
        self._gradient = length_of(solution)[1][self._columns]
        self._moved = self._cov @ self._gradient
        self.variance = float(self._gradient @ self._moved)

    def gain(self, information: Array) -> float:
        """Return by which part the length's uncertainty would shrink."""
        change = np.linalg.solve(np.eye(len(self._cov)) + information @ self._cov, information @ self._moved)
        left = max(self.variance - float(self._moved @ change), 0.0)
        return 1.0 - float(np.sqrt(left / self.variance))

    def idea_of(self, kind: str, words: str, extended: Network) -> Idea:
        """Return an idea that adds observations."""
        return Idea(kind, words, self.gain(self.of_additions(extended)), extended)

    def of_unknowns(self, where: slice, information: Array) -> Array:
        """Return information on some of the unknowns as information on all."""
        whole = np.zeros_like(self._cov)
        whole[where, where] = information
        return whole

    def of_rows(self, source: str, factor: float) -> Array:
        """Return what observations there are would add when their standard uncertainty shrank by a factor."""
        equations = self.solution.equations
        rows = [i for i, row_source in enumerate(equations.sources) if row_source == source]
        jacobian = equations.jacobian[rows][:, self._columns].toarray()
        more: Array = (factor**-2 - 1.0) * (jacobian.T @ jacobian)
        return more

    def of_additions(self, extended: Network) -> Array:
        """Return what the observations of an extended network add; whatever else is new in it is solved too.

        The extended network holds the old unknowns, perhaps more of them, and the new observations only.
        """
        layout = Layout(extended)
        old = self._old_columns(layout)
        equations = build_equations(extended, layout)
        jacobian = equations.jacobian.toarray()
        is_new = np.ones(layout.size, dtype=bool)
        is_new[old] = False
        is_prior_of_new = ~np.any(jacobian[:, old] != 0.0, axis=1)
        observed = np.array([source in _OBSERVED for source in equations.sources])
        rows = jacobian[observed | is_prior_of_new]
        own, new = rows[:, old], rows[:, is_new]
        across = new.T @ own
        information: Array = own.T @ own - across.T @ np.linalg.solve(new.T @ new, across)
        return information

    def _old_columns(self, layout: Layout) -> Array:
        """Return where the kept unknowns stand in an extended network's layout."""
        own = self.layout
        pairs: list[tuple[slice | None, slice | None]] = []
        pairs += [(own.lens(i), layout.lens(i)) for i in range(len(self.network.lenses))]
        pairs += [(own.station(i), layout.station(i)) for i in range(len(self.network.stations))]
        pairs += [(own.pattern(i), layout.pattern(i)) for i in range(len(self.network.patterns))]
        pairs += [(own.placement(i), layout.placement(i)) for i in range(len(self.network.placements))]
        pairs += [(own.point(point), layout.point(i)) for i, point in enumerate(self._points)]
        pairs.append((slice(own.set_back, own.set_back + 1), slice(layout.set_back, layout.set_back + 1)))
        where = np.full(own.size, -1)
        for here, there in pairs:
            if here is not None and there is not None:
                where[here] = np.arange(there.start, there.stop)
        kept: Array = where[self._columns]
        return kept


class _Ties:
    """Tie points that stand for all of a network's, and how a further photo would see them."""

    def __init__(self, network: Network, ties: Sequence[int]) -> None:
        self._points_mm = network.points_mm[list(ties)]
        where = {point: i for i, point in enumerate(ties)}
        sightings = [(s.station, where[s.point]) for s in network.point_sightings if s.point in where]
        self._is_seen = np.zeros((len(network.stations), len(ties)), dtype=bool)
        self._is_seen[tuple(np.array(sightings, dtype=int).reshape(-1, 2).T)] = True
        shown = [_seen_px(network, i, self._points_mm)[1] for i in range(len(network.stations))]
        # Not every natural point within a picture is found in it.
        part = self._is_seen.sum() / max(int(np.sum(shown)), 1)
        sigma_px = next((s.sigma_px for s in network.point_sightings if s.is_tie), 1.0)
        every = len(network.points_mm) - len(ENDS)
        self._sigma_px = sigma_px / float(np.sqrt(max(part * every, 1e-9) / max(len(ties), 1)))
        self._rays = np.stack([_directions(station, self._points_mm) for station in network.stations])

    def sightings(self, network: Network, station: int) -> tuple[PointSighting, ...]:
        """Return how a photo would see them, with noise that makes them worth as much as all."""
        px, is_shown = _seen_px(network, station, self._points_mm)
        own = _directions(network.stations[station], self._points_mm)
        cosines = np.where(self._is_seen, (self._rays * own).sum(axis=2), -1.0)
        is_found = is_shown & (cosines.max(axis=0) > np.cos(np.radians(_MOST_TURN_DEG)))
        return tuple(
            PointSighting(station, len(ENDS) + int(i), px[i], self._sigma_px, is_tie=True)
            for i in np.flatnonzero(is_found)
        )


def _directions(station: Station, world_mm: Array) -> Array:
    """Return the directions in which a photo sees points, unit vectors in world axes, shape (N, 3)."""
    rays = world_mm + station.rotation.T @ station.translation_mm
    directions: Array = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    return directions


def advise(solution: Solution, up: Array | None) -> tuple[str, ...]:
    """Say in plain words what `best_ideas` finds: at most two sentences."""
    return tuple(
        f"{idea.words} would shrink the uncertainty by about {100.0 * idea.gain:.0f} %"
        for idea in best_ideas(solution, up)
    )


def best_ideas(solution: Solution, up: Array | None) -> tuple[Idea, ...]:
    """Find which one more photo, and which other thing, would shrink the length's uncertainty most.

    Parameters
    ----------
    solution : Solution
        The adjusted network with the ridge ends as points 0 and 1.
    up : ndarray of shape (3,) or None
        The vertical; where it is not known, the main target is taken to hang upright.

    Returns
    -------
    tuple of Idea
        The best photo and the best other thing; none where it would not lower the uncertainty by a tenth.
    """
    worth = _Worth(solution)
    vertical = -_main_target(solution.network).rotation[:, 1] if up is None else up
    best = []
    for ideas in (_photo_ideas(worth, vertical), _other_ideas(worth)):
        found = max(ideas, key=lambda idea: idea.gain, default=None)
        if found is not None and found.gain >= _LEAST_GAIN:
            best.append(found)
    return tuple(best)


def _main_target(network: Network) -> Placement:
    return next(placement for placement in network.placements if placement.is_fixed)


def _photo_ideas(worth: _Worth, up: Array) -> Iterator[Idea]:
    """Yield one more photo from each place that shows both ends and a target."""
    network = worth.network
    middle, along = (
        network.points_mm[: len(ENDS)].mean(axis=0),
        _level(np.diff(network.points_mm[:2], axis=0)[0], up),
    )
    positions = np.stack([-s.rotation.T @ s.translation_mm for s in network.stations]) - middle
    front = np.cross(along, up)
    front *= np.sign(float((positions @ front).sum())) or 1.0
    away_mm = float(np.median(np.linalg.norm(positions - np.outer(positions @ up, up), axis=1)))
    target_mm = _middle_mm(network, network.placements.index(_main_target(network)))
    for height_mm in sorted({float((positions @ up).min()), float((positions @ up).max())}):
        for distance_mm in (part * away_mm for part in _DISTANCES):
            for side in np.radians(_SIDES_DEG):
                level = distance_mm * (np.cos(side) * front + np.sin(side) * along)
                station = _looking(network, middle + level + height_mm * up, (middle + target_mm) / 2.0, up)
                extended = _with_station(worth, station)
                if extended is not None:
                    right_mm = float((middle + level - target_mm) @ np.cross(-front, up))
                    words = _place_words(_main_target(network).name, right_mm, distance_mm, height_mm)
                    yield worth.idea_of("photo", words, extended)


def _level(direction: Array, up: Array) -> Array:
    flat = direction - up * (direction @ up)
    level: Array = flat / np.linalg.norm(flat)
    return level


def _middle_mm(network: Network, placement: int) -> Array:
    corners = [
        corners_world_mm(network, i) for i, p in enumerate(network.patterns) if p.placement == placement
    ]
    middle: Array = np.concatenate(corners).mean(axis=0)
    return middle


def _place_words(target: str, right_mm: float, distance_mm: float, height_mm: float) -> str:
    aside = (
        "straight in front of" if abs(right_mm) < _ASIDE_MM else "right of" if right_mm > 0.0 else "left of"
    )
    above = "above" if height_mm > 0.0 else "below"
    words = (
        f"one more photo from the side of the others, {aside} {target}, about {distance_mm / 1000.0:.0f} m "
        f"away and {abs(height_mm) / 1000.0:.0f} m {above} the ridge"
    )
    return f"{words} (by drone, within the flying rules; never climb for it)" if height_mm > 0.0 else words


def _looking(network: Network, position_mm: Array, aim_mm: Array, up: Array) -> Station:
    """Return a photo with the most used lens, taken from a place towards a point, horizon level."""
    used = [station.lens for station in network.stations]
    like = network.stations[used.index(max(sorted(set(used)), key=used.count))]
    forward = (aim_mm - position_mm) / np.linalg.norm(aim_mm - position_mm)
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    rotation = np.array([right, np.cross(forward, right), forward])
    return Station("new", like.lens, rotation, -rotation @ position_mm, u_edge_bias_px=like.u_edge_bias_px)


def _with_station(worth: _Worth, station: Station) -> Network | None:
    """Return the network with one more photo and what it would see; None where it misses what it needs."""
    network, index = worth.network, len(worth.network.stations)
    wider = replace(worth.bare, stations=(*network.stations, station))
    ends_px, is_shown = _seen_px(wider, index, wider.points_mm[: len(ENDS)])
    patterns = [
        s for i in range(len(network.patterns)) if (s := _sighting(wider, index, i, network)) is not None
    ]
    if not is_shown.all() or not patterns:
        return None
    sigma_px = float(np.median([s.sigma_px for s in network.point_sightings if not s.is_tie]))
    picks = tuple(PointSighting(index, i, px, sigma_px) for i, px in enumerate(ends_px))
    ties = worth.ties.sightings(wider, index)
    return replace(wider, pattern_sightings=tuple(patterns), point_sightings=(*picks, *ties))


def _seen_px(network: Network, station: int, world_mm: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Return where points are seen, shape (N, 2), and which lie well within the picture, shape (N,)."""
    place, camera = network.stations[station], network.camera_of(station)
    in_camera = world_mm @ place.rotation.T + place.translation_mm
    depth = np.where(in_camera[:, 2] > 0.0, in_camera[:, 2], np.inf)
    ideal = np.abs(in_camera[:, :2] / depth[:, None])
    # Far outside, the distortion folds back into the picture.
    is_near = np.all(ideal <= np.array([camera.width / camera.fx, camera.height / camera.fy]), axis=1)
    is_ahead = is_near & np.isfinite(depth)
    px = np.full((len(world_mm), 2), -np.inf)
    px[is_ahead] = project(camera, in_camera[is_ahead])
    rim = _RIM * camera.width
    inside = np.all((px > rim) & (px < np.array([camera.width, camera.height]) - rim), axis=1)
    return px, inside


def _sighting(wider: Network, station: int, pattern: int, network: Network) -> PatternSighting | None:
    """Return how a photo would see a pattern; None where it would not be read."""
    corners_mm = corners_world_mm(wider, pattern)
    position_mm = -wider.stations[station].rotation.T @ wider.stations[station].translation_mm
    normal = wider.placements[wider.patterns[pattern].placement].rotation[:, 2]
    sight = corners_mm.mean(axis=0) - position_mm
    if sight @ normal < _LEAST_COSINE * np.linalg.norm(sight):
        return None
    px, is_shown = _seen_px(wider, station, corners_mm)
    if not is_shown.all() or np.linalg.norm(px - np.roll(px, 1, axis=0), axis=1).min() < _LEAST_TAG_PX:
        return None
    variance = float(np.median([np.trace(s.cov_px2) for s in network.pattern_sightings])) / (2 * CORNERS)
    return PatternSighting(station, pattern, px, variance * np.eye(2 * CORNERS), np.zeros((CORNERS, 2)))


def _other_ideas(worth: _Worth) -> Iterator[Idea]:
    """Yield what helps besides photos."""
    network, layout = worth.network, worth.layout
    for i, lens in enumerate(network.lenses):
        u = _CALIBRATED_PART * np.sqrt(np.diag(lens.prior.cov))
        u[:2] = np.minimum(u[:2], _U_CALIBRATED * lens.prior.fx)
        calibrated = worth.of_unknowns(layout.lens(i), np.diag(u**-2.0))
        yield Idea("lens", "calibrating the lens (command lens)", worth.gain(calibrated))
    checked = worth.of_rows("target tolerance", _CHECKED_PART)
    yield Idea("print", "checking the print with a tape and giving its true size", worth.gain(checked))
    magnified = worth.of_rows("picks", _MAGNIFIED_PART)
    yield Idea("picks", "picking the ends again with more magnification", worth.gain(magnified))
    yield from _target_ideas(worth)
    yield from _tape_ideas(worth)


def _target_ideas(worth: _Worth) -> Iterator[Idea]:
    """Yield a second target below each end of the ridge, with and without a tape to the first one."""
    network = worth.network
    main = _main_target(network)
    along_mm = np.diff(network.points_mm[:2], axis=0)[0]
    middle_mm = _middle_mm(network, network.placements.index(main))
    for end, part in zip(ENDS, (0.1, 0.9), strict=True):
        wanted_mm = network.points_mm[0] + part * along_mm
        shift_mm = along_mm * float((wanted_mm - middle_mm) @ along_mm) / float(along_mm @ along_mm)
        extended = _with_target(worth, main, shift_mm)
        if extended is None:
            continue
        words = f"a second target below end {end.upper()}, in the plane of {main.name},"
        yield worth.idea_of("target", words, extended)
        taped = replace(extended, tapes=(_tape(extended, 0, len(network.patterns)),))
        words = f"{words} and the distance between tags of both, taped to {_U_TAPE_MM:.0f} mm,"
        yield worth.idea_of("target and tape", words, taped)


def _with_target(worth: _Worth, main: Placement, shift_mm: Array) -> Network | None:
    """Return the network with a copy of a target elsewhere, as the photos would see it; None if none does."""
    network = worth.network
    index, first = len(network.placements), len(network.patterns)
    copied = [p for p in network.patterns if network.placements[p.placement] is main]
    second = replace(main, translation_mm=main.translation_mm + shift_mm, is_fixed=False)
    wider = replace(
        worth.bare,
        placements=(*network.placements, second),
        patterns=(*network.patterns, *(replace(p, placement=index, shape=0.0 * p.shape) for p in copied)),
    )
    sightings = [
        seen
        for station in range(len(network.stations))
        for pattern in range(first, first + len(copied))
        if (seen := _sighting(wider, station, pattern, network)) is not None
    ]
    return replace(wider, pattern_sightings=tuple(sightings)) if sightings else None


def _tape(network: Network, first: int, second: int) -> Tape:
    ends = [corners_world_mm(network, i).mean(axis=0) for i in (first, second)]
    return Tape(first, second, float(np.linalg.norm(ends[1] - ends[0])), _U_TAPE_MM)


def _tape_ideas(worth: _Worth) -> Iterator[Idea]:
    """Yield a tape between tags of two targets that are not taped yet."""
    network = worth.network
    firsts: dict[int, int] = {}
    for i, pattern in enumerate(network.patterns):
        firsts.setdefault(pattern.placement, i)
    if network.tapes:
        return
    indices = sorted(firsts.values())
    for i, first in enumerate(indices):
        for second in indices[i + 1 :]:
            labels = [network.patterns[k].label for k in (first, second)]
            extended = replace(worth.bare, tapes=(_tape(network, first, second),))
            words = f"the distance between {labels[0]} and {labels[1]}, taped to {_U_TAPE_MM:.0f} mm,"
            yield worth.idea_of("tape", words, extended)
