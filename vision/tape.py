"""A layout in whole marks of the tape, so that what is printed adds up exactly as printed.

The stations are rounded, each by at most half a mark; pieces and laps follow, so errors never add up.
"""

import math
from dataclasses import dataclass

from calib.errors import PlanError
from calib.lengths import MM_PER_INCH, TAPE_DENOMINATOR
from vision.layout import TINY_MM, Layout
from vision.plan import Plan

MARKS_MM = (MM_PER_INCH / TAPE_DENOMINATOR, 1.0, 0.1, MM_PER_INCH / 2032.0, TINY_MM)
"""Marks tried in turn: 1/16 in, 1 mm, 0.1 mm, then 0.0125 mm, which holds any mix of these, then anything."""


@dataclass(frozen=True, slots=True)
class TapeLayout:
    """A layout in whole marks; stations count from gable end A.

    ``sum(pieces) - sum(laps) == ridge + 2 * gable_allowance`` holds in integers.
    """

    mark_mm: float
    ridge: int
    gable_allowance: int
    pieces: tuple[int, ...]
    laps: tuple[int, ...]
    lap_stations: tuple[int, ...]

    def millimetres(self, marks: int) -> float:
        """Return a number of marks as a length in mm."""
        return marks * self.mark_mm


def tape_mark(plan: Plan) -> float:
    """Return the coarsest mark, in mm, on which the plan's own lengths lie: 1/16 in for an inch plan."""
    lengths = (plan.piece_mm, plan.lap_min_mm, plan.gable_allowance_mm)
    return next(mark for mark in MARKS_MM if all(_lies_on(length, mark) for length in lengths))


def on_tape(layout: Layout, mark_mm: float) -> TapeLayout:
    """Round a layout to marks of the tape.

    Parameters
    ----------
    layout : Layout
        The exact layout.
    mark_mm : float
        Distance of two marks, in mm; `tape_mark` tells the one that suits the plan.

    Returns
    -------
    TapeLayout
        Full pieces stay full, and no lap becomes shorter than the plan's least one.

    Raises
    ------
    PlanError
        If the lengths that must stay as they are do not lie on these marks.

    Notes
    -----
    Full pieces, laps and allowances are whole marks already, so rounding each station by at most half a mark
    leaves them as they are; what is rounded away ends up in the cut pieces, or in the laps where every piece
    is full.
    """
    fixed = [layout.full_mm, layout.gable_allowance_mm] + ([layout.lap_mm] if layout.cut_pieces else [])
    if not all(_lies_on(length, mark_mm) for length in fixed):
        msg = f"lengths of {fixed} mm do not lie on marks of {mark_mm:g} mm; choose a finer mark"
        raise PlanError(msg)
    ridge, gable, full, lap = (
        _nearest(length, mark_mm)
        for length in (layout.ridge_mm, layout.gable_allowance_mm, layout.full_mm, layout.lap_mm)
    )
    exposed = [_nearest(station, mark_mm) for station in layout.lap_stations_mm]
    if layout.cut_pieces:
        laps = [lap] * layout.joints
        starts = exposed if layout.edges_face == "A" else [station - lap for station in exposed]
    elif layout.edges_face == "A":
        ends = [start + full for start in [-gable, *exposed[:-1]]] if exposed else []
        laps, starts = [end - start for end, start in zip(ends, exposed, strict=True)], exposed
    else:
        starts = [end - full for end in [*exposed[1:], ridge + gable]] if exposed else []
        laps = [end - start for end, start in zip(exposed, starts, strict=True)]
    begins = [-gable, *starts]
    finishes = [start + lap for start, lap in zip(starts, laps, strict=True)] + [ridge + gable]
    pieces = tuple(finish - begin for begin, finish in zip(begins, finishes, strict=True))
    return TapeLayout(mark_mm, ridge, gable, pieces, tuple(laps), tuple(exposed))


def _nearest(length_mm: float, mark_mm: float) -> int:
    """Return the nearest mark; halves go up, also when floating-point noise has made them a little less."""
    return math.floor(length_mm / mark_mm + 0.5 + 1e-6)


def _lies_on(length_mm: float, mark_mm: float) -> bool:
    return abs(length_mm - round(length_mm / mark_mm) * mark_mm) <= TINY_MM
