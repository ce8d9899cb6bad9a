"""What is set out on the sheet before a cap closes over it, measured from the lines that a person marks.

Sealant rows, the line of a z-closure or vent strip, and the end of the lower piece with the line drawn on it.
Frames: upright px; plane mm of the target's frame. The target lies on the same sheet as the lines.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from calib.camera import Array
from calib.uncertainty import COVERAGE_FACTOR_95
from vision.crosslines import CrossLine
from vision.flange import Flange
from vision.laps import choose_mark
from vision.marked import HandLine, gap_between, line_across
from vision.marks import MarkedLine, Marks
from vision.plane import View, to_px

# Sheet metal before it is fastened: standard uncertainty of a point's height over the target's plane. Common
# practice, no source.
_U_FLATNESS_MM = 0.5
# Middle of a bead of sealant as the eye takes it, of a drawn line's width, and of the bend of a fold or the
# flank of a closure. Common practice, no source.
_U_BEAD_MM, _U_DRAWN_MM, _U_BEND_MM = 1.0, 0.15, 0.8
# What a flange says of itself when its borders may be mixed up (see vision/flange.py).
_UNCLEAR_FOLD = "which border is the fold"


@dataclass(frozen=True, slots=True)
class Length:
    """A length with its standard uncertainty, mm."""

    mm: float
    u_mm: float

    def record(self) -> dict[str, float]:
        """Return the length as in the contract's records."""
        return {"mm": self.mm, "u95_mm": COVERAGE_FACTOR_95 * self.u_mm}


@dataclass(frozen=True, slots=True)
class NoLength:
    """A length that could not be measured, why, and what to do."""

    why: str


@dataclass(frozen=True, slots=True)
class SetOut:
    """What was set out, as far as it was marked.

    Attributes
    ----------
    sealant_rows : int
        Rows of sealant marked.
    sealant_gaps : tuple of Length or NoLength
        From each row to the next, along the ridge.
    z_closure_offset : Length, NoLength or None
        From the ridge line to the z-closure or vent strip, down the slope; None where it was not marked.
    end_to_mark : Length, NoLength or None
        From the lower piece's end to the line drawn on it; None where the end was not marked.
    """

    sealant_rows: int = 0
    sealant_gaps: tuple[Length | NoLength, ...] = ()
    z_closure_offset: Length | NoLength | None = None
    end_to_mark: Length | NoLength | None = None

    def record(self) -> dict[str, Any]:
        """Return what was measured, by name; empty where nothing was."""
        gaps = [gap.record() for gap in self.sealant_gaps if isinstance(gap, Length)]
        singles = {"z_closure_offset": self.z_closure_offset, "end_to_mark": self.end_to_mark}
        found = {key: value.record() for key, value in singles.items() if isinstance(value, Length)}
        return ({"sealant_gaps": gaps} if gaps else {}) | found


def measure_set_out(
    marks: Marks,
    lines: Sequence[CrossLine],
    view: View,
    flange: Flange,
    *,
    z_mm: float,
    target_mm: Array,
) -> SetOut:
    """Measure what a person marked of a flange that is still open.

    Parameters
    ----------
    marks : Marks
        The marks on this flange.
    lines : sequence of CrossLine
        Lines that cross it: the line drawn on the lower piece may be among them.
    view : View
        The photo.
    flange : Flange
        The band of sheet, its direction and its fold.
    z_mm : float
        Depth of the sheet in the target's frame.
    target_mm : ndarray of shape (K, 2)
        Outline of the target.

    Returns
    -------
    SetOut
        The lengths, each with its uncertainty: of the marks, the view, the sheet's flatness and what an eye
        takes for the line.
    """
    return SetOut(
        sealant_rows=len(marks.sealant),
        sealant_gaps=_sealant_gaps(marks.sealant, view, flange, z_mm),
        z_closure_offset=_z_closure_offset(marks, view, flange, z_mm),
        end_to_mark=_end_to_mark(marks, lines, view, flange, z_mm, target_mm),
    )


def _sealant_gaps(
    rows: Sequence[MarkedLine], view: View, flange: Flange, z_mm: float
) -> tuple[Length | NoLength, ...]:
    placed = [(line_across(row, view, z_mm, flange.along), row) for row in rows]
    if any(line is None for line, _ in placed):
        return (
            NoLength("a line marked as sealant does not run across the flange: mark it from fold to hem"),
        )
    in_order = sorted(((line.station_mm, row) for line, row in placed if line), key=lambda pair: pair[0])
    return tuple(
        _length(
            gap_between(view, z_mm, flange.along, _as_px(one), _as_px(other), _U_FLATNESS_MM),
            math.sqrt(2.0) * _U_BEAD_MM,
            "two rows of sealant are not parallel: mark each from fold to hem",
        )
        for (_, one), (_, other) in pairwise(in_order)
    )


def _z_closure_offset(marks: Marks, view: View, flange: Flange, z_mm: float) -> Length | NoLength | None:
    if marks.z_closure is None:
        return None
    if marks.ridge is not None:
        ridge, u_ridge = _as_px(marks.ridge), _U_BEND_MM
    elif flange.fold is not None and not any(_UNCLEAR_FOLD in note for note in flange.notes):
        ridge = to_px(view, flange.fold.ends_mm, z_mm), 0.0
        u_ridge = math.hypot(flange.fold.u_mm, _U_BEND_MM)
    else:
        return NoLength("the ridge line was not found in the photo: mark it too")
    return _length(
        gap_between(view, z_mm, flange.across, ridge, _as_px(marks.z_closure), _U_FLATNESS_MM),
        math.hypot(u_ridge, _U_BEND_MM),
        "the marked z-closure line does not run along the ridge: mark it along the closure",
    )


def _end_to_mark(
    marks: Marks,
    lines: Sequence[CrossLine],
    view: View,
    flange: Flange,
    z_mm: float,
    target_mm: Array,
) -> Length | NoLength | None:
    """Measure from the lower piece's end to the line drawn on it: one marked, or the one that shows."""
    if marks.lower_end is None:
        return None
    end = line_across(marks.lower_end, view, z_mm, flange.along)
    if end is None:
        return NoLength("the line marked as the lower piece's end does not run across the flange")
    drawn = marks.witness
    if drawn is None:
        found, notes = choose_mark(lines, end, _side_of(target_mm, end, flange))
        if found is None:
            return NoLength("; ".join(notes) + "; mark the line drawn on the lower piece too")
        ends = [flange.along * s + flange.across * o for s, o in _ends(found)]
        mark, u_mark = (to_px(view, ends, z_mm), 0.0), found.u_station_mm
    else:
        mark, u_mark = _as_px(drawn), 0.0
    return _length(
        gap_between(view, z_mm, flange.along, _as_px(marks.lower_end), mark, _U_FLATNESS_MM),
        math.hypot(u_mark, _U_DRAWN_MM),
        "the lower piece's end and the line drawn on it are not parallel: mark both from fold to hem",
    )


def _side_of(target_mm: Array, end: HandLine, flange: Flange) -> int:
    """Return +1 if the lower piece, on which the target lies, is towards greater stations from its end."""
    return 1 if float((target_mm @ flange.along).mean()) > end.station_mm else -1


def _ends(line: CrossLine) -> list[tuple[float, float]]:
    """Return stations and offsets of a line's ends."""
    return [
        (
            line.station_mm + sign * line.slope * line.half_length_mm,
            line.offset_mm + sign * line.half_length_mm,
        )
        for sign in (-1.0, 1.0)
    ]


def _as_px(line: MarkedLine) -> tuple[Array, float]:
    return np.array(line.ends_px), line.sigma_px


def _length(gap: tuple[float, float] | None, u_line_mm: float, why_not: str) -> Length | NoLength:
    if gap is None:
        return NoLength(why_not)
    return Length(abs(gap[0]), math.hypot(gap[1], u_line_mm))
