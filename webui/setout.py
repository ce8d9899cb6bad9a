"""The set-out sheet: one page per ridge, to be read on a roof in the sun or as a picture on a phone.

Page frame: mm, x right, y down, origin at the page's top-left corner. Black on white, large type; the numbers
are as large as the page allows.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.pdfgen.canvas import Canvas

from calib.errors import FileError
from calib.lengths import Units, format_uncertainty
from vision.planning import FASTENING_CAUTION, PlannedJob, PlannedRun
from vision.stations import lap_marks, run_marks
from webui.setout_drawings import draw_fold, draw_lap, draw_section, draw_strip
from webui.sheet_page import MARGIN_MM, SheetPage, shown

CAUTIONS = (
    "Falls kill. At 6 ft (1.8 m) or more above a lower level work protected: harness, guardrail or net "
    "(29 CFR 1926.501); tie ladders off, stay clear of power lines, keep off wet, icy or windy roofs.",
    "Sheet metal cuts: wear gloves and eye protection, and never let a loose piece lie on the roof.",
    FASTENING_CAUTION + " Check every number before you cut.",
)

_HEAD_MM, _STRIP_MM, _CUT_MM, _DRAWINGS_MM, _CAUTIONS_MM = 30.0, 22.0, 13.0, 62.0, 23.0
_LARGEST_PT, _SMALLEST_PT = 30.0, 7.0
_ROW_PER_PT = 0.3528 * 1.42  # height of a table's row in mm per point of its type
_GAP_MM = 6.0


def write_set_out(job: PlannedJob, path: Path) -> None:
    """Write the set-out sheets of a job as one PDF, a page per ridge or hip.

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
        path.write_bytes(set_out_pdf(job))
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror})"
        raise FileError(msg) from error


def set_out_pdf(job: PlannedJob) -> bytes:
    """Return the set-out sheets of a job as a PDF: letter for inches, A4 for metric."""
    size = LETTER if job.choices.units == "imperial" else A4
    file = BytesIO()
    # Invariant: the same job gives the same bytes, with no date of its own.
    canvas = Canvas(file, pagesize=size, invariant=True, lang="en")
    canvas.setTitle("Set-out sheet")
    for run in job.runs:
        _draw_page(SheetPage(canvas, size), job, run)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


@dataclass(frozen=True, slots=True)
class Table:
    """A titled table of short texts."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def lap_table(job: PlannedJob, run: PlannedRun) -> Table:
    """Return the laps' stations as printed."""
    units = job.choices.units
    marks = lap_marks(run.layout, run.tape, job.plan)
    witnessed = job.plan.witness_mm is not None
    columns = ("lap", "exposed edge", "hidden end", *(("witness mark",) if witnessed else ()))
    rows = tuple(
        (
            str(mark.number),
            shown(mark.exposed_mm, units),
            shown(mark.hidden_mm, units),
            *(() if mark.witness_mm is None else (shown(mark.witness_mm, units),)),
        )
        for mark in marks
    )
    return Table("LAPS", columns, rows)


def run_table(job: PlannedJob, run: PlannedRun) -> Table:
    """Return the run rivets' stations as printed."""
    units = job.choices.units
    rows = tuple(
        (str(mark.number), *(shown(each, units) for each in (mark.first_mm, mark.last_mm)), str(mark.count))
        for mark in run_marks(run.layout, job.plan, job.choices.fastening)
    )
    title = f"RUN RIVETS every {shown(job.plan.rivet_spacing_mm, units)}, both flanges"
    if run.rivets.vent_strips:
        title += f"; vent strips every {shown(job.plan.vent_rivet_spacing_mm, units)}"
    return Table(title, ("run", "first", "last", "each side"), rows)


def _draw_page(page: SheetPage, job: PlannedJob, run: PlannedRun) -> None:
    units = job.choices.units
    _draw_head(page, run, units)
    y = MARGIN_MM + _HEAD_MM
    draw_strip(page, run, y, _STRIP_MM, units)
    y += _STRIP_MM
    _draw_cut_list(page, run, y, units)
    y += _CUT_MM
    foot = page.height_mm - MARGIN_MM - _CAUTIONS_MM - _DRAWINGS_MM
    tables = [table for table in (lap_table(job, run), run_table(job, run)) if table.rows]
    _draw_tables(page, tables, y, foot - 3.0)
    _draw_details(page, job, run, foot)
    _draw_cautions(page, page.height_mm - MARGIN_MM - _CAUTIONS_MM)


def _draw_head(page: SheetPage, run: PlannedRun, units: Units) -> None:
    ridge = run.run
    left, right = MARGIN_MM, page.width_mm - MARGIN_MM
    doubt = f" {format_uncertainty(ridge.u95_mm, units)}" if ridge.u95_mm else ""
    length = shown(ridge.length_mm, units) + doubt
    name_mm = right - left - page.text_width(length, 30.0, bold=True) - 6.0
    page.text(left, 21.0, ridge.name, page.fitting(ridge.name, 30.0, name_mm, bold=True), bold=True)
    page.text(right, 21.0, length, 30.0, bold=True, align="right")
    page.line(left, 25.5, right, 25.5, 0.7)
    start = "lower end A" if ridge.kind == "hip" else "gable end A"
    counts = "every number counts from there" + (", in mm" if units == "metric" else "")
    words = f"Hook the tape at {start}: {counts}."
    page.text(left, 32.0, words, page.fitting(words, 14.0, right - left, bold=True), bold=True)
    if run.layout.joints:
        other = "B" if run.layout.edges_face == "A" else "A"
        words = f"Lap edges face {run.layout.edges_face}: lay from {run.layout.edges_face} to {other}, "
        page.text(left, 38.0, words + "each piece over the one before.", 12.0)


def _draw_cut_list(page: SheetPage, run: PlannedRun, y: float, units: Units) -> None:
    """Say which pieces are cut to what, and how much longer one is left until the rest is dry-fitted."""
    lengths = [shown(run.tape.millimetres(piece), units) for piece in run.tape.pieces]
    groups: dict[str, list[str]] = {}
    for index in sorted(run.layout.cut_pieces):
        groups.setdefault(lengths[index], []).append(str(index + 1))
    cuts = "; ".join(f"{_pieces(numbers)} to {length}" for length, numbers in groups.items())
    words = f"CUT {cuts}" if cuts else "NO CUTS"
    full = len(lengths) - len(run.layout.cut_pieces)
    words += f"; FULL: {full} of {shown(run.layout.full_mm, units)}" if full else ""
    width = page.width_mm - 2.0 * MARGIN_MM
    page.text(MARGIN_MM, y + 4.0, words, page.fitting(words, 14.0, width, bold=True), bold=True)
    if run.trim_piece is not None and run.leave_mm > 0.0:
        longer = format_uncertainty(run.leave_mm, units).removeprefix("± ")
        words = f"Leave piece {run.trim_piece + 1} longer by {longer}; trim it once the rest is dry-fitted."
        if run.layout.edges_face == "B":
            # Laid from B, the laps keep their distance from B whatever the ridge turns out to be.
            words += " Ridge longer or shorter? Move every station by as much."
        page.text(MARGIN_MM, y + 9.8, words, page.fitting(words, 12.0, width))


def _pieces(numbers: Sequence[str]) -> str:
    return (
        f"piece {numbers[0]}" if len(numbers) == 1 else f"pieces {', '.join(numbers[:-1])} and {numbers[-1]}"
    )


def _draw_tables(page: SheetPage, tables: Sequence[Table], top: float, bottom: float) -> None:
    """Draw the tables one below the other or side by side, whichever allows the larger type."""
    width = page.width_mm - 2.0 * MARGIN_MM
    stacked = _largest(page, tables, width, bottom - top, beside=False)
    beside = _largest(page, tables, width, bottom - top, beside=True)
    size_pt = max(stacked, beside)
    x, y = MARGIN_MM, top
    widths = [sum(_column_widths(page, table, size_pt)) for table in tables]
    share = (width - sum(widths) - _GAP_MM * (len(tables) - 1)) / len(tables)
    for table, natural in zip(tables, widths, strict=True):
        if stacked >= beside:
            _draw_table(page, table, x, y, width, size_pt)
            y += _table_height(table, size_pt) + _GAP_MM / 2.0
        else:
            _draw_table(page, table, x, y, natural + share, size_pt)
            x += natural + share + _GAP_MM


def _largest(page: SheetPage, tables: Sequence[Table], width: float, height: float, *, beside: bool) -> float:
    """Return the largest type, in pt, with which the tables fit."""
    size_pt = _LARGEST_PT
    while size_pt > _SMALLEST_PT:
        widths = [sum(_column_widths(page, table, size_pt)) for table in tables]
        heights = [_table_height(table, size_pt) for table in tables]
        gaps = _GAP_MM * (len(tables) - 1)
        if beside and sum(widths) + gaps <= width and max(heights) <= height:
            return size_pt
        if not beside and max(widths) <= width and sum(heights) + gaps / 2.0 <= height:
            return size_pt
        size_pt -= 0.5
    return size_pt


def _table_height(table: Table, size_pt: float) -> float:
    return (len(table.rows) + 1.75) * size_pt * _ROW_PER_PT


def _column_widths(page: SheetPage, table: Table, size_pt: float) -> list[float]:
    """Return the columns' natural widths: their widest text and some air."""
    air = 0.9 * size_pt * 0.3528
    return [
        air
        + max(
            page.text_width(head, _head_pt(size_pt)),
            *(page.text_width(row[column], size_pt, bold=True) for row in table.rows),
        )
        for column, head in enumerate(table.columns)
    ]


def _head_pt(size_pt: float) -> float:
    return max(7.0, 0.55 * size_pt)


def _draw_table(page: SheetPage, table: Table, x: float, y: float, width: float, size_pt: float) -> None:
    row_mm = size_pt * _ROW_PER_PT
    natural = _column_widths(page, table, size_pt)
    stretch = (width - sum(natural)) / len(natural)
    rights = []
    right = x
    for column in natural:
        right += column + stretch
        rights.append(right - 0.3 * size_pt * 0.3528)
    title_pt = max(8.0, 0.62 * size_pt)
    y += 0.75 * row_mm
    page.text(
        x, y - 0.2 * row_mm, table.title, page.fitting(table.title, title_pt, width, bold=True), bold=True
    )
    page.line(x, y, x + width, y, 0.5)
    for head, right in zip(table.columns, rights, strict=True):
        page.text(right, y + 0.62 * row_mm, head, _head_pt(size_pt), align="right")
    y += row_mm
    for index, row in enumerate(table.rows):
        if index % 2 == 0:
            page.band(x, y - 0.08 * row_mm, width, row_mm)
        for column, (text, right) in enumerate(zip(row, rights, strict=True)):
            page.text(right, y + 0.68 * row_mm, text, size_pt, bold=column > 0, align="right")
        y += row_mm


def _draw_details(page: SheetPage, job: PlannedJob, run: PlannedRun, y: float) -> None:
    """Draw the lap's pattern, the section over the ridge and the fold at a gable end, side by side."""
    left, width = MARGIN_MM, page.width_mm - 2.0 * MARGIN_MM
    page.line(left, y, left + width, y, 0.7)
    drawings = [(draw_lap, 11.0)] if run.layout.joints else []
    drawings += [(draw_section, 8.0)] if job.choices.takeoff.z_closures else []
    drawings.append((draw_fold, 6.0))
    x, share = left, width / sum(weight for _, weight in drawings)
    for draw, weight in drawings:
        draw(page, job, run, (x, y + 1.0, share * weight - 3.0, _DRAWINGS_MM - 2.0))
        x += share * weight


def _draw_cautions(page: SheetPage, y: float) -> None:
    left, width = MARGIN_MM, page.width_mm - 2.0 * MARGIN_MM
    page.line(left, y, left + width, y, 0.7)
    y += 4.6
    for words in CAUTIONS:
        y = page.paragraph(left, y, words, 8.6, width) + 1.0
