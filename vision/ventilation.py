"""Air through the ridge: net free area against what an attic floor asks for, by IRC R806.2.

Areas in mm², lengths in mm. The model code is told by edition, since its conditions changed; the edition
adopted at the place, with its local amendments, governs.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from calib.errors import PlanError
from calib.lengths import Units
from vision.layout import Layout

EDITIONS = (2000, 2003, 2006, 2009, 2012, 2015, 2018, 2021, 2024)

PLAIN_RATIO = 150
REDUCED_RATIO = 300
COLD_ZONES = (6, 7, 8)

MM2_PER_SQUARE_INCH = 25.4**2

_DUST = 1e-9  # floating-point noise of a share must not decide about a limit

LOCAL_CODE = (
    "this is the model code's text for the edition named; the edition adopted where the house stands and its "
    "local amendments govern, so ask the building department"
)


class Met(Enum):
    """Whether a condition of the code is met, as far as the answers given tell."""

    YES = "met"
    NO = "not met"
    UNKNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Attic:
    """What must be known of an attic and its vents.

    Attributes
    ----------
    floor_mm2 : float
        Area of the vented space.
    strip_mm2_per_m : float
        Rating of the ridge vent: net free area in mm² per metre of ridge, both sides together.
    edition : int
        Edition of the IRC.
    intake_mm2 : float or None
        Net free area at the eaves; None if not known.
    climate_zone : int or None
        IRC climate zone, 1 to 8; None if not known.
    vapor_retarder : bool or None
        Whether a class I or II vapor retarder (in the 2000s editions: a barrier of at most 1 perm) is on the
        warm-in-winter side of the ceiling; None if not known.
    end_loss_mm : float
        Length without air at each gable end (12 in; common practice, no source).
    lap_loss_mm : float or None
        Length without air at each lap of the cap; the whole lap if None (common practice, no source).
    """

    floor_mm2: float
    strip_mm2_per_m: float
    edition: int = 2021
    intake_mm2: float | None = None
    climate_zone: int | None = None
    vapor_retarder: bool | None = None
    end_loss_mm: float = 304.8
    lap_loss_mm: float | None = None

    def __post_init__(self) -> None:
        lengths = (self.intake_mm2 or 0.0, self.end_loss_mm, self.lap_loss_mm or 0.0)
        if not (self.floor_mm2 > 0.0 and self.strip_mm2_per_m > 0.0 and math.isfinite(self.floor_mm2)):
            msg = "the attic's floor area and the vent's rating must both be more than 0"
            raise PlanError(msg)
        if min(lengths) < 0.0 or not all(map(math.isfinite, (*lengths, self.strip_mm2_per_m))):
            msg = "the intake area and the lengths without air cannot be negative"
            raise PlanError(msg)
        if self.edition not in EDITIONS:
            msg = f"no IRC edition {self.edition} here; choose one of {', '.join(map(str, EDITIONS))}"
            raise PlanError(msg)
        if self.climate_zone is not None and self.climate_zone not in range(1, 9):
            msg = f"climate zones run from 1 to 8, got {self.climate_zone}"
            raise PlanError(msg)


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition of the code, in our words, and whether it is met."""

    met: Met
    text: str


@dataclass(frozen=True, slots=True)
class Ventilation:
    """What the ridge gives and what the attic asks for, in mm².

    Attributes
    ----------
    required_mm2 : float
        Net free area asked for in all: by 1/300 of the floor only where its conditions are shown to be met.
    provided_mm2 : float
        Net free area that the ridge gives.
    ratio : int
        150 or 300: the part of the floor area that governs.
    edition : str
        Edition and section.
    conditions : tuple of Condition
        Conditions of the reduction to 1/300.
    intake_needed_mm2 : float
        What the eaves must give so that ridge and eaves together reach the requirement.
    upper_share : float
        Ridge area as a share of the reduced (1/300) requirement.
    vented_mm : float
        Length of ridge that lets air through.
    """

    required_mm2: float
    provided_mm2: float
    ratio: int
    edition: str
    conditions: tuple[Condition, ...]
    intake_needed_mm2: float
    upper_share: float
    vented_mm: float


def check_ventilation(layouts: Sequence[Layout], attic: Attic) -> Ventilation:
    """Compare the air that ridges give with what an attic asks for.

    Parameters
    ----------
    layouts : sequence of Layout
        The vented ridges over this attic.
    attic : Attic
        The space and its vents.

    Returns
    -------
    Ventilation
        Requirement, provision and the conditions that decide between 1/150 and 1/300.

    References
    ----------
    IRC R806.2: 2000s text (upper part 50 to 80 %, or a 1-perm barrier), 2012 (one or more of two conditions),
    2015 and later (both).
    """
    vented_mm = sum(_vented_length(layout, attic) for layout in layouts)
    provided_mm2 = vented_mm / 1000.0 * attic.strip_mm2_per_m
    reduced_mm2 = attic.floor_mm2 / REDUCED_RATIO
    conditions = (_retarder(attic), _balance(attic, provided_mm2, reduced_mm2))
    allowed = _all(conditions) if attic.edition >= 2015 else _any(conditions)
    ratio = REDUCED_RATIO if allowed else PLAIN_RATIO
    required_mm2 = attic.floor_mm2 / ratio
    return Ventilation(
        required_mm2,
        provided_mm2,
        ratio,
        f"IRC {attic.edition} R806.2",
        conditions,
        max(0.0, required_mm2 - provided_mm2),
        provided_mm2 / reduced_mm2,
        vented_mm,
    )


def upper_share_limits(edition: int) -> tuple[float, float]:
    """Return the least and greatest share of the required area that may be in the upper part, for 1/300."""
    return (0.40, 0.50) if edition >= 2012 else (0.50, 0.80)


def format_area(area_mm2: float, units: Units) -> str:
    """Return a net free area in square inches or square centimetres."""
    return (
        f"{area_mm2 / MM2_PER_SQUARE_INCH:.0f} in²" if units == "imperial" else f"{area_mm2 / 100.0:.0f} cm²"
    )


def _vented_length(layout: Layout, attic: Attic) -> float:
    lap_loss_mm = layout.lap_mm if attic.lap_loss_mm is None else attic.lap_loss_mm
    return max(0.0, layout.ridge_mm - 2.0 * attic.end_loss_mm - layout.joints * lap_loss_mm)


def _retarder(attic: Attic) -> Condition:
    """Judge the condition on the warm side of the ceiling, whose reach depends on edition and zone."""
    have = {True: Met.YES, False: Met.NO, None: Met.UNKNOWN}[attic.vapor_retarder]
    if attic.edition < 2012:
        return Condition(have, "a vapor barrier of at most 1 perm on the warm side of the ceiling")
    text = "climate zones 6 to 8: a class I or II vapor retarder on the warm-in-winter side of the ceiling"
    if attic.climate_zone in COLD_ZONES:
        return Condition(have, text)
    if attic.climate_zone is None:
        known = attic.edition >= 2015 and have is Met.YES
        return Condition(Met.YES if known else Met.UNKNOWN, f"{text} (climate zone not given)")
    # Where both are asked, a condition for colder zones asks nothing of a warmer one; where one of the two
    # is enough, it cannot be the one that is met.
    does_not_ask = Met.YES if attic.edition >= 2015 else Met.NO
    return Condition(does_not_ask, f"{text} (zone {attic.climate_zone}: does not apply)")


def _balance(attic: Attic, provided_mm2: float, reduced_mm2: float) -> Condition:
    """Judge the share of the required area in the upper part, with the rest at the eaves."""
    low, high = upper_share_limits(attic.edition)
    where = (
        "not more than 3 ft below the ridge"
        if attic.edition >= 2012
        else "at least 3 ft above the eave vents"
    )
    share = provided_mm2 / reduced_mm2
    balance_mm2 = max(0.0, reduced_mm2 - provided_mm2)
    text = (
        f"{low:.0%} to {high:.0%} of the required area up high, {where}, the rest at the eaves: "
        f"the ridge gives {share:.0%}"
    )
    if not low - _DUST <= share <= high + _DUST:
        return Condition(Met.NO, text)
    text += (
        f", the eaves must give {balance_mm2 / MM2_PER_SQUARE_INCH:.0f} in² ({balance_mm2 / 100.0:.0f} cm²)"
    )
    if attic.intake_mm2 is None:
        return Condition(Met.UNKNOWN, f"{text}, which were not given")
    return Condition(Met.YES if attic.intake_mm2 >= balance_mm2 * (1.0 - _DUST) else Met.NO, text)


def _all(conditions: Sequence[Condition]) -> bool:
    return all(condition.met is Met.YES for condition in conditions)


def _any(conditions: Sequence[Condition]) -> bool:
    return any(condition.met is Met.YES for condition in conditions)
