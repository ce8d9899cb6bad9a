"""The plan's rules on findings made by hand: what is judged, what is left open, what is never said."""

import numpy as np
import pytest

from vision.laps import LapSighting, NoLap, RowDistance, WhyNoLap
from vision.plan import Plan
from vision.rows import Absence, Gap, LapGroup, Role, Rows, Spacing
from vision.rules import (
    judge_lap_count,
    judge_lap_length,
    judge_lap_rows,
    judge_missing,
    judge_spacings,
)

# Common practice, no source: 12 in +- 1/2 in on centre, 6 in lap, 16 rivets a lap.
PLAN = Plan()


def _rows(spacings: tuple[Spacing, ...] = (), gaps: tuple[Gap, ...] = (), lap: int = 0) -> Rows:
    laps = (LapGroup((tuple(range(lap)),), (0.0,)),) if lap else ()
    return Rows((Role.RUN,) * 3, ((0, 1, 2),), laps, spacings, gaps, (), ())


def _spacing(mm: float, **change: object) -> Spacing:
    values = {"u_mm": 0.5, "across_lap": False, "steps": 1, "partly_seen": False} | change
    return Spacing(0, 1, mm, **values)


def _lap(lap_mm: float | None, *, mark: bool = True) -> LapSighting:
    line = np.zeros((2, 2))
    u95 = None if lap_mm is None else 1.0
    rows = (RowDistance(28.0, 0.3), RowDistance(150.0, 0.3))
    return LapSighting(
        line, line, np.array([1.0, 0.0]), line if mark else None, None, None, None, lap_mm, u95, rows, 1.0, ()
    )


@pytest.mark.parametrize(
    ("mm", "verdict"), [(304.8, "meets"), (317.0, "cannot tell"), (290.0, "does not meet")]
)
def test_spacing_is_judged_against_the_plans_tolerance(mm, verdict):
    (judged,) = judge_spacings(_rows((_spacing(mm),)), PLAN)
    assert judged.judgement.verdict == verdict
    assert judged.record()["limit"] == "292.1 .. 317.5 mm"


def test_spacing_cut_by_the_border_never_fails_by_itself():
    (judged,) = judge_spacings(_rows((_spacing(250.0, partly_seen=True),)), PLAN)
    assert judged.judgement.verdict == "cannot tell"


def test_spacing_over_a_missing_rivet_or_a_lap_is_not_judged_as_a_spacing():
    assert judge_spacings(_rows((_spacing(609.6, steps=2), _spacing(300.0, across_lap=True))), PLAN) == []


@pytest.mark.parametrize(
    ("absence", "is_clear", "verdict"),
    [
        (Absence.MISSING, True, "does not meet"),
        (Absence.MISSING, False, "cannot tell"),
        (Absence.HIDDEN, True, "cannot tell"),
    ],
)
def test_gap_is_a_missing_rivet_only_where_the_photo_shows_it_well(absence, is_clear, verdict):
    gap = Gap(np.array([10.0, 20.0]), Role.RUN, absence, (0, 1))
    (judged,) = judge_missing(_rows(gaps=(gap,)), lambda _: is_clear)
    assert judged.judgement.verdict == verdict
    assert "(10, 20) mm" in judged.judgement.why


def test_row_without_gaps_meets():
    (judged,) = judge_missing(_rows(), lambda _: True)
    assert judged.judgement.verdict == "meets"


@pytest.mark.parametrize(
    ("found", "doubtful", "verdict"),
    [
        (8, (), "meets"),
        (9, (3,), "meets"),
        (8, (3,), "cannot tell"),
        (7, (3,), "does not meet"),
        (6, (), "does not meet"),
    ],
)
def test_lap_rivets_of_one_flange_are_half_of_the_plans(found, doubtful, verdict):
    rows = _rows(lap=found)
    assert judge_lap_count(rows.laps[0], rows, PLAN, doubtful).judgement.verdict == verdict


@pytest.mark.parametrize(
    ("lap", "verdict", "why"),
    [
        (_lap(160.0), "meets", "inside"),
        (_lap(152.5), "cannot tell", "guard band"),
        (_lap(145.0), "does not meet", "outside"),
        (_lap(None, mark=False), "cannot tell", "draw a line on the lower piece"),
        (_lap(None), "cannot tell", "witness_mm"),
        (NoLap(WhyNoLap.NO_EDGE), "cannot tell", "no line where the upper sheet would end"),
    ],
)
def test_lap_length_is_judged_only_where_it_was_measured(lap, verdict, why):
    judgement = judge_lap_length(lap, PLAN).judgement
    assert judgement.verdict == verdict
    assert why in judgement.why


def test_lap_row_beyond_the_lap_does_not_meet():
    near, far = judge_lap_rows(_lap(152.4), PLAN)
    assert near.judgement.verdict == "meets"
    assert far.judgement.verdict == "does not meet"
