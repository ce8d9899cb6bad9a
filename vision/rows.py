"""Rivet heads of one flange -> run rows along the ridge, lap groups, spacings, gaps and doubled rivets.

Frames: plane mm of a target's frame. A rivet's station is its place along the ridge, its offset the place
square to it (a clockwise quarter turn from the ridge direction). Rivets are named by their index.
"""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import ArrayLike

from calib.camera import Array
from calib.errors import GeometryError
from vision.plan import Plan
from vision.plane import distance_mm

# The thresholds below are settings of ours, chosen well clear of what a careful crew sets by eye; no source.
# Rivets of one column of a lap lie this close in station ...
COLUMN_WIDTH_MM = 20.0
# ... and at least this far apart in offset: a doubled rivet of a run is no column.
COLUMN_PITCH_MIN_MM = 25.0
# Rivets of one run row lie this close to its line.
ROW_HALF_WIDTH_MM = 14.0
# A row may run aslant of the stated ridge direction by this much (rise over run).
ROW_SLOPE_MAX = 0.03
# Two rivets of a run nearer than this share of the planned spacing are a doubled rivet.
DOUBLED_SHARE = 0.25
# A spacing counts as k planned ones when it is within this share of one spacing of k.
WHOLE_SPACING_SHARE = 0.3
# A place nearer than this many head diameters to the end of what is shown is not called missing.
BORDER_HEADS = 2.0


class Role(StrEnum):
    """What a rivet holds."""

    RUN = "run"
    LAP = "lap"


class Absence(StrEnum):
    """Why a rivet that the pattern asks for was not found."""

    MISSING = "missing"
    HIDDEN = "hidden"


@dataclass(frozen=True, slots=True)
class Spacing:
    """Distance of two neighbours of one run row.

    Attributes
    ----------
    first, second : int
        The two rivets, in the order of the ridge direction.
    mm, u_mm : float
        Distance and standard uncertainty.
    across_lap : bool
        True if a lap's own rivets stand between the two.
    steps : int or None
        How many planned spacings it holds; None where it is near no whole number of them.
    partly_seen : bool
        True if one of the two is cut by the photo's border: such a spacing never fails by itself.
    """

    first: int
    second: int
    mm: float
    u_mm: float
    across_lap: bool
    steps: int | None
    partly_seen: bool


@dataclass(frozen=True, eq=False, slots=True)
class Gap:
    """A place where the pattern asks for a rivet and none was found.

    Attributes
    ----------
    place_mm : ndarray of shape (2,)
        Where it is expected on the plane.
    role : Role
        Of a run row or of a lap.
    absence : Absence
        Missing, or hidden under the target or something else that lies there.
    neighbours : tuple of int
        The rivets that the place was reckoned from.
    """

    place_mm: Array
    role: Role
    absence: Absence
    neighbours: tuple[int, ...]

    def __post_init__(self) -> None:
        place = np.array(self.place_mm, dtype=float)
        place.setflags(write=False)
        object.__setattr__(self, "place_mm", place)


@dataclass(frozen=True, slots=True)
class LapGroup:
    """The rivets of one lap on this flange.

    Attributes
    ----------
    columns : tuple of tuple of int
        Rivets of each row square to the ridge, by offset; the columns by station.
    stations_mm : tuple of float
        Mean station of each column.
    """

    columns: tuple[tuple[int, ...], ...]
    stations_mm: tuple[float, ...]

    @property
    def rivets(self) -> tuple[int, ...]:
        """All rivets of the lap, column by column."""
        return tuple(itertools.chain.from_iterable(self.columns))


@dataclass(frozen=True, slots=True)
class Rows:
    """How the rivets of one flange are ordered.

    Attributes
    ----------
    roles : tuple of Role
        Role of each rivet.
    runs : tuple of tuple of int
        Run rows, each in the order of the ridge direction, doubled rivets included.
    laps : tuple of LapGroup
        Lap groups in the order of the ridge direction.
    spacings : tuple of Spacing
        Between neighbours of the run rows; of a doubled rivet only the one that fits the pattern better.
    gaps : tuple of Gap
        Rivets that the pattern asks for and that were not found.
    doubled : tuple of tuple of int
        Pairs that stand for one planned rivet: (the one that fits better, the other).
    strays : tuple of int
        Rivets that belong to no row and no lap; their role says run.
    """

    roles: tuple[Role, ...]
    runs: tuple[tuple[int, ...], ...]
    laps: tuple[LapGroup, ...]
    spacings: tuple[Spacing, ...]
    gaps: tuple[Gap, ...]
    doubled: tuple[tuple[int, int], ...]
    strays: tuple[int, ...]


@dataclass(frozen=True, eq=False, slots=True)
class Surroundings:
    """What else is known of the flange when the pattern is read.

    Attributes
    ----------
    shown_mm : ndarray of shape (K, 2) or None
        Outline of the flange as far as the photo shows it; None: only gaps between rivets are looked for.
    covers_mm : tuple of ndarray of shape (K, 2)
        Outlines of what lies on the sheet: the target.
    is_covered : callable
        Says of a place whether something else lies there.
    """

    shown_mm: Array | None = None
    covers_mm: tuple[Array, ...] = ()
    is_covered: Callable[[Array], bool] = lambda _: False

    def hides(self, place_mm: Array, reach_mm: float) -> bool:
        """Say whether something covers a head of radius ``reach_mm`` at a place."""
        on_it = any(_depth_mm(cover, place_mm) > -reach_mm for cover in self.covers_mm)
        return on_it or self.is_covered(place_mm)

    def cuts(self, place_mm: Array) -> bool:
        """Say whether a place is known to lie outside what the photo shows of the flange."""
        return self.shown_mm is not None and _depth_mm(self.shown_mm, place_mm) < 0.0

    def shows(self, place_mm: Array, margin_mm: float) -> bool:
        """Say whether the photo shows the flange at a place and ``margin_mm`` around it."""
        return self.shown_mm is not None and _depth_mm(self.shown_mm, place_mm) > margin_mm


@dataclass(frozen=True, eq=False, slots=True)
class _Pattern:
    """The rivets in stations and offsets, and what the plan wants of them."""

    mm: Array
    cov_mm2: Array
    along: Array
    plan: Plan
    partly_seen: tuple[bool, ...]
    around: Surroundings

    @property
    def stations(self) -> Array:
        return self.mm @ self.along

    @property
    def offsets(self) -> Array:
        return self.mm @ _square_to(self.along)

    def place(self, station_mm: float, offset_mm: float) -> Array:
        place: Array = station_mm * self.along + offset_mm * _square_to(self.along)
        return place

    def gap(self, place_mm: Array, role: Role, neighbours: tuple[int, ...]) -> Gap:
        hidden = self.around.hides(place_mm, self.plan.rivet_head_mm / 2.0)
        return Gap(place_mm, role, Absence.HIDDEN if hidden else Absence.MISSING, neighbours)


def group_rows(
    mm: ArrayLike,
    cov_mm2: ArrayLike,
    *,
    along: ArrayLike,
    plan: Plan,
    partly_seen: Sequence[bool] = (),
    around: Surroundings | None = None,
) -> Rows:
    """Order the rivets of one flange into run rows and lap groups.

    Parameters
    ----------
    mm : array_like of shape (N, 2)
        Rivet heads on the flange's plane.
    cov_mm2 : array_like of shape (2 N, 2 N)
        Their joint covariance, in the order of `vision.plane.covariance_mm2`.
    along : array_like of shape (2,)
        Direction of the ridge on the plane.
    plan : Plan
        Spacing, tolerance, rivets per lap and least lap.
    partly_seen : sequence of bool
        Which rivets the photo's border cuts; empty: none.
    around : Surroundings, optional
        Outline of the flange as shown, and of what lies on it.

    Returns
    -------
    Rows
        The pattern; uncertainties are standard ones, correlations between rivets included.

    Raises
    ------
    GeometryError
        If the shapes do not belong together, or the direction is zero.

    Notes
    -----
    A lap is told by its columns: rivets at one station and several offsets. The rest are run rivets; their
    row is the line, nearly along the ridge, that most rivets support, lap rivets counted too, because a
    lap's row near the hem continues the run.
    """
    pattern = _pattern(mm, cov_mm2, along, plan, partly_seen, around)
    laps = _find_laps(pattern)
    lap_rivets = {i for lap in laps for i in lap.rivets}
    rest = [i for i in range(len(pattern.mm)) if i not in lap_rivets]
    runs = _find_runs(pattern, rest, sorted(lap_rivets))
    doubled = tuple(pair for run in runs for pair in _find_doubled(pattern, run))
    extra = {other for _, other in doubled}
    chains = [tuple(i for i in run if i not in extra) for run in runs]
    spacings = tuple(s for chain in chains for s in _spacings(pattern, chain, laps))
    gaps = [gap for s in spacings for gap in _gaps_between(pattern, s)]
    gaps += [gap for chain in chains for gap in _gaps_at_ends(pattern, chain, laps)]
    gaps += [gap for lap in laps for gap in _gaps_in_lap(pattern, lap)]
    in_rows = {i for run in runs for i in run}
    return Rows(
        roles=tuple(Role.LAP if i in lap_rivets else Role.RUN for i in range(len(pattern.mm))),
        runs=runs,
        laps=laps,
        spacings=spacings,
        gaps=tuple(gaps),
        doubled=doubled,
        strays=tuple(i for i in rest if i not in in_rows),
    )


def _pattern(
    mm: ArrayLike,
    cov_mm2: ArrayLike,
    along: ArrayLike,
    plan: Plan,
    partly_seen: Sequence[bool],
    around: Surroundings | None,
) -> _Pattern:
    points = np.asarray(mm, dtype=float).reshape(-1, 2)
    cov = np.asarray(cov_mm2, dtype=float)
    if cov.shape != (2 * len(points), 2 * len(points)):
        wanted = (2 * len(points), 2 * len(points))
        msg = f"{len(points)} rivets need a covariance of shape {wanted}, got {cov.shape}"
        raise GeometryError(msg)
    if len(partly_seen) not in (0, len(points)):
        msg = f"{len(points)} rivets need as many partly-seen flags, got {len(partly_seen)}"
        raise GeometryError(msg)
    direction = np.asarray(along, dtype=float)
    if not np.hypot(*direction) > 0.0:
        msg = f"the ridge direction must not be zero, got {direction.tolist()}"
        raise GeometryError(msg)
    flags = tuple(bool(flag) for flag in partly_seen) or (False,) * len(points)
    return _Pattern(points, cov, direction / np.hypot(*direction), plan, flags, around or Surroundings())


def _find_laps(pattern: _Pattern) -> tuple[LapGroup, ...]:
    """Group columns that one lap's length holds."""
    reach = pattern.plan.lap_min_mm
    groups: list[list[tuple[int, ...]]] = []
    for column in _columns(pattern):
        near = groups and _mean_station(pattern, column) - _mean_station(pattern, groups[-1][-1]) < reach
        if near:
            groups[-1].append(column)
        else:
            groups.append([column])
    # One pair at a single station is too little to be called a lap.
    kept = [group for group in groups if len(group) > 1 or len(group[0]) > 2]
    return tuple(
        LapGroup(tuple(group), tuple(_mean_station(pattern, column) for column in group)) for group in kept
    )


def _columns(pattern: _Pattern) -> list[tuple[int, ...]]:
    """Return sets of rivets at one station whose offsets are a pitch apart, by station."""
    order = np.argsort(pattern.stations, kind="stable").tolist()
    clusters: list[list[int]] = []
    for i in order:
        if clusters and pattern.stations[i] - pattern.stations[clusters[-1]].mean() < COLUMN_WIDTH_MM:
            clusters[-1].append(i)
        else:
            clusters.append([i])
    columns = []
    for cluster in clusters:
        by_offset = sorted(cluster, key=lambda i: float(pattern.offsets[i]))
        if len(cluster) > 1 and np.ptp(pattern.offsets[cluster]) > COLUMN_PITCH_MIN_MM:
            columns.append(tuple(by_offset))
    return columns


def _find_runs(pattern: _Pattern, rest: list[int], lap: list[int]) -> tuple[tuple[int, ...], ...]:
    """Split the rivets of no lap into rows; the best supported line first."""
    runs: list[tuple[int, ...]] = []
    while rest:
        row = _best_row(pattern, rest, lap)
        # After the first row a lone pair is chance, not a row.
        if len(row) < (3 if runs else 1):
            break
        runs.append(tuple(sorted(row, key=lambda i: float(pattern.stations[i]))))
        rest = [i for i in rest if i not in row]
        lap = []
    return tuple(runs)


def _best_row(pattern: _Pattern, rest: list[int], lap: list[int]) -> list[int]:
    """Return the run rivets on the line that most rivets support, ties to the tighter line."""
    members = [*rest, *lap]
    stations, offsets = pattern.stations[members], pattern.offsets[members]
    best: tuple[int, float] = (0, 0.0)
    row: list[int] = []
    for i, j in _line_seeds(stations, len(rest)):
        run = stations[j] - stations[i]
        slope = (offsets[j] - offsets[i]) / run if run else 0.0
        if abs(slope) > ROW_SLOPE_MAX:
            continue
        misfit = np.abs(offsets - offsets[i] - slope * (stations - stations[i]))
        on_line = misfit < ROW_HALF_WIDTH_MM
        support = (int(on_line.sum()), -float(misfit[on_line].sum()))
        if support > best or not row:
            best, row = support, [rest[k] for k in np.nonzero(on_line[: len(rest)])[0]]
    return row


def _line_seeds(stations: Array, n_rest: int) -> list[tuple[int, int]]:
    """Return pairs that may define a row: a run rivet with any other far from it, or by itself."""
    seeds = [(i, i) for i in range(n_rest)]
    for i in range(n_rest):
        seeds += [
            (i, j)
            for j in range(len(stations))
            if (j > i or j >= n_rest) and abs(stations[j] - stations[i]) > 2.0 * COLUMN_WIDTH_MM
        ]
    return seeds


def _find_doubled(pattern: _Pattern, run: tuple[int, ...]) -> list[tuple[int, int]]:
    """Return pairs too close for two planned rivets, first the one nearer to whole spacings from the rest."""
    spacing = pattern.plan.rivet_spacing_mm
    stations = pattern.stations
    pairs: list[tuple[int, int]] = []
    dropped: set[int] = set()
    for i, j in itertools.pairwise(run):
        if i in dropped or stations[j] - stations[i] >= DOUBLED_SHARE * spacing:
            continue
        others = [k for k in run if k not in (i, j)]
        misfit_i, misfit_j = (
            sum(abs(_steps(stations[k] - stations[m], spacing)[1]) for k in others) for m in (i, j)
        )
        better, other = (i, j) if misfit_i <= misfit_j else (j, i)
        dropped.add(other)
        pairs.append((better, other))
    return pairs


def _steps(distance_mm: float, spacing_mm: float) -> tuple[int, float]:
    """Return the nearest whole number of spacings and what is left over, as a share of one spacing."""
    steps = round(abs(distance_mm) / spacing_mm)
    return steps, abs(distance_mm) / spacing_mm - steps


def _spacings(pattern: _Pattern, chain: tuple[int, ...], laps: tuple[LapGroup, ...]) -> list[Spacing]:
    spacings = []
    for i, j in itertools.pairwise(chain):
        length, u_mm = distance_mm(pattern.mm, pattern.cov_mm2, i, j)
        steps, left_over = _steps(length, pattern.plan.rivet_spacing_mm)
        between = (pattern.stations[i], pattern.stations[j])
        spacings.append(
            Spacing(
                first=i,
                second=j,
                mm=length,
                u_mm=u_mm,
                across_lap=any(between[0] < s < between[1] for lap in laps for s in lap.stations_mm),
                steps=steps if steps and abs(left_over) <= WHOLE_SPACING_SHARE else None,
                partly_seen=pattern.partly_seen[i] or pattern.partly_seen[j],
            )
        )
    return spacings


def _gaps_between(pattern: _Pattern, spacing: Spacing) -> list[Gap]:
    """Return the places inside a spacing of several steps; across a lap its own rivets do the holding."""
    if spacing.steps is None or spacing.steps < 2 or spacing.across_lap:
        return []
    first, second = pattern.mm[spacing.first], pattern.mm[spacing.second]
    return [
        pattern.gap(first + (second - first) * k / spacing.steps, Role.RUN, (spacing.first, spacing.second))
        for k in range(1, spacing.steps)
    ]


def _gaps_at_ends(pattern: _Pattern, chain: tuple[int, ...], laps: tuple[LapGroup, ...]) -> list[Gap]:
    """Return places beyond a row's ends where the shown flange goes on for longer than the plan allows."""
    spacing, tolerance = pattern.plan.rivet_spacing_mm, pattern.plan.rivet_spacing_tolerance_mm
    margin = tolerance + BORDER_HEADS * pattern.plan.rivet_head_mm
    gaps = []
    for end, sign in ((chain[0], -1.0), (chain[-1], 1.0)):
        for k in itertools.count(1):
            station = float(pattern.stations[end]) + sign * k * spacing
            place = pattern.place(station, float(pattern.offsets[end]))
            shown = pattern.around.shows(pattern.place(station + sign * margin, pattern.offsets[end]), 0.0)
            reach = sorted((float(pattern.stations[end]), station + sign * spacing))
            if not shown or any(reach[0] < s < reach[1] for lap in laps for s in lap.stations_mm):
                break
            gaps.append(pattern.gap(place, Role.RUN, (end,)))
    return gaps


def _gaps_in_lap(pattern: _Pattern, lap: LapGroup) -> list[Gap]:
    """Return the places of a lap's grid that hold no rivet, as far as the plan's number asks for them."""
    wanted = pattern.plan.lap_rivets // 2
    short = wanted - len(lap.rivets)
    if short <= 0:
        return []
    levels = _levels(pattern, lap)
    gaps = [
        pattern.gap(place, Role.LAP, column)
        for column, station in zip(lap.columns, lap.stations_mm, strict=True)
        for offset in levels
        if np.abs(pattern.offsets[list(column)] - offset).min() > COLUMN_PITCH_MIN_MM / 2.0
        and not pattern.around.cuts(place := pattern.place(station, offset))
    ]
    beyond = [
        pattern.gap(pattern.place(station, offset), Role.LAP, column)
        for offset in _levels_beyond(pattern, lap, levels)
        for column, station in zip(lap.columns, lap.stations_mm, strict=True)
    ]
    # A whole level may be absent from all columns; which one is known only if the number fits exactly.
    return gaps + beyond if len(gaps) + len(beyond) == short else gaps[:short]


def _levels(pattern: _Pattern, lap: LapGroup) -> list[float]:
    """Return the offsets at which the lap's columns have rivets, merged between columns."""
    levels: list[list[float]] = []
    for offset in sorted(pattern.offsets[list(lap.rivets)].tolist()):
        if levels and offset - np.mean(levels[-1]) < COLUMN_PITCH_MIN_MM / 2.0:
            levels[-1].append(offset)
        else:
            levels.append([offset])
    return [float(np.mean(level)) for level in levels]


def _levels_beyond(pattern: _Pattern, lap: LapGroup, levels: list[float]) -> list[float]:
    """Return the next level on each side of the grid if the flange goes on there."""
    if len(levels) < 2:
        return []
    pitch = float(np.median(np.diff(levels)))
    station = float(np.mean(lap.stations_mm))
    return [
        offset
        for offset in (levels[0] - pitch, levels[-1] + pitch)
        if pattern.around.shows(pattern.place(station, offset), pattern.plan.rivet_head_mm / 2.0)
    ]


def _mean_station(pattern: _Pattern, column: tuple[int, ...]) -> float:
    return float(pattern.stations[list(column)].mean())


def _square_to(along: Array) -> Array:
    return np.array([-along[1], along[0]])


def _depth_mm(outline_mm: Array, place_mm: Array) -> float:
    """Return how far inside an outline a place lies (negative: outside)."""
    contour = np.asarray(outline_mm, dtype=np.float32).reshape(-1, 1, 2)
    return float(cv2.pointPolygonTest(contour, (float(place_mm[0]), float(place_mm[1])), measureDist=True))
