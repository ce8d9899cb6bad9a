"""Where the rivets of a cap go, and how many there are. Stations in mm from gable end A.

Fastening is the engineer's and the maker's to decide; these are rules of common practice to mark out by,
every one of them changeable.
"""

import math
from dataclasses import dataclass

from calib.errors import PlanError
from vision.layout import TINY_MM, Layout
from vision.plan import Plan


@dataclass(frozen=True, slots=True)
class FasteningRules:
    """What the plan file leaves open; every default is common practice without a source. Lengths in mm.

    Attributes
    ----------
    flange_mm : float
        Width of one flange of the cap, fold to hem (7 1/2 in).
    run_end_mm : float
        Least distance of a run's first and last rivet from the lap or gable end that bounds the run (2 in);
        at most half the spacing is used.
    gable_rivets : int
        Rivets at each gable end, both flanges together.
    vent_strips : int
        Vent strips along the ridge: 2 for one under each flange, 0 for an unvented ridge.
    """

    flange_mm: float = 190.5
    run_end_mm: float = 50.8
    gable_rivets: int = 4
    vent_strips: int = 2

    def __post_init__(self) -> None:
        if not (
            self.flange_mm > 0.0
            and self.run_end_mm >= 0.0
            and math.isfinite(self.flange_mm + self.run_end_mm)
        ):
            msg = f"flange ({self.flange_mm} mm) and end distance ({self.run_end_mm} mm) must be lengths"
            raise PlanError(msg)
        if self.gable_rivets < 0 or self.vent_strips < 0:
            msg = (
                f"gable rivets ({self.gable_rivets}) and vent strips ({self.vent_strips}) cannot be negative"
            )
            raise PlanError(msg)


@dataclass(frozen=True, slots=True)
class RivetCount:
    """Rivets of one cap by where they are, without any allowance."""

    runs: int
    laps: int
    vent_strips: int
    gables: int

    @property
    def total(self) -> int:
        """All rivets together."""
        return self.runs + self.laps + self.vent_strips + self.gables


@dataclass(frozen=True, slots=True)
class LapPattern:
    """Rivets and sealant rows of one lap on one flange, in mm.

    ``rivets_mm`` holds (from the exposed edge, from the fold) of each rivet; ``sealant_mm`` the distances of
    the sealant rows from the exposed edge.
    """

    lap_mm: float
    flange_mm: float
    rivets_mm: tuple[tuple[float, float], ...]
    sealant_mm: tuple[float, ...]


def run_rivets(layout: Layout, plan: Plan, rules: FasteningRules) -> tuple[tuple[float, ...], ...]:
    """Return the stations of the rivets of every run, one flange; the other flange has the same.

    Notes
    -----
    Within a run the rivets stand exactly one spacing apart, and the row is centred, so that both its ends are
    equally far from the bounding lap or gable end: at least ``run_end_mm``, at most that plus half a spacing.
    """
    return tuple(
        _centred_row(low, high, plan.rivet_spacing_mm, rules.run_end_mm) for low, high in layout.runs_mm
    )


def vent_strip_rivets(layout: Layout, plan: Plan) -> int:
    """Return the rivets of one vent strip: one at each end, then no more than one spacing apart."""
    return math.ceil(layout.ridge_mm / plan.vent_rivet_spacing_mm - TINY_MM) + 1


def count_rivets(layout: Layout, plan: Plan, rules: FasteningRules) -> RivetCount:
    """Count the rivets of one cap: runs and laps on both flanges, vent strips, gable ends."""
    return RivetCount(
        runs=2 * sum(map(len, run_rivets(layout, plan, rules))),
        laps=layout.joints * plan.lap_rivets,
        vent_strips=rules.vent_strips * vent_strip_rivets(layout, plan),
        gables=2 * rules.gable_rivets,
    )


def sealant_rows(plan: Plan) -> int:
    """Return the sealant rows of a lap: the lap over the rows' distance, to the nearest whole number."""
    return max(1, math.floor(plan.lap_min_mm / plan.sealant_row_mm + 0.5))


def lap_pattern(layout: Layout, plan: Plan, rules: FasteningRules) -> LapPattern:
    """Arrange the rivets of one lap on one flange: in rows across the cap that stand on the sealant rows.

    Notes
    -----
    The sealant rows are centred in the lap: with the default values two, at 1 1/2 in and 4 1/2 in from the
    edge. Half of the lap's rivets are on each flange (an odd one is shown on both), spread evenly over the
    rows and evenly across the flange.
    """
    lap_mm = layout.lap_mm
    rows = sealant_rows(plan)
    sealant = tuple(lap_mm / 2.0 + (row - (rows - 1) / 2.0) * plan.sealant_row_mm for row in range(rows))
    rivets = math.ceil(plan.lap_rivets / 2)
    shares = [rivets // rows + (row < rivets % rows) for row in range(rows)]
    places = [
        (x, (place + 0.5) / share * rules.flange_mm)
        for x, share in zip(sealant, shares, strict=True)
        for place in range(share)
    ]
    return LapPattern(lap_mm, rules.flange_mm, tuple(places), sealant)


def _centred_row(low_mm: float, high_mm: float, spacing_mm: float, end_mm: float) -> tuple[float, ...]:
    room_mm = high_mm - low_mm - 2.0 * min(end_mm, spacing_mm / 2.0)
    if room_mm < -TINY_MM:
        return ()
    spaces = math.floor(room_mm / spacing_mm + TINY_MM)
    first_mm = (low_mm + high_mm - spaces * spacing_mm) / 2.0
    return tuple(first_mm + space * spacing_mm for space in range(spaces + 1))
