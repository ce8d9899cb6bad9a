"""A page to draw on in mm from its top-left corner, y down, with the few shapes that a work sheet needs."""

from typing import Literal

from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas

from calib.lengths import Units, format_feet_inches, format_metric
from calib.sheet_layout import BOLD, REGULAR, register_fonts

MM_PER_PT = 25.4 / 72.0
MARGIN_MM = 10.0

_LINE_SPACING = 1.22
_BAND_GREY = 0.90


def shown(length_mm: float | None, units: Units) -> str:
    """Return a length as a sheet shows it: to 1/16 in, or mm without needless decimals; a dash for none."""
    if length_mm is None:
        return "–"
    if units == "imperial":
        return format_feet_inches(length_mm)
    is_whole = abs(length_mm - round(length_mm)) < 0.05
    return format_metric(length_mm, 0 if is_whole else 1).removesuffix(" mm")


class SheetPage:
    """One page of a PDF, in mm with y down; black on white."""

    def __init__(self, canvas: Canvas, size_pt: tuple[float, float]) -> None:
        register_fonts()
        self.canvas = canvas
        self.width_mm, self.height_mm = (side * MM_PER_PT for side in size_pt)

    def text_width(self, words: str, size_pt: float, *, bold: bool = False) -> float:
        """Return how wide a text is, in mm."""
        return float(pdfmetrics.stringWidth(words, BOLD if bold else REGULAR, size_pt)) * MM_PER_PT

    def fitting(self, words: str, size_pt: float, width_mm: float, *, bold: bool = False) -> float:
        """Return the type size, at most the given one, with which a text fits a width."""
        natural_mm = self.text_width(words, size_pt, bold=bold)
        return size_pt if natural_mm <= width_mm else max(4.0, size_pt * width_mm / natural_mm)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size_pt: float,
        *,
        bold: bool = False,
        align: Literal["left", "middle", "right"] = "left",
    ) -> None:
        """Write one line with its base line at y."""
        self.canvas.setFont(BOLD if bold else REGULAR, size_pt)
        self.canvas.setFillGray(0.0)
        write = {
            "left": self.canvas.drawString,
            "middle": self.canvas.drawCentredString,
            "right": self.canvas.drawRightString,
        }[align]
        write(*self._point(x, y), words)

    def paragraph(self, x: float, y: float, words: str, size_pt: float, width_mm: float) -> float:
        """Write wrapped lines, the first with its base line at y; return the next base line."""
        for line in simpleSplit(words, REGULAR, size_pt, width_mm / MM_PER_PT):
            self.text(x, y, line, size_pt)
            y += size_pt * MM_PER_PT * _LINE_SPACING
        return y

    def line(
        self, x1: float, y1: float, x2: float, y2: float, width_mm: float = 0.3, *, dashed: bool = False
    ) -> None:
        """Draw a straight line."""
        self._pen(width_mm, dashed=dashed)
        self.canvas.line(*self._point(x1, y1), *self._point(x2, y2))

    def box(
        self, x: float, y: float, width: float, height: float, line_mm: float = 0.3, grey: float | None = None
    ) -> None:
        """Draw a rectangle from its top-left corner, filled with a grey (0 black, 1 white) if given."""
        self._pen(line_mm)
        if grey is not None:
            self.canvas.setFillGray(grey)
        corner = self._point(x, y + height)
        sides = width / MM_PER_PT, height / MM_PER_PT
        self.canvas.rect(*corner, *sides, stroke=1, fill=0 if grey is None else 1)

    def band(self, x: float, y: float, width: float, height: float) -> None:
        """Draw a pale band that leads the eye along a row."""
        self.canvas.setFillGray(_BAND_GREY)
        corner = self._point(x, y + height)
        self.canvas.rect(*corner, width / MM_PER_PT, height / MM_PER_PT, stroke=0, fill=1)

    def dot(self, x: float, y: float, radius_mm: float) -> None:
        """Draw a filled dot."""
        self.canvas.setFillGray(0.0)
        self.canvas.circle(*self._point(x, y), radius_mm / MM_PER_PT, stroke=0, fill=1)

    def hatch(self, x: float, y: float, width: float, height: float, step_mm: float = 1.6) -> None:
        """Hatch a rectangle with slanted lines."""
        self._pen(0.2)
        offset = step_mm - height
        while offset < width:
            low, high = max(offset, 0.0), min(offset + height, width)
            start = self._point(x + low, y + height - (low - offset))
            end = self._point(x + high, y + height - (high - offset))
            self.canvas.line(*start, *end)
            offset += step_mm

    def across(self, x1: float, x2: float, y: float, words: str, size_pt: float = 9.0) -> None:
        """Draw a dimension line from x1 to x2 with its length written in its middle or beside it."""
        self.line(x1, y, x2, y, 0.25)
        for x in (x1, x2):
            self.line(x, y - 1.2, x, y + 1.2, 0.25)
        self.text((x1 + x2) / 2.0, y - 1.0, words, size_pt, bold=True, align="middle")

    def _pen(self, width_mm: float, *, dashed: bool = False) -> None:
        self.canvas.setStrokeGray(0.0)
        self.canvas.setLineWidth(width_mm / MM_PER_PT)
        self.canvas.setDash([1.6 / MM_PER_PT, 1.1 / MM_PER_PT] if dashed else [])

    def _point(self, x: float, y: float) -> tuple[float, float]:
        return x / MM_PER_PT, (self.height_mm - y) / MM_PER_PT
