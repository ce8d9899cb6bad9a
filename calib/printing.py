"""True-scale prints of targets: a PDF of vector shapes, and the target's definition file beside it.

Page frame: mm, x right, y down, origin at the page's top-left corner; the PDF's own frame has y up.
"""

import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from calib.errors import FileError, TargetError
from calib.papers import paper_named
from calib.scale_check import unchecked_target
from calib.sheet_layout import BOLD, POINTS_PER_MM, REGULAR, Bar, SheetLayout, lay_out, white_bands_mm
from calib.sheet_notes import SheetKind, ids_in_words, sheet_kind, size_in_words
from calib.targets import FAMILY_CELLS, Tag, Target, gap_mm, save_target

_GREY = 0.55
_HAIRLINE_MM, _LINE_MM = 0.15, 0.25
# Lengths of a bar's ticks: every 10 mm, every 50 mm, the two ends.
_TICK_MM, _LONG_TICK_MM, _END_TICK_MM = 1.6, 2.6, 4.0
_IN_MM = 25.4
# White above and below the tags that the edge scales of a strip need, numbers and label included.
_RULE_BAND_MM = 18.0
# Height of a capital over the font's size.
_CAP_HEIGHT = 0.73


@dataclass(frozen=True, slots=True)
class PrintedSheet:
    """What `print_target` wrote.

    Attributes
    ----------
    pdf_path, definition_path : Path
        The print and the target file beside it.
    definition : Target
        What the target file holds: the target with the sigma of a print whose scale nobody has checked.
    page_mm : tuple of float
        Width and height of the page, mm.
    origin_mm : tuple of float
        Top-left corner of the target's outline on the page, mm.
    bars : tuple of Bar
        The bars X and Y to be measured on the print.
    """

    pdf_path: Path
    definition_path: Path
    definition: Target
    page_mm: tuple[float, float]
    origin_mm: tuple[float, float]
    bars: tuple[Bar, Bar]


def print_target(target: Target, paper_name: str, path: Path) -> PrintedSheet:
    """Write a target as a true-scale PDF, and its definition beside it.

    Parameters
    ----------
    target : Target
        The target as drawn, with the sigma of a print whose scale is exact.
    paper_name : str
        Sheet to print on, by a name of `calib.papers`.
    path : Path
        PDF to write; the definition gets the same name with ``.json``. Files that are there are replaced.

    Returns
    -------
    PrintedSheet
        Both paths, the definition and the page's geometry.

    Raises
    ------
    TargetError
        If the paper is unknown or too small (the message lists those that fit), or a tag lacks white around
        it.
    FileError
        If the path does not end in ``.pdf`` or cannot be written.

    Notes
    -----
    The same target, paper and library version give the same bytes. The definition's sigma is that of a print
    whose scale is unknown; once the bars are measured, `calib.scale_check.scaled_target` gives the true one.
    """
    if path.suffix.lower() != ".pdf":
        msg = f"{path}: the print is a PDF; give a file name that ends in .pdf"
        raise FileError(msg)
    _check_white(target)
    layout = lay_out(target, paper_named(paper_name))
    try:
        path.write_bytes(_pdf_bytes(target, layout))
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror})"
        raise FileError(msg) from error
    definition, definition_path = unchecked_target(target), path.with_suffix(".json")
    save_target(definition, definition_path)
    return PrintedSheet(path, definition_path, definition, layout.page_mm, layout.origin_mm, layout.bars)


def _check_white(target: Target) -> None:
    """Refuse a target whose tags lack one cell of white, which detectors need to see the black border end."""
    for index, tag in enumerate(target.tags):
        corners = tag.corners_mm()
        white_mm = float(min(corners.min(), (np.array(target.outline_mm) - corners).min()))
        needed_mm = tag.cell_mm
        for other in target.tags[:index]:
            white_mm = min(white_mm, gap_mm(tag, other))
            needed_mm = max(needed_mm, other.cell_mm)
        if white_mm < needed_mm:
            msg = (
                f"target {target.name!r}: tag {tag.id} has {white_mm:.1f} mm of white beside it and needs "
                f"{needed_mm:.1f} mm, one cell; move it"
            )
            raise TargetError(msg)


class _Pen:
    """Draws on one page in millimetres, y down, from an origin on the page."""

    def __init__(self, canvas: Canvas, page_height_mm: float, origin_mm: tuple[float, float] = (0.0, 0.0)):
        self._canvas = canvas
        self._page_height_mm = page_height_mm
        self._origin_mm = origin_mm

    def moved(self, origin_mm: tuple[float, float]) -> "_Pen":
        return _Pen(self._canvas, self._page_height_mm, origin_mm)

    def fill(self, polygons: Iterable[NDArray[np.float64]]) -> None:
        """Fill polygons black, as one shape: where they share an edge no hairline can show."""
        path = self._canvas.beginPath()
        for polygon in polygons:
            path.moveTo(*self._points(*polygon[0]))
            for corner in polygon[1:]:
                path.lineTo(*self._points(*corner))
            path.close()
        self._canvas.setFillGray(0.0)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def lines(
        self, segments: Iterable[tuple[float, float, float, float]], width_mm: float, grey: float = 0.0
    ) -> None:
        """Draw straight lines, each from (x, y) to (x, y)."""
        path = self._canvas.beginPath()
        for x0_mm, y0_mm, x1_mm, y1_mm in segments:
            path.moveTo(*self._points(x0_mm, y0_mm))
            path.lineTo(*self._points(x1_mm, y1_mm))
        self._canvas.setLineWidth(width_mm * POINTS_PER_MM)
        self._canvas.setStrokeGray(grey)
        self._canvas.drawPath(path, stroke=1, fill=0)

    def text(
        self,
        x_mm: float,
        y_mm: float,
        text: str,
        size_pt: float,
        *,
        font: str = REGULAR,
        upward: bool = False,
    ) -> None:
        """Write one centred line; (x, y) is the middle of its base line."""
        self._canvas.saveState()
        self._canvas.setFillGray(0.0)
        self._canvas.setFont(font, size_pt)
        self._canvas.translate(*self._points(x_mm, y_mm))
        self._canvas.rotate(90.0 if upward else 0.0)
        self._canvas.drawCentredString(0.0, 0.0, text)
        self._canvas.restoreState()

    def _points(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        left_mm, top_mm = self._origin_mm
        return (left_mm + x_mm) * POINTS_PER_MM, (self._page_height_mm - top_mm - y_mm) * POINTS_PER_MM


def _pdf_bytes(target: Target, layout: SheetLayout) -> bytes:
    buffer = io.BytesIO()
    width_mm, height_mm = layout.page_mm
    canvas = Canvas(buffer, pagesize=(width_mm * POINTS_PER_MM, height_mm * POINTS_PER_MM), invariant=1)
    canvas.setTitle(f"Target {target.name}, {size_in_words(target)}, true scale")
    canvas.setAuthor("ridgewitness")
    canvas.setSubject(f"{target.family}, ids {ids_in_words(target)}. Print at 100 %.")
    # Asks the viewer's print dialog for actual size; not every viewer obeys, hence the bars.
    canvas.setViewerPreference("PrintScaling", "None")
    pen = _Pen(canvas, height_mm)
    _draw_face(pen.moved(layout.origin_mm), target)
    for bar in layout.bars:
        _draw_bar(pen, bar)
    for text in layout.texts:
        bottom_pt = (height_mm - text.top_mm - text.height_mm) * POINTS_PER_MM
        padding_pt = text.paragraph.style.borderPadding
        text.paragraph.drawOn(canvas, text.left_mm * POINTS_PER_MM, bottom_pt + padding_pt)
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _draw_face(pen: _Pen, target: Target) -> None:
    """Draw what stays when the sheet is trimmed; the pen's origin is the target's."""
    width_mm, height_mm = target.outline_mm
    corners = [(0.0, 0.0), (width_mm, 0.0), (width_mm, height_mm), (0.0, height_mm)]
    edges = [(*start, *end) for start, end in zip(corners, corners[1:] + corners[:1], strict=True)]
    pen.lines(edges, _HAIRLINE_MM, _GREY)
    for tag in target.tags:
        pen.fill(_black_quads(tag))
        _draw_id(pen, target, tag)
    kind = sheet_kind(target)
    if kind is SheetKind.STRIP and min(white_bands_mm(target)[1:]) >= _RULE_BAND_MM:
        _draw_rules(pen, target)
        _draw_top_line(pen, target, (0.5 * target.outline_mm[0], 17.0), 9.0, target.outline_mm[0])
    elif kind is SheetKind.CARD:
        _draw_card_label(pen, target)
    elif kind is SheetKind.PANEL:
        _draw_panel_label(pen, target)


def _black_quads(tag: Tag) -> list[NDArray[np.float64]]:
    """Return the black runs in the rows of a tag, in the target frame, each a quadrangle of shape (4, 2)."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    black = dictionary.generateImageMarker(tag.id, FAMILY_CELLS, borderBits=1) == 0
    top_left, top_right, _, bottom_left = tag.corners_mm()
    along, down = (top_right - top_left) / FAMILY_CELLS, (bottom_left - top_left) / FAMILY_CELLS
    quads = []
    for row, cells in enumerate(black):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], cells.astype(int), [0]])))
        for start, end in edges.reshape(-1, 2):
            corners = ((start, row), (end, row), (end, row + 1), (start, row + 1))
            quads.append(np.array([top_left + column * along + line * down for column, line in corners]))
    return quads


def _draw_id(pen: _Pen, target: Target, tag: Tag) -> None:
    """Write a tag's id below its white cell, unless something else is there."""
    size_pt = 6.0 + 5.0 * min(1.0, tag.size_mm / 220.0)
    cap_mm = _CAP_HEIGHT * size_pt / POINTS_PER_MM
    x_mm = tag.center_mm[0]
    base_mm = float(tag.corners_mm()[:, 1].max()) + tag.cell_mm + 0.4 + cap_mm
    if _is_clear(target, (x_mm - 2.0 * cap_mm, base_mm - cap_mm, x_mm + 2.0 * cap_mm, base_mm)):
        pen.text(x_mm, base_mm, str(tag.id), size_pt)


def _is_clear(target: Target, box_mm: tuple[float, float, float, float]) -> bool:
    """Return whether a box (left, top, right, bottom) is on the sheet and clear of the tags' white cells."""
    left_mm, top_mm, right_mm, bottom_mm = box_mm
    if min(left_mm, top_mm) < 0.0 or right_mm > target.outline_mm[0] or bottom_mm > target.outline_mm[1]:
        return False
    for tag in target.tags:
        corners = tag.corners_mm()
        x0_mm, y0_mm = corners.min(axis=0) - tag.cell_mm
        x1_mm, y1_mm = corners.max(axis=0) + tag.cell_mm
        if left_mm < x1_mm and x0_mm < right_mm and top_mm < y1_mm and y0_mm < bottom_mm:
            return False
    return True


def _draw_top_mark(pen: _Pen, x_mm: float, tip_mm: float, size_mm: float) -> None:
    corners = [
        (x_mm, tip_mm),
        (x_mm + 0.6 * size_mm, tip_mm + size_mm),
        (x_mm - 0.6 * size_mm, tip_mm + size_mm),
    ]
    pen.fill([np.array(corners)])


def _draw_card_label(pen: _Pen, target: Target) -> None:
    x_mm, y_mm = 0.5 * target.outline_mm[0], 0.5 * target.outline_mm[1]
    if not _is_clear(target, (x_mm - 20.0, y_mm - 22.0, x_mm + 20.0, y_mm + 18.0)):
        return
    _draw_top_mark(pen, x_mm, y_mm - 22.0, 5.0)
    pen.text(x_mm, y_mm - 12.5, "TOP", 8.0, font=BOLD)
    pen.text(x_mm, y_mm + 2.5, target.name, _fitting_pt(target.name, BOLD, 16.0, 40.0), font=BOLD)
    pen.text(x_mm, y_mm + 8.5, size_in_words(target), 7.0)
    ids = f"{target.family}, ids {ids_in_words(target)}"
    pen.text(x_mm, y_mm + 12.5, ids, _fitting_pt(ids, REGULAR, 7.0, 40.0))


def _fitting_pt(text: str, font: str, size_pt: float, room_mm: float) -> float:
    """Return the font size, made smaller if the text would be wider than its room."""
    width_pt: float = stringWidth(text, font, size_pt)
    return size_pt * min(1.0, room_mm * POINTS_PER_MM / width_pt)


def _draw_top_line(
    pen: _Pen, target: Target, base_mm: tuple[float, float], size_pt: float, room_mm: float
) -> None:
    """Write what the target is in one centred line, with the mark of its upper side before it."""
    parts = ("TOP", target.name, size_in_words(target), f"{target.family}, ids {ids_in_words(target)}")
    words = "     ".join(parts)
    size_pt = _fitting_pt(words, BOLD, size_pt, 0.9 * room_mm)
    pen.text(*base_mm, words, size_pt, font=BOLD)
    cap_mm = _CAP_HEIGHT * size_pt / POINTS_PER_MM
    left_mm = base_mm[0] - 0.5 * stringWidth(words, BOLD, size_pt) / POINTS_PER_MM
    _draw_top_mark(pen, left_mm - 1.5 * cap_mm, base_mm[1] - cap_mm, cap_mm)


def _draw_panel_label(pen: _Pen, target: Target) -> None:
    x_mm, y_mm = 0.5 * target.outline_mm[0], 0.5 * target.outline_mm[1]
    if _is_clear(target, (x_mm - 100.0, y_mm - 2.5, x_mm + 100.0, y_mm + 7.0)):
        _draw_top_line(pen, target, (x_mm, y_mm + 5.0), 12.0, 200.0)


def _draw_rules(pen: _Pen, target: Target) -> None:
    """Draw an inch scale along the upper edge and a millimetre scale along the lower."""
    width_mm, height_mm = target.outline_mm
    inches = [
        (index * _IN_MM / 16.0, _inch_tick_mm(index)) for index in range(int(16.0 * width_mm / _IN_MM) + 1)
    ]
    pen.lines([(x_mm, 0.0, x_mm, tick_mm) for x_mm, tick_mm in inches], _HAIRLINE_MM)
    millimetres = [(float(index), _millimetre_tick_mm(index)) for index in range(int(width_mm) + 1)]
    pen.lines([(x_mm, height_mm, x_mm, height_mm - tick_mm) for x_mm, tick_mm in millimetres], _HAIRLINE_MM)
    for inch in range(1, int(width_mm / _IN_MM) + 1):
        pen.text(inch * _IN_MM, 9.2, str(inch), 7.0, font=BOLD if inch % 12 == 0 else REGULAR)
    for ten in range(10, int(width_mm), 10):
        pen.text(float(ten), height_mm - 7.2, str(ten), 5.5, font=BOLD if ten % 100 == 0 else REGULAR)
    pen.text(4.5, 9.2, "in", 7.0)
    pen.text(4.5, height_mm - 7.2, "mm", 5.5)


def _inch_tick_mm(sixteenth: int) -> float:
    for divisor, tick_mm in ((16, 6.0), (8, 5.0), (4, 4.0), (2, 3.0)):
        if sixteenth % divisor == 0:
            return tick_mm
    return 2.0


def _millimetre_tick_mm(millimetre: int) -> float:
    if millimetre % 10 == 0:
        return 6.0
    return 4.5 if millimetre % 5 == 0 else 3.0


def _draw_bar(pen: _Pen, bar: Bar) -> None:
    """Draw a bar with ticks every 10 mm on the inner side and numbers on the outer."""
    along = (1.0, 0.0) if bar.name == "X" else (0.0, -1.0)
    inward = (0.0, -1.0) if bar.name == "X" else (1.0, 0.0)

    def place(along_mm: float, inward_mm: float) -> tuple[float, float]:
        return (
            bar.start_mm[0] + along_mm * along[0] + inward_mm * inward[0],
            bar.start_mm[1] + along_mm * along[1] + inward_mm * inward[1],
        )

    length_mm = round(bar.length_mm)
    ticks = [(*place(0.0, 0.0), *place(length_mm, 0.0))]
    for at_mm in range(0, length_mm + 1, 10):
        tick_mm = _LONG_TICK_MM if at_mm % 50 == 0 else _TICK_MM
        tick_mm = _END_TICK_MM if at_mm in (0, length_mm) else tick_mm
        ticks.append((*place(at_mm, 0.0), *place(at_mm, tick_mm)))
    pen.lines(ticks, _LINE_MM)
    upward = bar.name == "Y"
    for at_mm in range(50, length_mm - 25, 50):
        pen.text(*place(at_mm, -3.2), str(at_mm), 6.0, upward=upward)
    pen.text(*place(length_mm, -3.2), f"{bar.name} {length_mm} mm", 6.0, font=BOLD, upward=upward)
