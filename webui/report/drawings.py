"""Photos on the page with what was found drawn on them as vectors: close-ups, flanges to scale, ridge photos.

Everything drawn on a photo has a white edge, so that it stands out on light and dark metal alike.
"""

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.colors import HexColor
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from webui.findings import rivet_numbers
from webui.report.look import BOLD, INK, LINE, PAPER, POINTS_PER_MM, REGULAR, SOFT
from webui.report.pages import Figure
from webui.report.pictures import Jpeg, Upright, crop, flattened, jpeg
from webui.shown import Shown

_DRAWN = HexColor(0x0072B2)
_DOTS_PER_MM = 150.0 / 25.4
# Scales that a draughtsman's rule has, or nearly (common practice, no source).
_SCALES = (2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0)
_RULER_MM = 8.0
# What is shown of a flange beyond what was found on it, mm on the flange.
_MARGIN_MM, _HEM_ROOM_MM = 60.0, 20.0


class Picture(Figure):
    """A photo filling a width, with a pen for its own pixels."""

    def __init__(self, picture: Jpeg, scale: float, width_mm: float, alt: str) -> None:
        super().__init__(width_mm, width_mm * picture.height / picture.width)
        self._picture, self.alt = picture, alt
        self.points_per_px = self.width / picture.width * scale

    def paint(self, canvas: Canvas) -> None:
        """Draw the photo."""
        _place(canvas, self._picture, 0.0, 0.0, self.width, self.height)

    def at(self, px: Sequence[float]) -> tuple[float, float]:
        """Return where a full photo's pixel lies, points."""
        return (px[0] + 0.5) * self.points_per_px, self.height - (px[1] + 0.5) * self.points_per_px


class CloseUpPicture(Picture):
    """A close-up with its rivets numbered, the lap's edge, and the target's outline."""

    def __init__(
        self, picture: Jpeg, scale: float, width_mm: float, audits: Sequence[Mapping[str, Any]], alt: str
    ) -> None:
        super().__init__(picture, scale, width_mm, alt)
        self._audits = audits

    def paint(self, canvas: Canvas) -> None:
        """Draw the photo and what was found in it."""
        super().paint(canvas)
        _clip(canvas, self.width, self.height)
        for audit in self._audits:
            if audit["lap"] is not None:
                _edge(canvas, [self.at(px) for px in audit["lap"]["edge_px"]])
            for number, rivet in zip(rivet_numbers(audit), audit["rivets"], strict=True):
                _numbered(canvas, *self.at(rivet["px"]), number, 5.0)


@dataclass(frozen=True, slots=True, eq=False)
class FlangeView:
    """How a flange lies on the page.

    Attributes
    ----------
    picture : Jpeg
        The flange seen straight on.
    page_from_mm : ndarray of shape (3, 3)
        Takes plane mm to mm on the page, from the picture's top-left corner.
    size_mm : tuple of float
        Width and height on the page.
    scale : float
        mm on the flange per mm on the page.
    """

    picture: Jpeg
    page_from_mm: NDArray[np.float64]
    size_mm: tuple[float, float]
    scale: float


def view_flange(
    photo: Upright,
    flange: Mapping[str, Any],
    audit: Mapping[str, Any],
    width_mm: float,
    most_bytes: int,
) -> FlangeView:
    """Flatten a flange, as far as something was found on it, to a scale that fits a width.

    Parameters
    ----------
    photo : Upright
        The photo.
    flange : mapping
        Polygon, direction and map of the flange, as the work leaves them for drawings.
    audit : mapping
        What was found on it.
    width_mm : float
        Room on the page.
    most_bytes : int
        Size of the picture at most.
    """
    along = np.array(flange["along"], dtype=float)
    to_px = np.array(flange["px_from_mm"], dtype=float)
    polygon = np.array(flange["polygon_mm"], dtype=float)
    if _map(to_px, polygon.mean(axis=0) + along)[0] < _map(to_px, polygon.mean(axis=0))[0]:
        along = -along  # as the photo shows it: left stays left
    turn = np.array([along, [-along[1], along[0]]])
    low, high = _bounds(turn, polygon, flange, audit)
    extent = high - low
    scale = next((each for each in _SCALES if extent[0] / each <= width_mm), extent[0] / width_mm)
    page = np.eye(3)
    page[:2, :2], page[:2, 2] = turn / scale, -low / scale
    size_mm = float(extent[0] / scale), float(extent[1] / scale)
    size = round(size_mm[0] * _DOTS_PER_MM), round(size_mm[1] * _DOTS_PER_MM)
    dots = np.diag([_DOTS_PER_MM, _DOTS_PER_MM, 1.0])
    dots[:2, 2] = -0.5
    pixels = flattened(photo, flange["px_from_mm"], dots @ page, size)
    return FlangeView(jpeg(pixels, most_bytes), page, size_mm, scale)


def _bounds(
    turn: NDArray[np.float64],
    polygon: NDArray[np.float64],
    flange: Mapping[str, Any],
    audit: Mapping[str, Any],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the corners of what is shown: the flange's width, and its length where something was found."""
    width, height = flange["outline_mm"]
    found = [[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]
    found += [rivet["mm"] for rivet in audit["rivets"]]
    found += audit["lap"]["edge_mm"] if audit["lap"] is not None else []
    low, high = (turn @ polygon.T).min(axis=1), (turn @ polygon.T).max(axis=1)
    seen = turn[0] @ np.array(found, dtype=float).T
    low[0], high[0] = max(low[0], seen.min() - _MARGIN_MM), min(high[0], seen.max() + _MARGIN_MM)
    # Beyond the hem there is room for the numbers of rivets that stand near it.
    high[1] += _HEM_ROOM_MM
    return low, high


class FlangePicture(Figure):
    """A flange to scale with its rivets, spacings, lap edge and a ruler."""

    def __init__(self, view: FlangeView, audit: Mapping[str, Any], shown: Shown) -> None:
        super().__init__(view.size_mm[0], view.size_mm[1] + _RULER_MM)
        self._view, self._audit, self._shown = view, audit, shown
        spacings = ", ".join(shown.length(spacing["mm"]) for spacing in audit["spacings"])
        self.alt = (
            f"The flange of {audit['photo']} seen straight on, at a scale of 1 to {view.scale:g}: "
            f"{len(audit['rivets'])} rivets found; spacings {spacings or 'none'}."
        )

    def _at(self, mm: Sequence[float]) -> tuple[float, float]:
        x, y = _map(self._view.page_from_mm, np.array(mm, dtype=float))
        return x * POINTS_PER_MM, self.height - y * POINTS_PER_MM

    def paint(self, canvas: Canvas) -> None:
        """Draw the flange, then what was found on it."""
        width, height = (side * POINTS_PER_MM for side in self._view.size_mm)
        _place(canvas, self._view.picture, 0.0, self.height - height, width, height)
        canvas.setStrokeColor(LINE)
        canvas.setLineWidth(0.4)
        canvas.rect(0.0, self.height - height, width, height, stroke=1, fill=0)
        self._ruler(canvas, width)
        canvas.saveState()
        _clip(canvas, width, self.height, self.height - height)
        rivets, lap = self._audit["rivets"], self._audit["lap"]
        for spacing in self._audit["spacings"]:
            ends = [self._at(rivets[spacing[end]]["mm"]) for end in ("from", "to")]
            self._spacing(canvas, ends[0], ends[1], spacing["mm"])
        if lap is not None:
            _edge(canvas, [self._at(mm) for mm in lap["edge_mm"]], room=self.height)
        for number, rivet in zip(rivet_numbers(self._audit), rivets, strict=True):
            _numbered(canvas, *self._at(rivet["mm"]), number, 4.4)
        canvas.restoreState()

    def _spacing(
        self, canvas: Canvas, start: tuple[float, float], end: tuple[float, float], mm: float
    ) -> None:
        _edged_line(canvas, *start, *end, 0.8)
        label = self._shown.length(mm)
        _tag(canvas, (start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0 + 7.5, label)

    def _ruler(self, canvas: Canvas, width: float) -> None:
        is_metric = self._shown.units == "metric"
        step_mm, labelled = (10.0, 10) if is_metric else (25.4, 6)
        step, top = step_mm / self._view.scale * POINTS_PER_MM, _RULER_MM * POINTS_PER_MM - 2.0
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(0.5)
        canvas.line(0.0, top, math.floor(width / step) * step, top)
        for tick in range(math.floor(width / step) + 1):
            is_long = tick % labelled == 0
            canvas.line(tick * step, top, tick * step, top - (5.0 if is_long else 2.5))
            if is_long:
                label = f"{tick * step_mm:.0f}" if is_metric else f'{tick}"'
                _say(canvas, tick * step, top - 11.0, label, 5.8, middle=tick > 0)
        unit = "mm" if is_metric else "inches"
        words = f"{unit}; scale 1 : {self._view.scale:g} printed at 100 %"
        _say(canvas, max(0.0, width - stringWidth(words, REGULAR, 5.8)), top - 19.0, words, 5.8)


class RidgePicture(Picture):
    """A ridge photo with the picked ends."""

    def __init__(
        self, picture: Jpeg, scale: float, width_mm: float, ends: Mapping[str, Sequence[float]], alt: str
    ) -> None:
        super().__init__(picture, scale, width_mm, alt)
        self._ends = ends

    def paint(self, canvas: Canvas) -> None:
        """Draw the photo, the ridge between the picks, and the picks."""
        super().paint(canvas)
        places = {end: self.at(px) for end, px in self._ends.items()}
        if len(places) == 2:
            _edged_line(canvas, *places["a"], *places["b"], 0.7)
        for end, (x, y) in places.items():
            _cross(canvas, x, y, 5.0)
            _tag(canvas, x, y + 11.0, end.upper())


class PickPicture(Figure):
    """The surroundings of a pick, enlarged until pixels show."""

    def __init__(
        self, photo: Upright, end: str, pick: Sequence[float], width_mm: float, half_px: float
    ) -> None:
        super().__init__(width_mm, width_mm)
        self._picture = jpeg(crop(photo, pick, half_px, 240), 40_000)
        self._end = end
        self.alt = f"End {end.upper()} enlarged, picked at x {pick[0]:.1f}, y {pick[1]:.1f} px."

    def paint(self, canvas: Canvas) -> None:
        """Draw the crop with a cross on the pick."""
        _place(canvas, self._picture, 0.0, 0.0, self.width, self.height)
        _cross(canvas, self.width / 2.0, self.height / 2.0, 9.0)
        _tag(canvas, 7.0, self.height - 9.0, self._end.upper())


def _map(matrix: NDArray[np.float64], point: NDArray[np.float64]) -> tuple[float, float]:
    x, y, w = matrix @ np.append(point, 1.0)
    return float(x / w), float(y / w)


def _place(canvas: Canvas, picture: Jpeg, x: float, y: float, width: float, height: float) -> None:
    canvas.drawImage(ImageReader(io.BytesIO(picture.data)), x, y, width, height)


def _clip(canvas: Canvas, width: float, top: float, bottom: float = 0.0) -> None:
    path = canvas.beginPath()
    path.rect(0.0, bottom, width, top - bottom)
    canvas.clipPath(path, stroke=0, fill=0)


def _edge(canvas: Canvas, ends: Sequence[tuple[float, float]], room: float = math.inf) -> None:
    """Draw the lap's edge, its name beyond its upper end or, where there is no room, beside it."""
    lower, upper = sorted(ends, key=lambda end: end[1])
    _edged_line(canvas, *lower, *upper, 1.6)
    if upper[1] + 12.0 < room:
        share = 7.0 / (math.dist(lower, upper) or 1.0)
        x, y = (end + share * (end - start) for start, end in zip(lower, upper, strict=True))
        _tag(canvas, x, y, "edge")
    else:
        _tag(canvas, upper[0] + 11.0, upper[1] - 10.0, "edge")


def _edged_line(canvas: Canvas, x1: float, y1: float, x2: float, y2: float, width: float) -> None:
    for ink, extra in ((PAPER, 1.4), (_DRAWN, 0.0)):
        canvas.setStrokeColor(ink)
        canvas.setLineWidth(width + extra)
        canvas.line(x1, y1, x2, y2)


def _cross(canvas: Canvas, x: float, y: float, arm: float) -> None:
    gap = 0.3 * arm
    for ink, width in ((PAPER, 2.2), (_DRAWN, 1.0)):
        canvas.setStrokeColor(ink)
        canvas.setLineWidth(width)
        for way in (-1.0, 1.0):
            canvas.line(x + way * gap, y, x + way * arm, y)
            canvas.line(x, y + way * gap, x, y + way * arm)


def _numbered(canvas: Canvas, x: float, y: float, number: int, radius: float) -> None:
    for ink, width in ((PAPER, 2.0), (_DRAWN, 0.9)):
        canvas.setStrokeColor(ink)
        canvas.setLineWidth(width)
        canvas.circle(x, y, radius, stroke=1, fill=0)
    _tag(canvas, x + radius + 4.5, y - radius - 2.0, str(number), 5.6)


def _tag(canvas: Canvas, x: float, y: float, words: str, size: float = 6.4) -> None:
    """Write words on a white label about a point."""
    width = stringWidth(words, BOLD, size)
    canvas.setFillColor(PAPER)
    canvas.roundRect(x - width / 2.0 - 1.6, y - 0.62 * size, width + 3.2, 1.24 * size, 1.2, stroke=0, fill=1)
    canvas.setFillColor(INK)
    canvas.setFont(BOLD, size)
    canvas.drawCentredString(x, y - 0.36 * size, words)


def _say(canvas: Canvas, x: float, y: float, words: str, size: float, *, middle: bool = False) -> None:
    canvas.setFont(REGULAR, size)
    canvas.setFillColor(SOFT)
    (canvas.drawCentredString if middle else canvas.drawString)(x, y, words)
