"""Ways to lay one ridge, side by side: what each costs in joints, cuts and waste, and what it survives.

Lengths in mm; stations count from gable end A.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from calib.errors import PlanError
from vision.joints import Rules, place_joints
from vision.layout import (
    TINY_MM,
    End,
    Layout,
    all_alike,
    cap_length,
    equal_ends,
    layout_of,
    least_pieces,
    longer_laps,
    one_cut,
)
from vision.plan import Plan
from vision.stock import cut_stock

EQUAL_ENDS = "equal-ends"
FEWEST_CUTS = "fewest-cuts"
FEWEST_JOINTS = "fewest-joints"
ALL_ALIKE = "all-alike"
LONG_ENDS = "long-ends"
CLEAR_JOINTS = "clear-joints"
ANY_LENGTH = "any-length"

OPTION_NAMES = {
    EQUAL_ENDS: "two equal end pieces, full pieces between",
    FEWEST_CUTS: "fewest cut pieces",
    FEWEST_JOINTS: "fewest joints at the least lap",
    ALL_ALIKE: "all pieces alike",
    LONG_ENDS: "no end piece shorter than asked",
    CLEAR_JOINTS: "joints kept clear of the places named",
    ANY_LENGTH: "holds for any ridge length within the doubt",
}


@dataclass(frozen=True, slots=True)
class KeepClear:
    """A place that laps stay away from: its station from gable end A and the distance asked, in mm."""

    name: str
    station_mm: float
    clear_mm: float


@dataclass(frozen=True, slots=True)
class CrowdedLap:
    """A lap that lies nearer to a place than asked; laps are numbered from gable end A, lengths in mm."""

    lap: int
    place: str
    distance_mm: float
    asked_mm: float


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the layouts of a job are asked to respect beyond the plan; lengths in mm.

    Attributes
    ----------
    edges_face : {"A", "B"}
        End that the exposed edges of the laps look at; turned away from the street, they do not show.
    stub_mm : float
        A piece shorter than this is a stub (2 ft; common practice, no source). Where half of (piece + lap) is
        less, that is used: the default layout never has a shorter piece.
    lap_max_mm : float or None
        Longest lap worth having before a cut is better; twice the least lap, at most half a piece, if None
        (common practice, no source).
    end_min_mm : float or None
        Shortest end piece wanted, for the layout "long-ends".
    gable_clear_mm : float
        Distance that laps keep from the gable ends, for the layout "clear-joints".
    keep_clear : tuple of KeepClear
        Places that laps keep away from: a chimney, the junction of a hip.
    kerf_mm : float
        Width that one saw cut takes; 0 for snips.
    """

    edges_face: End = "A"
    stub_mm: float = 609.6
    lap_max_mm: float | None = None
    end_min_mm: float | None = None
    gable_clear_mm: float = 0.0
    keep_clear: tuple[KeepClear, ...] = ()
    kerf_mm: float = 0.0

    def __post_init__(self) -> None:
        for name in ("stub_mm", "gable_clear_mm", "kerf_mm"):
            if not 0.0 <= getattr(self, name) < math.inf:
                msg = f"{name} must be at least 0 mm, got {getattr(self, name)}"
                raise PlanError(msg)
        for place in self.keep_clear:
            if not (math.isfinite(place.station_mm) and 0.0 <= place.clear_mm < math.inf):
                msg = f"{place.name}: a station and a distance of at least 0 mm were expected"
                raise PlanError(msg)

    def shortest_piece(self, plan: Plan) -> float:
        """Return the length below which a piece is a stub, in mm."""
        return min(self.stub_mm, (plan.piece_mm + plan.lap_min_mm) / 2.0)

    def longest_lap(self, plan: Plan) -> float:
        """Return the longest lap that a layout may have, in mm."""
        usual_mm = min(2.0 * plan.lap_min_mm, plan.piece_mm / 2.0)
        return usual_mm if self.lap_max_mm is None else self.lap_max_mm


@dataclass(frozen=True, slots=True)
class Option:
    """One way to lay a ridge, or the reason why there is none.

    Attributes
    ----------
    names : tuple of str
        Keys of OPTION_NAMES that this layout answers to; several when two ways come out the same.
    layout : Layout or None
        The layout; None when it cannot be had.
    why : str
        Why it cannot be had, else empty.
    stock : int
        Stock pieces that this ridge alone would need.
    waste_mm : float
        Length bought for this ridge alone and not used in it.
    crowded : tuple of CrowdedLap
        Laps nearer to a named place or gable end than asked.
    holds_mm : tuple of float
        Shortest and longest ridge for which this layout holds, with only its last piece trimmed to fit.
    """

    names: tuple[str, ...]
    layout: Layout | None
    why: str = ""
    stock: int = 0
    waste_mm: float = 0.0
    crowded: tuple[CrowdedLap, ...] = ()
    holds_mm: tuple[float, float] = (0.0, 0.0)

    def survives(self, ridge_mm: float, u95_mm: float) -> bool:
        """Tell whether the layout holds for every ridge length within ``u95_mm`` of ``ridge_mm``."""
        low, high = self.holds_mm
        return low - TINY_MM <= ridge_mm - u95_mm and ridge_mm + u95_mm <= high + TINY_MM


def propose_layouts(plan: Plan, ridge_mm: float, wishes: Wishes, u95_mm: float = 0.0) -> tuple[Option, ...]:
    """Lay one ridge in every way that was asked for.

    Parameters
    ----------
    plan : Plan
        Piece, lap and allowance.
    ridge_mm, u95_mm : float
        Ridge length and its expanded uncertainty (95 %), in mm.
    wishes : Wishes
        What the layouts are asked to respect.

    Returns
    -------
    tuple of Option
        Equal end pieces first; the same layout reached twice stands once, under both names.

    Raises
    ------
    PlanError
        If the ridge is not a positive length, or a wish contradicts the plan.
    """
    _check(plan, ridge_mm, u95_mm, wishes)
    ways: dict[str, Callable[[], Layout | str]] = {
        EQUAL_ENDS: lambda: equal_ends(plan, ridge_mm, wishes.edges_face),
        FEWEST_CUTS: lambda: _fewest_cuts(plan, ridge_mm, wishes),
        FEWEST_JOINTS: lambda: _fewest_joints(plan, ridge_mm, wishes),
        ALL_ALIKE: lambda: all_alike(plan, ridge_mm, wishes.edges_face),
    }
    if wishes.end_min_mm is not None:
        ways[LONG_ENDS] = lambda: _constrained(plan, ridge_mm, wishes, clear=False)
    if wishes.keep_clear or wishes.gable_clear_mm:
        ways[CLEAR_JOINTS] = lambda: _constrained(plan, ridge_mm, wishes, clear=True)
    options = [_option(name, way(), plan, wishes) for name, way in ways.items()]
    if not options[0].survives(ridge_mm, u95_mm):
        options.append(_option(ANY_LENGTH, _any_length(plan, ridge_mm, u95_mm, wishes), plan, wishes))
    return _merge(options)


def choose(options: Sequence[Option], name: str | None = None) -> Option:
    """Pick an option by name; without one, equal ends, or clear joints where equal ends crowd a named place.

    Raises
    ------
    PlanError
        If no option has that name, or it cannot be had (the message says why).
    """
    by_name = {key: option for option in options for key in option.names}
    if name is None:
        default, clear = by_name[EQUAL_ENDS], by_name.get(CLEAR_JOINTS)
        return clear if default.crowded and clear is not None and clear.layout is not None else default
    if name not in by_name:
        msg = f"no layout {name!r} here; ask for one of {', '.join(by_name)}"
        raise PlanError(msg)
    if by_name[name].layout is None:
        msg = f"layout {name!r} cannot be had: {by_name[name].why}"
        raise PlanError(msg)
    return by_name[name]


def held_lengths(layout: Layout, plan: Plan, wishes: Wishes) -> tuple[float, float]:
    """Return the shortest and the longest ridge that a layout serves when only the last cut piece is trimmed.

    Full pieces alone have no piece to trim; there the laps take the difference, between the least and the
    longest lap.
    """
    if layout.joints == 0:
        return TINY_MM, plan.piece_mm - 2.0 * plan.gable_allowance_mm
    if layout.cut_pieces:
        piece_mm = layout.pieces_mm[layout.cut_pieces[-1]]
        shortest_mm = min(piece_mm, wishes.shortest_piece(plan))
        return layout.ridge_mm - (piece_mm - shortest_mm), layout.ridge_mm + (plan.piece_mm - piece_mm)
    shorter_mm = layout.joints * max(0.0, wishes.longest_lap(plan) - layout.lap_mm)
    longer_mm = layout.joints * (layout.lap_mm - plan.lap_min_mm)
    return layout.ridge_mm - shorter_mm, layout.ridge_mm + longer_mm


def crowded_laps(layout: Layout, wishes: Wishes) -> tuple[CrowdedLap, ...]:
    """Name the laps that lie nearer to a named place or a gable end than asked."""
    crowded = []
    for name, place_low, place_high, clear_mm in _places(layout.ridge_mm, wishes):
        for number, (low, high) in enumerate(layout.laps_mm, start=1):
            distance_mm = max(low - place_high, place_low - high, 0.0)
            if distance_mm < clear_mm - TINY_MM:
                crowded.append(CrowdedLap(number, name, distance_mm, clear_mm))
    return tuple(crowded)


def _places(ridge_mm: float, wishes: Wishes) -> list[tuple[str, float, float, float]]:
    """Return (name, from, to, distance asked) of every place that laps keep clear of."""
    far = math.inf
    places = [(place.name, place.station_mm, place.station_mm, place.clear_mm) for place in wishes.keep_clear]
    if wishes.gable_clear_mm:
        places.append(("gable end A", -far, 0.0, wishes.gable_clear_mm))
        places.append(("gable end B", ridge_mm, far, wishes.gable_clear_mm))
    return places


def _check(plan: Plan, ridge_mm: float, u95_mm: float, wishes: Wishes) -> None:
    cap_length(plan, ridge_mm)
    if not 0.0 <= u95_mm < ridge_mm:
        msg = f"the uncertainty of a ridge of {ridge_mm:g} mm must be at least 0 and less, got {u95_mm} mm"
        raise PlanError(msg)
    if wishes.end_min_mm is not None and not 0.0 < wishes.end_min_mm <= plan.piece_mm:
        msg = f"end pieces of {wishes.end_min_mm:g} mm or more cannot be had from {plan.piece_mm:g} mm pieces"
        raise PlanError(msg)
    if not plan.lap_min_mm <= wishes.longest_lap(plan) < plan.piece_mm / 2.0 + TINY_MM:
        msg = (
            f"the longest lap ({wishes.longest_lap(plan):g} mm) must lie between the least lap "
            f"({plan.lap_min_mm:g} mm) and half a piece ({plan.piece_mm / 2.0:g} mm)"
        )
        raise PlanError(msg)


def _fewest_cuts(plan: Plan, ridge_mm: float, wishes: Wishes) -> Layout:
    layout = longer_laps(plan, ridge_mm, wishes.edges_face)
    if layout is not None and layout.lap_mm <= wishes.longest_lap(plan) + TINY_MM:
        return layout
    return _fewest_joints(plan, ridge_mm, wishes)


def _fewest_joints(plan: Plan, ridge_mm: float, wishes: Wishes) -> Layout:
    """Lay the fewest pieces with one cut, or with two equal ones where the single one would be a stub."""
    layout = one_cut(plan, ridge_mm, wishes.edges_face)
    if layout.joints == 0 or min(layout.pieces_mm) >= wishes.shortest_piece(plan) - TINY_MM:
        return layout
    return equal_ends(plan, ridge_mm, wishes.edges_face)


def _constrained(plan: Plan, ridge_mm: float, wishes: Wishes, *, clear: bool) -> Layout | str:
    """Lay the ridge so that end pieces are long enough and, if asked, the named places stay clear of laps."""
    least_end_mm = max(wishes.shortest_piece(plan), wishes.end_min_mm or 0.0)
    default = equal_ends(plan, ridge_mm, wishes.edges_face)
    if default.joints == 0:
        return default
    pieces = place_joints(_rules(plan, ridge_mm, wishes, least_end_mm, clear=clear))
    if pieces is None:
        return "no arrangement of the pieces keeps these distances; ask for less, or for longer pieces"
    if wishes.edges_face == "B":
        pieces.reverse()
    found = layout_of(plan, ridge_mm, pieces, wishes.edges_face)
    as_good = (len(default.cut_pieces), default.joints) <= (len(found.cut_pieces), found.joints)
    fits = min(default.pieces_mm[0], default.pieces_mm[-1]) >= least_end_mm - TINY_MM
    return default if as_good and fits and not (clear and crowded_laps(default, wishes)) else found


def _rules(plan: Plan, ridge_mm: float, wishes: Wishes, least_end_mm: float, *, clear: bool) -> Rules:
    """Translate wishes into the search's rules, counted from the end where laying begins."""
    cap_mm = cap_length(plan, ridge_mm)
    stretches = []
    for _, low, high, clear_mm in _places(ridge_mm, wishes) if clear else []:
        near, far = (station + plan.gable_allowance_mm for station in (low - clear_mm, high + clear_mm))
        stretches.append((near, far) if wishes.edges_face == "A" else (cap_mm - far, cap_mm - near))
    inner_mm = max(wishes.shortest_piece(plan), 2.0 * plan.lap_min_mm)
    return Rules(cap_mm, plan.piece_mm, plan.lap_min_mm, least_end_mm, inner_mm, tuple(stretches))


def _any_length(plan: Plan, ridge_mm: float, u95_mm: float, wishes: Wishes) -> Layout | str:
    """Lay the ridge so that trimming the last piece reaches both ends of its interval."""
    fewest = least_pieces(plan, ridge_mm)
    candidates = [one_cut(plan, ridge_mm, wishes.edges_face), longer_laps(plan, ridge_mm, wishes.edges_face)]
    for layout in candidates:
        if layout is not None and layout.lap_mm <= wishes.longest_lap(plan) + TINY_MM:
            low, high = held_lengths(layout, plan, wishes)
            long_enough = layout.joints == 0 or min(layout.pieces_mm) >= wishes.shortest_piece(plan) - TINY_MM
            if long_enough and low <= ridge_mm - u95_mm and ridge_mm + u95_mm <= high:
                return layout
    cap_mm = cap_length(plan, ridge_mm)
    end_mm = (cap_mm + fewest * plan.lap_min_mm - (fewest - 1) * plan.piece_mm) / 2.0
    shortest_mm = wishes.shortest_piece(plan)
    if end_mm - shortest_mm >= u95_mm and plan.piece_mm - end_mm >= u95_mm:
        return equal_ends(plan, ridge_mm, wishes.edges_face, count=fewest + 1)
    return "the ridge's length is too uncertain for any one layout; measure it better before cutting"


def _option(name: str, found: Layout | str, plan: Plan, wishes: Wishes) -> Option:
    if isinstance(found, str):
        return Option((name,), None, found)
    stock = cut_stock(found.pieces_mm, plan.piece_mm, kerf_mm=wishes.kerf_mm)
    return Option(
        (name,),
        found,
        "",
        stock.count,
        stock.waste_mm,
        crowded_laps(found, wishes),
        held_lengths(found, plan, wishes),
    )


def _merge(options: Sequence[Option]) -> tuple[Option, ...]:
    """Put options with the same layout together, names joined, in the order of first appearance."""
    merged: dict[object, Option] = {}
    for option in options:
        key: object = option.names
        if option.layout is not None:
            key = tuple(round(length, 4) for length in (option.layout.lap_mm, *option.layout.pieces_mm))
        first = merged.get(key)
        merged[key] = option if first is None else replace(first, names=first.names + option.names)
    return tuple(merged.values())
