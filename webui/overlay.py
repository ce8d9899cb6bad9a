"""Copies of close-ups with the findings drawn in, so that a person sees what was taken for a rivet.

Upright pixels. A copy says nothing that the record does not; the original is never touched.
"""

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from calib.errors import FileError
from calib.lengths import Units, format_feet_inches, format_metric
from vision.audit import FlangeAudit
from vision.plane import to_px
from vision.rows import Absence, Role
from vision.verdict import Verdict
from webui.photo_names import free_name

Image = NDArray[np.uint8]
Colour = tuple[int, int, int]

# Blue, green, red.
_WHITE, _BLACK = (255, 255, 255), (0, 0, 0)
_VERDICT_COLOURS: dict[Verdict, Colour] = {
    Verdict.MEETS: (90, 200, 60),
    Verdict.DOES_NOT_MEET: (60, 60, 240),
    Verdict.CANNOT_TELL: (40, 200, 250),
}
_RIVET_COLOURS: dict[Role, Colour] = {Role.RUN: (250, 190, 60), Role.LAP: (240, 120, 220)}
# Line width as a share of the picture's longer side: visible on a page, thin on a rivet.
_LINE_SHARE = 1.0 / 1200.0
# Rings stand off the heads, so that the heads stay in sight.
_RING = 1.7
_JPEG_QUALITY = 88


class Overlays:
    """Writes one drawn-over copy per audit into a folder; its `write` is what `audit_photos` calls."""

    def __init__(self, folder: Path, units: Units, head_mm: float) -> None:
        self._folder, self._units, self._head_mm = folder, units, head_mm
        self._taken: set[str] = set()
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            msg = f"{folder}: cannot be made ({error.strerror})"
            raise FileError(msg) from error

    def write(self, audit: FlangeAudit, image: Image) -> None:
        """Draw one audit over its photo and write it as JPEG.

        Raises
        ------
        FileError
            If it cannot be written.
        """
        drawn = draw_audit(audit, image, self._units, self._head_mm)
        # Two photos of one name, and two flanges of one photo, get numbers.
        name = free_name(f"{Path(audit.photo).stem}.jpg", self._taken)
        self._taken.add(name.casefold())
        path = self._folder / name
        data = cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])[1]
        try:
            path.write_bytes(data.tobytes())
        except OSError as error:
            msg = f"{path}: cannot be written ({error.strerror})"
            raise FileError(msg) from error


def draw_audit(audit: FlangeAudit, image: Image, units: Units, head_mm: float) -> Image:
    """Return a copy of a photo with an audit drawn over it.

    Parameters
    ----------
    audit : FlangeAudit
        The findings.
    image : ndarray of shape (H, W, 3), uint8
        The upright photo, blue, green, red.
    units : {"imperial", "metric"}
        How spacings are written.
    head_mm : float
        Diameter of a rivet head.

    Returns
    -------
    ndarray of shape (H, W, 3), uint8
        The copy.
    """
    pen = _Pen(image.copy())
    z_mm = audit.target.thickness_mm
    pen.line(to_px(audit.view, audit.flange.polygon_mm, z_mm), _WHITE, closed=True)
    _draw_spacings(pen, audit, units)
    radius_px = 0.5 * head_mm / audit.mm_per_px * _RING
    for rivet in audit.rivets:
        pen.ring(rivet.px, radius_px, _RIVET_COLOURS[rivet.role])
    _draw_gaps(pen, audit, radius_px)
    lap = audit.record()["lap"]
    if lap is not None:
        pen.line(np.array(lap["edge_px"]), _WHITE)
    return pen.image


def _draw_spacings(pen: "_Pen", audit: FlangeAudit, units: Units) -> None:
    verdicts = {
        each.judgement.measured_mm: each.judgement.verdict
        for each in audit.verdicts
        if each.rule == "rivet spacing"
    }
    for spacing in audit.rows.spacings:
        ends = np.array([audit.rivets[spacing.first].px, audit.rivets[spacing.second].px])
        verdict = verdicts.get(spacing.mm)
        colour = _WHITE if verdict is None else _VERDICT_COLOURS[verdict]
        pen.line(ends, colour)
        words = format_metric(spacing.mm) if units == "metric" else format_feet_inches(spacing.mm)
        pen.text(ends.mean(axis=0), words, colour)


def _draw_gaps(pen: "_Pen", audit: FlangeAudit, radius_px: float) -> None:
    """Cross the places where the pattern asks for a rivet and none was seen, in the colour of the verdict."""
    judged = iter([each.judgement.verdict for each in audit.verdicts if each.rule == "rivet missing"])
    for gap in audit.rows.gaps:
        # Gaps of run rows are judged one by one, in this order; those of a lap by its count.
        verdict = next(judged, None) if gap.role is Role.RUN else None
        colour = _WHITE if verdict is None else _VERDICT_COLOURS[verdict]
        place = to_px(audit.view, gap.place_mm, audit.target.thickness_mm)[0]
        pen.cross(place, radius_px, colour)
        pen.text(place, "covered" if gap.absence is Absence.HIDDEN else "none seen", colour)


class _Pen:
    """Draws with widths that suit the picture's size; places off the picture are simply not seen."""

    def __init__(self, image: Image) -> None:
        self.image = image
        self._width_px = max(1, round(max(image.shape[:2]) * _LINE_SHARE))

    def line(self, px: Array, colour: Colour, *, closed: bool = False) -> None:
        if np.isfinite(px).all():
            points = np.rint(px).astype(np.int32)[None]
            cv2.polylines(self.image, list(points), closed, colour, self._width_px, cv2.LINE_AA)

    def ring(self, px: Array, radius_px: float, colour: Colour) -> None:
        centre = (round(float(px[0])), round(float(px[1])))
        cv2.circle(self.image, centre, round(radius_px), colour, self._width_px, cv2.LINE_AA)

    def cross(self, px: Array, radius_px: float, colour: Colour) -> None:
        arm = np.array([radius_px, radius_px])
        self.line(np.array([px - arm, px + arm]), colour)
        self.line(np.array([px - arm * (1, -1), px + arm * (1, -1)]), colour)

    def text(self, px: Array, words: str, colour: Colour) -> None:
        """Write words on a dark plate above a point."""
        if not np.isfinite(px).all():
            return
        font, size, gap = cv2.FONT_HERSHEY_SIMPLEX, 0.45 * self._width_px, 4 * self._width_px
        (width, height), _ = cv2.getTextSize(words, font, size, self._width_px)
        rightmost = self.image.shape[1] - width - gap
        left = min(max(round(float(px[0])) - width // 2, gap), rightmost)
        base = max(round(float(px[1])) - 3 * gap, height + gap)
        corners = (left - gap, base - height - gap), (left + width + gap, base + gap)
        cv2.rectangle(self.image, *corners, _BLACK, cv2.FILLED)
        cv2.putText(self.image, words, (left, base), font, size, colour, self._width_px, cv2.LINE_AA)
