"""A measured ridge's network to scale, from above and from the side: why the number is good or bad.

Drawn from a scene's record (vision/scene.py): for `measure --picture` and for the report alike.
"""

import itertools
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from calib.camera import Array
from calib.errors import FileError
from calib.lengths import Units, format_uncertainty
from vision.picks import ENDS
from vision.scene import BETWEEN
from webui.shown import Shown
from webui.sketch import (
    DRAWN,
    DRAWN_WASH,
    INK,
    LINE,
    PAPER,
    SOFT,
    WASH,
    Shape,
    Sketch,
    Words,
    broken,
    dashes,
    ellipse,
    to_png,
    to_svg,
    width_of,
)

if TYPE_CHECKING:
    from vision.ridge import RidgeMeasurement

ENDINGS = (".png", ".svg")
# Half axes of the ellipse that holds a point of two coordinates in 95 of 100 cases, in standard deviations:
# the root of the 95 % quantile of chi-square with two degrees of freedom, -2 ln 0.05.
_ELLIPSE_95 = math.sqrt(-2.0 * math.log(0.05))
# Ellipses are enlarged by one of these, until the longest half axis is this part of the picture's width.
_ENLARGED = (1, 2, 3, 5, 10, 20, 30, 50, 100, 200, 300, 500, 1000, 2000, 5000)
_ELLIPSE_SHARE = 0.09
# How far a camera's field of view is drawn, as a part of the picture's width.
_LOOK_SHARE = 0.11
_CAMERA, _LEAST_TARGET, _RIDGE = 6.0, 2.6, 2.2
_LABEL, _LABEL_STEP = 7.5, 10.0
_PAD, _CAPTION, _GAP = 16.0, 15.0, 6.0
# The standalone picture, points.
_WIDTH, _MOST_HEIGHT, _MARGIN, _TITLE, _TEXT = 720.0, 620.0, 24.0, 15.0, 8.5
_BARS_MM: Mapping[Units, Sequence[tuple[float, str]]] = {
    "metric": [(1000.0 * length, f"{length} m") for length in (1, 2, 3, 5, 10, 20, 50, 100)],
    "imperial": [(304.8 * length, f"{length} ft") for length in (2, 5, 10, 20, 50, 100, 200)],
}
_BAR_SHARE = 0.25


def write_network_picture(found: "RidgeMeasurement", units: Units, path: Path) -> None:
    """Write the network of a measured ridge as a picture.

    Parameters
    ----------
    found : RidgeMeasurement
        The ridge.
    units : {"imperial", "metric"}
        How lengths are written.
    path : Path
        File to write, ending in .png or .svg.

    Raises
    ------
    FileError
        If the ending is another one, or the file cannot be written.
    """
    refuse_other_endings(path)
    sketch = draw_measured(found, units)
    data = to_png(sketch) if path.suffix.lower() == ".png" else to_svg(sketch).encode()
    try:
        path.write_bytes(data)
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror})"
        raise FileError(msg) from error


def refuse_other_endings(path: Path) -> None:
    """Refuse a file that is neither PNG nor SVG.

    Raises
    ------
    FileError
        If its name ends in anything else.
    """
    if path.suffix.lower() not in ENDINGS:
        msg = f"{path}: the picture is written as PNG or SVG; let its name end in .png or .svg"
        raise FileError(msg)


def draw_measured(found: "RidgeMeasurement", units: Units) -> Sketch:
    """Return the network of a measured ridge with its length above and a key below."""
    if found.scene is None:
        msg = "a ridge that was measured has its scene"
        raise ValueError(msg)
    scene = found.scene.record()
    numbers = {name: str(i) for i, name in enumerate(sorted(scene["cameras"], key=_by_number), 1)}
    shown = Shown(units)
    inner = _WIDTH - 2.0 * _MARGIN
    network = draw_network(scene, numbers, units, inner, _MOST_HEIGHT)
    items: list[Shape | Words] = [
        Words(
            _MARGIN,
            _MARGIN + _TITLE,
            f"Ridge  {shown.doubted(found.length_mm, found.u95_mm)}",
            _TITLE,
            is_bold=True,
        ),
        Words(_WIDTH - _MARGIN, _MARGIN + _TITLE, f"95 %, {found.method}", _TEXT, ink=SOFT, anchor="end"),
    ]
    top = _MARGIN + 1.9 * _TITLE
    items += _moved(network.items, _MARGIN, top)
    y = top + network.height + 2.0 * _TEXT
    names = {Path(name).name: number for name, number in numbers.items()}
    for line in _key(names, inner):
        items.append(Words(_MARGIN, y, line, _TEXT))
        y += 1.5 * _TEXT
    y += 0.3 * _TEXT
    for note in (*_budget_words(found, units), *network_words(scene)):
        for line in broken(note, inner, _TEXT):
            items.append(Words(_MARGIN, y, line, _TEXT, ink=SOFT))
            y += 1.45 * _TEXT
    return Sketch(_WIDTH, math.ceil(y + _MARGIN - _TEXT), network.title, tuple(items))


def _by_number(name: str) -> list[str]:
    """Return what photo 10 comes after photo 9 by."""
    return [part.zfill(12) if part.isdigit() else part for part in re.split(r"([0-9]+)", name)]


def _moved(items: Sequence[Shape | Words], x: float, y: float) -> Iterator[Shape | Words]:
    for item in items:
        if isinstance(item, Shape):
            yield replace(item, points=item.points + np.array([x, y]))
        else:
            yield replace(item, x=item.x + x, y=item.y + y)


def _key(names: Mapping[str, str], width: float) -> list[str]:
    """Return which number is which photo, in lines that fit."""
    lines: list[str] = []
    for name, number in names.items():
        entry = f"{number}\u2002{name}"
        if lines and width_of(f"{lines[-1]}\u2003{entry}", _TEXT) <= width:
            lines[-1] += f"\u2003{entry}"
        else:
            lines.append(entry)
    return lines


def _budget_words(found: "RidgeMeasurement", units: Units) -> list[str]:
    largest = [
        f"{source} {format_uncertainty(u_mm, units).removeprefix('± ')}" for source, u_mm in found.budget[:3]
    ]
    return [f"Where most of the doubt comes from (standard uncertainty): {', '.join(largest)}."]


def network_words(scene: Mapping[str, Any]) -> list[str]:
    """Return what a person should know to read the picture of a scene, in sentences."""
    sentences = [_rays_in_words(scene)]
    enlarged = _enlargement(scene, _views(scene))
    if enlarged is not None:
        sentences.append(
            f"Ellipses (95 %, enlarged {enlarged} times): shaded, where an end lies as seen from the first "
            "target; dashed, B as seen from A: its reach along the ridge is the doubt of the length."
        )
    held = "are level as far as the cameras were" if scene.get("is_level", True) else "are as the camera was"
    sentences.append(f"Above and side {held} held. To scale; no length is taken from the picture.")
    return [sentence for sentence in sentences if sentence]


def _rays_in_words(scene: Mapping[str, Any]) -> str:
    """Return under which angles the ends are seen: what fixes a point is lines of sight that cross widely."""
    told = []
    for end in ENDS:
        point = np.array(scene["ends"][end])
        rays = [
            (np.array(scene["cameras"][name]) - point)
            for name, ends in scene.get("picked", {}).items()
            if end in ends
        ]
        if len(rays) < 2:
            return ""
        units = [ray / np.linalg.norm(ray) for ray in rays]
        widest = max(math.acos(float(np.clip(a @ b, -1, 1))) for a, b in itertools.combinations(units, 2))
        told.append(
            f"{len(rays)} lines of sight meet at {end.upper()} under up to {math.degrees(widest):.0f}°"
        )
    return f"{'; '.join(told)}. The wider they cross, the better an end is fixed."


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """One view: its name, and the axes (right, up) that it shows, shape (2, 3)."""

    caption: str
    axes: Array

    def flat(self, points: Any) -> Array:
        """Return points in the plane of the view, y up, shape (N, 2)."""
        flat: Array = np.asarray(points, dtype=float).reshape(-1, 3) @ self.axes.T
        return flat


def _views(scene: Mapping[str, Any]) -> tuple[_View, _View]:
    """Return the views from above and from the side where the cameras stood, the ridge level in both."""
    a, b = (np.array(scene["ends"][end], dtype=float) for end in ENDS)
    along = (b - a) / np.linalg.norm(b - a)
    cameras = np.array(list(scene["cameras"].values()), dtype=float)
    toward = cameras.mean(axis=0) - (a + b) / 2.0
    up = np.array(scene["up"], dtype=float) if "up" in scene else _up_in_old_records(along, toward)
    up -= (up @ along) * along
    up /= np.linalg.norm(up)
    away = np.cross(up, along)
    # The cameras stand at the foot of the view from above; the other view is seen from there.
    if away @ toward > 0.0:
        away, along = -away, -along
    return _View("from above", np.array([along, away])), _View("from the side", np.array([along, up]))


def _up_in_old_records(along: Array, toward: Array) -> Array:
    """Return what serves as up where a record does not tell: what is square to the ridge and the cameras."""
    up: Array = np.cross(toward, along)
    # Target frames have y down the print.
    return up if up[1] < 0.0 else -up


def draw_network(
    scene: Mapping[str, Any], numbers: Mapping[str, str], units: Units, width: float, most_height: float
) -> Sketch:
    """Return a scene to scale in two views, one above the other.

    Parameters
    ----------
    scene : mapping
        `vision.scene.Scene.record`, with ends; older records tell cameras, targets and ends only.
    numbers : mapping
        Photo name to its number in the picture.
    units : {"imperial", "metric"}
        Of the scale bar.
    width, most_height : float
        Room for it, points.
    """
    views = _views(scene)
    look_mm = _LOOK_SHARE * _extent_mm(scene, views)
    boxes = [_box(scene, view, look_mm) for view in views]
    left, right = min(low[0] for low, _ in boxes), max(high[0] for _, high in boxes)
    talls = [high[1] - low[1] for low, high in boxes]
    chrome = 2.0 * (2.0 * _PAD + _CAPTION) + _GAP
    scale = min((width - 2.0 * _PAD - 12.0) / (right - left), (most_height - chrome) / sum(talls))
    enlarged = _enlargement(scene, views)
    items: list[Shape | Words] = []
    top = 0.0
    for view, (_, high), tall in zip(views, boxes, talls, strict=True):
        height = tall * scale + 2.0 * _PAD + _CAPTION
        origin = np.array([(width - scale * (left + right)) / 2.0, top + _CAPTION + _PAD + scale * high[1]])
        pen = _Pen(scene, numbers, view, scale, origin, look_mm)
        items += [Shape(_rectangle(0.0, top, width, height), LINE, 0.5, PAPER), *pen.items(enlarged)]
        items.append(Words(6.0, top + 11.0, view.caption, 7.5, ink=SOFT, has_halo=True))
        top += height + _GAP
    bottom = top - _GAP
    items += _bar(units, scale, width, bottom)
    counts = f"{len(scene['cameras'])} camera(s), {len(scene['targets'])} target(s)"
    return Sketch(width, bottom, f"Two views, to scale, of {counts} and the ridge from A to B", tuple(items))


def _extent_mm(scene: Mapping[str, Any], views: Sequence[_View]) -> float:
    """Return how wide the scene is along the ridge, or how deep, whichever is more."""
    points = np.concatenate([views[0].flat(each) for each in _places(scene)])
    return float(np.ptp(points, axis=0).max())


def _places(scene: Mapping[str, Any]) -> list[Any]:
    return [*scene["cameras"].values(), *scene["targets"].values(), *scene["ends"].values()]


def _box(scene: Mapping[str, Any], view: _View, look_mm: float) -> tuple[Array, Array]:
    """Return the low and the high corner of all that a view shows."""
    looks = [
        np.array(scene["cameras"][name]) + look_mm * np.array(rays)
        for name, rays in scene.get("looks", {}).items()
    ]
    points = np.concatenate([view.flat(each) for each in [*_places(scene), *looks]])
    return points.min(axis=0), points.max(axis=0)


def _rectangle(x: float, y: float, width: float, height: float) -> Array:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


def _enlargement(scene: Mapping[str, Any], views: Sequence[_View]) -> int | None:
    """Return by how much all ellipses are enlarged; None where there are none."""
    covariances = [np.array(cov) for cov in scene.get("cov_mm2", {}).values()]
    if not covariances:
        return None
    flat = [view.axes @ cov @ view.axes.T for view in views for cov in covariances]
    longest_mm = _ELLIPSE_95 * math.sqrt(max(float(np.linalg.eigvalsh(flat).max()), 1e-12))
    room_mm = _ELLIPSE_SHARE * _extent_mm(scene, views)
    return max((each for each in _ENLARGED if each * longest_mm <= room_mm), default=1)


@dataclass(frozen=True, slots=True, eq=False)
class _Pen:
    """Draws a scene in one view."""

    scene: Mapping[str, Any]
    numbers: Mapping[str, str]
    view: _View
    scale: float
    origin: Array
    look_mm: float

    def at(self, points: Any) -> Array:
        """Return where points lie in the picture, shape (N, 2)."""
        at: Array = self.origin + self.scale * self.view.flat(points) * (1.0, -1.0)
        return at

    def items(self, enlarged: int | None) -> Iterator[Shape | Words]:
        """Give everything, from the lowest to the topmost."""
        parts: Sequence[Callable[[], Iterator[Shape | Words]]] = (
            self._looks,
            self._sights,
            self._tapes,
            lambda: self._ellipses(enlarged),
            lambda: self._ridge(enlarged),
            self._targets,
            self._target_names,
            self._cameras,
        )
        for part in parts:
            yield from part()

    def _looks(self) -> Iterator[Shape]:
        for name, rays in self.scene.get("looks", {}).items():
            camera = np.array(self.scene["cameras"][name])
            corners = self.at(np.vstack([camera, camera + self.look_mm * np.array(rays)]))
            yield Shape(_hull(corners), LINE, 0.5, WASH)

    def _sights(self) -> Iterator[Shape]:
        everything = dict.fromkeys(self.scene["cameras"], ENDS)
        for name, ends in self.scene.get("picked", everything).items():
            for end in ends:
                yield Shape(self.at([self.scene["cameras"][name], self.scene["ends"][end]]), LINE, 0.5)

    def _tapes(self) -> Iterator[Shape]:
        for tape in self.scene.get("tapes", []):
            yield from (Shape(piece, INK, 0.7) for piece in dashes(self.at(tape), 2.0, 2.0))

    def _ellipses(self, enlarged: int | None) -> Iterator[Shape]:
        if enlarged is None:
            return
        ends = [np.array(self.scene["ends"][end]) for end in ENDS]
        for end, point in zip(ENDS, ends, strict=True):
            outline = ellipse(self.at(point)[0], self._half_axes(end, enlarged))
            yield Shape(outline, DRAWN, 0.8, DRAWN_WASH)
        outline = ellipse(self.at((ends[0] + ends[1]) / 2.0)[0], self._half_axes(BETWEEN, enlarged), 48)
        yield from (Shape(piece, DRAWN, 1.0) for piece in _every_other(outline))

    def _half_axes(self, of: str, enlarged: int) -> Array:
        cov = self.view.axes @ np.array(self.scene["cov_mm2"][of]) @ self.view.axes.T
        values, vectors = np.linalg.eigh(cov)
        sizes = _ELLIPSE_95 * enlarged * self.scale * np.sqrt(np.maximum(values, 0.0))
        axes: Array = sizes[:, None] * vectors.T * (1.0, -1.0)
        return axes

    def _ridge(self, enlarged: int | None) -> Iterator[Shape | Words]:
        places = self.at([self.scene["ends"][end] for end in ENDS])
        yield Shape(places, INK, _RIDGE)
        is_b_right = places[1, 0] > places[0, 0]
        for end, (x, y), is_right in zip(ENDS, places, (not is_b_right, is_b_right), strict=True):
            # The letter stands beyond the end's ellipse.
            reach = 0.0 if enlarged is None else math.hypot(*self._half_axes(end, enlarged)[:, 0])
            step = (reach + 5.0) * (1.0 if is_right else -1.0)
            yield Words(x + step, y + 3.6, end.upper(), 10.0, True, INK, "start" if is_right else "end", True)

    def _targets(self) -> Iterator[Shape]:
        for corners in self.scene["targets"].values():
            outline = self.at(corners)
            centre = outline.mean(axis=0)
            if np.ptp(outline, axis=0).min() < 2.0 * _LEAST_TARGET:
                small = centre + _LEAST_TARGET * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
                outline = np.vstack([outline, small])
            yield Shape(_hull(outline), INK, 0.6, INK)

    def _target_names(self) -> Iterator[Words]:
        outlines = {name: self.at(corners) for name, corners in self.scene["targets"].items()}
        taken: list[tuple[float, float, float]] = []
        for name, outline in outlines.items():
            # A target that one photo saw elsewhere is told by the photo's number, not by its path.
            target, _, photo = name.partition(" in ")
            is_own = photo in self.scene["cameras"]
            words = f"{target} ({self.numbers.get(photo, '?')})" if is_own else name
            usual = outlines.get(target) if is_own else None
            if usual is not None and math.dist(usual.mean(axis=0), outline.mean(axis=0)) < _LABEL_STEP:
                continue
            half = width_of(words, _LABEL) / 2.0
            x, y = float(outline[:, 0].mean()), float(outline[:, 1].max()) + 9.0
            while any(abs(x - at) < half + its and abs(y - row) < _LABEL_STEP for at, row, its in taken):
                y += _LABEL_STEP
            taken.append((x, y, half))
            yield Words(x, y, words, _LABEL, False, INK, "middle", True)

    def _cameras(self) -> Iterator[Shape | Words]:
        for name, place in self.scene["cameras"].items():
            x, y = self.at(place)[0].tolist()
            yield Shape(ellipse(np.array([x, y]), _CAMERA * np.eye(2)), PAPER, 1.0, SOFT)
            size = 7.5 if len(self.numbers.get(name, "")) < 3 else 5.5
            yield Words(x, y + 0.36 * size, self.numbers.get(name, ""), size, True, PAPER, "middle")


def _hull(points: Array) -> Array:
    """Return the convex hull of points, shape (M, 2)."""
    hull: Array = cv2.convexHull(points.astype(np.float32))[:, 0].astype(float)
    return hull


def _every_other(outline: Array) -> list[Array]:
    """Return an outline as dashes."""
    closed = np.vstack([outline, outline[:1]])
    return [closed[i : i + 2] for i in range(0, len(outline), 2)]


def _bar(units: Units, scale: float, width: float, bottom: float) -> Iterator[Shape | Words]:
    """Give the scale bar, at the lower right."""
    fits = [bar for bar in _BARS_MM[units] if bar[0] * scale <= _BAR_SHARE * width]
    length_mm, words = fits[-1] if fits else _BARS_MM[units][0]
    right, y = width - 8.0, bottom - 7.0
    left = right - length_mm * scale
    for ends in ([[left, y], [right, y]], *([[x, y - 2.5], [x, y + 2.5]] for x in (left, right))):
        yield Shape(np.array(ends), INK, 0.9)
    yield Words((left + right) / 2.0, y - 3.5, words, 7.0, False, INK, "middle", True)
