"""A line drawing as data, so that one rule draws it for every kind of file: as SVG, as PNG, on a PDF's page.

Frame: points (1/72 in), x right, y down, origin at the top left.
"""

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Literal
from xml.etree import ElementTree as ET

import numpy as np
import reportlab
from PIL import Image, ImageDraw, ImageFont

from calib.camera import Array

INK, SOFT, LINE, WASH, PAPER, DRAWN, DRAWN_WASH = (
    "#1b2530",
    "#55616d",
    "#c4ccd4",
    "#f2f4f6",
    "#ffffff",
    "#0072b2",
    "#d6e8f4",
)
_PX_PER_POINT, _FINER = 3, 2
_FONTS = 'Vera, "DejaVu Sans", Verdana, Helvetica, Arial, sans-serif'
# Half of what is lit around words that stand on lines, as a part of their size.
_HALO = 0.22


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """A line or an area.

    Attributes
    ----------
    points : ndarray of shape (N, 2)
        Its corners.
    stroke, fill : str or None
        Inks, as ``#rrggbb``; with a fill it is closed.
    width : float
        Of the line.
    """

    points: Array
    stroke: str | None = INK
    width: float = 0.8
    fill: str | None = None


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text: its base line, where it starts, has its middle or ends, and whether it has a halo."""

    x: float
    y: float
    text: str
    size: float = 8.0
    is_bold: bool = False
    ink: str = INK
    anchor: Literal["start", "middle", "end"] = "start"
    has_halo: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Sketch:
    """A drawing: its size, what it shows in words, its items from the lowest to the topmost."""

    width: float
    height: float
    title: str
    items: tuple[Shape | Words, ...]


def ellipse(centre: Array, axes: Array, count: int = 60) -> Array:
    """Return points on an ellipse whose half axes are the rows of `axes`, shape (count, 2)."""
    angle = np.linspace(0.0, 2.0 * math.pi, count, endpoint=False)
    points: Array = centre + np.column_stack([np.cos(angle), np.sin(angle)]) @ axes
    return points


def dashes(points: Array, on: float = 4.0, off: float = 3.0) -> list[Array]:
    """Return a line broken into dashes, each of shape (2, 2)."""
    pieces = []
    for start, end in pairwise(points):
        length = math.dist(start, end)
        for begin in np.arange(0.0, length, on + off):
            shares = np.array([begin, min(begin + on, length)]) / length
            pieces.append(start + shares[:, None] * (end - start))
    return pieces


def width_of(text: str, size: float, *, is_bold: bool = False) -> float:
    """Return the width of a text."""
    # Measured large, for the font's own grid rounds small sizes.
    return float(_font(100, is_bold).getlength(text)) * size / 100.0


def broken(text: str, width: float, size: float) -> list[str]:
    """Return a text as lines that fit a width."""
    lines: list[str] = []
    for word in text.split():
        if lines and width_of(f"{lines[-1]} {word}", size) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def to_svg(sketch: Sketch) -> str:
    """Return a drawing as SVG text."""
    size = {"width": f"{sketch.width:g}pt", "height": f"{sketch.height:g}pt"}
    box = {"viewBox": f"0 0 {sketch.width:g} {sketch.height:g}"}
    root = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img"} | size | box)
    ET.SubElement(root, "title").text = sketch.title
    ET.SubElement(root, "rect", {"width": "100%", "height": "100%", "fill": PAPER})
    for item in sketch.items:
        if isinstance(item, Shape):
            _svg_shape(root, item)
        else:
            _svg_words(root, item)
    ET.indent(root)
    return ET.tostring(root, encoding="unicode") + "\n"


def _svg_shape(root: ET.Element, shape: Shape) -> None:
    points = " ".join(f"{x:.2f},{y:.2f}" for x, y in shape.points.tolist())
    inks = {"fill": shape.fill or "none", "stroke": shape.stroke or "none"}
    look = inks | {"stroke-width": f"{shape.width:g}", "stroke-linejoin": "round"}
    ET.SubElement(root, "polygon" if shape.fill else "polyline", {"points": points} | look)


def _svg_words(root: ET.Element, words: Words) -> None:
    place = {"x": f"{words.x:.2f}", "y": f"{words.y:.2f}", "text-anchor": words.anchor, "fill": words.ink}
    font = {"font-size": f"{words.size:g}", "font-family": _FONTS}
    bold = {"font-weight": "700"} if words.is_bold else {}
    halo = {"stroke": PAPER, "stroke-width": f"{2 * _HALO * words.size:.2f}", "paint-order": "stroke"}
    ET.SubElement(root, "text", place | font | bold | (halo if words.has_halo else {})).text = words.text


def to_png(sketch: Sketch) -> bytes:
    """Return a drawing as a PNG file, three pixels to the point."""
    scale = _PX_PER_POINT * _FINER
    size = (math.ceil(sketch.width * scale), math.ceil(sketch.height * scale))
    image = Image.new("RGB", size, PAPER)
    pen = ImageDraw.Draw(image)
    for item in sketch.items:
        if isinstance(item, Shape):
            _png_shape(pen, item, scale)
        else:
            _png_words(pen, item, scale)
    file = io.BytesIO()
    image.resize((size[0] // _FINER, size[1] // _FINER), Image.Resampling.LANCZOS).save(
        file, "PNG", optimize=True, dpi=(72 * _PX_PER_POINT,) * 2
    )
    return file.getvalue()


def _png_shape(pen: ImageDraw.ImageDraw, shape: Shape, scale: int) -> None:
    points: Sequence[tuple[float, float]] = [(x, y) for x, y in (shape.points * scale).tolist()]
    if shape.fill:
        pen.polygon(points, fill=shape.fill)
        points = [*points, points[0], points[1]]
    if shape.stroke:
        pen.line(points, fill=shape.stroke, width=max(1, round(shape.width * scale)), joint="curve")


def _png_words(pen: ImageDraw.ImageDraw, words: Words, scale: int) -> None:
    anchor = {"start": "ls", "middle": "ms", "end": "rs"}[words.anchor]
    pen.text(
        (words.x * scale, words.y * scale),
        words.text,
        words.ink,
        _font(round(words.size * scale), words.is_bold),
        anchor,
        stroke_width=round(_HALO * words.size * scale) if words.has_halo else 0,
        stroke_fill=PAPER,
    )


@lru_cache
def _font(size_px: int, is_bold: bool) -> ImageFont.FreeTypeFont:
    folder = Path(reportlab.__file__).parent / "fonts"
    return ImageFont.truetype(folder / ("VeraBd.ttf" if is_bold else "Vera.ttf"), size_px)
