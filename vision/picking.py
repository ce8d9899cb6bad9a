"""Help while somebody picks ridge ends: where an end lies by the picks so far, what a photo shows there.

Frame: px of each upright picture. The photos are tied once, which takes seconds; then every question about
one photo is answered while a person waits. A click itself is snapped by `vision.snap.snap_pick`.
"""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.camera import Array
from calib.errors import GeometryError
from vision.adjust import adjust
from vision.edges import Image
from vision.look import ReadyPhoto
from vision.plane import View
from vision.pose import view_of
from vision.predict import PredictedPoint, SeenEnd, epipolar_line, place_point, predict_point
from vision.proposals import ENDS, named_by_picks, snap_predicted
from vision.ridge_ends import EndCandidate, propose_ends
from vision.segments import well_lit
from vision.shoot import Pick, TapeMeasure
from vision.snap import Snap
from vision.tying import tie_by_targets

# How far a place may lie off a predicted line and still be meant: poses from small targets miss by several
# px (see vision/proposals.py).
_NEAR_LINE_PX = 10.0

Picks = Mapping[str, Mapping[str, Pick]]


@dataclass(frozen=True, slots=True, eq=False)
class PredictedLine:
    """A line in a photo on which an end lies, shape (N, 2), px: one other photo shows the end."""

    px: Array


Prediction = PredictedPoint | PredictedLine


def tied_views(ready: Sequence[ReadyPhoto], tapes: Sequence[TapeMeasure] = ()) -> dict[str, View]:
    """Return the views of the photos that their targets tie together, in one frame.

    Parameters
    ----------
    ready : sequence of ReadyPhoto
        The photos that show a target.
    tapes : sequence of TapeMeasure
        Taped distances.

    Returns
    -------
    dict
        Photo name to its view; empty where fewer than two photos are tied.
    """
    if len(ready) < 2:
        return {}
    try:
        tied = tie_by_targets([item.start for item in ready], tapes).tied
        solution = adjust(tied.network)
    except GeometryError:
        return {}
    world = next(i for i, placement in enumerate(solution.network.placements) if placement.is_fixed)
    return {
        name: view_of(solution, station, world, tied.quarter_turns[station])
        for name, station in tied.stations.items()
    }


def predict_ends(
    views: Mapping[str, View], picks: Picks, name: str, pick_sigma_px: float = 1.0
) -> dict[str, Prediction]:
    """Return where the ends that a photo has no pick of lie in it, by the picks in others.

    Parameters
    ----------
    views : Mapping
        Views of the tied photos (`tied_views`).
    picks : Mapping
        Photo name to its picks so far, "a", "b" or both.
    name : str
        The photo asked about.
    pick_sigma_px : float
        Standard uncertainty of a pick, per axis.

    Returns
    -------
    dict
        "a" and "b" to a line where one other photo shows that end, to a point where several do; nothing for
        an end that no other photo shows, that lies outside this picture, or whose lines of sight do not meet.
    """
    if name not in views:
        return {}
    predicted: dict[str, Prediction] = {}
    for end in ENDS:
        if end in picks.get(name, {}):
            continue
        seen = [
            SeenEnd(view, np.array(picks[other][end], dtype=float), pick_sigma_px**2 * np.eye(2))
            for other, view in sorted(views.items())
            if other != name and end in picks.get(other, {})
        ]
        found = _predict(seen, views[name])
        if found is not None:
            predicted[end] = found
    return predicted


def _predict(seen: Sequence[SeenEnd], view: View) -> Prediction | None:
    if len(seen) == 1:
        line = epipolar_line(seen[0], view)
        return PredictedLine(line) if len(line) > 1 else None
    try:
        return predict_point(place_point(seen), view) if seen else None
    except GeometryError:
        return None


def propose_in_photo(
    image: Image, views: Mapping[str, View], picks: Picks, name: str, pick_sigma_px: float = 1.0
) -> dict[str, Snap]:
    """Propose the ends that a photo has no pick of, by the picks so far and by what it shows.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3), uint8
        The upright photo.
    views, picks, name, pick_sigma_px
        As for `predict_ends`; a photo that is not tied is judged by its picture alone.

    Returns
    -------
    dict
        "a" and "b" to what is proposed. Nothing is, where the photo shows no ridge and others do not place
        the end.

    Notes
    -----
    Where other photos give a point, the clearest corner near it; else the ends of the roof that the picture
    shows (`vision.ridge_ends`), those near the line from another photo first.
    """
    own = picks.get(name, {})
    predicted = predict_ends(views, picks, name, pick_sigma_px)
    points = {end: found for end, found in predicted.items() if isinstance(found, PredictedPoint)}
    missing = [end for end in ENDS if end not in own]
    proposed: dict[str, Snap] = {}
    if any(end not in points for end in missing):
        lines = {end: found.px for end, found in predicted.items() if isinstance(found, PredictedLine)}
        shown = _shown_ends(image, lines, {**own, **{end: _pick(point.px) for end, point in points.items()}})
        proposed = {end: snap for end, snap in shown.items() if end in missing and end not in points}
    lit = well_lit(image)
    for end, point in points.items():
        other = "b" if end == "a" else "a"
        proposed[end] = snap_predicted(lit, point, _toward(other, own, points, proposed))
    return proposed


def _pick(px: Array) -> Pick:
    return float(px[0]), float(px[1])


def _toward(
    end: str, own: Mapping[str, Pick], points: Mapping[str, PredictedPoint], proposed: Mapping[str, Snap]
) -> Array | None:
    """Return where an end is, by the best that is known of it."""
    if end in own:
        return np.array(own[end], dtype=float)
    if end in points:
        return points[end].px
    return proposed[end].px if end in proposed else None


def _shown_ends(image: Image, lines: Mapping[str, Array], known: Mapping[str, Pick]) -> dict[str, Snap]:
    """Return both ends as the picture shows them: by lines from other photos, else by what is known."""
    guesses = propose_ends(image)
    if not guesses:
        return {}
    candidates = [other for guess in guesses for other in guess.others]
    near = _near_lines(candidates, lines)
    a, b = named_by_picks(
        (guesses[0].left, guesses[0].right), {**known, **{end: _pick(snap.px) for end, snap in near.items()}}
    )
    return {"a": a, "b": b} | near


def _near_lines(candidates: Sequence[EndCandidate], lines: Mapping[str, Array]) -> dict[str, Snap]:
    """Return for each line the place near it that looks most like an end; no place stands for both ends."""
    ranked = {end: _ranked(candidates, line) for end, line in lines.items()}
    ranked = {end: own for end, own in ranked.items() if own}
    best: dict[str, Snap] = {}
    most = -1.0
    for chosen in itertools.product(*ranked.values()):
        snaps = [snap for _, snap in chosen]
        apart = all(
            np.hypot(*(one.px - other.px)) > 3.0 * _NEAR_LINE_PX
            for one, other in itertools.combinations(snaps, 2)
        )
        weight = sum(weight for weight, _ in chosen)
        if apart and weight > most:
            best, most = dict(zip(ranked, snaps, strict=True)), weight
    return best


def _ranked(candidates: Sequence[EndCandidate], line: Array) -> list[tuple[float, Snap]]:
    """Return the places near a line, each with how much it looks like an end that lies on it."""
    ranked = []
    for candidate in candidates:
        off_px = distance_px(candidate.snap.px, line)
        if off_px < 3.0 * _NEAR_LINE_PX:
            weight = candidate.evidence * float(np.exp(-0.5 * (off_px / _NEAR_LINE_PX) ** 2))
            ranked.append((weight, candidate.snap))
    return ranked


def distance_px(px: Array, line: Array) -> float:
    """Return how far a point lies from a line of straight pieces, shape (N, 2)."""
    start, step = line[:-1], np.diff(line, axis=0)
    along = np.sum((px - start) * step, axis=1) / np.maximum(np.sum(step**2, axis=1), 1e-12)
    foot = start + np.clip(along, 0.0, 1.0)[:, None] * step
    return float(np.linalg.norm(foot - px, axis=1).min())
