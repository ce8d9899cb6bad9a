"""The ridge cap broken into rows, like lines of text, for every drawing of it: on the page and in the report.

Stations are mm from gable end A along the ridge.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from webui.places import lap_spans_mm

# Two stations closer than this are one.
_SAME_MM = 0.5


@dataclass(frozen=True, slots=True)
class CapRows:
    """A cap and the rows that it is drawn in.

    Attributes
    ----------
    begin_mm, end_mm : float
        Ends of the cap.
    laps_mm : tuple of (float, float)
        Stations between which two pieces lie on each other.
    rows_mm : tuple of (float, float)
        Stations between which each row lies.
    """

    begin_mm: float
    end_mm: float
    laps_mm: tuple[tuple[float, float], ...]
    rows_mm: tuple[tuple[float, float], ...]

    def row_of(self, low_mm: float, high_mm: float) -> int:
        """Return the index of the row that shows most of a stretch."""
        shown = [min(high_mm, high) - max(low_mm, low) for low, high in self.rows_mm]
        return shown.index(max(shown))

    def row_at(self, station_mm: float) -> int:
        """Return the index of the row that shows a station; of two that share it, the later."""
        return max(i for i, (low, _) in enumerate(self.rows_mm) if i == 0 or low <= station_mm + _SAME_MM)


def cap_rows(ridge: Mapping[str, Any], longest_row_mm: float) -> CapRows:
    """Break a cap at the beginnings of laps, into rows of about equal length.

    Parameters
    ----------
    ridge : mapping
        One entry of ``ridges`` in the contract's `plan --json` record.
    longest_row_mm : float
        What a row should show at most; a piece longer than that stays whole.

    Returns
    -------
    CapRows
        The cap and its rows, in the order of the ridge.
    """
    allowance_mm = ridge["gable_allowance_mm"]
    begin_mm, end_mm = -allowance_mm, ridge["ridge_mm"] + allowance_mm
    laps_mm = tuple(lap_spans_mm(ridge["pieces_mm"], ridge["lap_mm"], begin_mm))
    length_mm = end_mm - begin_mm
    count = math.ceil(length_mm / longest_row_mm) if laps_mm else 1
    wanted = [begin_mm + length_mm * i / count for i in range(1, count)]
    breaks = {min((low for low, _ in laps_mm), key=lambda low: abs(low - each)) for each in wanted}
    return CapRows(begin_mm, end_mm, laps_mm, tuple(pairwise([begin_mm, *sorted(breaks), end_mm])))
