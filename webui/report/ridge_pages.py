"""The ridge: its length and where the doubt comes from, the network of photos, every photo with its picks."""

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, KeepTogether, Spacer

from calib.errors import MeasureError
from calib.lengths import format_metric
from calib.uncertainty import COVERAGE_FACTOR_95
from webui.inputs import photos_of
from webui.job import FiledPhoto, Job
from webui.network_picture import draw_network, network_words
from webui.report.drawings import PickPicture, RidgePicture
from webui.report.look import (
    BODY,
    BOLD,
    HEADING,
    INK,
    LEAD,
    PAPER,
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
from webui.report.pages import Bookmark, Figure, chapter, printable_plain, text_width_mm
from webui.report.photo_pages import photo_facts
from webui.report.pictures import jpeg, open_upright, resampled
from webui.shown import Shown, sentence, share
from webui.sketch import Shape, Sketch, Words

_PICTURE_MM, _TALL_MM, _PICK_MM, _GAP_MM = 112.0, 72.0, 27.0, 5.0
_PICTURE_PX, _PICTURE_BYTES = 1100, 240_000
# Picks are shown from the photo at its full size.
_WHOLE_PX = 100_000
# Height of the network's two views on the page, at most.
_NETWORK_MM = 150.0
# Half the side of an enlarged pick, px of the original.
_PICK_HALF_PX = 30.0


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
        story += _network(result.drawing, job)
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


def _network(scene: Mapping[str, Any], job: Job) -> list[Flowable]:
    words = "Cameras (numbered as the photos below), with what they look at; targets; the ridge, bold."
    numbers = {photo.name: str(i) for i, photo in enumerate(photos_of(job, "ridge"), 1)}
    width, most_height = text_width_mm(job) * POINTS_PER_MM, _NETWORK_MM * POINTS_PER_MM
    picture = NetworkPicture(draw_network(scene, numbers, job.units, width, most_height))
    head = text("Where the photos were taken from", HEADING)
    key = [text(each, SMALL) for each in (words, *network_words(scene))]
    return [KeepTogether([head, picture, Spacer(0, 4), *key])]


class NetworkPicture(Figure):
    """A drawing of the network, filling the width of the page."""

    def __init__(self, sketch: Sketch) -> None:
        super().__init__(sketch.width / POINTS_PER_MM, sketch.height / POINTS_PER_MM)
        self._sketch, self.alt = sketch, f"{sketch.title}."

    def paint(self, canvas: Canvas) -> None:
        """Draw its items."""
        canvas.setLineJoin(1)
        for item in self._sketch.items:
            if isinstance(item, Shape):
                self._shape(canvas, item)
            else:
                self._words(canvas, item)

    def _shape(self, canvas: Canvas, shape: Shape) -> None:
        path = canvas.beginPath()
        for i, (x, y) in enumerate(shape.points.tolist()):
            (path.lineTo if i else path.moveTo)(x, self.height - y)
        if shape.fill:
            path.close()
            canvas.setFillColor(HexColor(shape.fill))
        if shape.stroke:
            canvas.setStrokeColor(HexColor(shape.stroke))
            canvas.setLineWidth(shape.width)
        canvas.drawPath(path, stroke=int(shape.stroke is not None), fill=int(shape.fill is not None))

    def _words(self, canvas: Canvas, words: Words) -> None:
        font = BOLD if words.is_bold else REGULAR
        shown = printable_plain(words.text)
        width = stringWidth(shown, font, words.size)
        x = words.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[words.anchor] * width
        y = self.height - words.y
        canvas.setFont(font, words.size)
        if words.has_halo:
            canvas.setFillColor(PAPER)
            canvas.rect(x - 1.0, y - 0.24 * words.size, width + 2.0, 1.1 * words.size, stroke=0, fill=1)
        canvas.setFillColor(HexColor(words.ink))
        canvas.drawString(x, y, shown)


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
