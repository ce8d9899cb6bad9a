"""The layouts of a job as one SVG picture, to scale along the ridge.

A long ridge is broken into rows, like lines of text, so that it stays legible on a phone. Ink is one colour;
a lap is told by its hatching and a bold exposed edge, never by colour alone.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

from calib.errors import FileError
from calib.lengths import Units, format_length, format_uncertainty
from vision.fastening import FasteningRules, run_rivets
from vision.layout import TINY_MM, Layout
from vision.options import OPTION_NAMES, KeepClear
from vision.plan import Plan
from vision.planning import PlannedJob, PlannedRun

_WIDTH = 1000.0
_MARGIN = 56.0
_ROW_MM = 11_000.0
"""Cap length shown in one row at most: about 36 ft, so that inches can still be read on a phone."""

_FLANGE = 36.0
_TITLE, _ABOVE, _BELOW = 62.0, 44.0, 58.0
_LEVEL, _PLACE = 26.0, 52.0  # what a second line of stations and a line of places add below
_TEXT_WIDTH = 10.4  # of one character of a station's label, a little on the safe side

_INK, _PAPER, _METAL, _METAL_CUT, _SOFT = "#1b2530", "#ffffff", "#eef1f4", "#dfe5ea", "#5b6773"

_STYLE = f"""
text {{ font-family: "Helvetica Neue", Helvetica, Arial, sans-serif; fill: {_INK}; }}
.title {{ font-size: 28px; font-weight: 700; }}
.sub {{ font-size: 18px; fill: {_SOFT}; }}
.piece {{ font-size: 19px; text-anchor: middle; }}
.station {{ font-size: 19px; font-weight: 700; text-anchor: middle; font-variant-numeric: tabular-nums; }}
.end {{ font-size: 30px; font-weight: 700; text-anchor: middle; }}
.small {{ font-size: 16px; fill: {_SOFT}; text-anchor: middle; }}
.sheet {{ stroke: {_INK}; stroke-width: 1; }}
.fold {{ stroke: {_INK}; stroke-width: 1; stroke-dasharray: 10 5; }}
.edge {{ stroke: {_INK}; stroke-width: 5; stroke-linecap: butt; }}
.hidden {{ stroke: {_INK}; stroke-width: 1.2; stroke-dasharray: 4 4; }}
.thin {{ stroke: {_SOFT}; stroke-width: 1; fill: none; }}
.gap {{ stroke: {_PAPER}; stroke-width: 7; fill: none; }}
.rivet {{ fill: {_INK}; }}
"""


def write_layout_picture(job: PlannedJob, path: Path) -> None:
    """Write the layouts taken as an SVG file.

    Parameters
    ----------
    job : PlannedJob
        The planned job.
    path : Path
        File to write.

    Raises
    ------
    FileError
        If the file cannot be written.
    """
    try:
        path.write_text(draw_layouts(job), encoding="utf-8")
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror})"
        raise FileError(msg) from error


def draw_layouts(job: PlannedJob) -> str:
    """Return the layouts taken as SVG text, one ridge below the other."""
    rows = [_rows(run.layout, run_rivets(run.layout, job.plan, job.choices.fastening)) for run in job.runs]
    longest_mm = max(high - low for ridge in rows for low, high in ridge)
    drawing = _Drawing(
        job.plan, job.choices.fastening, job.choices.units, (_WIDTH - 2.0 * _MARGIN) / longest_mm
    )
    y = _MARGIN / 2.0
    for run, stretches in zip(job.runs, rows, strict=True):
        y = drawing.run(run, stretches, y)
    return drawing.text(drawing.key(y))


def _rows(layout: Layout, rivets: Sequence[Sequence[float]]) -> list[tuple[float, float]]:
    """Break the cap into rows of about equal length, never through a lap or a rivet."""
    begin, end = layout.starts_mm[0], layout.ends_mm[-1]
    count = math.ceil((end - begin) / _ROW_MM)
    wanted = [begin + (end - begin) * row / count for row in range(1, count)]
    gaps = [_middle_gap(run, row) for run, row in zip(layout.runs_mm, rivets, strict=True)]
    breaks = sorted({min(gaps, key=lambda gap: abs(gap - each)) for each in wanted})
    borders = [begin, *breaks, end]
    return list(pairwise(borders))


def _middle_gap(run: tuple[float, float], rivets: Sequence[float]) -> float:
    """Return a station near the middle of a run that no rivet stands on."""
    half = len(rivets) // 2
    return sum(rivets[half - 1 : half + 1]) / 2.0 if half else sum(run) / 2.0


@dataclass(slots=True)
class _Row:
    """One row of a ridge: the stations it shows and where it stands in the picture."""

    low: float
    high: float
    y: float
    scale: float

    def x(self, station: float) -> float:
        return _MARGIN + (min(max(station, self.low), self.high) - self.low) * self.scale

    def shows(self, station: float) -> bool:
        return self.low - TINY_MM <= station <= self.high + TINY_MM


class _Drawing:
    """The picture as it grows downward."""

    def __init__(self, plan: Plan, fastening: FasteningRules, units: Units, scale: float) -> None:
        self.plan, self.fastening, self.units, self.scale = plan, fastening, units, scale
        self.root = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img"})
        ET.SubElement(self.root, "title").text = "Layout of the ridge cap, to scale along the ridge"
        ET.SubElement(self.root, "style").text = _STYLE
        pattern = ET.SubElement(
            ET.SubElement(self.root, "defs"),
            "pattern",
            {"id": "lap", "width": "7", "height": "7", "patternUnits": "userSpaceOnUse"}
            | {"patternTransform": "rotate(45)"},
        )
        ET.SubElement(pattern, "rect", {"width": "7", "height": "7", "fill": _METAL_CUT})
        ET.SubElement(pattern, "rect", {"width": "1.6", "height": "7", "fill": _SOFT})
        self.paper = ET.SubElement(self.root, "rect", {"width": "100%", "height": "100%", "fill": _PAPER})

    def text(self, height: float) -> str:
        """Return the finished picture."""
        self.root.set("viewBox", f"0 0 {_WIDTH:g} {height:g}")
        ET.indent(self.root)
        return ET.tostring(self.root, encoding="unicode") + "\n"

    def run(self, run: PlannedRun, stretches: Sequence[tuple[float, float]], y: float) -> float:
        """Draw one ridge; return where the next may begin."""
        self._heading(run, y)
        y += _TITLE
        for low, high in stretches:
            y += _ABOVE
            y = self._row(run, _Row(low, high, y, self.scale))
        return y + 14.0

    def key(self, y: float) -> float:
        """Draw what the signs mean; return the bottom of the picture."""
        x = _MARGIN
        self._rect(x, y, 40.0, 18.0, "url(#lap)")
        self._line(x, y - 3.0, x, y + 21.0, "edge")
        self._line(x + 40.0, y, x + 40.0, y + 18.0, "hidden")
        self._say(x + 52.0, y + 15.0, "lap: bold, the exposed edge; dashed, the hidden end", "sub")
        self._dot(x + 20.0, y + 39.0)
        words = "rivet of a run; stations from gable end A; to scale along the ridge only"
        self._say(x + 52.0, y + 45.0, words, "sub")
        return y + 68.0

    def _heading(self, run: PlannedRun, y: float) -> None:
        ridge = run.run
        length = self._length(ridge.length_mm)
        doubt = f" {format_uncertainty(ridge.u95_mm, self.units)}" if ridge.u95_mm else ""
        self._say(_MARGIN, y + 26.0, f"{ridge.name}: {length}{doubt}", "title")
        layout = run.layout
        laps = f"{layout.joints} {'lap' if layout.joints == 1 else 'laps'} of {self._length(layout.lap_mm)}"
        full = f"a full piece is {self._length(layout.full_mm)}"
        self._say(_MARGIN, y + 52.0, f"{OPTION_NAMES[run.chosen.names[0]]}; {laps}; {full}", "sub")

    def _row(self, run: PlannedRun, row: _Row) -> float:
        """Draw one row; return its bottom."""
        layout = run.layout
        self._pieces(run, row)
        self._laps(layout, row)
        middle = row.y + _FLANGE
        self._line(row.x(row.low), middle, row.x(row.high), middle, "fold")
        self._rivets(layout, row)
        self._ends(layout, row)
        bottom = row.y + 2.0 * _FLANGE + _BELOW + _LEVEL * self._stations(run, row)
        return bottom + _PLACE * self._places(run.run.keep_clear, row, bottom)

    def _pieces(self, run: PlannedRun, row: _Row) -> None:
        """Draw each piece's sheet with its number and, where it is cut, its length."""
        layout = run.layout
        for index, (start, end) in enumerate(zip(layout.starts_mm, layout.ends_mm, strict=True)):
            low, high = max(start, row.low), min(end, row.high)
            if high <= low:
                continue
            is_cut = index in layout.cut_pieces
            fill = _METAL_CUT if is_cut else _METAL
            self._rect(row.x(low), row.y, row.x(high) - row.x(low), 2.0 * _FLANGE, fill)
            # A piece that goes on in another row is named where more of it shows.
            if high - low >= (end - start) / 2.0:
                length = self._length(run.tape.millimetres(run.tape.pieces[index])) if is_cut else "full"
                self._say(row.x((low + high) / 2.0), row.y - 14.0, f"{index + 1}: {length}", "piece")

    def _laps(self, layout: Layout, row: _Row) -> None:
        for (low, high), edge in zip(layout.laps_mm, layout.lap_stations_mm, strict=True):
            if not row.shows((low + high) / 2.0):
                continue
            x, right = row.x(low), row.x(high)
            self._rect(x, row.y, right - x, 2 * _FLANGE, "url(#lap)")
            hidden = row.x(high if edge == low else low)
            self._line(hidden, row.y, hidden, row.y + 2 * _FLANGE, "hidden")
            self._line(row.x(edge), row.y - 5.0, row.x(edge), row.y + 2 * _FLANGE + 5.0, "edge")

    def _rivets(self, layout: Layout, row: _Row) -> None:
        spacing = self.plan.rivet_spacing_mm * self.scale
        if spacing < 6.0:
            return
        for station in (each for run in run_rivets(layout, self.plan, self.fastening) for each in run):
            if row.low <= station < row.high:
                for flange in (0.42, 1.58):
                    self._dot(row.x(station), row.y + flange * _FLANGE)

    def _ends(self, layout: Layout, row: _Row) -> None:
        """Mark the gable ends, or that the cap goes on in another row."""
        y, bottom = row.y, row.y + 2.0 * _FLANGE
        cap_ends = layout.starts_mm[0], layout.ends_mm[-1]
        for border, cap_end, station, name, way in (
            (row.low, cap_ends[0], 0.0, "A", -1.0),
            (row.high, cap_ends[1], layout.ridge_mm, "B", 1.0),
        ):
            x = row.x(border)
            if abs(border - cap_end) <= TINY_MM:
                self._line(row.x(station), y - 5.0, row.x(station), bottom + 6.0, "thin")
                self._say(x + way * 28.0, y + _FLANGE + 11.0, name, "end")
            else:
                zigzag = [
                    (x + way * (4.0 if step % 2 else -4.0), y + step * _FLANGE / 2.0) for step in range(5)
                ]
                points = " ".join(f"{_number(px)},{_number(py)}" for px, py in zigzag)
                for style in ("gap", "thin"):
                    ET.SubElement(self.root, "polyline", {"points": points, "class": style})

    def _stations(self, run: PlannedRun, row: _Row) -> bool:
        """Write the stations of exposed edges and gable ends; tell whether they took a second line."""
        tape = run.tape
        taken = [-math.inf, -math.inf]
        y = row.y + 2.0 * _FLANGE
        for mark in (0, *tape.lap_stations, tape.ridge):
            station = tape.millimetres(mark)
            if not row.shows(station):
                continue
            label = self._length(station)
            half = len(label) * _TEXT_WIDTH / 2.0
            x = row.x(station)
            x_text = min(max(x, half + 4.0), _WIDTH - half - 4.0)
            level = 0 if x_text - half > taken[0] + 8.0 else 1
            taken[level] = x_text + half
            self._line(x, y + 6.0, x_text, y + 18.0 + _LEVEL * level, "thin")
            self._say(x_text, y + 36.0 + _LEVEL * level, label, "station")
        return taken[1] > -math.inf

    def _places(self, places: Sequence[KeepClear], row: _Row, y: float) -> bool:
        """Mark the places that laps keep clear of, with the reach asked; tell whether there are any."""
        shown = [place for place in places if row.shows(place.station_mm)]
        for place in shown:
            low, high = (row.x(place.station_mm + way * place.clear_mm) for way in (-1, 1))
            x = row.x(place.station_mm)
            self._line(low, y, high, y, "thin")
            for end in (low, high):
                self._line(end, y - 6.0, end, y + 6.0, "thin")
            self._rect(x - 6.0, y - 6.0, 12.0, 12.0, _PAPER)
            self._say(x, y + 26.0, f"{place.name}: no laps within {self._length(place.clear_mm)}", "small")
        return bool(shown)

    def _length(self, length_mm: float) -> str:
        return format_length(length_mm, self.units)

    def _say(self, x: float, y: float, words: str, style: str) -> None:
        ET.SubElement(self.root, "text", {"x": _number(x), "y": _number(y), "class": style}).text = words

    def _rect(self, x: float, y: float, width: float, height: float, fill: str) -> None:
        size = {"x": _number(x), "y": _number(y), "width": _number(width), "height": _number(height)}
        ET.SubElement(self.root, "rect", size | {"fill": fill, "class": "sheet"})

    def _line(self, x1: float, y1: float, x2: float, y2: float, style: str) -> None:
        ends = {"x1": _number(x1), "y1": _number(y1), "x2": _number(x2), "y2": _number(y2)}
        ET.SubElement(self.root, "line", ends | {"class": style})

    def _dot(self, x: float, y: float) -> None:
        ET.SubElement(self.root, "circle", {"cx": _number(x), "cy": _number(y), "r": "2.6", "class": "rivet"})


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
