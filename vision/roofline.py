"""The ridge's line in a picture: the line that seams hang from, with roof below it and something else above.

Frame: px of a reduced picture (vision/segments.py). Nothing is known of the camera here, only that the roof
has standing seams or ribs, that the picture is upright, and that a ridge is nearer to level than to plumb.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from vision.segments import Line, Reduced, find_lines, find_segments

Indices = NDArray[np.intp]

# A line of a house is at least this long, as a part of the picture's long side.
_LEAST_LINE = 0.05
# Ridges steeper than this in the picture are not looked for: sine of 64 degrees.
_STEEPEST = 0.9
# Seams start below the ridge, where the cap's hem is: within this of the line, in px of the reduced picture.
_HANG_PX = (-3.0, 40.0)
_LEAST_HANG_PX = 22.0
# A seam falls away from the ridge at least so much: sine of 9 degrees (seen from the ground, at the roof's
# ends).
_LEAST_FALL = 0.15
_FEWEST_SEAMS = 4
# Seams are parallel on the roof: their lines go through one point within this, rad.
_PENCIL_RAD = 0.02
_MOST_PAIRS = 250
# One seam counts once: the longest in this many px along the line, and no more than this many px of it.
_SEAM_BIN_PX, _SEAM_CAP_PX = 20.0, 200.0
# Light and shade say less about whether two places are one sheet than hue does.
_LIGHTNESS_WEIGHT = 0.35
# Roof and not roof differ by this much colour (CIELAB units); by trial on rendered and drawn roofs.
_OTHER_COLOUR = 6.0
# A silhouette is seen over this part of its length, the rest being hidden or of the background's colour.
_FULL_COVER = 0.6
# The lines judged by colour are the best so many by their seams.
_JUDGED = 40
# The cap's flange takes at most this part of the roof's slope, which bounds how far a ridge lies above its
# hem.
_CAP_SHARE = 0.14
_FOLD_STEP_PX, _FOLD_BLUR_PX, _FOLD_NEAREST_PX = 1.0, 2.0, 4.0
# The roof that stands on a wall's upper edge: so many of its seams do, it scores so much of the wall's
# score, lies so far above it and differs so much from it in colour.
_STANDING_SHARE, _ROOF_SCORE, _ABOVE_PX, _OTHER_SHEET = 0.4, 0.3, 5.0, 5.0
# A silhouette that scores this part of what hangs from it leaves no room for a fold.
_OWN_SILHOUETTE = 0.3
# A fold between two planes of one roof counts this much less than a silhouette.
_FOLD_WEIGHT = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class RidgeLine:
    """A line that may be the ridge.

    Attributes
    ----------
    line : Line
        Where it is.
    seams : ndarray of shape (S,)
        Stations along the line where seams meet it.
    seam_px : ndarray of shape (S,)
        How far each seam hangs below the line.
    covered : ndarray of shape (K, 2)
        Stations between which an edge shows on the line.
    score : float
        For comparing lines of one picture: how much roof hangs from it, and how clear it is.
    is_fold : bool
        True where the roof goes on above it: the other plane is seen too.
    """

    line: Line
    seams: Array
    seam_px: Array
    covered: Array
    score: float
    is_fold: bool = False

    @property
    def spacing_px(self) -> float:
        """Usual distance of neighbouring seams along the line."""
        gaps = np.diff(np.sort(self.seams))
        gaps = gaps[gaps > 4.0]
        return float(np.median(gaps)) if gaps.size else _SEAM_BIN_PX


@dataclass(frozen=True, slots=True, eq=False)
class _Hung:
    """A line with what hangs from it: seams (indices of segments), where they meet it, the roof's colour."""

    line: Line
    seams: Indices
    stations: Array
    fall_px: Array
    weight: float
    roof: Array


def find_ridge_lines(picture: Reduced) -> list[RidgeLine]:
    """Return the lines that may be the ridge, the likeliest first.

    Parameters
    ----------
    picture : Reduced
        The picture.

    Returns
    -------
    list of RidgeLine
        Silhouettes of a roof against what lies behind, and the fold between its two planes where both show.
    """
    segments = find_segments(picture)
    lines = find_lines(segments, _LEAST_LINE * max(picture.grey.shape))
    hung = [item for line in lines if (item := _hang(picture, segments, line)) is not None]
    hung.sort(key=lambda item: -item.weight)
    hung = hung[:_JUDGED]
    found = [_silhouette(picture, segments, item) for item in hung]
    scored = [(one, item) for one, item in zip(found, hung, strict=True) if one.score > 0.0]
    scored += [
        (fold, item)
        for item in hung[:1]
        if not _has_silhouette(item, scored)
        for fold in _folds(picture, item)
    ]
    scored.sort(key=lambda pair: -pair[0].score)
    return _roof_before_wall(segments, scored)


def _hang(picture: Reduced, segments: Array, line: Line) -> _Hung | None:
    """Return what hangs from a line; None if it is not the head of a row of parallel seams."""
    if abs(line.along[1]) > _STEEPEST:
        return None
    which = _hanging(segments, line)
    own = line.stations(segments[line.members])
    near = line.stations(segments[which, 0])
    slack = _HANG_PX[1]
    which = which[(near > own.min() - slack) & (near < own.max() + slack)]
    if which.size < _FEWEST_SEAMS:
        return None
    fall_px = np.ptp(line.depths(segments[which]), axis=1)
    is_parallel = _pencil(segments[which], fall_px)
    which, fall_px = which[is_parallel], fall_px[is_parallel]
    if which.size < _FEWEST_SEAMS:
        return None
    stations = _meeting_stations(segments[which], line)
    return _Hung(
        line, which, stations, fall_px, _weight(stations, fall_px), _roof_colour(picture, segments[which])
    )


def _hanging(segments: Array, line: Line, side: float = 1.0) -> Indices:
    """Return the segments that start just below a line (side 1) and fall away from it; -1: stand on it."""
    depths = side * line.depths(segments)
    start, fall = depths.min(axis=1), np.ptp(depths, axis=1)
    steps = segments[:, 1] - segments[:, 0]
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    is_near = (start > _HANG_PX[0]) & (start < _HANG_PX[1])
    return np.flatnonzero(is_near & (fall > _LEAST_HANG_PX) & (fall > _LEAST_FALL * lengths))


def _pencil(segments: Array, weight: Array) -> NDArray[np.bool_]:
    """Return which segments go through the point that most of them, by weight, go through."""
    ends = np.concatenate([segments, np.ones((*segments.shape[:2], 1))], axis=2)
    lines = np.cross(ends[:, 0], ends[:, 1])
    middles = segments.mean(axis=1)
    directions = segments[:, 1] - segments[:, 0]
    directions /= np.hypot(directions[:, 0], directions[:, 1])[:, None]
    first, second = np.triu_indices(len(segments), 1)
    if first.size > _MOST_PAIRS:
        some = np.linspace(0, first.size - 1, _MOST_PAIRS).astype(int)
        first, second = first[some], second[some]
    points = np.cross(lines[first], lines[second])
    # A direction to a point at infinity is the point itself: (x, y, w) - w (middle, 1) serves both.
    to_point = points[:, None, :2] - points[:, None, 2:] * middles[None]
    lengths = np.maximum(np.hypot(to_point[..., 0], to_point[..., 1]), 1e-9)
    across = to_point[..., 0] * directions[:, 1] - to_point[..., 1] * directions[:, 0]
    is_through = np.abs(across) < _PENCIL_RAD * lengths
    best: NDArray[np.bool_] = is_through[int(np.argmax(is_through @ weight))]
    return best


def _meeting_stations(segments: Array, line: Line) -> Array:
    """Return where the segments' own lines meet a line."""
    depths, stations = line.depths(segments), line.stations(segments)
    share = depths[:, 0] / (depths[:, 0] - depths[:, 1])
    met: Array = stations[:, 0] + share * (stations[:, 1] - stations[:, 0])
    return met


def _weight(stations: Array, fall_px: Array) -> float:
    """Return how much hangs from a line, px: the longest seam of every place along it."""
    longest: dict[int, float] = {}
    for place, fall in zip((stations // _SEAM_BIN_PX).astype(int).tolist(), fall_px.tolist(), strict=True):
        longest[place] = max(longest.get(place, 0.0), min(fall, _SEAM_CAP_PX))
    return sum(longest.values())


def _roof_colour(picture: Reduced, seams: Array) -> Array:
    """Return the colour beside seams, 5 px to either side."""
    steps = seams[:, 1] - seams[:, 0]
    beside = np.column_stack([-steps[:, 1], steps[:, 0]]) / np.hypot(steps[:, 0], steps[:, 1])[:, None]
    along = seams[:, :1] + np.linspace(0.15, 0.85, 8)[None, :, None] * steps[:, None]
    places = np.concatenate([along + side * beside[:, None] for side in (-5.0, 5.0)])
    colour: Array = np.median(picture.colours(places).reshape(-1, 3), axis=0)
    return colour


def colour_distance(colours: Array, other: Array) -> Array:
    """Return how unlike colours are, hue above all, shapes (..., 3) and (3,) to (...)."""
    distance: Array = np.linalg.norm((colours - other) * (_LIGHTNESS_WEIGHT, 1.0, 1.0), axis=-1)
    return distance


def _silhouette(picture: Reduced, segments: Array, item: _Hung) -> RidgeLine:
    """Judge a line as the upper edge of a roof: roof below it, something else above."""
    stations = np.linspace(item.stations.min(), item.stations.max(), 160)
    above, below = (
        float(np.median(colour_distance(_beside(picture, item.line, stations, sign), item.roof)))
        for sign in (-1.0, 1.0)
    )
    covered = np.sort(item.line.stations(segments[item.line.members]), axis=1)
    is_covered = np.zeros(stations.size, dtype=bool)
    for low, high in covered:
        is_covered |= (stations >= low) & (stations <= high)
    clear = min(1.0, is_covered.mean() / _FULL_COVER) * float(
        np.clip((above - below) / _OTHER_COLOUR, 0.0, 1.0)
    )
    return RidgeLine(item.line, item.stations, item.fall_px, covered, item.weight * clear)


def _beside(picture: Reduced, line: Line, stations: Array, side: float) -> Array:
    """Return the colours just above (side -1) or below (1) a line, shape (N, 3)."""
    seen = [picture.colours(line.at(stations, np.full(stations.size, side * depth))) for depth in (3.0, 5.0)]
    colours: Array = np.mean(seen, axis=0)
    return colours


def _has_silhouette(item: _Hung, scored: Sequence[tuple[RidgeLine, _Hung]]) -> bool:
    """Say whether the seams of a line hang from a silhouette as well, which is then the ridge."""
    own = set(item.seams.tolist())
    return any(
        one.score > _OWN_SILHOUETTE * item.weight and len(own & set(other.seams.tolist())) > 0.5 * len(own)
        for one, other in scored
    )


def _folds(picture: Reduced, item: _Hung) -> list[RidgeLine]:
    """Return the clearest line above a hem that has the same roof on both of its sides, at most one.

    Shades of one sheet differ little, but along the whole length: every line within the cap's flange is
    tried, by its depth at both ends, and judged by the median difference over its scatter.
    """
    slope_px = float(np.median(item.fall_px))
    stations = np.linspace(item.stations.min(), item.stations.max(), 120)
    depths = np.arange(0.0, _CAP_SHARE * slope_px + _FOLD_BLUR_PX, _FOLD_STEP_PX)
    grid = item.line.at(stations)[:, None] - depths[None, :, None] * item.line.down
    strip = picture.colours(grid)
    reach = round(_FOLD_BLUR_PX / _FOLD_STEP_PX)
    steps = strip[:, 2 * reach :] - strip[:, : -2 * reach] if depths.size > 2 * reach else strip[:, :0]
    middle = depths[reach:-reach]
    nearest = int(np.searchsorted(middle, _FOLD_NEAREST_PX))
    best: tuple[float, int, int] | None = None
    rows = np.arange(stations.size)
    for left in range(nearest, middle.size):
        for right in range(nearest, middle.size):
            places = np.round(np.linspace(left, right, stations.size)).astype(int)
            clear = _clearness(steps[rows, places])
            if best is None or clear > best[0]:
                best = (clear, left, right)
    if best is None:
        return []
    line = _raised(item.line, stations, float(middle[best[1]]), float(middle[best[2]]))
    above, below = (
        float(np.median(colour_distance(_beside(picture, line, stations, sign), item.roof)))
        for sign in (-1.0, 1.0)
    )
    if max(above, below) > _OTHER_COLOUR:
        return []
    score = _FOLD_WEIGHT * item.weight * min(1.0, best[0])
    met = item.stations - stations[0] + line.stations(item.line.at(stations[:1]))[0]
    covered = np.array([[met.min(), met.max()]])
    return [RidgeLine(line, met, item.fall_px, covered, score, is_fold=True)]


def _clearness(steps: Array) -> float:
    """Return the median step in colour over its scatter, times the part of steps that go its way."""
    middle = np.median(steps, axis=0)
    size = float(np.linalg.norm(middle))
    along = steps @ (middle / max(size, 1e-9))
    scatter = float(np.median(np.abs(along - np.median(along))))
    return size / (scatter + 0.5) * float(np.mean(along > 0.0))


def _raised(line: Line, stations: Array, left_px: float, right_px: float) -> Line:
    """Return a line raised above another by so much at both ends."""
    ends = line.at(stations[[0, -1]], np.array([-left_px, -right_px]))
    step = ends[1] - ends[0]
    length = float(np.hypot(*step))
    return Line(ends.mean(axis=0), step / length, line.members[:0], length)


def _roof_before_wall(segments: Array, scored: Sequence[tuple[RidgeLine, _Hung]]) -> list[RidgeLine]:
    """Put the roof's line before that of the wall below: boards hang from an eave as seams hang from a ridge.

    The wall is told by the roof's seams standing on its upper edge, and by its other colour.
    """
    order = list(scored)
    while (place := _roof_above(segments, order)) is not None:
        order.insert(0, order.pop(place))
    # A line that was put back must not come first again by its score.
    ceilings = itertools.accumulate((one.score for one, _ in order), min)
    return [replace(one, score=ceiling) for (one, _), ceiling in zip(order, ceilings, strict=True)]


def _roof_above(segments: Array, order: Sequence[tuple[RidgeLine, _Hung]]) -> int | None:
    """Return which line is the ridge of the roof that stands on the first line; None if none does."""
    if not order:
        return None
    best, item = order[0]
    standing = set(_hanging(segments, item.line, -1.0).tolist())
    for i, (one, other) in enumerate(order[1:], 1):
        stands = len(standing & set(other.seams.tolist())) > _STANDING_SHARE * other.seams.size
        is_above = float(item.line.depths(other.line.middle_px)) < -_ABOVE_PX
        is_other = float(colour_distance(other.roof, item.roof)) > _OTHER_SHEET
        if one.score > _ROOF_SCORE * best.score and is_above and stands and is_other:
            return i
    return None
