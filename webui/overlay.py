"""Copies of close-ups with the findings drawn in: over the photo, and over the flange to scale with a ruler.

A copy says nothing that the record does not; the original is never touched. Below each picture stands what
was found, rule by rule, in words.
"""

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import cv2
import numpy as np

from calib.camera import Array
from calib.errors import FileError
from calib.lengths import MM_PER_INCH, Units, format_feet_inches, format_metric, format_uncertainty
from vision.audit import FlangeAudit
from vision.laps import LapSighting
from vision.plane import Rectified, rectify, to_mm, to_px
from vision.rows import Absence, Role, Spacing
from vision.rules import RuleVerdict
from vision.verdict import Verdict
from webui.findings import rivet_numbers
from webui.photo_names import free_name
from webui.picture_pen import LETTER_SHARE, PLATE, WHITE, Image, Pen, wrapped

# A copy is no wider than this: enough for a page, and sent from a telephone in a moment.
_WIDEST_PX = 2000
_JPEG_QUALITY = 88
# Rings stand off the heads, so that the heads stay in sight; on a small head they are still to be seen.
_RING, _LEAST_RING_SHARE = 1.7, 1.0 / 110.0
# The picture to scale: its width, the longest stretch in one row, and what is shown beyond fold and hem.
_SCALE_WIDTH_PX, _LONGEST_ROW_MM, _BEYOND_MM = 1600, 650.0, 12.0
# A row's break may lie off its even place by this share of a row, to stay this clear of rivets and laps.
_BREAK_SHARE, _BREAK_CLEAR_MM = 0.2, 60.0
# How much of what is not the flange's plane is left of its light.
_OUTSIDE_LIGHT = 0.45
# Ruler: finest ticks, middle ones and numbered ones, mm.
_TICKS_MM: dict[Units, tuple[float, float, float]] = {
    "metric": (10.0, 50.0, 100.0),
    "imperial": (MM_PER_INCH / 4.0, MM_PER_INCH, 3.0 * MM_PER_INCH),
}

Place = Callable[[Array], Array]


class Overlays:
    """Writes two drawn-over copies per audit into a folder; its `write` is what `audit_photos` calls."""

    def __init__(self, folder: Path, units: Units, head_mm: float) -> None:
        self._folder, self._units, self._head_mm = folder, units, head_mm
        self._taken: set[str] = set()
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            msg = f"{folder}: cannot be made ({error.strerror})"
            raise FileError(msg) from error

    def write(self, audit: FlangeAudit, image: Image) -> None:
        """Draw one audit over its photo and over its flange to scale, and write both as JPEG.

        Raises
        ------
        FileError
            If they cannot be written.
        """
        # Two photos of one name, and two flanges of one photo, get numbers.
        name = Path(free_name(f"{Path(audit.photo).stem}.jpg", self._taken))
        self._taken.add(name.name.casefold())
        self._write(name.name, draw_audit(audit, image, self._units, self._head_mm))
        self._write(f"{name.stem}_to_scale.jpg", draw_to_scale(audit, image, self._units, self._head_mm))

    def _write(self, name: str, drawn: Image) -> None:
        path = self._folder / name
        data = cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])[1]
        try:
            path.write_bytes(data.tobytes())
        except OSError as error:
            msg = f"{path}: cannot be written ({error.strerror})"
            raise FileError(msg) from error


def draw_audit(audit: FlangeAudit, image: Image, units: Units, head_mm: float) -> Image:
    """Return a copy of a photo with an audit drawn over it, and in words below it.

    Parameters
    ----------
    audit : FlangeAudit
        The findings.
    image : ndarray of shape (H, W, 3), uint8
        The upright photo, blue, green, red.
    units : {"imperial", "metric"}
        How lengths are written.
    head_mm : float
        Diameter of a rivet head.

    Returns
    -------
    ndarray of shape (H', W', 3), uint8
        The copy; a photo wider than a page is made smaller.
    """
    scale = min(1.0, _WIDEST_PX / image.shape[1])
    small = image.copy()
    if scale < 1.0:
        size = (round(image.shape[1] * scale), round(image.shape[0] * scale))
        small = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    factor = np.array(small.shape[1::-1]) / image.shape[1::-1]

    def place(mm: Array) -> Array:
        return (to_px(audit.view, mm, audit.target.thickness_mm) + 0.5) * factor - 0.5

    pen = Pen(small)
    pen.line(place(audit.flange.polygon_mm), dashed=True, closed=True)
    ring_px = max(
        0.5 * head_mm / audit.mm_per_px * _RING * float(factor[0]), _LEAST_RING_SHARE * small.shape[1]
    )
    _draw_findings(pen, audit, place, ring_px, units)
    return np.concatenate([small, _legend(audit, small.shape[1], units)])


def draw_to_scale(audit: FlangeAudit, image: Image, units: Units, head_mm: float) -> Image:
    """Return the flange to scale, straight from above, with a ruler along its edge and the audit drawn in.

    Parameters
    ----------
    audit, image, units, head_mm
        As for `draw_audit`.

    Returns
    -------
    ndarray of shape (H, W, 3), uint8
        Rows of the flange, from left to right as the photo shows it, and what was found in words.
    """
    strip = _Strip.of(audit)
    mm_per_px = max(row.length_mm for row in strip.rows) / (_SCALE_WIDTH_PX - 1)
    ring_px = max(0.5 * head_mm / mm_per_px * _RING, _LEAST_RING_SHARE * _SCALE_WIDTH_PX)
    drawn: list[Image] = []
    for row in strip.rows:
        flat = strip.flattened(audit, image, row, mm_per_px)
        picture = _dimmed(flat, audit)
        _draw_findings(Pen(picture), audit, flat.from_plane_mm, ring_px, units)
        drawn += [picture, _ruler(row.start_mm, row.length_mm, mm_per_px, units)]
    return np.concatenate([*drawn, _legend(audit, _SCALE_WIDTH_PX, units)])


@dataclass(frozen=True, slots=True)
class _Row:
    """One row of the strip: where it starts from the strip's left end, and its length."""

    start_mm: float
    length_mm: float


@dataclass(frozen=True, eq=False, slots=True)
class _Strip:
    """The flange as a strip along the ridge, in rows.

    Attributes
    ----------
    axes : ndarray of shape (2, 2)
        Directions of its rows and square to them, on the plane.
    low_mm : ndarray of shape (2,)
        Its top left corner, along these axes.
    height_mm : float
        What is shown of it, square to the ridge.
    rows : tuple of _Row
        One scale for all; no row ends in the midst of a lap.
    """

    axes: Array
    low_mm: Array
    height_mm: float
    rows: tuple[_Row, ...]

    @classmethod
    def of(cls, audit: FlangeAudit) -> Self:
        """Return the strip of an audit, its direction the one that leads to the right in the photo."""
        polygon, along = audit.flange.polygon_mm, audit.flange.along
        middle = polygon.mean(axis=0)
        ends = to_px(audit.view, [middle, middle + 10.0 * along], audit.target.thickness_mm)
        along = along if ends[1, 0] >= ends[0, 0] else -along
        axes = np.array([along, (-along[1], along[0])])
        places, margin = polygon @ axes.T, np.array([0.0, _BEYOND_MM])
        low, high = places.min(axis=0) - margin, places.max(axis=0) + margin
        rivets = np.array([rivet.mm for rivet in audit.rivets]).reshape(-1, 2)
        lines = [_on_plane(audit, lap.edge_px) for lap in _laps(audit)]
        busy = np.concatenate([rivets, *lines]) @ along - low[0]
        return cls(axes, low, float(high[1] - low[1]), _break_rows(float(high[0] - low[0]), busy))

    def flattened(self, audit: FlangeAudit, image: Image, row: _Row, mm_per_px: float) -> Rectified:
        """Return one row of the strip, straight from above, as wide as all rows."""
        corner = (self.low_mm + np.array([row.start_mm, 0.0])) @ self.axes
        return rectify(
            image,
            audit.view,
            z_mm=audit.target.thickness_mm,
            corner_mm=corner,
            size_mm=(mm_per_px * (_SCALE_WIDTH_PX - 1), self.height_mm),
            mm_per_px=mm_per_px,
            along=self.axes[0],
        )


def _break_rows(length_mm: float, busy_mm: Array) -> tuple[_Row, ...]:
    """Break a strip into rows, each break near its even place but as far from what is drawn as can be."""
    count = int(np.ceil(length_mm / _LONGEST_ROW_MM))
    breaks = [0.0]
    for index in range(1, count):
        near = length_mm / count * (index + np.linspace(-_BREAK_SHARE, _BREAK_SHARE, 41))
        away = np.abs(near[:, None] - busy_mm).min(axis=1, initial=np.inf)
        # Beyond what is drawn about a rivet, nearer to the even place is better.
        breaks.append(
            float(near[int(np.argmax(np.minimum(away, _BREAK_CLEAR_MM) - 0.01 * np.abs(near - near[20])))])
        )
    return tuple(_Row(a, b - a) for a, b in itertools.pairwise([*breaks, length_mm]))


def _dimmed(flat: Rectified, audit: FlangeAudit) -> Image:
    """Return a flattened picture with what is not the flange's plane in the dark: it is not to scale."""
    on_plane = np.zeros(flat.seen.shape, dtype=np.uint8)
    outline = np.rint(flat.from_plane_mm(audit.flange.polygon_mm)).astype(np.int32)
    cv2.fillPoly(on_plane, [outline], 1)
    light = np.where(on_plane[:, :, None] > 0, 1.0, _OUTSIDE_LIGHT)
    return np.rint(flat.image * light).astype(np.uint8)


def _ruler(start_mm: float, length_mm: float, mm_per_px: float, units: Units) -> Image:
    """Return a ruler under a row, its zero at the strip's left end."""
    letter = LETTER_SHARE * _SCALE_WIDTH_PX
    drawn = np.full((round(2.3 * letter), _SCALE_WIDTH_PX, 3), WHITE, dtype=np.uint8)
    pen, fine, (finest, middle, numbered) = Pen(drawn), 1e-6, _TICKS_MM[units]
    first, last = int(np.ceil(start_mm / finest - fine)), int((start_mm + length_mm) / finest + fine)
    for tick in range(first, last + 1):
        at_mm = tick * finest
        x = round((at_mm - start_mm) / mm_per_px)
        is_numbered, is_middle = (
            abs(at_mm / step - round(at_mm / step)) < fine for step in (numbered, middle)
        )
        reach = letter * (0.85 if is_numbered else 0.55 if is_middle else 0.3)
        cv2.line(drawn, (x, 0), (x, round(reach)), PLATE, 4 if is_numbered else 2)
        if is_numbered:
            label = f"{at_mm:.0f} mm" if units == "metric" else f'{at_mm / MM_PER_INCH:.0f}"'
            pen.words(x + 0.2 * letter, 0.95 * letter, label, letter, PLATE)
    return drawn


def _draw_findings(pen: Pen, audit: FlangeAudit, place: Place, ring_px: float, units: Units) -> None:
    """Draw lines first, then rings, then words, so that nothing hides a word."""
    rivets = place(np.array([rivet.mm for rivet in audit.rivets]).reshape(-1, 2))
    spacings = list(_judged_spacings(audit))
    for spacing, verdict in spacings:
        pen.line(
            rivets[[spacing.first, spacing.second]],
            dashed=verdict in (None, Verdict.CANNOT_TELL),
            wide=verdict is Verdict.DOES_NOT_MEET,
        )
    _draw_lap_lines(pen, audit, place)
    for rivet, px in zip(audit.rivets, rivets, strict=True):
        (pen.square if rivet.role is Role.LAP else pen.ring)(px, ring_px)
        pen.keep_free(px, ring_px)
    _draw_gaps(pen, audit, place, ring_px)
    for spacing, verdict in spacings:
        words = format_metric(spacing.mm) if units == "metric" else format_feet_inches(spacing.mm)
        pen.plate(rivets[[spacing.first, spacing.second]].mean(axis=0), words, verdict)
    _number_runs(pen, audit, rivets, ring_px)
    _name_laps(pen, audit, place, units)


def _judged_spacings(audit: FlangeAudit) -> Iterator[tuple[Spacing, Verdict | None]]:
    judged = {
        each.judgement.measured_mm: each.judgement.verdict
        for each in audit.verdicts
        if each.rule == "rivet spacing"
    }
    for spacing in audit.rows.spacings:
        yield spacing, judged.get(spacing.mm, Verdict.CANNOT_TELL if spacing.partly_seen else None)


def _laps(audit: FlangeAudit) -> Iterator[LapSighting]:
    yield from (lap for lap in audit.laps if isinstance(lap, LapSighting))


def _on_plane(audit: FlangeAudit, px: Array) -> Array:
    """Return where lines of the photo seem to lie on the plane that is drawn."""
    return to_mm(audit.view, px, audit.target.thickness_mm).mm


def _draw_lap_lines(pen: Pen, audit: FlangeAudit, place: Place) -> None:
    for lap in _laps(audit):
        pen.line(place(_on_plane(audit, lap.edge_px)))
        if lap.witness_px is not None:
            pen.line(place(_on_plane(audit, lap.witness_px)), dashed=True)


def _name_laps(pen: Pen, audit: FlangeAudit, place: Place, units: Units) -> None:
    """Write beside every lap what its length and its number of rivets were found to be."""
    judged = iter([each for each in audit.verdicts if each.rule == "lap length"])
    for lap in audit.laps:
        verdict = next(judged, None)
        if not isinstance(lap, LapSighting):
            continue
        words = "end of the upper sheet"
        if lap.lap_mm is not None and verdict is not None:
            words = f"lap {_length(lap.lap_mm, units)}"
            pen.plate(_end_above(place, _on_plane(audit, lap.edge_px)), words, verdict.judgement.verdict)
        else:
            pen.plate(_end_above(place, _on_plane(audit, lap.edge_px)), words)
        if lap.witness_px is not None:
            pen.plate(_end_below(place, _on_plane(audit, lap.witness_px)), "witness mark")


def _end_above(place: Place, line_mm: Array) -> Array:
    px = place(line_mm)
    end: Array = px[int(px[:, 1].argmin())]
    return end


def _end_below(place: Place, line_mm: Array) -> Array:
    px = place(line_mm)
    end: Array = px[int(px[:, 1].argmax())]
    return end


def _draw_gaps(pen: Pen, audit: FlangeAudit, place: Place, ring_px: float) -> None:
    """Cross the places where the pattern asks for a rivet and none was seen, with the verdict."""
    judged = iter([each.judgement.verdict for each in audit.verdicts if each.rule == "rivet missing"])
    for gap in audit.rows.gaps:
        # Gaps of run rows are judged one by one, in this order; those of a lap by its count.
        verdict = next(judged, None) if gap.role is Role.RUN else None
        (px,) = place(gap.place_mm[None])
        if np.isfinite(px).all():
            pen.cross(px, 1.3 * ring_px)
            pen.keep_free(px, ring_px)
            pen.plate(px, "covered" if gap.absence is Absence.HIDDEN else "no rivet", verdict)


def _number_runs(pen: Pen, audit: FlangeAudit, rivets: Array, ring_px: float) -> None:
    """Write the rivets' numbers beside those of the runs; in a lap they would hide each other."""
    for number, rivet, px in zip(_numbers(audit), audit.rivets, rivets, strict=True):
        if rivet.role is Role.RUN and np.isfinite(px).all():
            pen.plate(px + np.array([0.0, ring_px]), f"{number}")


def _numbers(audit: FlangeAudit) -> tuple[int, ...]:
    return rivet_numbers({"rivets": [rivet.record() for rivet in audit.rivets]})


def _length(mm: float, units: Units) -> str:
    return format_metric(mm) if units == "metric" else format_feet_inches(mm)


def _legend(audit: FlangeAudit, width_px: int, units: Units) -> Image:
    """Return what was found, a line a verdict, white on dark, as wide as a picture."""
    letter = max(8.0, LETTER_SHARE * width_px)
    margin, indent, step = 0.6 * letter, 2.1 * letter, 1.45 * letter
    lines: list[tuple[str, Verdict | None]] = []
    for words, verdict in _sentences(audit, units):
        broken = wrapped(words, letter, width_px - indent - margin)
        lines += [(line, verdict if i == 0 else None) for i, line in enumerate(broken)]
    drawn = np.full((round(len(lines) * step + 1.2 * letter), width_px, 3), PLATE, dtype=np.uint8)
    pen = Pen(drawn, letter)
    for i, (words, verdict) in enumerate(lines):
        top = 0.7 * letter + i * step
        if verdict is not None:
            pen.mark(margin + 0.5 * letter, top + 0.5 * letter, letter, verdict)
        pen.words(margin if i == 0 else indent, top, words, letter)
    return drawn


def _sentences(audit: FlangeAudit, units: Units) -> Iterator[tuple[str, Verdict | None]]:
    """Yield what was found in words: the photo, then every verdict."""
    yield f"{audit.photo}: {'lap' if audit.laps else 'run'}, {len(audit.rivets)} rivets", None
    numbers = _numbers(audit)
    between = {s.mm: sorted((numbers[s.first], numbers[s.second])) for s in audit.rows.spacings}
    for each in audit.verdicts:
        pair = between.get(each.judgement.measured_mm or -1.0) if each.rule == "rivet spacing" else None
        where = "" if pair is None else f" {pair[0]} to {pair[1]}"
        yield f"{each.rule}{where}: {_measured(each, units)}{each.judgement.verdict}", each.judgement.verdict
    if audit.marks:
        yield "some marks are by hand", None


def _measured(each: RuleVerdict, units: Units) -> str:
    judged = each.judgement
    if judged.count is not None and judged.limit.startswith(">="):
        return f"{judged.count} of {judged.limit.removeprefix('>= ')}, "
    if judged.measured_mm is None or judged.u95_mm is None:
        return ""
    return f"{_length(judged.measured_mm, units)} {format_uncertainty(judged.u95_mm, units)}, "
