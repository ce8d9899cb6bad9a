"""Both ridge ends proposed unasked, from one picture alone: where the ridge's line has its ends.

Frame: px of the upright picture, (0, 0) at the centre of the top-left pixel. A proposal is shown, never used
unless a person accepts it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.camera import Array
from vision.edges import Image, colours_at, to_lab
from vision.roofline import RidgeLine, colour_distance, find_ridge_lines
from vision.segments import Reduced, reduce_picture, well_lit
from vision.snap import Snap, snap_candidates

# Lines of one picture that are followed to their ends.
_LINES = 3
# Ends are looked for where the outermost seams meet the line, and beyond by this many spacings of theirs.
_OUTER_SEAMS = 6
_BEYOND_SPACINGS = 2.0
_REACH_PX = 20.0
# An end lies on the ridge's line within this, px of the full picture per px of the reduced one.
_ON_LINE_PX = 3.0
_SAME_PX = 2.0
# Beside an end, so far along and below the line, cap and what lies beyond it are compared.
_BESIDE_PX = np.arange(4.0, 26.0)
_BELOW_PX = (2.5, 4.0, 6.0)
_CONTRAST_AT_PX = 3.0
# Differences that count in full (CIELAB units): of the cap from what lies beyond; across the ridge.
_FULL_END, _FULL_RIDGE = 8.0, 6.0
# Nothing is ruled out by one kind of evidence alone.
_LEAST_EVIDENCE = 0.15
# Around the ends, the line must not go on: over this part of the ridge's length.
_OUTSIDE_SHARE = 0.08
_FEWEST_SPACINGS = 3.0
# A seam this little outside an end is the gable's own edge.
_SLACK_SPACINGS = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class EndCandidate:
    """A place where the ridge may end: what it snapped to, where along its line, how well it fits, 0 to 1."""

    snap: Snap
    station_px: float
    evidence: float


@dataclass(frozen=True, slots=True, eq=False)
class RidgeProposal:
    """Both ends of a ridge as one picture suggests them.

    Attributes
    ----------
    left, right : Snap
        The ends, by where they lie in the picture; which of them is A is for a person, or another photo, to
        say.
    score : float
        How well all that is seen agrees, 0 to 1.
    others : tuple of EndCandidate
        Other places for an end, for judging them together with other photos.
    """

    left: Snap
    right: Snap
    score: float
    others: tuple[EndCandidate, ...] = ()


def propose_ends(image: Image) -> list[RidgeProposal]:
    """Propose both ridge ends from one picture.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3), uint8
        Upright photo, blue, green, red.

    Returns
    -------
    list of RidgeProposal
        The likeliest first; empty where no row of seams hangs from a line.

    Notes
    -----
    The roof is told by its standing seams: parallel lines that hang from the ridge (`vision.roofline`). An
    end is a corner on that line (`vision.snap`) with the cap on one side only. Of all pairs of ends, the
    best leaves no seam outside, has the line's edge within and none beyond.
    """
    lit = well_lit(image)
    picture = reduce_picture(lit)
    lines = find_ridge_lines(picture)[:_LINES]
    best_line = max((line.score for line in lines), default=0.0)
    proposals = [
        proposal
        for line in lines
        if (proposal := _propose(lit, picture, line, (line.score / best_line) ** 2)) is not None
    ]
    return sorted(proposals, key=lambda proposal: -proposal.score)


def _propose(image: Image, picture: Reduced, ridge: RidgeLine, weight: float) -> RidgeProposal | None:
    middle = float(np.median(ridge.seams))
    seeds = _seeds(ridge, _REACH_PX / picture.scale)
    left = _ends(image, picture, ridge, [seed for seed in seeds if seed < middle], 1.0)
    right = _ends(image, picture, ridge, [seed for seed in seeds if seed >= middle], -1.0)
    pairs = [
        (_agreement(ridge, one, other), i, j) for i, one in enumerate(left) for j, other in enumerate(right)
    ]
    if not pairs:
        return None
    score, i, j = max(pairs)
    return (
        RidgeProposal(left[i].snap, right[j].snap, weight * score, (*left, *right)) if score > 0.0 else None
    )


def _seeds(ridge: RidgeLine, step_px: float) -> list[float]:
    """Return the stations near which an end is looked for, so far apart around the outermost seams."""
    seams = np.sort(ridge.seams)
    # Seams draw together with distance: what their spacing is, either side's own seams say.
    gaps = np.diff(seams)
    left, right = gaps[: _OUTER_SEAMS - 1].max(), gaps[1 - _OUTER_SEAMS :].max()
    seeds = [
        *seams[:_OUTER_SEAMS],
        *seams[-_OUTER_SEAMS:],
        *np.arange(seams[0] - _BEYOND_SPACINGS * left, seams[0] + left, step_px),
        *np.arange(seams[-1] - right, seams[-1] + _BEYOND_SPACINGS * right, step_px),
        *(ridge.covered.min(), ridge.covered.max()),
    ]
    return sorted(set(np.round(seeds).tolist()))


def _ends(
    image: Image, picture: Reduced, ridge: RidgeLine, seeds: Sequence[float], inward: float
) -> list[EndCandidate]:
    """Return the places where the ridge may end on one side; inward is the way to its middle, 1 or -1."""
    line = ridge.line
    toward = picture.to_full(line.at(inward * float(np.max(inward * ridge.seams))))
    found: list[EndCandidate] = []
    for seed in seeds:
        for snap in snap_candidates(image, picture.to_full(line.at(seed)), toward, _REACH_PX):
            own = picture.from_full(snap.px)
            is_known = any(np.hypot(*(snap.px - other.snap.px)) < _SAME_PX for other in found)
            if is_known or abs(float(line.depths(own))) > _ON_LINE_PX:
                continue
            evidence = end_evidence(image, snap, inward * line.along, line.down)
            found.append(EndCandidate(snap, float(line.stations(own)), evidence))
    return found


def end_evidence(image: Image, snap: Snap, inward: Array, down: Array) -> float:
    """Return how well a place fits as the end of a ridge cap.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3), uint8
        Upright photo.
    snap : Snap
        The place.
    inward, down : ndarray of shape (2,)
        Unit vectors along the ridge to its other end, and across it to the roof.

    Returns
    -------
    float
        0 to 1: how clear the corner is, times how the cap differs from what lies beyond its end, times how
        the ridge shows.
    """
    cap, beyond = (
        _colours(
            image,
            np.concatenate(
                [snap.px + sign * _BESIDE_PX[:, None] * inward + depth * down for depth in _BELOW_PX]
            ),
        )
        for sign in (1.0, -1.0)
    )
    at = snap.px + _BESIDE_PX[:, None] * inward
    above, below = (_colours(image, at + sign * _CONTRAST_AT_PX * down) for sign in (-1.0, 1.0))
    end_step = float(np.median(colour_distance(beyond, np.median(cap, axis=0)))) / _FULL_END
    ridge_step = float(np.median(colour_distance(above, below))) / _FULL_RIDGE
    parts = np.array([snap.strength, end_step, ridge_step])
    return float(np.prod(np.clip(parts + _LEAST_EVIDENCE, 0.0, 1.0)))


def _colours(image: Image, px: Array) -> Array:
    """Return the CIELAB colours of a picture at points, shape (N, 3)."""
    seen = np.asarray(colours_at(image, px)[None], np.uint8)
    return np.asarray(to_lab(seen)[0], dtype=float)


def _agreement(ridge: RidgeLine, left: EndCandidate, right: EndCandidate) -> float:
    """Return how well two ends agree with the seams and with the line's edge, 0 to 1."""
    length = right.station_px - left.station_px
    if length < _FEWEST_SPACINGS * ridge.spacing_px:
        return 0.0
    slack = _SLACK_SPACINGS * ridge.spacing_px
    is_within = (ridge.seams > left.station_px - slack) & (ridge.seams < right.station_px + slack)
    within = float(ridge.seam_px[is_within].sum() / ridge.seam_px.sum())
    margin = max(10.0, _OUTSIDE_SHARE * length)
    inside = _covered(ridge.covered, left.station_px, right.station_px)
    outside = (
        _covered(ridge.covered, left.station_px - margin, left.station_px - 5.0)
        + _covered(ridge.covered, right.station_px + 5.0, right.station_px + margin)
    ) / 2.0
    return math.sqrt(left.evidence * right.evidence) * within**2 * inside * (1.0 - 0.7 * outside)


def _covered(covered: Array, low: float, high: float) -> float:
    """Return the part of a stretch of the line where an edge shows."""
    stations = np.linspace(low, high, 200)
    is_covered = np.zeros(stations.size, dtype=bool)
    for first, last in covered:
        is_covered |= (stations >= first) & (stations <= last)
    return float(is_covered.mean())
