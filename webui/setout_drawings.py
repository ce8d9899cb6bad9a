"""The drawings of a set-out sheet: the ridge as a strip, a lap, the section, the fold at a gable end.

Boxes are (x, y, width, height) in mm on the page, y down.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from calib.lengths import Units
from vision.fastening import LapPattern, lap_pattern
from vision.planning import PlannedJob, PlannedRun
from webui.sheet_page import MARGIN_MM, SheetPage, shown

Box = tuple[float, float, float, float]

_TITLE_PT, _LABEL_PT = 10.0, 9.5
_SECTION_SLOPE = math.radians(20.0)  # the section is a sketch that stands for any roof


def draw_strip(page: SheetPage, run: PlannedRun, y: float, height: float, units: Units) -> None:
    """Draw the cap from end to end, to scale along the ridge, with its pieces numbered."""
    layout = run.layout
    left, right = MARGIN_MM + 9.0, page.width_mm - MARGIN_MM - 9.0
    scale = (right - left) / layout.cap_mm
    top, sheet = y + 7.0, height - 11.0

    def at(station_mm: float) -> float:
        return left + (station_mm + layout.gable_allowance_mm) * scale

    pieces = list(zip(layout.starts_mm, layout.ends_mm, strict=True))
    for index, (start, end) in enumerate(pieces):
        grey = 0.86 if index in layout.cut_pieces else 1.0
        page.box(at(start), top, (end - start) * scale, sheet, 0.3, grey)
    for (low, high), edge in zip(layout.laps_mm, layout.lap_stations_mm, strict=True):
        page.box(at(low), top, (high - low) * scale, sheet, 0.2, 0.6)
        page.line(at(edge), top - 1.5, at(edge), top + sheet + 1.5, 1.1)
    for number, (start, end) in enumerate(pieces, start=1):
        page.text(
            at((start + end) / 2.0), top + sheet / 2.0 + 1.7, str(number), 13.0, bold=True, align="middle"
        )
    _name_lengths(page, run, at, top - 2.2, units)
    for x, name in ((MARGIN_MM, "A"), (page.width_mm - MARGIN_MM, "B")):
        page.text(x, top + sheet / 2.0 + 3.0, name, 22.0, bold=True, align="left" if name == "A" else "right")


def _name_lengths(
    page: SheetPage, run: PlannedRun, at: Callable[[float], float], y: float, units: Units
) -> None:
    """Write the pieces' lengths over the strip, if there is room for all of them."""
    layout = run.layout
    lengths = [shown(run.tape.millimetres(piece), units) for piece in run.tape.pieces]
    spans = [(at(start), at(end)) for start, end in zip(layout.starts_mm, layout.ends_mm, strict=True)]
    if all(
        page.text_width(words, 10.0) <= high - low for words, (low, high) in zip(lengths, spans, strict=True)
    ):
        for words, (low, high) in zip(lengths, spans, strict=True):
            page.text((low + high) / 2.0, y, words, 10.0, align="middle")


@dataclass(frozen=True, slots=True)
class _LapView:
    """Where a lap's drawing puts a distance from the exposed edge and from the fold, on the page in mm."""

    edge_x: float
    fold_y: float
    scale: float
    way: float  # +1: the upper piece lies to the right of its edge; -1: to the left

    def x(self, from_edge_mm: float) -> float:
        return self.edge_x + self.way * from_edge_mm * self.scale

    def y(self, from_fold_mm: float) -> float:
        return self.fold_y + from_fold_mm * self.scale


def draw_lap(page: SheetPage, job: PlannedJob, run: PlannedRun, box: Box) -> None:
    """Draw one lap on one flange, to scale: edge, hidden end, rivets, sealant rows, witness mark."""
    x, y, width, height = box
    units = job.choices.units
    pattern = lap_pattern(run.layout, job.plan, job.choices.fastening)
    witness_mm = None if job.plan.witness_mm is None else job.plan.witness_mm - pattern.lap_mm
    if witness_mm is not None and witness_mm <= 0.0:
        witness_mm = None  # the lap hides it
    page.text(x, y + 4.0, "LAP, either flange, to scale", _TITLE_PT, bold=True)
    before_mm = max(45.0, (witness_mm or 0.0) + 20.0)
    after_mm = pattern.lap_mm + 25.0
    label_mm = 17.0  # room at one side for the distances from the fold
    scale = min((width - label_mm) / (before_mm + after_mm), (height - 21.0) / pattern.flange_mm)
    way = 1.0 if run.layout.edges_face == "A" else -1.0
    drawn = (before_mm + after_mm) * scale
    edge_x = x + (before_mm if way > 0 else after_mm) * scale
    view = _LapView(edge_x, y + 14.5, scale, way)
    _draw_lap_sheets(page, pattern, view, (x, drawn))
    _draw_lap_rivets(page, pattern, view, x + drawn + 1.5, units)
    _draw_lap_lengths(page, pattern, view, witness_mm, units)


def _draw_lap_sheets(page: SheetPage, pattern: LapPattern, view: _LapView, span: tuple[float, float]) -> None:
    x, width = span
    top, bottom = view.y(0.0), view.y(pattern.flange_mm)
    page.line(x, top, x + width, top, 0.3, dashed=True)
    page.line(x, bottom, x + width, bottom, 0.5)
    low, high = sorted((view.x(0.0), view.x(pattern.lap_mm)))
    page.band(low, top, high - low, bottom - top)
    for row_mm in pattern.sealant_mm:
        page.line(view.x(row_mm), top, view.x(row_mm), bottom, 0.9, dashed=True)
    page.line(view.x(pattern.lap_mm), top, view.x(pattern.lap_mm), bottom, 0.25, dashed=True)
    page.line(view.x(0.0), top - 1.5, view.x(0.0), bottom + 1.5, 1.2)


def _draw_lap_rivets(
    page: SheetPage, pattern: LapPattern, view: _LapView, label_x: float, units: Units
) -> None:
    """Draw the rivets and write how far each is from the fold."""
    for from_edge_mm, from_fold_mm in pattern.rivets_mm:
        page.dot(view.x(from_edge_mm), view.y(from_fold_mm), 1.25)
    for from_fold_mm in sorted({from_fold_mm for _, from_fold_mm in pattern.rivets_mm}):
        y = view.y(from_fold_mm)
        page.line(label_x - 7.0, y, label_x - 1.0, y, 0.15)
        page.text(label_x, y + 1.2, shown(from_fold_mm, units), _LABEL_PT, bold=True)
    page.text(label_x, view.y(0.0) + 0.5, "from fold", 8.0)


def _draw_lap_lengths(
    page: SheetPage, pattern: LapPattern, view: _LapView, witness_mm: float | None, units: Units
) -> None:
    """Write the distances from the exposed edge: rivet rows above, the lap and the witness mark below."""
    top, bottom = view.y(0.0), view.y(pattern.flange_mm)
    for from_edge_mm in sorted({from_edge_mm for from_edge_mm, _ in pattern.rivets_mm}):
        words = shown(from_edge_mm, units)
        page.text(view.x(from_edge_mm), top - 2.2, words, _LABEL_PT, bold=True, align="middle")
    low, high = sorted((view.x(0.0), view.x(pattern.lap_mm)))
    page.across(low, high, bottom + 5.2, f"lap {shown(pattern.lap_mm, units)}", _LABEL_PT)
    if witness_mm is not None:
        mark = view.x(-witness_mm)
        page.line(mark, top, mark, bottom, 0.5)
        low, high = sorted((mark, view.x(0.0)))
        page.across(low, high, bottom + 5.2, shown(witness_mm, units), _LABEL_PT)
        page.text(mark, top - 2.2, "witness", 8.0, align="middle")


def draw_section(page: SheetPage, job: PlannedJob, run: PlannedRun, box: Box) -> None:
    """Sketch the section over the ridge with the lines of the z-closures."""
    x, y, width, height = box
    words = shown(job.plan.z_closure_offset_mm, job.choices.units)
    page.text(x, y + 4.0, "Z-CLOSURE LINES", _TITLE_PT, bold=True)
    apex_x, apex_y = x + width / 2.0, y + 21.0
    reach = width / 2.0 - 1.0
    offset = reach * 0.76
    fall = math.tan(_SECTION_SLOPE)
    for way in (-1.0, 1.0):

        def along(distance: float, lift: float, way: float = way) -> tuple[float, float]:
            return apex_x + way * distance, apex_y + distance * fall - lift

        page.line(*along(0.0, 0.0), *along(reach, 0.0), 0.7)
        page.line(*along(0.0, 5.2), *along(offset * 1.15, 5.2), 0.7)
        page.line(*along(offset * 1.15, 5.2), *along(offset * 1.15, 3.6), 0.7)
        page.line(*along(offset, 0.0), *along(offset, 5.2), 0.9)
        page.line(*along(offset, 0.0), *along(offset * 1.1, 0.0), 0.9)
        page.line(*along(offset, 5.2), *along(offset * 0.9, 5.2), 0.9)
        page.line(*along(offset, -2.0), *along(offset, -8.0), 0.2)
        page.line(*along(0.0, -6.0), *along(offset, -6.0), 0.25)
        middle_x, middle_y = along(offset / 2.0, -14.0)
        page.text(
            middle_x,
            middle_y,
            words,
            page.fitting(words, 17.0, 0.86 * offset, bold=True),
            bold=True,
            align="middle",
        )
    page.line(apex_x, apex_y + 1.0, apex_x, apex_y + 8.5, 0.2)
    note = "from the ridge line down the slope, on both sides, full length; not to scale"
    page.paragraph(x, min(apex_y + reach * fall + 15.0, y + height - 5.0), note, 9.0, width)


def draw_fold(page: SheetPage, job: PlannedJob, run: PlannedRun, box: Box) -> None:
    """Draw how the cap's end is folded down at a gable end."""
    x, y, width, _ = box
    units = job.choices.units
    allowance = shown(job.plan.gable_allowance_mm, units)
    page.text(x, y + 4.0, "ENDS" if run.run.kind == "hip" else "GABLE-END FOLD", _TITLE_PT, bold=True)
    top, sheet, fold_x = y + 15.0, 16.0, x + 9.0
    page.box(x, top, fold_x - x, sheet, 0.4, 0.86)
    page.line(fold_x, top - 1.5, fold_x, top + sheet + 1.5, 0.5, dashed=True)
    page.line(fold_x, top, x + width, top, 0.4)
    page.line(fold_x, top + sheet, x + width, top + sheet, 0.4)
    page.line(fold_x, top + sheet / 2.0, x + width, top + sheet / 2.0, 0.3, dashed=True)
    page.text((fold_x + x + width) / 2.0, top + 6.2, "piece 1", 9.0, align="middle")
    page.across(x, fold_x, top + sheet + 6.5, "", 9.0)
    page.text(fold_x + 2.0, top + sheet + 8.0, allowance, 16.0, bold=True)
    last = len(run.layout.pieces_mm)
    pieces = "both ends of the piece" if last == 1 else f"the outer ends of pieces 1 and {last}"
    note = f"Mark the fold {allowance} from {pieces}: it lies on the end of the ridge."
    page.paragraph(x, top + sheet + 14.5, note, 9.0, width)
