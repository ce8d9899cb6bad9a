"""The ridge: its length and where the doubt comes from, the network of photos, every photo with its picks."""

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, KeepTogether, Spacer

from calib.camera import Array
from calib.errors import MeasureError
from calib.lengths import format_metric
from calib.uncertainty import COVERAGE_FACTOR_95
from webui.inputs import photos_of
from webui.job import FiledPhoto, Job
from webui.report.drawings import PickPicture, RidgePicture
from webui.report.look import (
    BODY,
    BOLD,
    HEADING,
    INK,
    LEAD,
    LINE,
    POINTS_PER_MM,
    REGULAR,
    SMALL,
    SOFT,
    columns,
    heading,
    points,
    table,
    text,
)
from webui.report.pages import Bookmark, Figure, chapter, text_width_mm
from webui.report.photo_pages import photo_facts
from webui.report.pictures import jpeg, open_upright, resampled
from webui.shown import Shown, sentence, share

_PICTURE_MM, _TALL_MM, _PICK_MM, _GAP_MM = 112.0, 72.0, 27.0, 5.0
_PICTURE_PX, _PICTURE_BYTES = 1100, 240_000
# Picks are shown from the photo at its full size.
_WHOLE_PX = 100_000
# Tallest view of the network on the page.
_NETWORK_MM = 62.0
# Half the side of an enlarged pick, px of the original.
_PICK_HALF_PX = 30.0


# Parts of a scene ("cameras", "targets", "ends"): names to points in the plane of a view, shape (N, 2).
_View = dict[str, dict[str, Array]]


def ridge_pages(job: Job, photo_path: Callable[[FiledPhoto], Path | None], shown: Shown) -> list[Flowable]:
    """Return the chapter of the ridge; none if nothing was measured."""
    result = job.results.get("measure")
    if result is None:
        return []
    record = result.record
    story = [*chapter("Ridge"), *_length(record, shown)]
    if record["budget"]:
        story += _budget(record["budget"], job)
    if result.drawing is not None and result.drawing["ends"]:
        story += _network(result.drawing, job, shown)
    story += _notes(record)
    story += _setup(job, shown)
    for number, photo in enumerate(photos_of(job, "ridge"), 1):
        story.append(KeepTogether(_photo(job, number, photo, record, photo_path(photo))))
    return story


def _length(record: Mapping[str, Any], shown: Shown) -> list[Flowable]:
    ridge = record["ridge"]
    if ridge is None:
        return [text("The ridge could not be measured.", LEAD)]
    length = shown.doubted_twice(ridge["length_mm"], ridge["u95_mm"])
    used = sum(photo["used"] for photo in record["photos"].values())
    how = f"from {ridge['method']} ({used} of {len(record['photos'])} used)"
    return [
        text(f"Length from end A to end B: {length}", LEAD),
        text(f"Measured {how}. The interval holds the true length with a probability of 95 %.", BODY),
    ]


def _budget(budget: Sequence[Mapping[str, Any]], job: Job) -> list[Flowable]:
    total = math.sqrt(sum(each["u_mm"] ** 2 for each in budget))
    width_mm = text_width_mm(job) - 35.0 - 28.0 - 22.0
    rows: list[list[object]] = [
        [
            each["source"],
            format_metric(each["u_mm"], 2),
            share(each["u_mm"] ** 2 / total**2),
            _Bar(each["u_mm"] / total, width_mm - 6.0),
        ]
        for each in budget
    ]
    expanded = f"U = {COVERAGE_FACTOR_95:g} u = {format_metric(COVERAGE_FACTOR_95 * total, 2)}"
    rows.append(["all together", format_metric(total, 2), "100 %", text(expanded, SMALL)])
    head = ["source of doubt", "standard uncertainty", "share of square", ""]
    line = [("LINEABOVE", (0, -1), (-1, -1), 0.8, INK)]
    made = table(head, rows, [35.0, 28.0, 22.0, width_mm], right=(1, 2), extra=line)
    return [*heading("Uncertainty budget"), made]


class _Bar(Figure):
    """A bar of a share."""

    def __init__(self, share: float, width_mm: float) -> None:
        super().__init__(width_mm, 3.0)
        self._share = share
        self.alt = f"{100.0 * share:.0f} percent of the combined standard uncertainty"

    def paint(self, canvas: Canvas) -> None:
        """Draw the bar."""
        canvas.setFillColor(SOFT)
        canvas.rect(0.0, 1.5, max(0.6, self._share * self.width), 5.0, stroke=0, fill=1)


def _network(scene: Mapping[str, Any], job: Job, shown: Shown) -> list[Flowable]:
    words = (
        "Cameras (triangles, numbered as the photos below), targets (squares), the ridge (bold), to scale "
        "in two views. For the eye only: no length is taken from it."
    )
    numbers = {photo.name: str(i) for i, photo in enumerate(photos_of(job, "ridge"), 1)}
    picture = NetworkPicture(scene, numbers, text_width_mm(job), shown)
    head = text("Where the photos were taken from", HEADING)
    return [KeepTogether([head, text(words, SMALL), Spacer(0, 4), picture])]


class NetworkPicture(Figure):
    """Cameras, targets and ridge to scale, side by side in two views."""

    def __init__(
        self, scene: Mapping[str, Any], numbers: Mapping[str, str], width_mm: float, shown: Shown
    ) -> None:
        self._views, self._numbers, self._shown = _views(scene), numbers, shown
        self._half_mm = (width_mm - 6.0) / 2.0
        boxes = [_box(view) for view in self._views]
        wide_mm, tall_mm = np.max([high - low for low, high in boxes], axis=0)
        self._scale = min((self._half_mm - 14.0) / wide_mm, _NETWORK_MM / max(tall_mm, 1.0))
        super().__init__(width_mm, tall_mm * self._scale + 18.0)
        self._centres = [(low + high) / 2.0 for low, high in boxes]
        counts = f"{len(scene['cameras'])} cameras, {len(scene['targets'])} targets"
        self.alt = f"Two views of {counts} and the ridge, to scale."

    def paint(self, canvas: Canvas) -> None:
        """Draw both views."""
        for index, (view, centre) in enumerate(zip(self._views, self._centres, strict=True)):
            canvas.saveState()
            left = index * (self._half_mm + 6.0) * POINTS_PER_MM
            canvas.setStrokeColor(LINE)
            canvas.setLineWidth(0.4)
            canvas.rect(left, 0.0, self._half_mm * POINTS_PER_MM, self.height, stroke=1, fill=0)
            middle = left + self._half_mm * POINTS_PER_MM / 2.0, self.height / 2.0 + 3.0
            self._draw(canvas, view, centre, middle)
            caption = ("along the ridge, toward the cameras", "along the ridge, square to both")[index]
            canvas.setFont(REGULAR, 6.0)
            canvas.setFillColor(SOFT)
            canvas.drawString(left + 5.0, 5.0, caption)
            canvas.restoreState()
        self._bar(canvas)

    def _draw(self, canvas: Canvas, view: Any, centre: Array, middle: tuple[float, float]) -> None:
        factor = self._scale * POINTS_PER_MM

        def place(point: Array) -> tuple[float, float]:
            x, y = (point - centre) * factor
            return middle[0] + float(x), middle[1] + float(y)

        ends = {end: place(points[0]) for end, points in view["ends"].items()}
        canvas.setLineWidth(0.3)
        canvas.setStrokeColor(LINE)
        for camera in view["cameras"].values():
            for end in ends.values():
                canvas.line(*place(camera[0]), *end)
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(2.0)
        canvas.line(*ends["a"], *ends["b"])
        for end, (x, y) in ends.items():
            _label(canvas, x, y + 4.0, end.upper(), BOLD)
        for name, corners in view["targets"].items():
            _target(canvas, [place(corner) for corner in corners], name)
        for name, camera in view["cameras"].items():
            _camera(canvas, *place(camera[0]), self._numbers.get(name, name))

    def _bar(self, canvas: Canvas) -> None:
        length_mm, words = (3048.0, "10 ft") if self._shown.units == "imperial" else (3000.0, "3 m")
        length = length_mm * self._scale * POINTS_PER_MM
        right = self._half_mm * POINTS_PER_MM - 6.0
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(0.8)
        canvas.line(right - length, 7.0, right, 7.0)
        for x in (right - length, right):
            canvas.line(x, 5.0, x, 9.0)
        _label(canvas, right - length / 2.0, 9.5, words, REGULAR)


def _box(view: _View) -> tuple[Array, Array]:
    """Return the low and the high corner of everything in a view."""
    points = np.concatenate([each for part in view.values() for each in part.values()])
    return points.min(axis=0), points.max(axis=0)


def _views(scene: Mapping[str, Any]) -> list[_View]:
    """Return the scene in two views, each with the ridge lying level from A to B."""
    a, b = (np.array(scene["ends"][end], dtype=float) for end in ("a", "b"))
    along = (b - a) / np.linalg.norm(b - a)
    toward = np.mean([np.array(camera) for camera in scene["cameras"].values()], axis=0) - (a + b) / 2.0
    toward -= (toward @ along) * along
    if np.linalg.norm(toward) < 1.0:
        toward = np.cross(along, [0.0, 1.0, 0.0])
    toward /= np.linalg.norm(toward)
    square = np.cross(along, toward)
    views = []
    for second in (-toward, square):
        axes = np.array([along, second])
        views.append(
            {
                part: {name: _flat(points, axes) for name, points in scene[part].items()}
                for part in ("cameras", "targets", "ends")
            }
        )
    return views


def _flat(points: Any, axes: Array) -> Array:
    flat: Array = np.array(points, dtype=float).reshape(-1, 3) @ axes.T
    return flat


def _target(canvas: Canvas, corners: Sequence[tuple[float, float]], name: str) -> None:
    x, y = (sum(each) / len(corners) for each in zip(*corners, strict=True))
    canvas.setFillColor(INK)
    canvas.rect(x - 2.4, y - 2.4, 4.8, 4.8, stroke=0, fill=1)
    _label(canvas, x, y - 9.5, name, REGULAR)


def _camera(canvas: Canvas, x: float, y: float, name: str) -> None:
    path = canvas.beginPath()
    path.moveTo(x, y + 3.0)
    path.lineTo(x + 3.2, y - 2.6)
    path.lineTo(x - 3.2, y - 2.6)
    path.close()
    canvas.setFillColor(SOFT)
    canvas.drawPath(path, stroke=0, fill=1)
    _label(canvas, x, y - 9.0, name, BOLD)


def _label(canvas: Canvas, x: float, y: float, words: str, font: str) -> None:
    canvas.setFont(font, 6.0)
    canvas.setFillColor(INK)
    canvas.drawCentredString(x, y, words)


def _notes(record: Mapping[str, Any]) -> list[Flowable]:
    return [*heading("Notes on the measurement"), *points(record["notes"])] if record["notes"] else []


def _setup(job: Job, shown: Shown) -> list[Flowable]:
    setup = job.setup.ridge
    targets = ", ".join(setup.targets) or "none; a known rectangle gives the scale"
    lens = f"profile {setup.lens}" if setup.lens else "from the photos' metadata, refined with the poses"
    rows: list[list[object]] = [["Targets", targets], ["Lens", lens]]
    rows.append(["Picks", f"standard uncertainty {setup.pick_sigma_px:g} px in each direction"])
    for tape in setup.tape:
        length = f"{shown.length(tape['mm'])}, u {format_metric(tape['u_mm'], 2)}"
        rows.append(["Tape", f"tag {tape['from']} to tag {tape['to']}: {length}"])
    if setup.setback_mm:
        set_back = f"{shown.length(setup.setback_mm)} behind the target's face"
        rows.append(["Set-back", f"{set_back}, u {format_metric(setup.setback_u_mm, 1)}"])
    return [*heading("Measured with"), table(["", ""], rows, [26.0, text_width_mm(job) - 26.0])]


def _photo(
    job: Job, number: int, photo: FiledPhoto, record: Mapping[str, Any], path: Path | None
) -> list[Flowable]:
    found = record["photos"].get(photo.name)
    title = f"Ridge photo {number}: {photo.name}"
    facts_mm = text_width_mm(job) - _PICTURE_MM - _GAP_MM
    picture, picks = _pictures(photo, path)
    side = [photo_facts(photo, facts_mm), text(_use(found), SMALL), Spacer(0, 4), *picks]
    row = columns([[picture, side]], [_PICTURE_MM + _GAP_MM, facts_mm])
    notes = points(found["notes"], SMALL) if found is not None else []
    return [Bookmark(title, 1), text(title, HEADING), row, Spacer(0, 3), *notes]


def _use(found: Mapping[str, Any] | None) -> str:
    if found is None:
        return "Brought in after the measurement."
    if not found["used"]:
        return "Not used."
    rms = "" if found["rms_px"] is None else f"; rms of their corners {found['rms_px']:.2f} px"
    return f"Tags seen: {', '.join(map(str, found['tags'])) or 'none'}{rms}."


def _pictures(photo: FiledPhoto, path: Path | None) -> tuple[Flowable, list[Flowable]]:
    """Return the picture, and the picks enlarged side by side."""
    if path is None:
        return text("The original is not in this package."), []
    try:
        full = open_upright(path, _WHOLE_PX)
    except MeasureError as error:
        return text(f"No picture: {error}."), []
    small = resampled(full, _PICTURE_PX)
    where = "; ".join(f"end {end.upper()}: x {x:.1f}, y {y:.1f} px" for end, (x, y) in photo.ends.items())
    is_tall = small.pixels.shape[0] > small.pixels.shape[1]
    picture = RidgePicture(
        jpeg(small.pixels, _PICTURE_BYTES),
        small.scale,
        _TALL_MM if is_tall else _PICTURE_MM,
        photo.ends,
        f"Photo {photo.name} of the ridge; {where or 'no end picked'}.",
    )
    if not photo.ends:
        return picture, []
    ends = sorted(photo.ends)
    picks = [PickPicture(full, end, photo.ends[end], _PICK_MM, _PICK_HALF_PX) for end in ends]
    row = columns([picks], [_PICK_MM + 2.0] * len(picks), gap_pt=2.0)
    return picture, [row, text(f"{sentence(where)} Shown {2 * _PICK_HALF_PX:g} px wide.", SMALL)]
