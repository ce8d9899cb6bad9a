"""A rough click to the corner or the end of a line that it means, with its own uncertainty.

Frame: px of the upright picture, (0, 0) at the centre of the top-left pixel.
"""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from calib.camera import Array
from vision.edges import Edge, Image, find_edgels, find_edges, fit_edge

# How far a click may lie from what it means (12 px, and what the eye adds), and how far edges are followed.
REACH_PX = 14.0
_ARM_PX = 30.0
# A click's own scatter, for choosing between corners: nearer ones are likelier (no source).
_CLICK_SIGMA_PX = 7.0
# Edges that meet at less than this have no corner: sine of 6 degrees.
_LEAST_SINE = 0.1
# An arm of a corner starts within this of it, has no gap longer than this, and is judged by its first part.
_ARM_START_PX, _ARM_GAP_PX, _ARM_JUDGED_PX = 5.0, 5.0, 16.0
_LEAST_ARM_PX = 5.0
# Close to a corner the two edges' blur runs together, and edgels are pulled inside.
_BLURRED_PX = 2.5
# Contrast per edgel that counts in full (CIELAB units per px): more says nothing more.
_FULL_CONTRAST = 8.0
# The line towards the other end is the ridge within its clicks' scatter and this, rad.
_ALIGNED_RAD = 0.03
# How much less likely a corner is to be meant that does not look like a ridge end (by trial).
_UNLIKE, _PEAK, _HEM = 0.3, 0.7, 0.5
# How well an edge found like this stands for the edge meant: folded metal is not sharp, glare moves edges. By
# trial on rendered roofs.
_U_MEANT_PX = 0.35
# Where a line just ends, it ends within this.
_U_LINE_END_PX = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Snap:
    """What a click means.

    Attributes
    ----------
    px : ndarray of shape (2,)
        Where it is.
    cov_px2 : ndarray of shape (2, 2)
        Its covariance.
    kind : {"corner", "line end", "predicted"}
        Where two edges meet, where one just ends, or where nothing shows but other photos put it.
    strength : float
        How clear it is, 0 to 1; for comparing snaps.
    """

    px: Array
    cov_px2: Array
    kind: Literal["corner", "line end", "predicted"]
    strength: float

    def __post_init__(self) -> None:
        for name in ("px", "cov_px2"):
            values = np.array(getattr(self, name), dtype=float)
            values.setflags(write=False)
            object.__setattr__(self, name, values)

    @property
    def sigma_px(self) -> float:
        """Standard uncertainty per axis, the two axes' root mean square."""
        return math.sqrt(float(np.trace(self.cov_px2)) / 2.0)


@dataclass(frozen=True, slots=True)
class NoSnap:
    """A click that means nothing that can be seen, and why."""

    why: str


def snap_pick(
    image: Image, click_px: ArrayLike, toward_px: ArrayLike | None = None, reach_px: float = REACH_PX
) -> Snap | NoSnap:
    """Return what a rough click means.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3), uint8
        Upright photo, blue, green, red.
    click_px : array_like of shape (2,)
        The click.
    toward_px : array_like of shape (2,), optional
        A rough click on the ridge's other end: then one of the corner's edges must lead there and end here.
    reach_px : float
        How far the click may be off.

    Returns
    -------
    Snap or NoSnap
        The likeliest corner, else the end of the line towards the other end, else why there is neither.

    Notes
    -----
    A corner is where two straight edges meet. Its covariance follows from those of the two lines (JCGM 100,
    5.1.2), and a little for the corner that is seen not being the one that is meant.
    """
    found = snap_candidates(image, click_px, toward_px, reach_px)
    if found:
        return found[0]
    return NoSnap(f"no corner within {reach_px:.0f} px of the click; zoom in and click on it exactly")


def snap_candidates(
    image: Image, click_px: ArrayLike, toward_px: ArrayLike | None = None, reach_px: float = REACH_PX
) -> list[Snap]:
    """Return everything that a click may mean, the likeliest first; see `snap_pick`."""
    click = np.asarray(click_px, dtype=float)
    height, width = image.shape[:2]
    if not (-0.5 <= click[0] < width - 0.5 and -0.5 <= click[1] < height - 0.5):
        return []
    radius = math.ceil(reach_px + _ARM_PX)
    low = np.maximum(np.round(click).astype(int) - radius, 0)
    high = np.minimum(np.round(click).astype(int) + radius + 1, (width, height))
    edges = find_edges(find_edgels(image, low.tolist(), high.tolist()))
    ridge = (
        None if toward_px is None else _Ridge.from_clicks(click, np.asarray(toward_px, dtype=float), reach_px)
    )
    ranked = list(_corners(edges, click, ridge, reach_px))
    if ridge is not None:
        ranked += _line_ends(edges, click, ridge, reach_px)
    # Equal ranks keep the order of the edges, which does not depend on chance.
    return [snap for _, snap in sorted(ranked, key=lambda item: -item[0])]


@dataclass(frozen=True, slots=True, eq=False)
class _Ridge:
    """Which way the ridge leads from a click, and how well that is known."""

    direction: Array
    u_rad: float

    @classmethod
    def from_clicks(cls, click: Array, toward: Array, reach_px: float) -> "_Ridge":
        step = toward - click
        length = max(float(np.hypot(*step)), 1.0)
        return cls(step / length, _ALIGNED_RAD + 2.0 * reach_px / length)

    def leads(self, edge: Edge) -> bool:
        """Say whether an edge lies along the ridge."""
        return bool(abs(self.direction @ edge.across) < math.sin(min(self.u_rad, math.pi / 4.0)))


def _corners(
    edges: Sequence[Edge], click: Array, ridge: _Ridge | None, reach_px: float
) -> Iterator[tuple[float, Snap]]:
    for pair in itertools.combinations(edges, 2):
        if abs(pair[0].across @ pair[1].along) < _LEAST_SINE:
            continue
        corner = _meet(*pair)
        off_px = float(np.hypot(*(corner - click)))
        if off_px > reach_px:
            continue
        arms = [_arms(edge, corner) for edge in pair]
        strength = min(max(both) for both in arms)
        if strength <= 0.0:
            continue
        fitted = [_refitted(edge, corner) for edge in pair]
        place = _meet(*fitted)
        if np.hypot(*(place - click)) <= reach_px:
            if ridge is not None:
                like = max(_likeness(ridge, pair[i], arms[i], pair[1 - i], arms[1 - i]) for i in range(2))
                strength *= like * (_HEM if _is_under_another(corner, edges, ridge) else 1.0)
            rank = strength * math.exp(-0.5 * (off_px / _CLICK_SIGMA_PX) ** 2)
            yield rank, Snap(place, _corner_covariance(place, *fitted), "corner", strength)


def _likeness(
    ridge: _Ridge, one: Edge, one_arms: tuple[float, float], other: Edge, other_arms: tuple[float, float]
) -> float:
    """Return how much a corner looks like a ridge end, its first edge being the ridge, 0 to 1.

    The ridge leads to the other end and does not go on beyond this one; the gable's edge falls away below it.
    """
    if not ridge.leads(one):
        return _PEAK if _encloses(ridge.direction, one, one_arms, other, other_arms) else _UNLIKE
    inside, beyond = one_arms if ridge.direction @ one.along > 0.0 else one_arms[::-1]
    below = other_arms[0] if other.along[1] > 0.0 else other_arms[1]
    if inside == 0.0 or below == 0.0:
        return _UNLIKE
    return max(_UNLIKE, 1.0 - min(1.0, beyond / inside))


def _encloses(
    direction: Array, one: Edge, one_arms: tuple[float, float], other: Edge, other_arms: tuple[float, float]
) -> bool:
    """Say whether a direction lies between a corner's arms: both planes of the roof are seen then."""
    arms = [
        sign * edge.along
        for edge, (ahead, behind) in ((one, one_arms), (other, other_arms))
        for sign in (1.0 if ahead > behind else -1.0,)
    ]
    turns = [direction[0] * arm[1] - direction[1] * arm[0] for arm in arms]
    return turns[0] * turns[1] < 0.0 and float(direction @ (arms[0] + arms[1])) > 0.0


def _is_under_another(corner: Array, edges: Sequence[Edge], ridge: _Ridge) -> bool:
    """Say whether an edge along the ridge runs above a corner, which is then the hem's."""
    for edge in edges:
        arm = edge.edgels.px[(edge.edgels.px - corner) @ ridge.direction > 0.0]
        if ridge.leads(edge) and len(arm) and 2.0 < (corner - arm)[:, 1].mean() < _ARM_PX:
            return True
    return False


def _meet(one: Edge, other: Edge) -> Array:
    """Return where two lines meet."""
    facing = np.array([one.across, other.across])
    place: Array = np.linalg.solve(facing, np.sum(facing * [one.middle_px, other.middle_px], axis=1))
    return place


def _arms(edge: Edge, corner: Array) -> tuple[float, float]:
    """Return the strengths of the two arms that an edge has at a corner, ahead and behind, each 0 to 1."""
    stations = (edge.edgels.px - corner) @ edge.along
    ahead, behind = (_arm(sign * stations, edge.edgels.contrast) for sign in (1.0, -1.0))
    return ahead, behind


def _arm(stations: Array, contrast: Array) -> float:
    order = np.argsort(stations)
    out = stations[order]
    strong = np.minimum(contrast[order] / _FULL_CONTRAST, 1.0)[out > 0.5]
    out = out[out > 0.5]
    if not out.size or out[0] > _ARM_START_PX:
        return 0.0
    gaps = np.flatnonzero(np.diff(out) > _ARM_GAP_PX)
    end = int(gaps[0]) + 1 if gaps.size else out.size
    if out[end - 1] < _LEAST_ARM_PX:
        return 0.0
    is_judged = out[:end] < _ARM_JUDGED_PX
    return float(min(1.0, strong[:end][is_judged].sum() / _ARM_JUDGED_PX))


def _refitted(edge: Edge, corner: Array) -> Edge:
    """Fit an edge again without the edgels that the corner's blur has moved."""
    is_clear = np.abs((edge.edgels.px - corner) @ edge.along) > _BLURRED_PX
    return fit_edge(edge.edgels.chosen(is_clear)) if is_clear.sum() > 4 else edge


def _corner_covariance(corner: Array, one: Edge, other: Edge) -> Array:
    """Return the covariance of the point where two lines meet."""
    facing = np.linalg.inv(np.array([one.across, other.across]))
    variances = []
    for edge in (one, other):
        # At the corner an edge lies off by its offset plus angle times lever.
        by = np.array([1.0, (corner - edge.middle_px) @ edge.along])
        variances.append(float(by @ edge.cov @ by) + _U_MEANT_PX**2)
    cov: Array = facing @ np.diag(variances) @ facing.T
    return cov


def _line_ends(
    edges: Sequence[Edge], click: Array, ridge: _Ridge, reach_px: float
) -> Iterator[tuple[float, Snap]]:
    """Return where an edge along the ridge just ends, at half the strength of a corner."""
    for edge in edges:
        if not ridge.leads(edge):
            continue
        sign = 1.0 if ridge.direction @ edge.along > 0.0 else -1.0
        stations = edge.stations()
        place = edge.middle_px + sign * float((sign * stations).min()) * edge.along
        off_px = float(np.hypot(*(place - click)))
        strength = 0.5 * _arms(edge, place)[0 if sign > 0.0 else 1]
        if off_px <= reach_px and strength > 0.0:
            lever = float(np.abs(stations).max())
            across = edge.cov[0, 0] + edge.cov[1, 1] * lever**2 + _U_MEANT_PX**2
            turn = np.column_stack([edge.along, edge.across])
            cov = turn @ np.diag([_U_LINE_END_PX**2, across]) @ turn.T
            yield (
                strength * math.exp(-0.5 * (off_px / _CLICK_SIGMA_PX) ** 2),
                Snap(place, cov, "line end", strength),
            )
