"""The five marks for what is known of a place: each has its own shape, word and ink.

Inks after M. Okabe, K. Ito, "Color Universal Design", 2008: told apart with every kind of colour vision.
"""

from reportlab.lib.colors import Color, HexColor
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from webui.findings import Status
from webui.report.look import BOLD, INK, PAPER, REGULAR, SOFT

INKS: dict[Status, Color] = {
    Status.MEETS: HexColor(0x0072B2),
    Status.DOES_NOT_MEET: HexColor(0xC44E00),
    Status.CANNOT_TELL: HexColor(0x9A6A00),
    Status.DOCUMENTED: HexColor(0x55616D),
    Status.NO_PHOTO: HexColor(0x55616D),
}


def draw_mark(canvas: Canvas, x: float, y: float, size: float, status: Status) -> None:
    """Draw a mark of a height, in points, about its middle."""
    half, ink = size / 2.0, INKS[status]
    canvas.saveState()
    canvas.setStrokeColor(ink)
    canvas.setFillColor(ink)
    canvas.setLineWidth(0.13 * size)
    canvas.setLineCap(1)
    match status:
        case Status.MEETS:
            canvas.circle(x, y, half, stroke=0, fill=1)
            canvas.setStrokeColor(PAPER)
            _polyline(
                canvas,
                [(x - 0.48 * half, y), (x - 0.12 * half, y - 0.4 * half), (x + 0.5 * half, y + 0.42 * half)],
            )
        case Status.DOES_NOT_MEET:
            canvas.rect(x - 0.92 * half, y - 0.92 * half, 1.84 * half, 1.84 * half, stroke=0, fill=1)
            canvas.setStrokeColor(PAPER)
            arm = 0.45 * half
            canvas.line(x - arm, y - arm, x + arm, y + arm)
            canvas.line(x - arm, y + arm, x + arm, y - arm)
        case Status.CANNOT_TELL:
            _triangle(canvas, x, y, half)
        case Status.DOCUMENTED:
            canvas.circle(x, y, 0.85 * half, stroke=1, fill=0)
            canvas.circle(x, y, 0.3 * half, stroke=0, fill=1)
        case Status.NO_PHOTO:
            canvas.setLineWidth(0.09 * size)
            canvas.setDash([0.16 * size, 0.16 * size])
            canvas.setLineCap(0)
            canvas.rect(x - 0.85 * half, y - 0.85 * half, 1.7 * half, 1.7 * half, stroke=1, fill=0)
    canvas.restoreState()


def _triangle(canvas: Canvas, x: float, y: float, half: float) -> None:
    """Draw a triangle with a white question mark."""
    path = canvas.beginPath()
    path.moveTo(x, y + 1.05 * half)
    path.lineTo(x + 1.12 * half, y - 0.9 * half)
    path.lineTo(x - 1.12 * half, y - 0.9 * half)
    path.close()
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.setFillColor(PAPER)
    canvas.setFont(BOLD, 1.25 * half)
    canvas.drawCentredString(x, y - 0.72 * half, "?")


def _polyline(canvas: Canvas, corners: list[tuple[float, float]]) -> None:
    path = canvas.beginPath()
    path.moveTo(*corners[0])
    for corner in corners[1:]:
        path.lineTo(*corner)
    canvas.drawPath(path, stroke=1, fill=0)


class Mark(Flowable):
    """A mark with its word, for a cell or a line of its own."""

    def __init__(self, status: Status, size_pt: float = 7.4, aside: str = "") -> None:
        super().__init__()
        self._status, self._size, self._aside = status, size_pt, aside
        self._word = str(status)

    def wrap(self, *_: float) -> tuple[float, float]:
        """Return its width and height."""
        width = 1.5 * self._size + stringWidth(self._word, BOLD, self._size)
        width += stringWidth(self._aside, REGULAR, self._size)
        return width, 1.3 * self._size

    def draw(self) -> None:
        """Draw it with the lower left corner at the origin."""
        canvas, size = self.canv, self._size
        draw_mark(canvas, 0.5 * size, 0.62 * size, size, self._status)
        canvas.setFont(BOLD, size)
        canvas.setFillColor(INKS[self._status])
        canvas.drawString(1.45 * size, 0.3 * size, self._word)
        if self._aside:
            canvas.setFont(REGULAR, size)
            canvas.setFillColor(SOFT)
            canvas.drawString(1.45 * size + stringWidth(self._word, BOLD, size), 0.3 * size, self._aside)
        canvas.setFillColor(INK)
