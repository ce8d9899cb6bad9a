"""The plan's rules held against what a close-up shows: one verdict per rule and place.

A rule never says "meets" for what the photo does not show; see vision/verdict.py for the decision rule.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from vision.plan import Plan
from vision.rows import Absence, Gap, LapGroup, Role, Rows, Spacing
from vision.verdict import Judgement, Verdict, judge, judge_count, not_measured

_PARTLY_SEEN = (
    "one of its rivets is cut by the photo's border: move the camera along the ridge and shoot again"
)
_ACROSS_LAP = "the spacing crosses a lap, where the lap's own rivets continue the row"


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
    return judge(spacing.mm, spacing.u_mm, lower=lower, upper=upper)


def judge_missing(rows: Rows) -> list[RuleVerdict]:
    """Judge whether the run rows are complete as far as they are seen, one verdict per gap."""
    gaps = [gap for gap in rows.gaps if gap.role is Role.RUN]
    verdicts = [RuleVerdict("rivet missing", _judge_gap(gap)) for gap in gaps]
    seen = sum(len(run) for run in rows.runs)
    if not gaps and any(len(run) >= 2 for run in rows.runs):
        why = f"no gap between the {seen} rivets of the row as far as the photo shows it"
        complete = Judgement(None, None, 0, "no rivet missing", 1.0, Verdict.MEETS, why)
        verdicts.append(RuleVerdict("rivet missing", complete))
    return verdicts


def _judge_gap(gap: Gap) -> Judgement:
    x, y = gap.place_mm
    where = f"at ({x:.0f}, {y:.0f}) mm from the target's corner"
    if gap.absence is Absence.HIDDEN:
        return Judgement(
            None,
            None,
            None,
            "no rivet missing",
            None,
            Verdict.CANNOT_TELL,
            f"the place of a rivet {where} is covered: move what lies there and shoot again",
        )
    return Judgement(
        None,
        None,
        1,
        "no rivet missing",
        0.0,
        Verdict.DOES_NOT_MEET,
        f"the row asks for a rivet {where} and none is there",
    )


def judge_lap_count(lap: LapGroup, rows: Rows, plan: Plan, doubtful: int) -> RuleVerdict:
    """Judge the rivets of a lap on this flange; both flanges together give the plan's number."""
    required = math.ceil(plan.lap_rivets / 2)
    doubled = {other for _, other in rows.doubled}
    seen = sum(rivet not in doubled for rivet in lap.rivets)
    hidden = sum(gap.role is Role.LAP and gap.absence is Absence.HIDDEN for gap in rows.gaps)
    return RuleVerdict(
        "lap rivet count", judge_count(seen, required=required, doubtful=doubtful, hidden=hidden)
    )


def judge_lap_rows(
    distances_mm: Sequence[float], u_mm: Sequence[float], lap_mm: float | None, plan: Plan
) -> list[RuleVerdict]:
    """Judge each row of lap rivets: its heads must lie whole on the upper piece and hold the lower one.

    Parameters
    ----------
    distances_mm, u_mm : sequence of float
        Distance of each row from the upper piece's end edge, and its standard uncertainty.
    lap_mm : float or None
        Length of the lap, where it was measured; else the plan's least lap stands in for it.
    plan : Plan
        Size of the heads, and least lap.

    Returns
    -------
    list of RuleVerdict
        One per row. The limits are geometry: half a head from either end of the lap.
    """
    half = plan.rivet_head_mm / 2.0
    upper = (plan.lap_min_mm if lap_mm is None else lap_mm) - half
    return [
        RuleVerdict("lap rivet row", judge(distance, u, lower=half, upper=upper))
        for distance, u in zip(distances_mm, u_mm, strict=True)
    ]
