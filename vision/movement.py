"""How much a cap grows and shrinks with heat and cold, and whether laps and ends can take it. Lengths in mm.

Temperatures are the metal's own, in °C: a dark roof in the sun is far hotter than the air.
"""

import math
from dataclasses import dataclass
from typing import Literal

from calib.errors import PlanError
from calib.lengths import MM_PER_INCH, Units
from vision.layout import Layout
from vision.metal import Metal

Fixed = Literal["none", "A", "B", "both"]

_SMALLEST_MM = 0.05  # less than that cannot be told on a roof, and prints as nothing


@dataclass(frozen=True, slots=True)
class Heat:
    """Temperatures of the metal, in °C, and what the cap can give; the defaults have no source.

    Attributes
    ----------
    measured_c : float
        When the ridge was measured and the pieces were cut to length.
    installed_c : float
        When the cap is fastened.
    coldest_c, hottest_c : float
        Over the years.
    fixed : {"none", "A", "B", "both"}
        Gable ends at which the cap cannot move; with "none" it moves both ways from its middle.
    lap_slip_mm : float
        How far a lap can slide either way; 0 for a riveted and sealed one.
    end_room_mm : float
        How far a free gable end can move either way before something gives (1/4 in).
    """

    measured_c: float = 20.0
    installed_c: float = 20.0
    coldest_c: float = -20.0
    hottest_c: float = 70.0
    fixed: Fixed = "none"
    lap_slip_mm: float = 0.0
    end_room_mm: float = 6.35

    def __post_init__(self) -> None:
        temperatures = (self.measured_c, self.installed_c, self.coldest_c, self.hottest_c)
        if not all(-90.0 <= value <= 150.0 for value in temperatures):
            msg = f"temperatures of a cap must lie between -90 and 150 °C, got {temperatures}"
            raise PlanError(msg)
        if not self.coldest_c <= self.installed_c <= self.hottest_c:
            msg = (
                f"the cap is installed at {self.installed_c:g} °C, outside the range {self.coldest_c:g} to "
                f"{self.hottest_c:g} °C; widen the range"
            )
            raise PlanError(msg)
        if not (0.0 <= self.lap_slip_mm < math.inf and 0.0 <= self.end_room_mm < math.inf):
            msg = f"lap slip ({self.lap_slip_mm} mm) and end room ({self.end_room_mm} mm) cannot be negative"
            raise PlanError(msg)


@dataclass(frozen=True, slots=True)
class Movement:
    """Changes of length, in mm.

    Attributes
    ----------
    metal : Metal
        What the cap is made of.
    heat : Heat
        The temperatures and restraints.
    piece_growth_mm, piece_shrink_mm : float
        Of a full piece, from installing to the hottest and the coldest.
    cap_growth_mm, cap_shrink_mm : float
        Of the whole cap if nothing held it.
    cut_to_installed_mm : float
        Of a full piece, from cutting to installing.
    end_travel_mm : float
        Largest way that a free gable end moves; 0 when both ends are fixed.
    unrelieved_mm : float
        Movement that neither laps nor ends can take; 0 when all is well.
    """

    metal: Metal
    heat: Heat
    piece_growth_mm: float
    piece_shrink_mm: float
    cap_growth_mm: float
    cap_shrink_mm: float
    cut_to_installed_mm: float
    end_travel_mm: float
    unrelieved_mm: float

    def sentences(self, units: Units) -> tuple[str, ...]:
        """Say what to mind, in plain words; empty when laps and ends can take the movement."""
        if self.unrelieved_mm < _SMALLEST_MM:
            return ()
        amount = format_change(self.unrelieved_mm, units)
        if self.heat.fixed == "both":
            return (
                f"with both ends fixed, {amount} of movement has nowhere to go: free one end, or let the "
                "laps slide as the maker allows",
            )
        return (
            f"a free gable end moves {format_change(self.end_travel_mm, units)} and has room for "
            f"{format_change(self.heat.end_room_mm, units)}: {amount} more is needed, or laps that slide as "
            "the maker allows",
        )


def format_change(change_mm: float, units: Units) -> str:
    """Return a small change of length; a tape's sixteenths are too coarse for it."""
    return f"{change_mm:.1f} mm" if units == "metric" else f"{change_mm / MM_PER_INCH:.2f} in"


def thermal_change(metal: Metal, length_mm: float, change_k: float) -> float:
    """Return the change of a length with temperature, in mm: expansion x length x change of temperature."""
    return metal.expansion_1e6_per_k * 1e-6 * length_mm * change_k


def work_out_movement(layout: Layout, metal: Metal, heat: Heat) -> Movement:
    """Work out the movement of one cap and of its pieces.

    Parameters
    ----------
    layout : Layout
        The cap.
    metal : Metal
        Its metal.
    heat : Heat
        Temperatures and restraints.

    Returns
    -------
    Movement
        Growth, shrinkage, and what neither laps nor ends can take.

    Notes
    -----
    The cap moves as one length between the point that stays (a fixed end, or the middle) and the free end;
    every lap on the way that can slide takes its slip off that.
    """
    up_k, down_k = heat.hottest_c - heat.installed_c, heat.installed_c - heat.coldest_c
    share = 0.5 if heat.fixed == "none" else 1.0
    swing_mm = thermal_change(metal, layout.cap_mm, max(up_k, down_k)) * share
    left_mm = max(0.0, swing_mm - share * layout.joints * heat.lap_slip_mm)
    is_held = heat.fixed == "both"
    return Movement(
        metal,
        heat,
        thermal_change(metal, layout.full_mm, up_k),
        thermal_change(metal, layout.full_mm, down_k),
        thermal_change(metal, layout.cap_mm, up_k),
        thermal_change(metal, layout.cap_mm, down_k),
        thermal_change(metal, layout.full_mm, heat.installed_c - heat.measured_c),
        0.0 if is_held else left_mm,
        left_mm if is_held else max(0.0, left_mm - heat.end_room_mm),
    )
