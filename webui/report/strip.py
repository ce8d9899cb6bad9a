"""The ridge drawn to scale from gable end A to gable end B, as one strip, in rows where it is long.

Left and right flange are seen from A toward B, so that left is above. Used twice: with what is known of every
place, and with the pieces and stations of the layout.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from webui.cap_rows import cap_rows
from webui.findings import PlaceStatus, Status
from webui.report.look import BOLD, INK, LINE, METAL, METAL_DARK, POINTS_PER_MM, REGULAR, SOFT
from webui.report.marks import INKS, draw_mark
from webui.report.pages import Figure
from webui.shown import Shown

_LONGEST_ROW_MM = 13_000.0
_FLANGE_MM, _ABOVE_MM, _BELOW_MM = 11.0, 11.0, 11.0
_END_MM, _KEY_MM = 16.0, 7.0
_BAR_MM = {"metric": (1000.0, "1 m"), "imperial": (1524.0, "5 ft")}


@dataclass(frozen=True, slots=True)
class _Row:
    """One row of the strip: its stations, mm, and the height of its ridge line, points."""

    low_mm: float
    high_mm: float
    ridge_y: float


class _Cap(Figure):
    """The cap in rows: flanges, ridge line, laps and ends, to be drawn on."""

    def __init__(self, ridge: dict[str, Any], width_mm: float, shown: Shown) -> None:
        self.ridge, self.shown = ridge, shown
        self.cap = cap_rows(ridge, _LONGEST_ROW_MM)
        rows_mm = self.cap.rows_mm
        row_mm = _ABOVE_MM + 2.0 * _FLANGE_MM + _BELOW_MM
        super().__init__(width_mm, len(rows_mm) * row_mm + _KEY_MM)
        longest_mm = max(high - low for low, high in rows_mm)
        self.scale = (width_mm - 2.0 * _END_MM) * POINTS_PER_MM / longest_mm
        self.rows = [
            _Row(low, high, self.height - (index * row_mm + _ABOVE_MM + _FLANGE_MM) * POINTS_PER_MM)
            for index, (low, high) in enumerate(rows_mm)
        ]

    def x(self, row: _Row, station_mm: float) -> float:
        """Return where a station lies in a row, points."""
        return _END_MM * POINTS_PER_MM + (station_mm - row.low_mm) * self.scale

    def row_of(self, low_mm: float, high_mm: float) -> _Row:
        """Return the row that shows most of a stretch."""
        return self.rows[self.cap.row_of(low_mm, high_mm)]

    def paint(self, canvas: Canvas) -> None:
        """Draw the bare cap."""
        for row in self.rows:
            self._sheet(canvas, row)
        for lap, (low, high) in enumerate(self.cap.laps_mm):
            self._lap(canvas, self.row_of(low, high), low, high, self.ridge["lap_stations_mm"][lap])
        for row in self.rows:
            self._outline(canvas, row)
        self._scale_bar(canvas)

    def _sheet(self, canvas: Canvas, row: _Row) -> None:
        flange = _FLANGE_MM * POINTS_PER_MM
        left, right = self.x(row, row.low_mm), self.x(row, row.high_mm)
        canvas.setFillColor(METAL)
        canvas.rect(left, row.ridge_y - flange, right - left, 2 * flange, stroke=0, fill=1)

    def _outline(self, canvas: Canvas, row: _Row) -> None:
        flange = _FLANGE_MM * POINTS_PER_MM
        left, right = self.x(row, row.low_mm), self.x(row, row.high_mm)
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(0.7)
        for y in (row.ridge_y - flange, row.ridge_y + flange):
            canvas.line(left, y, right, y)
        canvas.setDash([5, 2.5])
        canvas.line(left, row.ridge_y, right, row.ridge_y)
        canvas.setDash([])
        ends_mm = self.cap.begin_mm, self.cap.end_mm
        for x, station, end_mm in zip((left, right), (row.low_mm, row.high_mm), ends_mm, strict=True):
            if station == end_mm:
                canvas.line(x, row.ridge_y - flange, x, row.ridge_y + flange)
            else:
                _break_line(canvas, x, row.ridge_y - flange, row.ridge_y + flange)

    def _lap(self, canvas: Canvas, row: _Row, low: float, high: float, edge: float) -> None:
        flange = _FLANGE_MM * POINTS_PER_MM
        left, right = self.x(row, low), self.x(row, high)
        canvas.setFillColor(METAL_DARK)
        canvas.rect(left, row.ridge_y - flange, right - left, 2 * flange, stroke=0, fill=1)
        canvas.setStrokeColor(SOFT)
        canvas.setLineWidth(0.3)
        _hatch(canvas, left, right, row.ridge_y - flange, row.ridge_y + flange)
        canvas.setStrokeColor(INK)
        for station in (low, high):
            x = self.x(row, station)
            is_edge = abs(station - edge) < 1.0
            canvas.setLineWidth(1.4 if is_edge else 0.5)
            canvas.setDash([] if is_edge else [1.5, 1.5])
            canvas.line(x, row.ridge_y - flange, x, row.ridge_y + flange)
        canvas.setDash([])

    def _scale_bar(self, canvas: Canvas) -> None:
        length_mm, label = _BAR_MM[self.shown.units]
        left, y = _END_MM * POINTS_PER_MM, 7.0
        right = left + length_mm * self.scale
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(0.8)
        canvas.line(left, y, right, y)
        for x in (left, right):
            canvas.line(x, y - 2.5, x, y + 2.5)
        _say(canvas, right + 5.0, y - 2.2, f"{label}, to scale along the ridge only", 6.4, REGULAR, SOFT)


class StatusStrip(_Cap):
    """The strip with what is known of every place: shape, word and ink."""

    def __init__(
        self, ridge: dict[str, Any], statuses: Sequence[PlaceStatus], width_mm: float, shown: Shown
    ) -> None:
        super().__init__(ridge, width_mm, shown)
        self._statuses = statuses
        told = "; ".join(f"{each.span.place}: {each.status}" for each in statuses)
        self.alt = f"The ridge from gable end A to gable end B with what is known of every place. {told}."

    def paint(self, canvas: Canvas) -> None:
        """Draw the cap, then every place's mark and word."""
        super().paint(canvas)
        for each in self._statuses:
            row = self.row_of(each.span.low_mm, each.span.high_mm)
            if each.span.place.kind == "gable end":
                self._gable_end(canvas, each, row)
            elif each.span.place.kind == "lap":
                self._beside(canvas, each, row)
            else:
                self._inside(canvas, each, row)

    def _inside(self, canvas: Canvas, each: PlaceStatus, row: _Row) -> None:
        low, high = (min(max(s, row.low_mm), row.high_mm) for s in (each.span.low_mm, each.span.high_mm))
        x = (self.x(row, low) + self.x(row, high)) / 2.0
        room = self.x(row, high) - self.x(row, low) - 4.0
        way = 1.0 if each.span.place.flange == "left" else -1.0
        y = row.ridge_y + way * _FLANGE_MM * POINTS_PER_MM / 2.0
        _mark_and_word(canvas, x, y + 1.5, each.status, room)
        _centred(canvas, x, y - 8.5, str(each.span.place), 6.2, REGULAR, SOFT, room)

    def _beside(self, canvas: Canvas, each: PlaceStatus, row: _Row) -> None:
        x = self.x(row, (each.span.low_mm + each.span.high_mm) / 2.0)
        way = 1.0 if each.span.place.flange == "left" else -1.0
        edge = row.ridge_y + way * _FLANGE_MM * POINTS_PER_MM
        canvas.setStrokeColor(SOFT)
        canvas.setLineWidth(0.4)
        canvas.line(x, edge, x, edge + way * 6.0)
        middle = edge + way * 17.0
        _mark_and_word(canvas, x, middle + 2.0, each.status, 70.0)
        _centred(canvas, x, middle - 8.0, str(each.span.place), 6.2, REGULAR, SOFT, 70.0)

    def _gable_end(self, canvas: Canvas, each: PlaceStatus, row: _Row) -> None:
        is_a = each.span.place.number == 1
        x = (
            self.x(row, row.low_mm if is_a else row.high_mm)
            + (-1 if is_a else 1) * 0.52 * _END_MM * POINTS_PER_MM
        )
        _centred(canvas, x, row.ridge_y + 9.0, "A" if is_a else "B", 13.0, BOLD, INK, 40.0)
        draw_mark(canvas, x, row.ridge_y - 1.0, 7.0, each.status)
        words = str(each.status).rsplit(" ", 1) if each.status is Status.DOES_NOT_MEET else [str(each.status)]
        for line, word in enumerate(words):
            _centred(canvas, x, row.ridge_y - 12.0 - 7.5 * line, word, 6.4, BOLD, INKS[each.status], 42.0)
        _centred(canvas, x, row.ridge_y - 12.5 - 7.5 * len(words), "gable end", 5.8, REGULAR, SOFT, 42.0)


class LayoutStrip(_Cap):
    """The strip with the pieces of the cap, their lengths, and the stations of exposed edges."""

    def __init__(self, ridge: dict[str, Any], width_mm: float, shown: Shown) -> None:
        super().__init__(ridge, width_mm, shown)
        pieces = ", ".join(shown.length(piece) for piece in ridge["pieces_mm"])
        stations = ", ".join(shown.length(station) for station in ridge["lap_stations_mm"])
        self.alt = f"The cap's pieces from gable end A: {pieces}. Exposed edges at {stations or 'none'}."

    def paint(self, canvas: Canvas) -> None:
        """Draw the cap, its pieces and stations."""
        super().paint(canvas)
        flange, start = _FLANGE_MM * POINTS_PER_MM, self.cap.begin_mm
        for number, piece_mm in enumerate(self.ridge["pieces_mm"], 1):
            row = self.row_of(start, start + piece_mm)
            low, high = max(start, row.low_mm), min(start + piece_mm, row.high_mm)
            x, room = (self.x(row, low) + self.x(row, high)) / 2.0, (high - low) * self.scale - 4.0
            _centred(canvas, x, row.ridge_y + 0.45 * flange, f"piece {number}", 6.4, REGULAR, SOFT, room)
            _centred(
                canvas, x, row.ridge_y - 0.62 * flange, self.shown.length(piece_mm), 8.0, BOLD, INK, room
            )
            y = row.ridge_y + flange + (6.0 if number % 2 else 10.0)
            self._span(canvas, row, start, start + piece_mm, y)
            start += piece_mm - self.ridge["lap_mm"]
        stations = [0.0, *self.ridge["lap_stations_mm"], self.ridge["ridge_mm"]]
        for station in stations:
            self._station(canvas, self.rows[self.cap.row_at(station)], station)
        for row in self.rows:
            self._ends(canvas, row)

    def _span(self, canvas: Canvas, row: _Row, low: float, high: float, y: float) -> None:
        left, right = (self.x(row, min(max(each, row.low_mm), row.high_mm)) for each in (low, high))
        canvas.setStrokeColor(SOFT)
        canvas.setLineWidth(0.5)
        canvas.line(left, y, right, y)
        for x in (left, right):
            canvas.line(x, y - 1.8, x, y + 1.8)

    def _station(self, canvas: Canvas, row: _Row, station: float) -> None:
        x, y = self.x(row, station), row.ridge_y - _FLANGE_MM * POINTS_PER_MM
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(0.5)
        canvas.line(x, y, x, y - 7.0)
        _centred(canvas, x, y - 15.0, self.shown.length(station), 7.0, BOLD, INK, 90.0)

    def _ends(self, canvas: Canvas, row: _Row) -> None:
        for station, end_mm, name, way in (
            (row.low_mm, self.cap.begin_mm, "A", -1.0),
            (row.high_mm, self.cap.end_mm, "B", 1.0),
        ):
            if station == end_mm:
                _centred(
                    canvas, self.x(row, station) + way * 20.0, row.ridge_y - 4.5, name, 13.0, BOLD, INK, 40.0
                )


def _mark_and_word(canvas: Canvas, x: float, y: float, status: Status, room: float) -> None:
    """Draw a mark with its word beside it, both centred at x; only the mark where there is no room."""
    size, word = 7.0, str(status)
    width = stringWidth(word, BOLD, size)
    if width + 11.0 > room:
        draw_mark(canvas, x, y, size + 1.0, status)
        return
    left = x - (width + 10.5) / 2.0
    draw_mark(canvas, left + size / 2.0, y, size + 0.6, status)
    _say(canvas, left + 10.5, y - 2.5, word, size, BOLD, INKS[status])


def _centred(
    canvas: Canvas, x: float, y: float, words: str, size: float, font: str, ink: Any, room: float
) -> None:
    width = stringWidth(words, font, size)
    size = size if width <= room else max(4.0, size * room / width)
    _say(canvas, x - stringWidth(words, font, size) / 2.0, y, words, size, font, ink)


def _say(canvas: Canvas, x: float, y: float, words: str, size: float, font: str, ink: Any) -> None:
    canvas.setFont(font, size)
    canvas.setFillColor(ink)
    canvas.drawString(x, y, words)


def _hatch(canvas: Canvas, left: float, right: float, low: float, high: float) -> None:
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(left, low, right - left, high - low)
    canvas.clipPath(path, stroke=0, fill=0)
    step, x = 3.0, left - (high - low)
    while x < right:
        canvas.line(x, low, x + (high - low), high)
        x += step
    canvas.restoreState()


def _break_line(canvas: Canvas, x: float, low: float, high: float) -> None:
    """Draw the zigzag that says: it goes on in another row."""
    canvas.saveState()
    canvas.setStrokeColor(LINE)
    canvas.setLineWidth(0.8)
    path = canvas.beginPath()
    path.moveTo(x, low)
    for step in range(1, 9):
        path.lineTo(x + (2.0 if step % 2 else -2.0), low + (high - low) * step / 8.0)
    canvas.drawPath(path, stroke=1, fill=0)
    canvas.restoreState()
