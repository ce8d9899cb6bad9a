"""SVG made on the server; its looks come from the stylesheet, never from attributes."""

from collections.abc import Mapping
from xml.etree import ElementTree as ET

from markupsafe import Markup


class Picture:
    """An SVG picture in the making.

    Parameters
    ----------
    width, height : float
        Size of its own frame; the page scales it.
    kind : str
        Class for the stylesheet.
    label : str
        What it is, for those who cannot see it.
    """

    def __init__(self, width: float, height: float, kind: str, label: str) -> None:
        self.root = ET.Element(
            "svg",
            {"viewBox": f"0 0 {number(width)} {number(height)}", "class": kind}
            | {"role": "group", "aria-label": label},
        )

    def group(self, kind: str, inside: ET.Element | None = None, **more: str) -> ET.Element:
        """Open a group."""
        return ET.SubElement(self._at(inside), "g", {"class": kind} | _dashed(more))

    def link(self, href: str, kind: str, label: str, **more: str) -> ET.Element:
        """Open a link, which says its label to a screen reader and shows it to a mouse."""
        made = ET.SubElement(
            self.root, "a", {"href": href, "class": kind, "aria-label": label} | _dashed(more)
        )
        ET.SubElement(made, "title").text = label
        return made

    def rect(
        self, x: float, y: float, width: float, height: float, kind: str, inside: ET.Element | None = None
    ) -> None:
        """Draw a rectangle."""
        size = {"x": x, "y": y, "width": max(width, 0.0), "height": max(height, 0.0)}
        self._draw("rect", size, kind, inside)

    def line(
        self, x1: float, y1: float, x2: float, y2: float, kind: str, inside: ET.Element | None = None
    ) -> None:
        """Draw a line."""
        self._draw("line", {"x1": x1, "y1": y1, "x2": x2, "y2": y2}, kind, inside)

    def zigzag(self, points: list[tuple[float, float]], kind: str, inside: ET.Element | None = None) -> None:
        """Draw a line through points."""
        told = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        ET.SubElement(self._at(inside), "polyline", {"points": told, "class": kind})

    def say(self, x: float, y: float, words: str, kind: str, inside: ET.Element | None = None) -> None:
        """Write a line of text, centred at x, unless the stylesheet says otherwise."""
        made = ET.SubElement(self._at(inside), "text", {"x": number(x), "y": number(y), "class": kind})
        made.text = words

    def symbol(self, name: str, x: float, y: float, size: float, inside: ET.Element | None = None) -> None:
        """Draw one of the page's symbols about a point."""
        half = size / 2.0
        place = {"x": number(x - half), "y": number(y - half), "width": number(size), "height": number(size)}
        ET.SubElement(self._at(inside), "use", {"href": f"#{name}", "class": name} | place)

    def markup(self) -> Markup:
        """Return the finished picture, its texts escaped."""
        return Markup(ET.tostring(self.root, encoding="unicode"))  # noqa: S704

    def _at(self, inside: ET.Element | None) -> ET.Element:
        return self.root if inside is None else inside

    def _draw(self, tag: str, values: Mapping[str, float], kind: str, inside: ET.Element | None) -> None:
        told = {name: number(value) for name, value in values.items()}
        ET.SubElement(self._at(inside), tag, told | {"class": kind})


def number(value: float) -> str:
    """Return a number as SVG takes it, short."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _dashed(names: Mapping[str, str]) -> dict[str, str]:
    """Return attributes by their names in SVG: a Python name has no dashes."""
    return {name.replace("_", "-"): value for name, value in names.items()}
