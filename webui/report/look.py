"""How the report looks: fonts, inks, type sizes, paragraphs, tables; one quiet style for every page.

Inks carry meaning only for a status, and never alone: shape and word say the same.
"""

import re
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color, HexColor, white
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.fonts import addMapping
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import CondPageBreak, Flowable, Table, TableStyle

from webui.report.tags import TaggedParagraph

# Fonts that come with the PDF library; embedded, so that every viewer shows the same.
REGULAR, BOLD, ITALIC = "Vera", "VeraBd", "VeraIt"

INK, SOFT, LINE, WASH = HexColor(0x1B2530), HexColor(0x55616D), HexColor(0xC4CCD4), HexColor(0xF2F4F6)
METAL, METAL_DARK = HexColor(0xEEF1F4), HexColor(0xDCE2E8)

POINTS_PER_MM = 72.0 / 25.4
BODY_PT, SMALL_PT = 8.0, 6.8
_ROOM_BELOW_HEADING_MM = 32.0


def register_fonts() -> None:
    """Make the three fonts known to the PDF library."""
    for name in (REGULAR, BOLD, ITALIC):
        pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))
    for bold, italic, name in ((0, 0, REGULAR), (1, 0, BOLD), (0, 1, ITALIC), (1, 1, BOLD)):
        addMapping(REGULAR, bold, italic, name)


def _style(name: str, size_pt: float, role: str = "P", **more: Any) -> ParagraphStyle:
    values = {"fontName": REGULAR, "fontSize": size_pt, "leading": 1.38 * size_pt, "textColor": INK}
    return ParagraphStyle(name, **(values | more), role=role)


TITLE = _style("title", 22.0, "H1", fontName=BOLD, leading=27.0)
CHAPTER = _style("chapter", 14.0, "H1", fontName=BOLD, leading=18.0, spaceAfter=6.0)
HEADING = _style("heading", 9.6, "H2", fontName=BOLD, spaceBefore=11.0, spaceAfter=4.0)
BODY = _style("body", BODY_PT, spaceAfter=4.0)
LEAD = _style("lead", 10.0, leading=15.0, spaceAfter=6.0)
SMALL = _style("small", SMALL_PT, textColor=SOFT)
CELL = _style("cell", 7.4, leading=9.6)
CELL_RIGHT = _style("cell right", 7.4, leading=9.6, alignment=TA_RIGHT)
HEAD_CELL = _style("head cell", 6.8, fontName=BOLD, textColor=SOFT, leading=9.0)
HEAD_RIGHT = _style("head cell right", 6.8, fontName=BOLD, textColor=SOFT, leading=9.0, alignment=TA_RIGHT)


def text(words: object, style: ParagraphStyle = BODY) -> Flowable:
    """Return a paragraph of plain words."""
    return TaggedParagraph(printable(str(words)), style)


def marked_up(words: str, style: ParagraphStyle = BODY) -> Flowable:
    """Return a paragraph of words with the PDF library's few marks; every value in it must be printable."""
    return TaggedParagraph(words, style)


def heading(words: str) -> list[Flowable]:
    """Return a heading that starts a new page rather than standing alone at the foot of one."""
    return [CondPageBreak(_ROOM_BELOW_HEADING_MM * POINTS_PER_MM), text(words, HEADING)]


def points(sentences: Sequence[str], style: ParagraphStyle = BODY) -> list[Flowable]:
    """Return sentences as a list, each with its dot."""
    hanging = ParagraphStyle(f"{style.name} point", style, leftIndent=9.0, bulletIndent=0.0)
    return [TaggedParagraph(printable(each), hanging, bulletText="•") for each in sentences]


def printable(words: str) -> str:
    """Return a text as the PDF library takes it; what the font has no sign for is written as its number."""
    known = pdfmetrics.getFont(REGULAR).face.charToGlyph
    plain = re.sub(r"[\x00-\x08\x0b-\x1f\x7f]", " ", words)
    return escape("".join(c if ord(c) in known or c in "\t\n" else f"[U+{ord(c):04X}]" for c in plain))


def table(
    head: Sequence[str],
    rows: Sequence[Sequence[object]],
    widths_mm: Sequence[float],
    *,
    right: Sequence[int] = (),
    extra: Sequence[tuple[Any, ...]] = (),
) -> Table:
    """Return a table with a repeated head, thin lines between its rows, and numbers to the right.

    Parameters
    ----------
    head : sequence of str
        Heads of the columns.
    rows : sequence of sequences
        Texts, or flowables.
    widths_mm : sequence of float
        Widths of the columns.
    right : sequence of int
        Columns set to the right.
    extra : sequence of tuple
        Further commands of the PDF library's table style.
    """
    top = [text(words, HEAD_RIGHT if i in right else HEAD_CELL) for i, words in enumerate(head)]
    body = [
        [
            each if isinstance(each, Flowable | list) else text(each, CELL_RIGHT if i in right else CELL)
            for i, each in enumerate(row)
        ]
        for row in rows
    ]
    made = Table([top, *body], [width * POINTS_PER_MM for width in widths_mm], repeatRows=1, hAlign="LEFT")
    made.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0.0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 5.0),
                ("TOPPADDING", (0, 0), (-1, -1), 2.2),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2.6),
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, INK),
                ("LINEBELOW", (0, 1), (-1, -1), 0.35, LINE),
                *extra,
            ]
        )
    )
    return made


def columns(
    rows: Sequence[Sequence[Any]], widths_mm: Sequence[float], *, gap_pt: float = 0.0, align: str = "TOP"
) -> Table:
    """Return flowables side by side, without lines; rows stand apart by a gap."""
    made = Table([list(row) for row in rows], [width * POINTS_PER_MM for width in widths_mm], hAlign="LEFT")
    sides = [(f"{side}PADDING", (0, 0), (-1, -1), 0.0) for side in ("LEFT", "RIGHT", "TOP")]
    made.setStyle(
        TableStyle([("VALIGN", (0, 0), (-1, -1), align), *sides, ("BOTTOMPADDING", (0, 0), (-1, -1), gap_pt)])
    )
    return made


def boxed(content: Sequence[Flowable], width_mm: float, edge: Color = SOFT) -> Table:
    """Return content in a box with a bold left edge."""
    box = Table([[list(content)]], [width_mm * POINTS_PER_MM], hAlign="LEFT")
    box.setStyle(
        TableStyle(
            [
                ("BACKGROUND", (0, 0), (-1, -1), WASH),
                ("LINEBEFORE", (0, 0), (0, -1), 2.4, edge),
                ("LEFTPADDING", (0, 0), (-1, -1), 9.0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 8.0),
                ("TOPPADDING", (0, 0), (-1, -1), 6.0),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 4.0),
            ]
        )
    )
    return box


def lines(words: str, style: ParagraphStyle = CELL) -> Flowable:
    """Return a paragraph whose second and later lines are soft."""
    first, *rest = (printable(line) for line in words.split("\n"))
    soft = "".join(f'<br/><font color="{_hex(SOFT)}" size="{SMALL_PT - 0.4}">{line}</font>' for line in rest)
    return marked_up(first + soft, style)


def _hex(ink: Color) -> str:
    return f"#{ink.hexval()[2:]}"


PAPER = white
