"""Where everything goes on a printed sheet: the target, the two check bars, the notes.

Page frame: mm, x right, y down, origin at the page's top-left corner. A card or strip has bars and notes
beside it on the sheet; a panel fills its sheet, so that they stand in the white bands inside its outline.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from reportlab.lib.fonts import addMapping
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Paragraph

from calib.errors import TargetError
from calib.papers import Paper, papers
from calib.sheet_notes import Note, SheetKind, SheetNotes, sheet_kind, sheet_notes, size_in_words
from calib.targets import Target

# The unit of PDF is the point, 1/72 in.
POINTS_PER_MM = 72.0 / 25.4

# Fonts that come with the PDF library; embedded, so that every print shop gets the same text.
REGULAR, BOLD = "Vera", "VeraBd"

# Room that a bar with its ticks and numbers takes, and where its base line runs in it, from the frame's edge.
BAR_ROOM_MM = 12.0
_BAR_LINE_MM = 6.5
# Left free beyond a bar's far end for its last number; bars are whole multiples of the step.
_BAR_END_MM = 4.0
_BAR_STEP_MM = 10.0

_GAP_MM = 6.0
_COLUMN_MIN_MM, _COLUMN_MM, _COLUMN_MAX_MM = 50.0, 85.0, 100.0
# White bands that a panel needs inside its outline: left for bar Y; above for the notes; below for bar X.
_SIDE_BAND_MM, _HEAD_BAND_MM, _HEAD_INSET_MM = 11.0, 14.0, 2.5
# A panel's outline may come this close to the edge of its sheet.
_TRIM_MM = 4.0


@dataclass(frozen=True, slots=True)
class Bar:
    """A line of known length on the page, from the corner that both bars share.

    Attributes
    ----------
    name : str
        X along the page's width, Y along its height.
    start_mm : tuple of float
        Zero end on the page, mm.
    length_mm : float
        Length between the middles of the two end lines, mm.
    """

    name: str
    start_mm: tuple[float, float]
    length_mm: float


@dataclass(frozen=True, slots=True)
class PlacedText:
    """A paragraph with its place: left, top and height on the page, mm."""

    paragraph: Paragraph
    left_mm: float
    top_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True)
class SheetLayout:
    """One page, laid out.

    Attributes
    ----------
    page_mm : tuple of float
        Width and height of the page, mm.
    origin_mm : tuple of float
        The target's top-left corner on the page, mm.
    bars : tuple of Bar
        Bars X and Y.
    texts : tuple of PlacedText
        Title, caution and steps.
    """

    page_mm: tuple[float, float]
    origin_mm: tuple[float, float]
    bars: tuple[Bar, Bar]
    texts: tuple[PlacedText, ...]


@dataclass(frozen=True, slots=True)
class _Box:
    left_mm: float
    top_mm: float
    right_mm: float
    bottom_mm: float

    @property
    def width_mm(self) -> float:
        return self.right_mm - self.left_mm

    def columns(self, count: int, width_limit_mm: float = math.inf) -> list["_Box"]:
        width_mm = min((self.width_mm - _GAP_MM * (count - 1)) / count, width_limit_mm)
        lefts_mm = [self.left_mm + index * (width_mm + _GAP_MM) for index in range(count)]
        return [_Box(left, self.top_mm, left + width_mm, self.bottom_mm) for left in lefts_mm]


def lay_out(target: Target, paper: Paper) -> SheetLayout:
    """Lay a target out on a paper.

    Parameters
    ----------
    target : Target
        The target as drawn.
    paper : Paper
        The sheet.

    Returns
    -------
    SheetLayout
        The page.

    Raises
    ------
    TargetError
        If the paper cannot hold it at true scale; the message lists those that can.
    """
    layout = next(_layouts(target, paper), None)
    if layout is not None:
        return layout
    fitting = [other.name for other in papers() if next(_layouts(target, other), None)]
    advice = f"papers that can: {', '.join(fitting)}" if fitting else "no known paper can"
    msg = (
        f"{paper.title} cannot hold the target {target.name!r} ({size_in_words(target)}) with its bars and "
        f"notes at true scale; {advice}"
    )
    raise TargetError(msg)


def register_fonts() -> None:
    """Make the two fonts known to the PDF library."""
    pdfmetrics.registerFont(TTFont(REGULAR, f"{REGULAR}.ttf"))
    pdfmetrics.registerFont(TTFont(BOLD, f"{BOLD}.ttf"))
    addMapping(REGULAR, 0, 0, REGULAR)
    addMapping(REGULAR, 1, 0, BOLD)


def white_bands_mm(target: Target) -> tuple[float, float, float]:
    """Return the widths of the white bands left, above and below the tags and their white cells, mm."""
    cell_mm = max(tag.cell_mm for tag in target.tags)
    corners = target.corners_mm()
    left_mm, top_mm = corners.min(axis=0)
    return (
        float(left_mm - cell_mm),
        float(top_mm - cell_mm),
        float(target.outline_mm[1] - corners[:, 1].max() - cell_mm),
    )


def _layouts(target: Target, paper: Paper) -> Iterator[SheetLayout]:
    """Yield the layouts that fit, best first."""
    register_fonts()
    inside = sheet_kind(target) is SheetKind.PANEL and _has_bands(target)
    lay = _lay_inside if inside else _lay_beside
    for page_mm in _pages(target, paper, inside):
        layout = lay(target, paper, page_mm)
        if layout is not None:
            yield layout


def _pages(target: Target, paper: Paper, inside: bool) -> list[tuple[float, float]]:
    """Return the page sizes to try: landscape before portrait; for a roll, the shorter length first."""
    if paper.long_mm is not None:
        return [(paper.long_mm, paper.short_mm), (paper.short_mm, paper.long_mm)]
    width_mm, height_mm = target.outline_mm
    if inside:
        extra_mm = 2.0 * paper.margin_mm
        pages = [(paper.short_mm, height_mm + extra_mm), (width_mm + extra_mm, paper.short_mm)]
        return sorted(pages, key=lambda page_mm: page_mm[0] * page_mm[1])
    return [(width_mm + BAR_ROOM_MM + 2.0 * paper.margin_mm, paper.short_mm)]


def _has_bands(target: Target) -> bool:
    left_mm, above_mm, below_mm = white_bands_mm(target)
    return left_mm >= _SIDE_BAND_MM and min(above_mm, below_mm) >= _HEAD_BAND_MM


def _lay_inside(target: Target, paper: Paper, page_mm: tuple[float, float]) -> SheetLayout | None:
    """Return the layout of a panel: everything in the white bands of its own outline."""
    origin_mm = (0.5 * (page_mm[0] - target.outline_mm[0]), 0.5 * (page_mm[1] - target.outline_mm[1]))
    if min(origin_mm) < _TRIM_MM:
        return None
    left_mm, top_mm = origin_mm
    frame = _Box(left_mm, top_mm, left_mm + target.outline_mm[0], top_mm + target.outline_mm[1])
    bars = _bars(frame)
    notes = sheet_notes(target, paper.name, paper.title, (bars[0].length_mm, bars[1].length_mm))
    head_top_mm, head_bottom_mm = top_mm + _HEAD_INSET_MM, top_mm + white_bands_mm(target)[1]
    title = _Box(left_mm + BAR_ROOM_MM, head_top_mm, left_mm + BAR_ROOM_MM + _COLUMN_MM, head_bottom_mm)
    head = _Box(title.right_mm + _GAP_MM, head_top_mm, frame.right_mm - _GAP_MM, head_bottom_mm)
    blocks = [_inline_block(note, 8.0) for note in (*notes.steps, notes.caution)]
    texts = _one_each(
        [_title_block(notes.title, 14.0, 8.0, line_break=", "), *blocks], [title, *head.columns(len(blocks))]
    )
    return None if texts is None else SheetLayout(page_mm, origin_mm, bars, texts)


def _lay_beside(target: Target, paper: Paper, page_mm: tuple[float, float]) -> SheetLayout | None:
    """Return the layout of a card or strip: bars along the page's left and bottom edges, notes around."""
    margin_mm = paper.margin_mm
    frame = _Box(margin_mm, margin_mm, page_mm[0] - margin_mm, page_mm[1] - margin_mm)
    free = _Box(frame.left_mm + BAR_ROOM_MM, frame.top_mm, frame.right_mm, frame.bottom_mm - BAR_ROOM_MM)
    right_mm, bottom_mm = free.left_mm + target.outline_mm[0], free.top_mm + target.outline_mm[1]
    if right_mm > free.right_mm + 1e-9 or bottom_mm > free.bottom_mm:
        return None
    bars = _bars(frame)
    notes = sheet_notes(target, paper.name, paper.title, (bars[0].length_mm, bars[1].length_mm))
    beside = _Box(right_mm + _GAP_MM, free.top_mm, free.right_mm, free.bottom_mm)
    below = _Box(free.left_mm, bottom_mm + _GAP_MM, right_mm, free.bottom_mm)
    texts = _place_notes(notes, beside, below, 7.2 if paper.is_office else 9.0)
    return None if texts is None else SheetLayout(page_mm, (free.left_mm, free.top_mm), bars, texts)


def _bars(frame: _Box) -> tuple[Bar, Bar]:
    """Return both bars, as long as the frame allows, from their common corner at its bottom left."""
    start_mm = (frame.left_mm + _BAR_LINE_MM, frame.bottom_mm - _BAR_LINE_MM)
    across_mm = frame.right_mm - start_mm[0] - _BAR_END_MM
    up_mm = start_mm[1] - frame.top_mm - _BAR_END_MM
    lengths_mm = [_BAR_STEP_MM * math.floor(room_mm / _BAR_STEP_MM) for room_mm in (across_mm, up_mm)]
    return Bar("X", start_mm, lengths_mm[0]), Bar("Y", start_mm, lengths_mm[1])


def _place_notes(
    notes: SheetNotes, beside: _Box, below: _Box, text_pt: float
) -> tuple[PlacedText, ...] | None:
    """Place title and caution beside the target and the steps below it, or all of them on one side."""
    aside = [_title_block(notes.title, 2.4 * text_pt, text_pt), _caution_block(notes.caution, text_pt)]
    steps = [_block(note, text_pt) for note in notes.steps]
    beside_columns, below_columns = _columns(beside), _columns(below)
    both = _flow(aside, beside_columns), _one_each(steps, below.columns(len(steps), _COLUMN_MAX_MM))
    if both[0] is not None and both[1] is not None:
        return both[0] + both[1]
    return _flow(aside + steps, below_columns) or _flow(aside + steps, beside_columns)


def _columns(box: _Box) -> list[_Box]:
    if box.width_mm < _COLUMN_MIN_MM:
        return []
    count = max(1, round((box.width_mm + _GAP_MM) / (_COLUMN_MM + _GAP_MM)))
    return box.columns(count, _COLUMN_MAX_MM)


def _flow(blocks: Sequence[Paragraph], columns: Sequence[_Box]) -> tuple[PlacedText, ...] | None:
    """Fill columns with blocks from the top, none of them broken; None if they do not fit."""
    placed = []
    remaining = iter(columns)
    column = next(remaining, None)
    top_mm = column.top_mm if column else 0.0
    for block in blocks:
        while column is not None:
            height_mm = _height_mm(block, column.width_mm)
            if top_mm + height_mm <= column.bottom_mm:
                break
            column = next(remaining, None)
            top_mm = column.top_mm if column else 0.0
        if column is None:
            return None
        placed.append(PlacedText(block, column.left_mm, top_mm, height_mm))
        top_mm += height_mm + _GAP_MM
    return tuple(placed)


def _one_each(blocks: Sequence[Paragraph], columns: Sequence[_Box]) -> tuple[PlacedText, ...] | None:
    """Place every block at the top of a column of its own; None if one does not fit."""
    heights_mm = [_height_mm(block, column.width_mm) for block, column in zip(blocks, columns, strict=True)]
    if any(
        height > column.bottom_mm - column.top_mm for height, column in zip(heights_mm, columns, strict=True)
    ):
        return None
    return tuple(
        PlacedText(block, column.left_mm, column.top_mm, height)
        for block, column, height in zip(blocks, columns, heights_mm, strict=True)
    )


def _height_mm(block: Paragraph, width_mm: float) -> float:
    """Break a block into lines of that width; return its height."""
    padding_pt = block.style.borderPadding
    return float((block.wrap(width_mm * POINTS_PER_MM, math.inf)[1] + 2.0 * padding_pt) / POINTS_PER_MM)


def _style(text_pt: float, **changes: object) -> ParagraphStyle:
    # autoLeading makes room for the larger first line of a title.
    return ParagraphStyle(
        "note", fontName=REGULAR, fontSize=text_pt, leading=1.32 * text_pt, autoLeading="max", **changes
    )


def _markup(text: str) -> str:
    return escape(text).replace("\n", "<br/>")


def _block(note: Note, text_pt: float) -> Paragraph:
    return Paragraph(f"<b>{_markup(note.heading)}</b><br/>{_markup(note.text)}", _style(text_pt))


def _caution_block(note: Note, text_pt: float) -> Paragraph:
    """Return a block in a frame; the indents keep the frame within the column."""
    frame = {"borderPadding": text_pt, "leftIndent": text_pt, "rightIndent": text_pt}
    style = _style(text_pt, borderWidth=0.75, borderColor="black", **frame)
    return Paragraph(f"<b>{_markup(note.heading)}</b><br/>{_markup(note.text)}", style)


def _inline_block(note: Note, text_pt: float) -> Paragraph:
    text = note.text.replace("\n", "   ")
    return Paragraph(f"<b>{_markup(note.heading)}.</b> {_markup(text)}", _style(text_pt))


def _title_block(note: Note, title_pt: float, text_pt: float, line_break: str = "\n") -> Paragraph:
    heading = f'<font size="{title_pt}"><b>{_markup(note.heading)}</b></font>'
    return Paragraph(f"{heading}<br/>{_markup(note.text.replace(chr(10), line_break))}", _style(text_pt))
