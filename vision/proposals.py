"""Ridge ends proposed for all photos of a shoot: what several photos suggest from where they stand agrees.

Frames: one target's frame for all views, mm; px of each upright picture. Proposals are shown, never used
unless a person accepts them.
"""

import itertools
import math
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from calib.camera import Array
from calib.errors import GeometryError
from vision.edges import Image
from vision.plane import View
from vision.predict import PlacedPoint, PredictedPoint, SeenEnd, place_point, predict_point
from vision.ridge_ends import RidgeProposal, end_evidence, propose_ends
from vision.segments import well_lit
from vision.snap import REACH_PX, Snap, snap_candidates

ENDS = ("a", "b")
# Ridges of one photo that are tried with those of another.
_GUESSES = 2
# How far a place may lie from where the other photos put it, px: poses from small targets miss by several.
_AGREES_PX = 10.0
_FARTHEST_PX = 40.0
_PLACE_SIGMA_PX = 5.0
# A place that a person picked counts like this many that were found.
_PICK_EVIDENCE = 3.0
# A corner is looked for within this many deviations of its predicted place, and taken as likelier the nearer
# it is, the prediction being good to this beside its own covariance, px.
_REACH_SIGMAS = 3.0
_PREDICTED_PX = 2.0
# Less clear than this (see `end_evidence`), or known worse than this, px, a corner is no sighting of an end.
_LEAST_EVIDENCE = 0.1
_MOST_SIGMA_PX = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class ShootPicture:
    """One photo of a shoot.

    Attributes
    ----------
    name : str
        Its name.
    read : callable
        Gives its upright picture; asked for anew each time, for a shoot's pictures may fill the memory.
    view : View or None
        Its view if it is tied to others.
    picks : Mapping
        Picks made so far.
    """

    name: str
    read: Callable[[], Image]
    view: View | None
    picks: Mapping[str, tuple[float, float]]

    @property
    def missing(self) -> tuple[str, ...]:
        """The ends that nobody has picked in it yet."""
        return tuple(end for end in ENDS if end not in self.picks)


@dataclass(frozen=True, slots=True, eq=False)
class ProposedEnds:
    """What is proposed in one photo.

    Attributes
    ----------
    ends : Mapping
        "a", "b" or both to what is proposed.
    is_placed : bool
        Whether other photos agree, and tell which end is which; else A is simply the left one.
    """

    ends: Mapping[str, Snap]
    is_placed: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """A place in a photo that may be a ridge end, how much speaks for it, and what was snapped to there."""

    px: Array
    evidence: float
    snap: Snap | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Suggestion:
    """What one tied photo suggests: pairs of ends (A, B where picked, else left, right), and all places."""

    picture: ShootPicture
    view: View
    pairs: tuple[tuple[Array, Array], ...]
    places: tuple[_Place, ...]
    is_picked: bool


def propose_for_shoot(pictures: Sequence[ShootPicture]) -> dict[str, ProposedEnds]:
    """Propose the ridge ends that are not picked yet, in every photo of a shoot.

    Parameters
    ----------
    pictures : sequence of ShootPicture
        The photos.

    Returns
    -------
    dict
        Photo name to what is proposed there; photos without a proposal are left out. Where nobody has
        picked, A is the left end in the first photo by name.

    Notes
    -----
    Every tied photo suggests ridges (`vision.ridge_ends`), or has a person's picks. Each two photos place
    both ends in space; the pair of points for which most places of all photos speak is taken, placed again
    by all of these, and looked for in every photo. A photo that is not tied is proposed for by itself.
    """
    ordered = sorted(pictures, key=lambda picture: picture.name)
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        made = pool.map(lambda picture: propose_ends(picture.read()) if picture.missing else [], ordered)
        guesses = {picture.name: own for picture, own in zip(ordered, made, strict=True)}
    suggestions = [
        _suggest(picture, picture.view, guesses[picture.name])
        for picture in ordered
        if picture.view is not None
    ]
    ends = _agreed_ends(suggestions)
    found = {p.name: _alone(p, guesses[p.name][0]) for p in ordered if guesses[p.name]}
    if ends is not None:
        for suggestion in suggestions:
            found.pop(suggestion.picture.name, None)
            if suggestion.picture.missing and (snaps := _snapped(suggestion, ends)):
                found[suggestion.picture.name] = ProposedEnds(snaps, is_placed=True)
    return found


def _alone(picture: ShootPicture, guess: RidgeProposal) -> ProposedEnds:
    ends = dict(zip(ENDS, named_by_picks((guess.left, guess.right), picture.picks), strict=True))
    return ProposedEnds({end: ends[end] for end in picture.missing}, is_placed=False)


def named_by_picks(ends: tuple[Snap, Snap], picks: Mapping[str, tuple[float, float]]) -> tuple[Snap, Snap]:
    """Return two ends in the order A, B: the one that is nearer to a pick has its letter."""
    for end, pick in picks.items():
        off = [float(np.hypot(*(snap.px - pick))) for snap in ends]
        if (off[0] <= off[1]) != (end == "a"):
            return ends[1], ends[0]
        break
    return ends


def _suggest(picture: ShootPicture, view: View, guesses: Sequence[RidgeProposal]) -> _Suggestion:
    picked = {end: np.array(px, dtype=float) for end, px in picture.picks.items()}
    places = [_Place(px, _PICK_EVIDENCE) for px in picked.values()]
    places += _places(guesses)
    pairs = []
    for guess in guesses[:_GUESSES]:
        named = named_by_picks((guess.left, guess.right), picture.picks)
        a, b = (picked.get(end, snap.px) for end, snap in zip(ENDS, named, strict=True))
        pairs.append((a, b))
    if not picture.missing:
        pairs = [(picked["a"], picked["b"])]
    return _Suggestion(picture, view, tuple(pairs), tuple(places), is_picked=bool(picked))


def _places(guesses: Sequence[RidgeProposal]) -> list[_Place]:
    """Return the places of all guesses; those of an unlikely ridge speak for less, however clear they are."""
    best = max((guess.score for guess in guesses), default=1.0)
    return [
        _Place(other.snap.px, math.sqrt(guess.score / best) * other.evidence, other.snap)
        for guess in guesses
        for other in guess.others
    ]


_Points = tuple[PlacedPoint, PlacedPoint]


def _agreed_ends(suggestions: Sequence[_Suggestion]) -> _Points | None:
    """Return the two points that most photos agree on; None where no two photos do."""
    best: tuple[float, _Points] | None = None
    for one, other in itertools.combinations(suggestions, 2):
        for points in _hypotheses(one, other):
            support = _support(suggestions, points)
            if best is None or support > best[0]:
                best = support, points
    if best is None:
        return None
    return _named(suggestions, _placed_by_all(suggestions, best[1]))


def _hypotheses(one: _Suggestion, other: _Suggestion) -> Iterator[_Points]:
    """Return both ends as two photos place them: every ridge of one with each of the other, both ways."""
    for first, second in itertools.product(one.pairs, other.pairs):
        for crossed in (second, second[::-1]):
            try:
                points = [
                    place_point([_seen(one.view, px), _seen(other.view, at)])
                    for px, at in zip(first, crossed, strict=True)
                ]
            except GeometryError:
                continue
            is_met = all(
                _off_px(view, point, px) < _FARTHEST_PX
                for view, pair in ((one.view, first), (other.view, crossed))
                for point, px in zip(points, pair, strict=True)
            )
            if is_met:
                yield points[0], points[1]


def _seen(view: View, px: Array) -> SeenEnd:
    return SeenEnd(view, px, _PLACE_SIGMA_PX**2 * np.eye(2))


def _off_px(view: View, point: PlacedPoint, px: Array) -> float:
    predicted = predict_point(point, view)
    return math.inf if predicted is None else float(np.hypot(*(predicted.px - px)))


def _support(suggestions: Sequence[_Suggestion], points: _Points) -> float:
    """Return how much speaks for two points in all photos; both ends of a photo count more than one."""
    total = 0.0
    for suggestion in suggestions:
        own = [_best_place(suggestion, point) for point in points]
        total += math.sqrt(own[0][0] * own[1][0]) + 0.25 * sum(weight for weight, _ in own)
    return total


def _best_place(suggestion: _Suggestion, point: PlacedPoint) -> tuple[float, Array | None]:
    """Return what speaks for a point in one photo, and the place that says so."""
    predicted = predict_point(point, suggestion.view)
    if predicted is None:
        return 0.0, None
    weighed = (
        (place.evidence * math.exp(-0.5 * float(np.sum((place.px - predicted.px) ** 2)) / _AGREES_PX**2), i)
        for i, place in enumerate(suggestion.places)
    )
    weight, which = max(weighed, default=(0.0, -1))
    return weight, suggestion.places[which].px if which >= 0 else None


def _placed_by_all(suggestions: Sequence[_Suggestion], points: _Points) -> _Points:
    """Place both ends again, by all photos that show a place near them."""
    better = []
    for point in points:
        seen = []
        for suggestion in suggestions:
            _, px = _best_place(suggestion, point)
            if px is not None and _off_px(suggestion.view, point, px) < 2.0 * _AGREES_PX:
                seen.append(_seen(suggestion.view, px))
        try:
            better.append(place_point(seen) if len(seen) >= 2 else point)
        except GeometryError:
            better.append(point)
    return better[0], better[1]


def _named(suggestions: Sequence[_Suggestion], points: _Points) -> _Points:
    """Return the ends as A and B: as picked, else A on the left in the first photo."""
    first = next((item for item in suggestions if item.is_picked), None)
    if first is not None:
        end, px = next(iter(first.picture.picks.items()))
        off = [_off_px(first.view, point, np.array(px)) for point in points]
        return points if (off[0] <= off[1]) == (end == "a") else points[::-1]
    for suggestion in suggestions:
        seen = [predict_point(point, suggestion.view) for point in points]
        if seen[0] is not None and seen[1] is not None:
            return points if seen[0].px[0] <= seen[1].px[0] else points[::-1]
    return points


def _snapped(suggestion: _Suggestion, ends: _Points) -> dict[str, Snap]:
    """Return what a photo shows where both ends should be; where it shows nothing clear, where that is."""
    predicted = [predict_point(point, suggestion.view) for point in ends]
    image = well_lit(suggestion.picture.read())
    known = [place.snap for place in suggestion.places if place.snap is not None]
    snaps = {}
    for i, end in enumerate(ENDS):
        here, other = predicted[i], predicted[1 - i]
        if here is not None and end in suggestion.picture.missing:
            told = snap_predicted(image, here, None if other is None else other.px, known)
            if told.sigma_px < _FARTHEST_PX / _REACH_SIGMAS:
                snaps[end] = told
    return snaps


def snap_predicted(
    image: Image, here: PredictedPoint, toward_px: Array | None, known: Sequence[Snap] = ()
) -> Snap:
    """Return what a photo shows where an end is predicted; where nothing is clear, the prediction itself.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3), uint8
        The upright photo, well lit (`vision.segments.well_lit`).
    here : PredictedPoint
        Where the end should be.
    toward_px : ndarray of shape (2,) or None
        Where the other end is, about; without it nothing is looked for.
    known : sequence of Snap
        Places found before that may be the end.
    """
    seen = None if toward_px is None else _best_snap(image, here, toward_px, known)
    return seen or Snap(here.px, here.cov_px2, "predicted", 0.0)


def _best_snap(image: Image, here: PredictedPoint, toward: Array, known: Sequence[Snap]) -> Snap | None:
    """Return the clearest corner near a predicted place; None where none is clear."""
    sigma_px = math.sqrt(float(np.trace(here.cov_px2)) / 2.0)
    reach_px = min(max(REACH_PX, _REACH_SIGMAS * sigma_px), _FARTHEST_PX)
    inward = (toward - here.px) / max(float(np.hypot(*(toward - here.px))), 1.0)
    down = np.array([-inward[1], inward[0]]) * (1.0 if inward[0] >= 0.0 else -1.0)
    spread = here.cov_px2 + _PREDICTED_PX**2 * np.eye(2)
    ranked = []
    for order, snap in enumerate([*snap_candidates(image, here.px, toward, REACH_PX), *known]):
        off = snap.px - here.px
        near = math.exp(-0.5 * float(off @ np.linalg.solve(spread, off)))
        if np.hypot(*off) < reach_px and snap.sigma_px < _MOST_SIGMA_PX:
            ranked.append((near * end_evidence(image, snap, inward, down), -order, snap))
    best = max(ranked, key=lambda item: item[:2], default=(0.0, 0, None))
    return best[2] if best[0] > _LEAST_EVIDENCE else None
