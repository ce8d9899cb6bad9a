"""Places: where on the ridge a close-up belongs, by the names that the crew calls them.

"run 1 left", "lap 2 right", "gable end B". Runs and laps count from gable end A; left and right are seen from
gable end A toward gable end B.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

from webui.errors import StoreError

PlaceKind = Literal["run", "lap", "gable end"]
Flange = Literal["left", "right"]
FLANGES: tuple[Flange, Flange] = ("left", "right")

_NAME = re.compile(
    r"(?:(?P<kind>run|lap) (?P<number>[1-9][0-9]{0,3}) (?P<flange>left|right)|gable end (?P<end>[AB]))"
)


@dataclass(frozen=True, slots=True)
class Place:
    """One place on the ridge.

    Attributes
    ----------
    kind : {"run", "lap", "gable end"}
        What is there.
    number : int
        Number of the run or lap; 1 for gable end A, 2 for gable end B.
    flange : {"left", "right"} or None
        Which half of the cap; None at a gable end.
    """

    kind: PlaceKind
    number: int
    flange: Flange | None = None

    def __str__(self) -> str:
        if self.kind == "gable end":
            return f"gable end {'AB'[self.number - 1]}"
        return f"{self.kind} {self.number} {self.flange}"


def parse_place(text: str) -> Place:
    """Return the place of a name.

    Raises
    ------
    StoreError
        If it is not the name of a place.
    """
    found = _NAME.fullmatch(" ".join(text.split()))
    if found is None:
        msg = f"{text!r:.60} is not a place; write for example 'run 1 left', 'lap 2 right' or 'gable end B'"
        raise StoreError(msg)
    if found["end"]:
        return Place("gable end", "AB".index(found["end"]) + 1)
    kind: PlaceKind = "run" if found["kind"] == "run" else "lap"
    return Place(kind, int(found["number"]), "left" if found["flange"] == "left" else "right")


@dataclass(frozen=True, slots=True)
class Span:
    """A place with the stations between which it lies, mm from gable end A."""

    place: Place
    low_mm: float
    high_mm: float


def spans_of(ridge: dict[str, Any]) -> tuple[Span, ...]:
    """Return all places of a ridge as laid out, from gable end A to gable end B.

    Parameters
    ----------
    ridge : dict
        One entry of ``ridges`` in the contract's `plan --json` record.

    Returns
    -------
    tuple of Span
        Gable end A, then every run and lap with both flanges in the order of the ridge, then gable end B.
    """
    allowance_mm = ridge["gable_allowance_mm"]
    begin_mm, end_mm = -allowance_mm, ridge["ridge_mm"] + allowance_mm
    laps = lap_spans_mm(ridge["pieces_mm"], ridge["lap_mm"], begin_mm)
    borders = [begin_mm, *(station for lap in laps for station in lap), end_mm]
    spans = [Span(Place("gable end", 1), begin_mm, 0.0)]
    for index, (low_mm, high_mm) in enumerate(pairwise(borders)):
        kind: PlaceKind = "lap" if index % 2 else "run"
        spans += [Span(Place(kind, index // 2 + 1, flange), low_mm, high_mm) for flange in FLANGES]
    return (*spans, Span(Place("gable end", 2), ridge["ridge_mm"], end_mm))


def lap_spans_mm(pieces_mm: Sequence[float], lap_mm: float, begin_mm: float) -> list[tuple[float, float]]:
    """Return the stations between which two pieces lie on each other, one pair per lap."""
    laps, end_mm = [], begin_mm
    for piece_mm in pieces_mm[:-1]:
        end_mm += piece_mm
        laps.append((end_mm - lap_mm, end_mm))
        end_mm -= lap_mm
    return laps
