"""What is documented where: the table of places and rules, and what holds in each of its cells."""

from collections.abc import Sequence
from dataclasses import dataclass

from webui.findings import (
    CANNOT_TELL,
    DOES_NOT_MEET,
    MEETS,
    Finding,
    PlaceStatus,
    Status,
    findings_of,
    place_statuses,
)
from webui.job import Job

_WORST_FIRST = (DOES_NOT_MEET, CANNOT_TELL, MEETS)


@dataclass(frozen=True, slots=True)
class Cell:
    """What holds of one rule at one place.

    Attributes
    ----------
    status : Status
        The worst verdict that holds.
    count, of : int, int
        How many findings have it, of how many.
    photo : str
        A photo in which it was found.
    """

    status: Status
    count: int
    of: int
    photo: str


@dataclass(frozen=True, slots=True)
class CoverageRow:
    """One place with a cell for each rule; None where the rule was not judged there."""

    place: PlaceStatus
    cells: tuple[Cell | None, ...]


@dataclass(frozen=True, slots=True)
class Coverage:
    """The whole table: rules in the order of the check, a row for each place in the order of the ridge."""

    rules: tuple[str, ...]
    rows: tuple[CoverageRow, ...]


def coverage_of(job: Job) -> Coverage:
    """Return the table of a job; without rows while there is no layout."""
    rules = tuple(dict.fromkeys(finding.rule for finding in findings_of(job)))
    rows = [
        CoverageRow(place, tuple(_cell([f for f in place.findings if f.rule == rule]) for rule in rules))
        for place in place_statuses(job)
    ]
    return Coverage(rules, tuple(rows))


def _cell(findings: Sequence[Finding]) -> Cell | None:
    for verdict in _WORST_FIRST:
        held = [finding for finding in findings if finding.holds == verdict]
        if held:
            return Cell(Status(verdict), len(held), len(findings), held[0].photo)
    return None
