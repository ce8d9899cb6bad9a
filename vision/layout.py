"""How one ridge or hip is covered by cap pieces: lengths, laps and their stations, in mm.

Stations count from gable end A, where the ridge begins; the cap begins one gable allowance before it.
Piece 1 lies at gable end A. Full pieces plus laps always give ridge + both allowances exactly.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from calib.errors import PlanError
from vision.plan import Plan

End = Literal["A", "B"]

TINY_MM = 1e-6
"""Lengths closer than this are the same length; it only absorbs floating-point noise."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Cap pieces of one ridge, from gable end A to gable end B, all lengths in mm.

    ``edges_face`` is the end that the exposed edges of the laps look at. Pieces are laid away from that end:
    facing A, the first piece lies at A and every next one laps over it; facing B, the other way round.
    """

    ridge_mm: float
    gable_allowance_mm: float
    full_mm: float
    lap_mm: float
    pieces_mm: tuple[float, ...]
    edges_face: End = "A"

    @property
    def cap_mm(self) -> float:
        """Length of the whole cap: ridge and both gable allowances."""
        return self.ridge_mm + 2.0 * self.gable_allowance_mm

    @property
    def joints(self) -> int:
        """Number of laps."""
        return len(self.pieces_mm) - 1

    @property
    def cut_pieces(self) -> tuple[int, ...]:
        """Indices of the pieces shorter than a full one, in laying order (the last one is laid last)."""
        cut = [i for i, piece in enumerate(self.pieces_mm) if piece < self.full_mm - TINY_MM]
        return tuple(cut if self.edges_face == "A" else reversed(cut))

    @property
    def starts_mm(self) -> tuple[float, ...]:
        """Stations of the pieces' ends toward gable end A."""
        starts = [-self.gable_allowance_mm]
        for piece in self.pieces_mm[:-1]:
            starts.append(starts[-1] + piece - self.lap_mm)
        return tuple(starts)

    @property
    def ends_mm(self) -> tuple[float, ...]:
        """Stations of the pieces' ends toward gable end B."""
        return tuple(start + piece for start, piece in zip(self.starts_mm, self.pieces_mm, strict=True))

    @property
    def laps_mm(self) -> tuple[tuple[float, float], ...]:
        """Stations between which two pieces lie on each other, one pair per lap."""
        return tuple(zip(self.starts_mm[1:], self.ends_mm[:-1], strict=True))

    @property
    def lap_stations_mm(self) -> tuple[float, ...]:
        """Stations of the exposed edges of the upper pieces, one per lap."""
        return tuple(low if self.edges_face == "A" else high for low, high in self.laps_mm)

    @property
    def runs_mm(self) -> tuple[tuple[float, float], ...]:
        """Stations between which the cap is single: from gable end to lap, lap to lap, lap to gable end."""
        borders = [0.0, *(station for lap in self.laps_mm for station in lap), self.ridge_mm]
        return tuple(zip(borders[::2], borders[1::2], strict=True))


def cap_length(plan: Plan, ridge_mm: float) -> float:
    """Return the length that the pieces must cover, in mm.

    Raises
    ------
    PlanError
        If the ridge is not a positive, finite length.
    """
    if not (ridge_mm > 0.0 and math.isfinite(ridge_mm)):
        msg = f"a ridge must be longer than 0 mm, got {ridge_mm} mm; check the measured length"
        raise PlanError(msg)
    return ridge_mm + 2.0 * plan.gable_allowance_mm


def least_pieces(plan: Plan, ridge_mm: float) -> int:
    """Return the smallest number of pieces that reach from end to end with laps of the least length."""
    advance_mm = plan.piece_mm - plan.lap_min_mm
    return max(1, math.ceil((cap_length(plan, ridge_mm) - plan.lap_min_mm - TINY_MM) / advance_mm))


def layout_of(
    plan: Plan, ridge_mm: float, pieces_mm: Sequence[float], edges_face: End, lap_mm: float | None = None
) -> Layout:
    """Make a layout of given pieces; the lap is the plan's least one unless given.

    Raises
    ------
    PlanError
        If the pieces do not give the ridge and its allowances, or one is longer than a full piece.
    """
    lap_mm = plan.lap_min_mm if lap_mm is None else lap_mm
    # Nine decimals take the floating-point dust off a length without moving it by more than a picometre.
    pieces = tuple(round(piece, 9) for piece in pieces_mm)
    surplus_mm = sum(pieces) - (len(pieces) - 1) * lap_mm - cap_length(plan, ridge_mm)
    if abs(surplus_mm) > TINY_MM or max(pieces) > plan.piece_mm + TINY_MM:
        msg = f"pieces {pieces} mm do not cover a ridge of {ridge_mm:g} mm ({surplus_mm:+g} mm)"
        raise PlanError(msg)
    return Layout(ridge_mm, plan.gable_allowance_mm, plan.piece_mm, lap_mm, pieces, edges_face)


def equal_ends(plan: Plan, ridge_mm: float, edges_face: End = "A", *, count: int | None = None) -> Layout:
    """Lay full pieces in the middle and two equal pieces at the ends.

    Parameters
    ----------
    plan : Plan
        Piece, lap and allowance.
    ridge_mm : float
        Ridge length, in mm.
    edges_face : {"A", "B"}
        End that the exposed edges look at.
    count : int, optional
        Number of pieces; the fewest by default.

    Returns
    -------
    Layout
        With the fewest pieces an end piece is always longer than half of (piece + lap): never a stub.

    Raises
    ------
    PlanError
        If the ridge is not a positive length, or that many pieces do not fit it.
    """
    count = least_pieces(plan, ridge_mm) if count is None else count
    if count == 1:
        return layout_of(plan, ridge_mm, [cap_length(plan, ridge_mm)], edges_face)
    middle = [plan.piece_mm] * (count - 2)
    end_mm = (cap_length(plan, ridge_mm) + (count - 1) * plan.lap_min_mm - sum(middle)) / 2.0
    return layout_of(plan, ridge_mm, [end_mm, *middle, end_mm], edges_face)


def all_alike(plan: Plan, ridge_mm: float, edges_face: End = "A") -> Layout:
    """Lay the fewest pieces, all of one length."""
    count = least_pieces(plan, ridge_mm)
    piece_mm = (cap_length(plan, ridge_mm) + (count - 1) * plan.lap_min_mm) / count
    return layout_of(plan, ridge_mm, [piece_mm] * count, edges_face)


def longer_laps(plan: Plan, ridge_mm: float, edges_face: End = "A") -> Layout | None:
    """Lay full pieces only and let equal, longer laps take what is left over; None for a single cut piece."""
    count = least_pieces(plan, ridge_mm)
    spare_mm = count * plan.piece_mm - cap_length(plan, ridge_mm)
    if count == 1:
        return None if spare_mm > TINY_MM else layout_of(plan, ridge_mm, [plan.piece_mm], edges_face)
    return layout_of(plan, ridge_mm, [plan.piece_mm] * count, edges_face, spare_mm / (count - 1))


def one_cut(plan: Plan, ridge_mm: float, edges_face: End = "A") -> Layout:
    """Lay full pieces and one shorter piece, laid last; it is longer than a lap, but may be a stub."""
    count = least_pieces(plan, ridge_mm)
    rest_mm = cap_length(plan, ridge_mm) + (count - 1) * plan.lap_min_mm - (count - 1) * plan.piece_mm
    full = [plan.piece_mm] * (count - 1)
    return layout_of(plan, ridge_mm, [*full, rest_mm] if edges_face == "A" else [rest_mm, *full], edges_face)
