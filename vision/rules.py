"""The plan's rules held against what a close-up shows: one verdict per rule and place.

A rule never says "meets" for what the photo does not show; see vision/verdict.py for the decision rule.
"""

import math
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any

from calib.uncertainty import COVERAGE_FACTOR_95
from vision.fastening import sealant_rows
from vision.laps import LapSighting, NoLap
from vision.plan import Plan
from vision.rows import Absence, Gap, LapGroup, Role, Rows, Spacing
from vision.set_out import Length, NoLength, SetOut
from vision.verdict import Judgement, Verdict, confidence_to_accept, judge, judge_count, not_measured

# A witness mark is drawn with a tape: within an eighth of an inch. Common practice, no source.
_WITNESS_TOLERANCE_MM = 3.175
_MOVE_ALONG = "move the camera along the ridge and shoot again"
_PARTLY_SEEN = f"one of its rivets is cut by the photo's border: {_MOVE_ALONG}"
_NONE_MISSING = "no rivet missing"
_SHOOT_LAP = "shoot the lap again from closer, with the card beside it and the light from another side"
_MAY_BE_MARK = (
    "one line shows beside the lap's rivets where there should be the upper sheet's end and its mark: "
    "it may be either; mark the upper sheet's end by hand, or shoot again with the light from another side"
)
_DRAW_MARK = (
    "draw a line on the lower piece at a known distance from its end before the lap is closed, and give the "
    "distance in the plan (witness_mm)"
)


@dataclass(frozen=True, slots=True)
class RuleVerdict:
    """One rule at one place.

    Attributes
    ----------
    rule : str
        Name of the rule, as in the contract.
    judgement : Judgement
        Value, limit, probability and verdict.
    """

    rule: str
    judgement: Judgement

    def record(self) -> dict[str, Any]:
        """Return the contract's entry of one verdict; a count stands where a length would."""
        judged = self.judgement
        return {
            "rule": self.rule,
            "measured_mm": judged.measured_mm,
            "u95_mm": judged.u95_mm,
            "limit": judged.limit,
            "p_conform": judged.p_conform,
            "verdict": str(judged.verdict),
            "why": judged.why,
        }


def judge_spacings(rows: Rows, plan: Plan) -> list[RuleVerdict]:
    """Judge every spacing of neighbours in a run row; one that holds a missing rivet is judged as missing."""
    lower = plan.rivet_spacing_mm - plan.rivet_spacing_tolerance_mm
    upper = plan.rivet_spacing_mm + plan.rivet_spacing_tolerance_mm
    return [
        RuleVerdict("rivet spacing", _judge_spacing(spacing, lower, upper))
        for spacing in rows.spacings
        if spacing.steps in (None, 1) and not spacing.across_lap
    ]


def _judge_spacing(spacing: Spacing, lower: float, upper: float) -> Judgement:
    if spacing.partly_seen:
        return not_measured(_PARTLY_SEEN, lower=lower, upper=upper)
    return _held(spacing.mm, spacing.u_mm, lower, upper)


def judge_missing(rows: Rows, is_clear: Callable[[Gap], bool]) -> list[RuleVerdict]:
    """Judge whether the run rows are complete as far as they are seen, one verdict per gap.

    Parameters
    ----------
    rows : Rows
        The rivets, ordered.
    is_clear : callable
        Says whether the photo shows a gap's place so well that a head there could not be overlooked.

    Returns
    -------
    list of RuleVerdict
        One per gap, or one "meets" for rows without any.
    """
    gaps = [gap for gap in rows.gaps if gap.role is Role.RUN]
    verdicts = [RuleVerdict("rivet missing", _judge_gap(gap, is_clear(gap))) for gap in gaps]
    seen = sum(len(run) for run in rows.runs)
    if not gaps and any(len(run) >= 2 for run in rows.runs):
        why = f"no gap between the {seen} rivets of the row as far as the photo shows it"
        complete = Judgement(None, None, 0, _NONE_MISSING, 1.0, Verdict.MEETS, why)
        verdicts.append(RuleVerdict("rivet missing", complete))
    return verdicts


def _judge_gap(gap: Gap, is_clear: bool) -> Judgement:
    x, y = gap.place_mm
    where = f"at ({x:.0f}, {y:.0f}) mm from the target's corner"
    if gap.absence is Absence.HIDDEN:
        why = (
            f"something lies at the place of a rivet {where}, over its head or instead of it: "
            "move what lies there and shoot again"
        )
    elif not is_clear:
        why = f"no rivet was seen {where}, but that place is too small or too aslant: {_MOVE_ALONG}"
    else:
        why = f"the row asks for a rivet {where} and none is there"
        return Judgement(None, None, 1, _NONE_MISSING, 0.0, Verdict.DOES_NOT_MEET, why)
    return Judgement(None, None, None, _NONE_MISSING, None, Verdict.CANNOT_TELL, why)


def judge_lap_count(lap: LapGroup, rows: Rows, plan: Plan, doubtful: Collection[int]) -> RuleVerdict:
    """Judge the rivets of a lap on this flange; both flanges together give the plan's number.

    ``doubtful`` are rivets that may be none: the lap does not meet the plan by them, nor fails without them.
    """
    required = math.ceil(plan.lap_rivets / 2)
    rivets = set(lap.rivets) - {other for _, other in rows.doubled}
    unsure = len(rivets.intersection(doubtful))
    hidden = sum(gap.role is Role.LAP and gap.absence is Absence.HIDDEN for gap in rows.gaps)
    return RuleVerdict(
        "lap rivet count",
        judge_count(len(rivets) - unsure, required=required, doubtful=unsure, hidden=hidden),
    )


def judge_lap_length(lap: LapSighting | NoLap, plan: Plan) -> RuleVerdict:
    """Judge the length of a lap; without a witness mark whose distance is known it cannot be told."""
    if isinstance(lap, NoLap):
        judgement = not_measured(f"{lap.why}; {_SHOOT_LAP}", lower=plan.lap_min_mm)
    elif lap.lap_mm is not None and lap.u95_mm is not None:
        judgement = _held(lap.lap_mm, lap.u95_mm / COVERAGE_FACTOR_95, plan.lap_min_mm, None)
    elif lap.witness_px is None:
        judgement = not_measured(f"no witness mark shows beside the lap; {_DRAW_MARK}", lower=plan.lap_min_mm)
    else:
        judgement = not_measured(
            "a witness mark shows, but the plan does not say how far it is from the lower piece's end "
            "(witness_mm)",
            lower=plan.lap_min_mm,
        )
    return RuleVerdict("lap length", judgement)


def judge_chained_lap(lap_mm: float, u_mm: float, plan: Plan) -> RuleVerdict:
    """Judge a lap whose length follows from the pieces' length and a chain of photos."""
    return RuleVerdict("lap length", _held(lap_mm, u_mm, plan.lap_min_mm, None))


def judge_lap_rows(lap: LapSighting, plan: Plan) -> list[RuleVerdict]:
    """Judge each row of lap rivets: its heads must lie whole on the upper piece and hold the lower one.

    Parameters
    ----------
    lap : LapSighting
        The lap with its rows' distances from the upper piece's end.
    plan : Plan
        Size of the heads, and the least lap, which stands in for a lap that was not measured.

    Returns
    -------
    list of RuleVerdict
        One per row. The limits are geometry: half a head from either end of the lap. Where the line may be
        the witness mark instead, nothing can be told.
    """
    if lap.may_be_mark:
        reason = not_measured(_MAY_BE_MARK, lower=plan.rivet_head_mm / 2.0)
        return [RuleVerdict("lap rivet row", reason) for _ in lap.rows]
    half = plan.rivet_head_mm / 2.0
    upper = (plan.lap_min_mm if lap.lap_mm is None else lap.lap_mm) - half
    return [RuleVerdict("lap rivet row", _held(row.mm, row.u_mm, half, upper)) for row in lap.rows]


def judge_set_out(found: SetOut, plan: Plan) -> list[RuleVerdict]:
    """Judge what a person marked of a flange that is still open.

    Parameters
    ----------
    found : SetOut
        The lengths between the marked lines.
    plan : Plan
        What they are to be.

    Returns
    -------
    list of RuleVerdict
        Sealant rows by their distances and number, the z-closure's offset, and the line drawn on the lower
        piece: it shows the lap itself where the plan has no witness mark, else it is the witness mark.

    Notes
    -----
    The plan has one tolerance for what is set out along a tape, that of rivets on centre; it holds for the
    sealant and the z-closure too.
    """
    allowed = plan.rivet_spacing_tolerance_mm
    verdicts = [
        _judge_length("sealant row", gap, plan.sealant_row_mm - allowed, plan.sealant_row_mm + allowed)
        for gap in found.sealant_gaps
    ]
    if found.sealant_rows:
        required = sealant_rows(plan)
        # What a person did not mark may be there all the same.
        unmarked = max(0, required - found.sealant_rows)
        count = judge_count(found.sealant_rows, required=required, hidden=unmarked, what="rows of sealant")
        verdicts.append(RuleVerdict("sealant row count", count))
    if found.z_closure_offset is not None:
        offset = plan.z_closure_offset_mm
        verdicts.append(
            _judge_length("z-closure offset", found.z_closure_offset, offset - allowed, offset + allowed)
        )
    if found.end_to_mark is not None:
        verdicts.append(_judge_mark(found.end_to_mark, plan))
    return verdicts


def _judge_mark(found: Length | NoLength, plan: Plan) -> RuleVerdict:
    if plan.witness_mm is None:
        return _judge_length("lap length", found, plan.lap_min_mm, None)
    low, high = plan.witness_mm - _WITNESS_TOLERANCE_MM, plan.witness_mm + _WITNESS_TOLERANCE_MM
    return _judge_length("witness mark", found, low, high)


def _judge_length(rule: str, found: Length | NoLength, lower: float, upper: float | None) -> RuleVerdict:
    if isinstance(found, NoLength):
        return RuleVerdict(rule, not_measured(found.why, lower=lower, upper=upper))
    return RuleVerdict(rule, _held(found.mm, found.u_mm, lower, upper))


def _held(mm: float, u_mm: float, lower: float | None, upper: float | None) -> Judgement:
    """Hold a length against its limits; the less certain it is, the surer "meets" must be."""
    return judge(mm, u_mm, lower=lower, upper=upper, to_accept=confidence_to_accept(u_mm))
