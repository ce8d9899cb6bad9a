"""What is marked out along one ridge: laps, witness marks, rivets. Stations in mm from gable end A."""

from dataclasses import dataclass

from vision.fastening import FasteningRules, run_rivets
from vision.layout import Layout
from vision.plan import Plan
from vision.tape import TapeLayout


@dataclass(frozen=True, slots=True)
class LapMarks:
    """Marks of one lap, numbered from gable end A.

    ``exposed_mm`` is where the upper piece's edge lies, ``hidden_mm`` the lower piece's end under it, and
    ``witness_mm`` the witness mark drawn on the lower piece, None if the plan has none.
    """

    number: int
    exposed_mm: float
    hidden_mm: float
    witness_mm: float | None


@dataclass(frozen=True, slots=True)
class RunMarks:
    """Rivets of one run on each flange: the first, the last, how many; None where there is no room."""

    number: int
    first_mm: float | None
    last_mm: float | None
    count: int


def lap_marks(layout: Layout, tape: TapeLayout, plan: Plan) -> tuple[LapMarks, ...]:
    """Return the marks of every lap, in whole marks of the tape.

    The witness mark is not rounded by itself: it is the plan's distance away from the lower piece's end.
    """
    toward_b = 1.0 if layout.edges_face == "A" else -1.0
    marks = []
    for number, (station, lap) in enumerate(zip(tape.lap_stations, tape.laps, strict=True), start=1):
        exposed_mm = tape.millimetres(station)
        hidden_mm = exposed_mm + toward_b * tape.millimetres(lap)
        witness_mm = None if plan.witness_mm is None else hidden_mm - toward_b * plan.witness_mm
        marks.append(LapMarks(number, exposed_mm, hidden_mm, witness_mm))
    return tuple(marks)


def run_marks(layout: Layout, plan: Plan, fastening: FasteningRules) -> tuple[RunMarks, ...]:
    """Return the rivets of every run."""
    rows = run_rivets(layout, plan, fastening)
    return tuple(
        RunMarks(number, row[0] if row else None, row[-1] if row else None, len(row))
        for number, row in enumerate(rows, start=1)
    )
