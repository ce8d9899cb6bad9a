"""One lap of a ridge cap: the upper sheet's end, the witness mark beside it, and the lap's length.

Frames: plane mm of the target's frame. Stations run along the ridge, offsets square to it. The upper sheet
stands about a millimetre above the lower one, so the edge and the mark are measured on planes of their own.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.camera import Array
from calib.uncertainty import COVERAGE_FACTOR_95
from vision.crosslines import CrossLine, find_cross_lines
from vision.flange import Flange
from vision.marked import HandLine
from vision.plane import Rectified, View, covariance_mm2, to_mm, to_px
from vision.stepedge import RISE_MM, U_RISE_MM, EdgePlace, locate_edge, log_odds_of_step

# The lap's rivets nearest to the edge: about an inch from it, by this much either way, and never beyond these
# bounds; common practice, no source.
_ROW_MM, _U_ROW_MM, _ROW_MIN_MM, _ROW_MAX_MM = 26.0, 12.0, 8.0, 60.0
# If something covers that row, the next one may be the nearest in sight; common practice, no source.
_NEXT_ROW_MAX_MM = 150.0
# A lap is no shorter, whatever went wrong, and no line is drawn further from a piece's end; common practice,
# no source.
_LAP_MIN_MM, _MARK_MAX_MM = 40.0, 400.0

# The numbers below are settings of ours, chosen on drawn pictures; no source.
# The edge must show along this share of the flange.
_EDGE_COVERAGE_MIN = 0.65
# A mark has two flanks, the lesser one this share of the other at least, and is parallel to the edge within
# this (rise over run). No other line there is more than this share as clear.
_MARK_FLANKS_MIN, _MARK_SLOPE_MAX, _MARK_RIVAL_SHARE = 0.4, 0.008, 0.35
# A mark's middle within its own width.
_U_MARK_MM = 0.12
# Where an eye puts the sheet's end within the dark or bright line that it makes; common practice, no source.
_U_EDGE_BY_HAND_MM = 0.3
# Sheets are not flat: the depth of the target's plane where the lap lies, and from the edge to the mark.
_U_DEPTH_MM, _U_WAVE_MM = 0.6, 0.15
# An edge that glints has its dark beside it, this share of the glint or more (sharpening leaves a mark less);
# without it a bright line is rather the mark of an edge that was not seen, and fits this much less.
_GLINT_DARK_MIN, _BARE_LINE_FIT = 0.3, 0.3
# Where a mark was drawn and only one line shows, that line is the edge if its profile says so with these
# odds: three to one; a setting.
_LOG_ODDS_MIN = math.log(3.0)
# A line of this contrast is clear by half; how well a line fits whose nearest row is covered, and one with
# another line between it and the rivets.
_HALF_CLEAR, _HIDDEN_ROW_FIT, _BETWEEN_FIT = 3.0, 0.6, 0.3
# Centre of a rivet in the picture, one rivet.
_U_RIVET_MM = 0.25
# Score from which on a lap is reported, and share of it that a rival line must not reach.
_SCORE_MIN, _RIVAL_SHARE = 0.3, 0.4


class WhyNoLap(StrEnum):
    """Why no lap is reported."""

    NO_FLANGE = "the flange's borders were not found, so that no line across it can be told"
    NO_LINE = "no edge of an upper sheet crosses the flange"
    NO_RIVETS = "a line crosses the flange, but no rivets of a lap stand beside it: an edge, a mark or a seam"
    NO_EDGE = "rivets of a lap are there, but no line where the upper sheet would end"
    UNCLEAR = "more than one line may be the upper sheet's end"
    NO_SIDE = (
        "the upper sheet's end was marked by hand, but neither rivets of a lap nor a witness mark tell which "
        "side of it the upper sheet is on"
    )


@dataclass(frozen=True, slots=True)
class NoLap:
    """No lap was found, and why."""

    why: WhyNoLap


@dataclass(frozen=True, slots=True)
class RowDistance:
    """Distance of one row of lap rivets from the upper sheet's end, with its standard uncertainty, mm."""

    mm: float
    u_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class LapSighting:
    """A lap as one photo shows it on one flange.

    Attributes
    ----------
    edge_px, edge_mm : ndarray of shape (2, 2)
        The upper sheet's end from border to border of the flange, in the photo and on the upper sheet.
    upper : ndarray of shape (2,)
        Unit direction along the ridge from the edge towards the upper piece.
    witness_px, witness_mm : ndarray of shape (2, 2) or None
        The witness mark, in the photo and on the lower sheet.
    edge_to_witness_mm, u_edge_to_witness_mm : float or None
        Their distance along the ridge and its standard uncertainty.
    lap_mm, u95_mm : float or None
        Length of the lap and its expanded uncertainty, 1.96 u; None without a mark or its distance.
    rows : tuple of RowDistance
        Of each column of lap rivets, the nearest to the edge first.
    score : float
        0 .. 1, how surely the line is the upper sheet's end.
    notes : tuple of str
        What a person should know.
    by_hand : tuple of str
        Which of "edge" and "witness" a person marked.
    may_be_mark : bool
        True if the line may just as well be the witness mark, the edge itself not showing.
    """

    edge_px: Array
    edge_mm: Array
    upper: Array
    witness_px: Array | None
    witness_mm: Array | None
    edge_to_witness_mm: float | None
    u_edge_to_witness_mm: float | None
    lap_mm: float | None
    u95_mm: float | None
    rows: tuple[RowDistance, ...]
    score: float
    notes: tuple[str, ...]
    by_hand: tuple[str, ...] = ()
    may_be_mark: bool = False

    def __post_init__(self) -> None:
        for name in ("edge_px", "edge_mm", "upper", "witness_px", "witness_mm"):
            if getattr(self, name) is not None:
                array = np.array(getattr(self, name), dtype=float)
                array.setflags(write=False)
                object.__setattr__(self, name, array)


@dataclass(frozen=True, slots=True)
class ByHand:
    """The lines of a lap that a person marked, on the plane of the sheet under the target."""

    edge: HandLine | None = None
    witness: HandLine | None = None


NOT_BY_HAND = ByHand()


def find_lap(
    image: NDArray[np.uint8],
    picture: Rectified,
    flange: Flange,
    *,
    target_mm: ArrayLike,
    columns_mm: Sequence[Array] = (),
    covers_mm: Sequence[Array] = (),
    witness_mm: float | None = None,
    u_witness_mm: float = 0.0,
) -> LapSighting | NoLap:
    """Find the upper sheet's end and the witness mark of a lap in a photo, and measure the lap.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3)
        The upright photo.
    picture : Rectified
        The flange flattened at the depth of the sheet under the target, its x axis along the ridge.
    flange, target_mm, columns_mm, covers_mm, witness_mm, u_witness_mm
        As for `measure_lap`.

    Returns
    -------
    LapSighting or NoLap
        As `measure_lap` gives it.
    """
    covers = (np.asarray(target_mm, dtype=float).reshape(-1, 2), *covers_mm)
    return measure_lap(
        find_cross_lines(image, picture, flange, covers),
        picture.view,
        picture.z_mm,
        flange,
        target_mm=target_mm,
        columns_mm=columns_mm,
        covers_mm=covers_mm,
        witness_mm=witness_mm,
        u_witness_mm=u_witness_mm,
    )


def measure_lap(
    lines: Sequence[CrossLine],
    view: View,
    z_mm: float,
    flange: Flange,
    *,
    target_mm: ArrayLike,
    columns_mm: Sequence[Array] = (),
    covers_mm: Sequence[Array] = (),
    witness_mm: float | None = None,
    u_witness_mm: float = 0.0,
    by_hand: ByHand = NOT_BY_HAND,
    u_columns_mm: Sequence[float] = (),
) -> LapSighting | NoLap:
    """Choose the upper sheet's end and the witness mark among the lines across a flange; measure the lap.

    Parameters
    ----------
    lines : sequence of CrossLine
        Lines that cross the flange.
    view : View
        The photo.
    z_mm : float
        Depth of the sheet under the target.
    flange : Flange
        Its borders and direction.
    target_mm : array_like of shape (K, 2)
        Outline of the target: it lies on the upper or on the lower sheet, and hides what is below it.
    columns_mm : sequence of ndarray of shape (M, 2)
        The lap's rivets, one array for each row square to the ridge, on the plane under the target.
    covers_mm : sequence of ndarray of shape (K, 2)
        Outlines of whatever else lies on the sheet.
    witness_mm, u_witness_mm : float, optional
        Distance of the witness mark from the lower piece's end, as drawn, and its standard uncertainty.
    by_hand : ByHand
        Lines that a person marked: they are taken as they are.
    u_columns_mm : sequence of float
        Standard uncertainty of each row's mean place along the ridge by its rivets' centres alone, where it
        is more than that of rivets as they are usually found.

    Returns
    -------
    LapSighting or NoLap
        The lap; its length only if the mark shows and its distance is known.

    Notes
    -----
    The edge is the line that the lap's rivets stand nearest to; where lines compete there is no lap rather
    than a wrong one. Lap = witness distance - distance from edge to mark along the ridge, both measured where
    they lie: the edge a step's height above the mark, seen aslant. The uncertainty counts the line fits, the
    edge's place in its own shadow, the step's height, the sheets' flatness and the view.
    """
    target = np.asarray(target_mm, dtype=float).reshape(-1, 2)
    if by_hand.edge is None:
        found = _choose_edge(lines, flange, columns_mm, (target, *covers_mm))
    else:
        found = _marked_edge(by_hand.edge, by_hand.witness, flange, columns_mm)
    if isinstance(found, NoLap):
        return found
    mark, notes = _choose_mark(lines, found, witness_mm, by_hand.witness)
    scene = _Scene(view, z_mm, flange, found, _place_edge(view, z_mm, flange, found), target)
    usual = [_U_RIVET_MM / math.sqrt(len(column)) for column in columns_mm]
    u_columns = [max(pair) for pair in zip(u_columns_mm or usual, usual, strict=True)]
    rows = _row_distances(scene, columns_mm, u_columns)
    lap = _measure(scene, mark, rows, witness_mm, u_witness_mm, [*notes, *_target_notes(scene)])
    if mark is not None or witness_mm is None:
        return lap
    return replace(lap, may_be_mark=_may_be_mark(view, z_mm, flange, found))


@dataclass(frozen=True, eq=False, slots=True)
class _Edge:
    """The line taken for the upper sheet's end: +1 if the lower sheet lies towards greater stations."""

    line: CrossLine | HandLine
    lower: int
    score: float


def _choose_edge(
    lines: Sequence[CrossLine], flange: Flange, columns_mm: Sequence[Array], covers: Sequence[Array]
) -> _Edge | NoLap:
    if flange.fold is None or flange.hem is None:
        return NoLap(WhyNoLap.NO_FLANGE)
    able = [line for line in lines if line.coverage >= _EDGE_COVERAGE_MIN]
    if not columns_mm:
        return NoLap(WhyNoLap.NO_RIVETS if able else WhyNoLap.NO_LINE)
    edges = [
        _Edge(line, lower, score)
        for line in able
        for lower in (-1, 1)
        if (score := _edge_score(line, lower, able, flange, columns_mm, covers)) > 0.0
    ]
    edges.sort(key=lambda edge: -edge.score)
    if not edges or edges[0].score < _SCORE_MIN:
        return NoLap(WhyNoLap.NO_EDGE)
    if len(edges) > 1 and edges[1].score > _RIVAL_SHARE * edges[0].score:
        return NoLap(WhyNoLap.UNCLEAR)
    return edges[0]


def _marked_edge(
    line: HandLine, mark: HandLine | None, flange: Flange, columns_mm: Sequence[Array]
) -> _Edge | NoLap:
    """Tell on which side of an edge marked by hand the lower sheet lies: where the mark is, or no rivets."""
    if mark is not None:
        return _Edge(line, 1 if mark.station_mm > line.station_mm else -1, 1.0)
    if not columns_mm:
        return NoLap(WhyNoLap.NO_SIDE)
    rivets = np.concatenate(list(columns_mm)) @ flange.along
    return _Edge(line, 1 if float(rivets.mean()) < line.station_mm else -1, 1.0)


def _edge_score(
    line: CrossLine,
    lower: int,
    lines: Sequence[CrossLine],
    flange: Flange,
    columns_mm: Sequence[Array],
    covers: Sequence[Array],
) -> float:
    """Return how well a line fits as the end of the upper sheet that the rivets stand on."""
    stations = [float((column @ flange.along).mean()) for column in columns_mm]
    distances = [lower * (line.station_mm - station) for station in stations]
    nearest = min(distances)
    if nearest < _ROW_MIN_MM or nearest > _NEXT_ROW_MAX_MM:
        return 0.0
    fit = math.exp(-0.5 * ((nearest - _ROW_MM) / _U_ROW_MM) ** 2)
    if nearest > _ROW_MAX_MM:
        row = line.station_mm - lower * _ROW_MM
        fit = _HIDDEN_ROW_FIT * _covered_share(row, line, flange, covers)
    if _is_bare_and_bright(line):
        fit *= _BARE_LINE_FIT
    between = sum(0.0 < lower * (line.station_mm - other.station_mm) < nearest for other in lines)
    return fit * line.coverage * _clarity(line) * _BETWEEN_FIT**between


def _clarity(line: CrossLine) -> float:
    """Return 0 .. 1: how clear a line of this contrast is."""
    return abs(line.contrast) / (abs(line.contrast) + _HALF_CLEAR)


def _is_bare_and_bright(line: CrossLine) -> bool:
    """Say whether a line is brighter than both sides, with nothing dark beside it."""
    x, y = line.distances_mm, line.levels.mean(axis=1)
    ground = float(np.median(y[(np.abs(x) > 1.5) & (np.abs(x) < 5.0)]))
    near = y[np.abs(x) < 1.5]
    return bool(ground - near.min() < _GLINT_DARK_MIN * (near.max() - ground))


def _covered_share(station_mm: float, line: CrossLine, flange: Flange, covers: Sequence[Array]) -> float:
    """Return which share of a line square to the ridge at a station lies under something."""
    offsets = line.offset_mm + line.half_length_mm * np.linspace(-1.0, 1.0, 21)
    points = station_mm * flange.along + offsets[:, None] * flange.across
    outlines = [np.asarray(cover, dtype=np.float32).reshape(-1, 1, 2) for cover in covers]
    under = [
        any(cv2.pointPolygonTest(outline, (x, y), measureDist=False) >= 0.0 for outline in outlines)
        for x, y in points.tolist()
    ]
    return float(np.mean(under))


def _choose_mark(
    lines: Sequence[CrossLine], edge: _Edge, witness_mm: float | None, marked: HandLine | None
) -> tuple[CrossLine | HandLine | None, list[str]]:
    """Return the witness mark: the one that a person marked, else the line if just one can be it."""
    if marked is not None:
        if edge.lower * (marked.station_mm - edge.line.station_mm) > 0.0:
            return marked, []
        return None, ["the witness mark that was marked by hand lies on the upper sheet; it is left out"]
    reach = math.inf if witness_mm is None else witness_mm - _LAP_MIN_MM
    beyond = [line for line in lines if 0.0 < edge.lower * (line.station_mm - edge.line.station_mm) < reach]
    beyond.sort(key=_strength, reverse=True)
    if not beyond:
        return None, ["no witness mark shows beside the upper sheet's end"]
    if len(beyond) > 1 and _strength(beyond[1]) > _MARK_RIVAL_SHARE * _strength(beyond[0]):
        return None, ["more than one line may be the witness mark, so that none is taken"]
    if not _is_mark(beyond[0], edge.line):
        return None, ["the line beside the upper sheet's end does not look like a drawn mark"]
    return beyond[0], []


def choose_mark(lines: Sequence[CrossLine], end: HandLine, side: int) -> tuple[CrossLine | None, list[str]]:
    """Return the line drawn on a piece whose end a person marked, if just one line can be it; else why not.

    Parameters
    ----------
    lines : sequence of CrossLine
        Lines across the flange.
    end : HandLine
        The piece's end.
    side : int
        +1 if the piece lies towards greater stations from its end, else -1.
    """
    found, notes = _choose_mark(lines, _Edge(end, side, 1.0), _MARK_MAX_MM, None)
    return (found, notes) if isinstance(found, CrossLine) else (None, notes)


def _strength(line: CrossLine) -> float:
    return abs(line.contrast) * line.coverage


def _is_mark(line: CrossLine, edge: CrossLine | HandLine) -> bool:
    """Say whether a line is thin, with a flank on both sides, and parallel to the edge."""
    flanks = sorted((line.rise, line.fall))
    return flanks[0] > _MARK_FLANKS_MIN * flanks[1] and abs(line.slope - edge.slope) < _MARK_SLOPE_MAX


@dataclass(frozen=True, eq=False, slots=True)
class _Scene:
    """The view of a plane, the flange, the edge with its place in the line, and the target's outline."""

    view: View
    z_mm: float
    flange: Flange
    edge: _Edge
    place: EdgePlace
    target_mm: Array

    @property
    def on_upper(self) -> bool:
        """Say whether the target lies on the upper sheet."""
        return self.edge.lower * (float(self._target_stations.mean()) - self.edge.line.station_mm) < 0.0

    @property
    def on_both(self) -> bool:
        """Say whether the target lies across the edge."""
        stations = self._target_stations
        return bool(stations.min() < self.edge.line.station_mm < stations.max())

    @property
    def _target_stations(self) -> Array:
        stations: Array = self.target_mm @ self.flange.along
        return stations

    @property
    def edge_z_mm(self) -> float:
        return self.z_mm - (0.0 if self.on_upper else self.place.rise_mm)

    @property
    def mark_z_mm(self) -> float:
        return self.edge_z_mm + self.place.rise_mm

    def apparent_mm(self, line: CrossLine | HandLine, offset_mm: float, further_mm: float = 0.0) -> Array:
        """Return a line's point as it seems on the plane, moved towards the lower sheet."""
        station = line.station_mm + line.slope * (offset_mm - line.offset_mm) + self.edge.lower * further_mm
        point: Array = station * self.flange.along + offset_mm * self.flange.across
        return point

    def ends_px(self, line: CrossLine | HandLine, further_mm: float = 0.0) -> Array:
        """Return where a line meets the flange's borders, in the photo; a mark by hand ends where it ends."""
        if isinstance(line, HandLine):
            return line.ends_px
        borders = [border for border in (self.flange.fold, self.flange.hem) if border is not None]
        offsets = sorted(float((border.ends_mm @ self.flange.across).mean()) for border in borders)
        ends = [self.apparent_mm(line, offset, further_mm) for offset in offsets]
        return to_px(self.view, ends, self.z_mm)


def _place_edge(view: View, z_mm: float, flange: Flange, edge: _Edge) -> EdgePlace:
    """Find the upper sheet's end within its line; a person has marked the end itself."""
    line = edge.line
    if isinstance(line, HandLine):
        return EdgePlace(0.0, RISE_MM, _U_EDGE_BY_HAND_MM, U_RISE_MM, 0.0)
    slope = _view_slope(view, z_mm, flange, edge)
    return locate_edge(*_profile(edge, line), view_slope=slope, blur_mm=line.blur_mm)


def _profile(edge: _Edge, line: CrossLine) -> tuple[Array, Array, float]:
    """Return an edge's profile from the upper to the lower sheet, and the uncertainty of its levels."""
    order = slice(None, None, edge.lower)
    return edge.lower * line.distances_mm[order], line.levels[order], line.u_level


def _view_slope(view: View, z_mm: float, flange: Flange, edge: _Edge) -> float:
    """Return how far the camera stands towards the lower sheet, over its height above the sheet."""
    line = edge.line
    middle = line.station_mm * flange.along + line.offset_mm * flange.across
    to_camera = view.position_mm - (*middle, z_mm)
    return edge.lower * float(to_camera[:2] @ flange.along) / -float(to_camera[2])


def _may_be_mark(view: View, z_mm: float, flange: Flange, edge: _Edge) -> bool:
    """Say whether the only line beside the rivets may be the drawn mark, and the edge the one not seen."""
    line = edge.line
    if isinstance(line, HandLine):
        return False
    slope = _view_slope(view, z_mm, flange, edge)
    odds = log_odds_of_step(*_profile(edge, line), view_slope=slope, blur_mm=line.blur_mm)
    return odds < _LOG_ODDS_MIN


def _measure(
    scene: _Scene,
    mark: CrossLine | HandLine | None,
    rows: tuple[RowDistance, ...],
    witness_mm: float | None,
    u_witness_mm: float,
    notes: list[str],
) -> LapSighting:
    edge_px = scene.ends_px(scene.edge.line, scene.place.distance_mm)
    mark_px = None if mark is None else scene.ends_px(mark)
    distance, u_distance, lap, u95 = None, None, None, None
    if mark is not None:
        distance, u_distance = _edge_to_mark(scene, mark)
        if witness_mm is not None:
            lap, u95 = witness_mm - distance, COVERAGE_FACTOR_95 * math.hypot(u_distance, u_witness_mm)
    return LapSighting(
        edge_px=edge_px,
        edge_mm=to_mm(scene.view, edge_px, scene.edge_z_mm).mm,
        upper=-scene.edge.lower * scene.flange.along,
        witness_px=mark_px,
        witness_mm=None if mark_px is None else to_mm(scene.view, mark_px, scene.mark_z_mm).mm,
        edge_to_witness_mm=distance,
        u_edge_to_witness_mm=u_distance,
        lap_mm=lap,
        u95_mm=u95,
        rows=rows,
        score=scene.edge.score,
        by_hand=_names_by_hand(scene.edge.line, mark),
        notes=tuple(notes),
    )


def _names_by_hand(edge: CrossLine | HandLine, mark: CrossLine | HandLine | None) -> tuple[str, ...]:
    parts = (("edge", edge), ("witness", mark))
    return tuple(name for name, line in parts if isinstance(line, HandLine))


def _u_at_mm(line: CrossLine | HandLine, offset_mm: float) -> float:
    """Return the standard uncertainty of a line's station at an offset."""
    return math.hypot(line.u_station_mm, line.u_slope * (offset_mm - line.offset_mm))


def _edge_to_mark(scene: _Scene, mark: CrossLine | HandLine) -> tuple[float, float]:
    """Return the distance along the ridge from the edge to the mark, and its standard uncertainty."""
    line, place, along = scene.edge.line, scene.place, scene.edge.lower * scene.flange.along
    apparent = [
        scene.apparent_mm(line, line.offset_mm, place.distance_mm),
        scene.apparent_mm(mark, line.offset_mm),
    ]
    px = to_px(scene.view, apparent, scene.z_mm)
    points = to_mm(scene.view, px, [scene.edge_z_mm, scene.mark_z_mm])
    distance = float(along @ (points.mm[1] - points.mm[0]))
    from_view = covariance_mm2(points, scene.view, np.zeros((2, 2, 2)))
    gradient = np.concatenate([-along, along])
    by_depth = points.by_z @ along
    # The rise lowers the mark where the target lies on the upper sheet, else it lifts the edge.
    by_rise = float(by_depth[1] if scene.on_upper else by_depth[0])
    variance = (
        float(gradient @ from_view @ gradient)
        + line.u_station_mm**2
        + _u_at_mm(mark, line.offset_mm) ** 2
        + _U_MARK_MM**2
        + place.u_distance_mm**2
        + (by_rise * place.u_rise_mm) ** 2
        - 2.0 * by_rise * place.covariance_mm2
        + (_U_DEPTH_MM * float(by_depth[1] - by_depth[0])) ** 2
        + (_U_WAVE_MM * float(by_depth[1])) ** 2
    )
    return distance, math.sqrt(variance)


def _row_distances(
    scene: _Scene, columns_mm: Sequence[Array], u_columns_mm: Sequence[float]
) -> tuple[RowDistance, ...]:
    """Return the distances of the rows of rivets from the edge, the nearest row first."""
    rows = [_row_distance(scene, *row) for row in zip(columns_mm, u_columns_mm, strict=True)]
    return tuple(sorted(rows, key=lambda row: row.mm))


def _row_distance(scene: _Scene, column: Array, u_column_mm: float) -> RowDistance:
    """Return the mean distance of a row of rivets from the edge; both lie on the upper sheet."""
    line, along = scene.edge.line, scene.edge.lower * scene.flange.along
    middle = column.mean(axis=0)
    offset = float(middle @ scene.flange.across)
    edge = scene.apparent_mm(line, offset, scene.place.distance_mm)
    px = to_px(scene.view, [middle, edge], scene.z_mm)
    points = to_mm(scene.view, px, scene.edge_z_mm)
    from_view = covariance_mm2(points, scene.view, np.zeros((2, 2, 2)))
    gradient = np.concatenate([-along, along])
    variance = (
        float(gradient @ from_view @ gradient)
        + _u_at_mm(line, offset) ** 2
        + scene.place.u_distance_mm**2
        + u_column_mm**2
    )
    return RowDistance(float(along @ (points.mm[1] - points.mm[0])), math.sqrt(variance))


def _target_notes(scene: _Scene) -> list[str]:
    if scene.on_both:
        return ["the target lies across the upper sheet's end; lay it flat on one sheet"]
    return []
