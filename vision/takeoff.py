"""What a job needs, counted from its layouts by rules that are stated and can be changed. Lengths in mm.

Fastening and sealing are the engineer's and the maker's to decide; the numbers here are for ordering.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calib.errors import PlanError
from calib.lengths import Units, format_length
from vision.fastening import FasteningRules, RivetCount, sealant_rows
from vision.layout import Layout
from vision.metal import Sheet
from vision.plan import Plan
from vision.stock import StockPlan

KG_PER_LB = 0.45359237


@dataclass(frozen=True, slots=True)
class TakeoffRules:
    """How parts are counted; every default is common practice without a source. Lengths in mm.

    Attributes
    ----------
    panel_mm : float
        Width of a panel bay, seam to seam (16 in).
    bays : int or None
        Bays along one side of each cap, when they were counted instead; None to count from the panel width.
    z_closures : bool
        Whether z-closures carry the cap.
    screws_per_z_closure : int
        Screws that hold one z-closure.
    vent_strip_piece_mm : float
        Length of one piece of vent strip (10 ft).
    gable_sealant_rows : int
        Rows of sealant across the cap at each gable end.
    bead_mm : float
        Diameter of a bead of sealant (1/4 in).
    tube_mm3 : float
        Content of a sealant tube (300 ml, about 10.1 fl oz).
    butyl_roll_mm : float
        Length of a roll of butyl tape (50 ft).
    fastener_allowance, length_allowance : float
        Added to rivets and screws, and to everything that comes by length, as a share of the count.
    """

    panel_mm: float = 406.4
    bays: int | None = None
    z_closures: bool = True
    screws_per_z_closure: int = 2
    vent_strip_piece_mm: float = 3048.0
    gable_sealant_rows: int = 1
    bead_mm: float = 6.35
    tube_mm3: float = 300_000.0
    butyl_roll_mm: float = 15_240.0
    fastener_allowance: float = 0.10
    length_allowance: float = 0.10

    def __post_init__(self) -> None:
        for name in ("panel_mm", "vent_strip_piece_mm", "bead_mm", "tube_mm3", "butyl_roll_mm"):
            if not 0.0 < getattr(self, name) < math.inf:
                msg = f"{name} must be more than 0, got {getattr(self, name)}"
                raise PlanError(msg)
        for name in (
            "bays",
            "screws_per_z_closure",
            "gable_sealant_rows",
            "fastener_allowance",
            "length_allowance",
        ):
            if not 0 <= (getattr(self, name) or 0) < math.inf:
                msg = f"{name} cannot be negative, got {getattr(self, name)}"
                raise PlanError(msg)

    @property
    def bead_per_tube_mm(self) -> float:
        """Length of a round bead out of one tube."""
        return self.tube_mm3 / (math.pi * self.bead_mm**2 / 4.0)


@dataclass(frozen=True, slots=True)
class TakeoffItem:
    """One line of the take-off; ``rule`` says in words how the quantity came about."""

    item: str
    quantity: float
    unit: str
    rule: str


def take_off(
    plan: Plan,
    layouts: Sequence[Layout],
    rivets: Sequence[RivetCount],
    stock: StockPlan,
    rules: TakeoffRules,
    fastening: FasteningRules,
    sheet: Sheet | None,
    units: Units,
) -> tuple[TakeoffItem, ...]:
    """Count what a job needs.

    Parameters
    ----------
    plan : Plan
        The plan.
    layouts, rivets : sequence
        One of each per ridge or hip.
    stock : StockPlan
        The stock that the pieces are cut from.
    rules, fastening : TakeoffRules, FasteningRules
        How parts are counted.
    sheet : Sheet or None
        Metal and thickness, for the weight; None leaves the weight out.
    units : {"imperial", "metric"}
        For the lengths in the rules' words.

    Returns
    -------
    tuple of TakeoffItem
        Lines of the take-off; a part that the job does not use has no line.
    """
    vented_mm = sum(
        layout.ridge_mm for layout, count in zip(layouts, rivets, strict=True) if count.vent_strips
    )
    count = _Counter(plan, layouts, vented_mm, rules, fastening, units)
    lines = [
        count.cap(stock),
        *count.weight(sheet),
        *count.z_closures(),
        *count.vent_strips(),
        count.rivets(rivets),
        count.sealant(),
        *count.butyl(),
    ]
    return tuple(line for line in lines if line.quantity > 0)


@dataclass(frozen=True, slots=True)
class _Counter:
    plan: Plan
    layouts: Sequence[Layout]
    vented_mm: float
    rules: TakeoffRules
    fastening: FasteningRules
    units: Units

    def cap(self, stock: StockPlan) -> TakeoffItem:
        kerf = f", {self._text(stock.kerf_mm)} per cut" if stock.kerf_mm else ""
        proof = "the least there is" if stock.optimal else f"at least {stock.bound} are needed"
        rule = f"pieces of {self._text(stock.piece_mm)} cut for all ridges together{kerf}; {proof}"
        return TakeoffItem("ridge cap", stock.count, "piece", rule)

    def weight(self, sheet: Sheet | None) -> list[TakeoffItem]:
        if sheet is None:
            return []
        girth_mm = 2.0 * self.fastening.flange_mm
        piece_kg = sheet.mass_kg(self.plan.piece_mm, girth_mm)
        name = f"{sheet.metal.name} {sheet.thickness_mm:.2f} mm"
        rule = f"{name}, {self._text(girth_mm)} wide flat (hems not counted)"
        return [TakeoffItem("weight of a full cap piece", *self._mass(piece_kg), rule)]

    def z_closures(self) -> list[TakeoffItem]:
        if not self.rules.z_closures:
            return []
        bays = [self._bays(layout) for layout in self.layouts]
        count = 2 * sum(bays)
        counted = (
            "as counted" if self.rules.bays is not None else f"panels {self._text(self.rules.panel_mm)} wide"
        )
        closures = TakeoffItem(
            "z-closure", count, "piece", f"one per bay and side; {_plus(bays)} bays, {counted}"
        )
        per = self.rules.screws_per_z_closure
        rule = f"{per} per z-closure{self._extra(self.rules.fastener_allowance)}"
        screws = _with_allowance(count * per, self.rules.fastener_allowance)
        return [closures, TakeoffItem("screw for z-closures", screws, "piece", rule)]

    def vent_strips(self) -> list[TakeoffItem]:
        strips = self.fastening.vent_strips
        length_mm = strips * self.vented_mm
        piece_mm, allowance = self.rules.vent_strip_piece_mm, self.rules.length_allowance
        rule = (
            f"{strips} strips along every vented ridge, {self._text(length_mm)}{self._extra(allowance)}, "
            f"pieces of {self._text(piece_mm)}"
        )
        return [TakeoffItem("vent strip", _with_allowance(length_mm / piece_mm, allowance), "piece", rule)]

    def rivets(self, counts: Sequence[RivetCount]) -> TakeoffItem:
        allowance = self.rules.fastener_allowance
        runs, laps, vents, gables = (
            sum(getattr(count, part) for count in counts)
            for part in ("runs", "laps", "vent_strips", "gables")
        )
        rule = f"runs {runs}, laps {laps}, vent strips {vents}, gable ends {gables}{self._extra(allowance)}"
        return TakeoffItem(
            "blind rivet", _with_allowance(runs + laps + vents + gables, allowance), "piece", rule
        )

    def sealant(self) -> TakeoffItem:
        girth_mm, gable_rows = 2.0 * self.fastening.flange_mm, self.rules.gable_sealant_rows
        lap_rows = sealant_rows(self.plan)
        joints = sum(layout.joints for layout in self.layouts)
        rows = joints * lap_rows + 2 * len(self.layouts) * gable_rows
        length_mm, allowance = rows * girth_mm, self.rules.length_allowance
        rule = (
            f"{lap_rows} rows per lap and {gable_rows} per gable end, {self._text(girth_mm)} each: "
            f"{self._text(length_mm)}{self._extra(allowance)}; a bead of {self._text(self.rules.bead_mm)} "
            f"gives {self._text(self.rules.bead_per_tube_mm)} a tube of {self.rules.tube_mm3 / 1000.0:.0f} ml"
        )
        return TakeoffItem(
            "sealant", _with_allowance(length_mm / self.rules.bead_per_tube_mm, allowance), "tube", rule
        )

    def butyl(self) -> list[TakeoffItem]:
        if not self.rules.z_closures:
            return []
        length_mm = 2.0 * sum(layout.ridge_mm for layout in self.layouts)
        allowance = self.rules.length_allowance
        roll_mm = self.rules.butyl_roll_mm
        rule = (
            f"under the z-closures on both sides, {self._text(length_mm)}{self._extra(allowance)}, "
            f"rolls of {self._text(roll_mm)}"
        )
        return [TakeoffItem("butyl tape", _with_allowance(length_mm / roll_mm, allowance), "roll", rule)]

    def _bays(self, layout: Layout) -> int:
        return self.rules.bays or math.ceil(layout.ridge_mm / self.rules.panel_mm - 1e-9)

    def _mass(self, mass_kg: float) -> tuple[float, str]:
        return (
            (round(mass_kg / KG_PER_LB, 1), "lb") if self.units == "imperial" else (round(mass_kg, 1), "kg")
        )

    def _text(self, length_mm: float) -> str:
        return format_length(length_mm, self.units)

    def _extra(self, allowance: float) -> str:
        return f", {allowance:.0%} added" if allowance else ""


def _with_allowance(count: float, allowance: float) -> int:
    """Return the count with its allowance, rounded up to whole parts."""
    return math.ceil(count * (1.0 + allowance) - 1e-9)


def _plus(numbers: Sequence[int]) -> str:
    return " + ".join(map(str, numbers))
