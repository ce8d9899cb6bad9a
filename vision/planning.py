"""A whole job planned: every ridge and hip laid out, the stock, the take-off, air and movement.

Lengths in mm, stations from gable end A; sentences in the units asked for.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from calib.errors import PlanError
from calib.lengths import Units, format_length, format_uncertainty
from vision.fastening import FasteningRules, RivetCount, count_rivets
from vision.layout import End, Layout
from vision.metal import Sheet
from vision.movement import Heat, Movement, work_out_movement
from vision.options import (
    KeepClear,
    Option,
    Wishes,
    choose,
    propose_layouts,
)
from vision.plan import Plan
from vision.stock import StockPlan, cut_stock
from vision.takeoff import TakeoffItem, TakeoffRules, take_off
from vision.tape import TapeLayout, on_tape, tape_mark
from vision.ventilation import Attic, Ventilation, check_ventilation

FASTENING_CAUTION = (
    "Fastening, sealing and laps are the engineer's and the maker's to decide; "
    "the plan, the maker's instructions and local code govern."
)
# How the note begins that the layout changes within the doubt of the ridge's length.
NOT_HELD = "this layout does not hold for every length within"


@dataclass(frozen=True, slots=True)
class Run:
    """One ridge or hip to be capped.

    Attributes
    ----------
    name : str
        What to call it.
    length_mm, u95_mm : float
        Its length and expanded uncertainty (95 %), in mm; a hip's from its lower end (A) to its upper (B).
    kind : {"ridge", "hip"}
        A hip sheds water along itself, so its laps always face its lower end.
    edges_face : {"A", "B"} or None
        End that the exposed edges look at; None for the job's.
    keep_clear : tuple of KeepClear
        Places on this one that laps keep away from.
    """

    name: str
    length_mm: float
    u95_mm: float = 0.0
    kind: Literal["ridge", "hip"] = "ridge"
    edges_face: End | None = None
    keep_clear: tuple[KeepClear, ...] = ()


@dataclass(frozen=True, slots=True)
class Choices:
    """How a job is planned beyond its plan file.

    Attributes
    ----------
    wishes : Wishes
        What the layouts are asked to respect.
    layout : str or None
        Name of the layout to take (a key of OPTION_NAMES); None for equal ends, or clear joints where needed.
    fastening, takeoff : FasteningRules, TakeoffRules
        How parts are placed and counted.
    keep_offcut_mm : float
        Offcuts at least this long are worth keeping (2 ft; common practice, no source).
    sheet : Sheet or None
        Metal and thickness of the cap, for weight and movement.
    attic : Attic or None
        Attic below the ridges; None if no ventilation is asked about.
    heat : Heat or None
        Temperatures; None if no movement is asked about.
    units : {"imperial", "metric"}
        For all sentences.
    """

    wishes: Wishes = field(default_factory=Wishes)
    layout: str | None = None
    fastening: FasteningRules = field(default_factory=FasteningRules)
    takeoff: TakeoffRules = field(default_factory=TakeoffRules)
    keep_offcut_mm: float = 609.6
    sheet: Sheet | None = None
    attic: Attic | None = None
    heat: Heat | None = None
    units: Units = "imperial"


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """One ridge or hip with all its layouts and the one taken."""

    run: Run
    options: tuple[Option, ...]
    chosen: Option
    layout: Layout
    tape: TapeLayout
    rivets: RivetCount
    movement: Movement | None
    trim_piece: int | None
    leave_mm: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlannedJob:
    """Everything that a plan says; ``unmeasured`` names what was asked for but could not be measured."""

    plan: Plan
    choices: Choices
    runs: tuple[PlannedRun, ...]
    stock: StockPlan
    takeoff: tuple[TakeoffItem, ...]
    ventilation: Ventilation | None
    unmeasured: tuple[str, ...] = ()


def plan_job(plan: Plan, runs: Sequence[Run], choices: Choices | None = None) -> PlannedJob:
    """Plan a job of one or more ridges and hips.

    Parameters
    ----------
    plan : Plan
        Piece, laps, rivets; if ``runs`` is empty, its own ``ridge_mm`` is the one ridge.
    runs : sequence of Run
        What is to be capped.
    choices : Choices, optional
        How; all defaults if left out.

    Returns
    -------
    PlannedJob
        Layouts, stock, take-off, air and movement.

    Raises
    ------
    PlanError
        If there is no ridge, or one cannot be laid out as asked.
    """
    choices = Choices() if choices is None else choices
    runs = list(runs)
    if not runs and plan.ridge_mm is not None:
        runs = [Run("ridge 1", plan.ridge_mm)]
    if not runs:
        msg = "there is no ridge to lay out; give its length, or ridge_mm in the plan file"
        raise PlanError(msg)
    planned = tuple(_plan_run(plan, run, choices) for run in runs)
    layouts = [each.layout for each in planned]
    wanted = [piece for layout in layouts for piece in layout.pieces_mm]
    stock = cut_stock(wanted, plan.piece_mm, kerf_mm=choices.wishes.kerf_mm, keep_mm=choices.keep_offcut_mm)
    rivets = [each.rivets for each in planned]
    items = take_off(
        plan, layouts, rivets, stock, choices.takeoff, choices.fastening, choices.sheet, choices.units
    )
    vented = [each.layout for each in planned if each.run.kind == "ridge"]
    air = None if choices.attic is None else check_ventilation(vented, choices.attic)
    return PlannedJob(plan, choices, planned, stock, items, air)


def _plan_run(plan: Plan, run: Run, choices: Choices) -> PlannedRun:
    edges_face: End = "A" if run.kind == "hip" else run.edges_face or choices.wishes.edges_face
    wishes = replace(
        choices.wishes, edges_face=edges_face, keep_clear=choices.wishes.keep_clear + run.keep_clear
    )
    try:
        options = propose_layouts(plan, run.length_mm, wishes, run.u95_mm)
        chosen = choose(options, choices.layout)
    except PlanError as error:
        msg = f"{run.name}: {error}"
        raise PlanError(msg) from error
    layout = chosen.layout
    if layout is None:  # choose() returns laid options only; this keeps the type honest
        msg = f"{run.name}: {chosen.why}"
        raise PlanError(msg)
    movement = None
    if choices.heat is not None and choices.sheet is not None:
        movement = work_out_movement(layout, choices.sheet.metal, choices.heat)
    tape = on_tape(layout, tape_mark(plan))
    trim_piece = layout.cut_pieces[-1] if layout.cut_pieces else None
    notes = _notes(run, options, chosen, layout, movement, choices.units)
    # A hip is not vented here: its cap covers no opening.
    fastening = choices.fastening if run.kind == "ridge" else replace(choices.fastening, vent_strips=0)
    rivets = count_rivets(layout, plan, fastening)
    leave_mm = 0.0 if trim_piece is None else min(run.u95_mm, plan.piece_mm - layout.pieces_mm[trim_piece])
    return PlannedRun(run, options, chosen, layout, tape, rivets, movement, trim_piece, leave_mm, notes)


def _notes(
    run: Run,
    options: Sequence[Option],
    chosen: Option,
    layout: Layout,
    movement: Movement | None,
    units: Units,
) -> tuple[str, ...]:
    notes = [_doubt(run, options, chosen, layout, units), *_laying(run, layout)]
    notes += [
        f"lap {lap.lap} is only {format_length(lap.distance_mm, units)} from {lap.place} "
        f"({format_length(lap.asked_mm, units)} asked)"
        for lap in chosen.crowded
    ]
    notes += [f"{option.names[0]} cannot be had: {option.why}" for option in options if option.layout is None]
    notes += movement.sentences(units) if movement is not None else ()
    return tuple(notes)


def _doubt(run: Run, options: Sequence[Option], chosen: Option, layout: Layout, units: Units) -> str:
    """Say what the doubt in the ridge's length means for this layout."""
    if run.u95_mm <= 0.0:
        return "no uncertainty of the length was given, so it is taken as exact: check it before cutting"
    length = f"{format_length(run.length_mm, units)} {format_uncertainty(run.u95_mm, units)}"
    if not chosen.survives(run.length_mm, run.u95_mm):
        sure = [
            option.names[0]
            for option in options
            if option.layout is not None and option.survives(run.length_mm, run.u95_mm)
        ]
        advice = f"take {' or '.join(sure)}, which does" if sure else "measure better before cutting"
        return f"{NOT_HELD} {length}: {advice}"
    low, high = (format_length(length_mm, units) for length_mm in chosen.holds_mm)
    if not layout.cut_pieces:
        return f"holds for every length within {length} (from {low} to {high}): the laps take the difference"
    piece = layout.cut_pieces[-1] + 1
    return (
        f"holds for every length within {length} (up to {high}): leave piece {piece} longer by "
        f"{format_uncertainty(run.u95_mm, units).removeprefix('± ')} and trim it once the rest is dry-fitted"
    )


def _laying(run: Run, layout: Layout) -> list[str]:
    if layout.joints == 0:
        return []
    if run.kind == "hip":
        return ["a hip's laps face its lower end (A), so that water runs over the edges; laying begins there"]
    other = "B" if layout.edges_face == "A" else "A"
    return [
        f"lap edges face gable end {layout.edges_face}: laying begins there, each piece laps over the one "
        f"before; seen from end {other} the edges do not show"
    ]
