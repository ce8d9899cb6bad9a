"""What `plan` does with its options, and how a planned job is shown: as tables, or as the contract's JSON.

The JSON is in mm and mm²; tables are in the units asked for.
"""

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from pathlib import Path
from typing import Any

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from calib.errors import PlanError
from calib.lengths import Units, format_length, format_uncertainty
from calib.records import number, read_json
from vision.fastening import FasteningRules
from vision.metal import Sheet, make_sheet
from vision.movement import Heat, format_change
from vision.options import KeepClear, Option, Wishes
from vision.plan import COMMON_PRACTICE, PLAN_KEYS, Plan, load_plan, meaning_of
from vision.planning import FASTENING_CAUTION, Choices, PlannedJob, PlannedRun, Run, plan_job
from vision.takeoff import TakeoffRules
from vision.ventilation import LOCAL_CODE, Attic, Ventilation, format_area
from webui.setout import lap_table, run_table

_MAIN, _ASIDE = "bold", "dim"
_FOLD = 62  # characters: what is left of 80 beside the name of a layout


def plan_from_options(plan_path: Path | None, units: Units, asked: Mapping[str, Any]) -> PlannedJob:
    """Plan the job that was typed in.

    Parameters
    ----------
    plan_path : Path or None
        Plan file; None for common practice throughout.
    units : {"imperial", "metric"}
        For all sentences and tables.
    asked : mapping
        Values of `webui.plan_options`, by name.

    Returns
    -------
    PlannedJob
        The planned job; where seams could not be counted, ``unmeasured`` says so.

    Raises
    ------
    MeasureError
        If a file cannot be used, or what is asked for contradicts itself.
    """
    plan = Plan() if plan_path is None else load_plan(plan_path)
    wishes = Wishes(
        edges_face=asked["edges_face"],
        end_min_mm=asked["end_min"],
        lap_max_mm=asked["lap_max"],
        **_given(stub_mm=asked["stub"], gable_clear_mm=asked["gable_clear"], kerf_mm=asked["kerf"]),
    )
    runs = _runs(plan, asked, units)
    bays, unmeasured = _count_bays(asked, runs)
    allowance = None if asked["allowance"] is None else asked["allowance"] / 100.0
    choices = Choices(
        wishes=wishes,
        layout=asked["layout"],
        fastening=FasteningRules(
            vent_strips=0 if asked["unvented"] else 2,
            **_given(flange_mm=asked["flange"], gable_rivets=asked["gable_rivets"]),
        ),
        takeoff=TakeoffRules(
            bays=bays,
            z_closures=not asked["no_z_closures"],
            **_given(panel_mm=asked["panel_width"], fastener_allowance=allowance, length_allowance=allowance),
        ),
        sheet=_sheet(asked),
        attic=_attic(asked),
        heat=_heat(asked),
        units=units,
        **_given(keep_offcut_mm=asked["keep_offcut"]),
    )
    return replace(plan_job(plan, runs, choices), unmeasured=unmeasured)


def job_record(job: PlannedJob) -> dict[str, Any]:
    """Return a planned job as the contract's `plan --json`."""
    stock = job.stock
    return {
        "ridges": [_run_record(run) for run in job.runs],
        "stock": {
            "piece_mm": stock.piece_mm,
            "pieces": stock.count,
            "cuts": [list(cut) for cut in stock.cuts],
            "waste_mm": stock.waste_mm,
            "optimal": stock.optimal,
        },
        "takeoff": [
            {"item": line.item, "quantity": line.quantity, "unit": line.unit, "rule": line.rule}
            for line in job.takeoff
        ],
        "ventilation": None if job.ventilation is None else _ventilation_record(job.ventilation),
    }


def plan_view(job: PlannedJob) -> RenderableType:
    """Return a planned job as it is printed."""
    blocks: list[RenderableType] = []
    for run in job.runs:
        blocks += [*_run_blocks(job, run), ""]
    blocks += [_stock_table(job), "", _takeoff_table(job), ""]
    if job.ventilation is not None:
        blocks += [*_ventilation_blocks(job.ventilation, job.choices.attic, job.choices.units), ""]
    blocks += [Text(f"• {sentence}", style="yellow") for sentence in job.unmeasured]
    blocks += [*_movement_blocks(job), _defaults_line(job.plan, job.choices.units), Text(FASTENING_CAUTION)]
    return Group(*blocks)


def _given(**values: Any) -> dict[str, Any]:
    """Keep the values that were typed; the others stay at their defaults."""
    return {name: value for name, value in values.items() if value is not None}


def _runs(plan: Plan, asked: Mapping[str, Any], units: Units) -> list[Run]:
    """Collect ridges and hips: --ridge, --measured, --hip; the plan's own ridge if there is none."""
    lengths, u95s = list(asked["ridges"]), list(asked["u95s"])
    if not lengths and not asked["measured"] and not asked["hips"] and plan.ridge_mm is not None:
        lengths = [plan.ridge_mm]
    if len(u95s) > len(lengths):
        msg = f"--u95 was given {len(u95s)} times for {len(lengths)} ridges; give it at most once for each"
        raise PlanError(msg)
    measured = [*zip(lengths, u95s + [0.0] * (len(lengths) - len(u95s)), strict=True)]
    measured += [_read_measured(path) for path in asked["measured"]]
    places: dict[int, list[KeepClear]] = {}
    for index, station_mm, clear_mm in asked["keep_clear"]:
        name = f"the place at {format_length(station_mm, units)}"
        places.setdefault(index, []).append(KeepClear(name, station_mm, clear_mm))
    for index in places:
        if index > len(measured):
            msg = f"--keep-clear names ridge {index}, but there are only {len(measured)}"
            raise PlanError(msg)
    ridges = [
        Run(f"ridge {index}", length_mm, u95_mm, keep_clear=tuple(places.get(index, ())))
        for index, (length_mm, u95_mm) in enumerate(measured, start=1)
    ]
    return ridges + [
        Run(f"hip {i}", length_mm, kind="hip") for i, length_mm in enumerate(asked["hips"], start=1)
    ]


def _count_bays(asked: Mapping[str, Any], runs: Sequence[Run]) -> tuple[int | None, tuple[str, ...]]:
    """Return the bays that were typed, or counted in a photo, and what could not be counted."""
    if asked["seams"] is None:
        return asked["bays"], ()
    if asked["bays"] is not None or len(runs) > 1:
        msg = "--seams counts the bays of one ridge, so it goes with one ridge and without --bays"
        raise PlanError(msg)
    # Pictures are decoded only here, so that planning stays quick without them.
    from vision.photo import load_photo
    from vision.seams import SeamCount, count_seams

    path, a_px, b_px = asked["seams"]
    found = count_seams(load_photo(path).image, a_px, b_px)
    if isinstance(found, SeamCount):
        return found.bays, ()
    return None, (f"{path}: {found.value}; the bays are taken from the panel width",)


def _read_measured(path: Path) -> tuple[float, float]:
    """Read length and uncertainty from what `measure --json` wrote; its other keys do not matter here."""
    ridge = read_json(path).get("ridge")
    if not isinstance(ridge, Mapping):
        msg = f"{path}: no measured ridge in it; give a file that `measure --json` wrote"
        raise PlanError(msg)
    length_mm = number(ridge.get("length_mm"), f"{path}: ridge: length_mm", above=0.0)
    return length_mm, number(ridge.get("u95_mm"), f"{path}: ridge: u95_mm", at_least=0.0)


def _sheet(asked: Mapping[str, Any]) -> Sheet:
    gauge = asked["gauge"]
    if gauge is None and asked["thickness"] is None:
        gauge = 24  # common practice, no source
    return make_sheet(asked["metal"], gauge=gauge, thickness_mm=asked["thickness"])


def _attic(asked: Mapping[str, Any]) -> Attic | None:
    if (asked["attic"] is None) != (asked["vent_rating"] is None):
        msg = "for the air through the ridge both --attic and --vent-rating are needed"
        raise PlanError(msg)
    if asked["attic"] is None:
        return None
    return Attic(
        asked["attic"],
        asked["vent_rating"],
        edition=asked["edition"],
        intake_mm2=asked["intake"],
        climate_zone=asked["climate_zone"],
        vapor_retarder=asked["vapor_retarder"],
    )


def _heat(asked: Mapping[str, Any]) -> Heat:
    return Heat(
        fixed=asked["fixed_end"],
        **_given(
            measured_c=asked["measured_at"],
            installed_c=asked["installed_at"],
            coldest_c=asked["coldest"],
            hottest_c=asked["hottest"],
            lap_slip_mm=asked["lap_slip"],
            end_room_mm=asked["end_room"],
        ),
    )


def _run_record(run: PlannedRun) -> dict[str, Any]:
    layout, rivets = run.layout, run.rivets
    return {
        "ridge_mm": layout.ridge_mm,
        "u95_mm": run.run.u95_mm,
        "pieces_mm": list(layout.pieces_mm),
        "lap_mm": layout.lap_mm,
        "gable_allowance_mm": layout.gable_allowance_mm,
        "lap_stations_mm": [round(station, 9) for station in layout.lap_stations_mm],
        "rivets": {
            "runs": rivets.runs,
            "laps": rivets.laps,
            "vent_strips": rivets.vent_strips,
            "gables": rivets.gables,
        },
        "notes": [*run.notes, FASTENING_CAUTION],
    }


def _ventilation_record(air: Ventilation) -> dict[str, Any]:
    return {
        "required_mm2": air.required_mm2,
        "provided_mm2": air.provided_mm2,
        "edition": air.edition,
        "conditions": [*(f"{each.met.value}: {each.text}" for each in air.conditions), LOCAL_CODE],
    }


def _run_blocks(job: PlannedJob, run: PlannedRun) -> Iterator[RenderableType]:
    units = job.choices.units
    title = Text(f"{run.run.name}  ", style=_MAIN)
    doubt = f" {format_uncertainty(run.run.u95_mm, units)}" if run.run.u95_mm else ""
    title.append(f"{format_length(run.run.length_mm, units)}{doubt}", style="bold cyan")
    title.append(f"  {', '.join(run.chosen.names)}", style=_MAIN)
    yield title
    yield from _options_tables(run, units)
    for table in (lap_table(job, run), run_table(job, run)):
        if table.rows:
            yield ""
            yield _plain_table(table.title.capitalize(), table.columns, table.rows)
    for note in run.notes:
        yield Text(f"• {note}")


def _options_tables(run: PlannedRun, units: Units) -> Iterator[RenderableType]:
    """Compare the layouts in numbers, then show the pieces of each and where its lap edges lie."""
    numbers = _table("layout", "joints", "cuts", "lap", "shortest", "stock", "waste", "in U")
    pieces = _table("layout", "pieces from A to B; stations of the lap edges")
    for option in run.options:
        style = _MAIN if option is run.chosen else ""
        names = "\n".join(option.names)
        layout = option.layout
        if layout is None:
            pieces.add_row(names, f"cannot be had: {option.why}")
            continue
        numbers.add_row(
            names,
            str(layout.joints),
            str(len(layout.cut_pieces)),
            format_length(layout.lap_mm, units),
            format_length(min(layout.pieces_mm), units),
            str(option.stock),
            format_length(option.waste_mm, units),
            _held(option, run),
            style=style,
        )
        lengths = _folded(_repeated([format_length(piece, units) for piece in layout.pieces_mm]))
        edges = _folded([format_length(station, units) for station in layout.lap_stations_mm])
        pieces.add_row(names, lengths + (f"\n{edges}" if edges else ""), style=style)
    yield numbers
    yield ""
    yield pieces


def _held(option: Option, run: PlannedRun) -> str:
    """Say whether a layout holds for every ridge length within its uncertainty."""
    if not run.run.u95_mm:
        return "–"
    return "holds" if option.survives(run.run.length_mm, run.run.u95_mm) else "fails"


def _repeated(words: Sequence[str]) -> list[str]:
    """Return ``a``, ``2 × b``, ``a`` for a, b, b, a."""
    groups = [(word, len(list(group))) for word, group in groupby(words)]
    return [word if count == 1 else f"{count} × {word}" for word, count in groups]


def _folded(words: Sequence[str]) -> str:
    """Return the words in lines that fit a narrow terminal, parted between words only."""
    glue = "\N{NO-BREAK SPACE}"
    joined = ", ".join(word.replace(" ", glue) for word in words)
    return textwrap.fill(joined, _FOLD).replace(glue, " ")


def _stock_table(job: PlannedJob) -> RenderableType:
    """Return what comes out of which stock piece; equal ones on one line."""
    units, stock = job.choices.units, job.stock
    table = _table("stock pieces", "cut into", "offcut")
    for (cut, offcut), group in groupby(zip(stock.cuts, stock.offcuts_mm, strict=True)):
        kept = "  kept" if offcut >= stock.keep_mm else ""
        pieces = _folded(_repeated([format_length(piece, units) for piece in cut]))
        table.add_row(
            str(len(list(group))), pieces, f"{format_length(offcut, units)}{kept}" if offcut else "–"
        )
    proof = (
        "no cutting needs fewer" if stock.optimal else f"not proven least: at least {stock.bound} are needed"
    )
    kept_mm = sum(stock.kept_mm)
    words = (
        f"{stock.count} stock pieces of {format_length(stock.piece_mm, units)}; {proof}. "
        f"Waste {format_length(stock.waste_mm, units)}, {format_length(kept_mm, units)} of it worth keeping."
    )
    return Group(Text("Stock for the whole job", style=_MAIN), table, Text(words))


def _takeoff_table(job: PlannedJob) -> RenderableType:
    table = _table("item", "quantity", "unit", "how counted")
    table.columns[1].justify = "right"
    for line in job.takeoff:
        table.add_row(line.item, f"{line.quantity:g}", line.unit, Text(line.rule, style=_ASIDE))
    return Group(Text("Take-off", style=_MAIN), table)


def _ventilation_blocks(air: Ventilation, attic: Attic | None, units: Units) -> Iterator[RenderableType]:
    yield Text(f"Air through the ridge, {air.edition}", style=_MAIN)
    needed = format_area(air.intake_needed_mm2, units)
    yield Text(
        f"required {format_area(air.required_mm2, units)} in all (1/{air.ratio} of the floor); "
        f"the ridge gives {format_area(air.provided_mm2, units)} over {format_length(air.vented_mm, units)}, "
        f"so the eaves must give {needed}"
    )
    if attic is not None and attic.intake_mm2 is not None:
        enough = "enough" if attic.intake_mm2 >= air.intake_needed_mm2 else "not enough"
        yield Text(f"the eaves give {format_area(attic.intake_mm2, units)}: {enough}")
    yield Text(
        "for 1/300 the code asks:" if attic is None or attic.edition >= 2015 else "for 1/300 one is enough:"
    )
    for condition in air.conditions:
        yield Text(f"• {condition.met.value}: {condition.text}")
    yield Text(LOCAL_CODE, style=_ASIDE)


def _movement_blocks(job: PlannedJob) -> Iterator[RenderableType]:
    """Show growth and shrinkage; what needs minding is among the notes of each ridge."""
    units, heat = job.choices.units, job.choices.heat
    moving = [(run.run.name, run.movement) for run in job.runs if run.movement is not None]
    if heat is None or not moving:
        return
    metal = moving[0][1].metal
    yield Text(
        f"Movement of {metal.name}, metal from {heat.coldest_c:.0f} to {heat.hottest_c:.0f} °C", style=_MAIN
    )
    table = _table(
        "cap",
        "full piece, hot",
        "full piece, cold",
        "whole cap, hot",
        "whole cap, cold",
        "from cut to fastened",
    )
    for name, movement in moving:
        changes = (
            movement.piece_growth_mm,
            -movement.piece_shrink_mm,
            movement.cap_growth_mm,
            -movement.cap_shrink_mm,
            movement.cut_to_installed_mm,
        )
        table.add_row(name, *(_change(change, units) for change in changes))
    yield table
    yield Text(
        f"fastened at {heat.installed_c:.0f} °C, measured and cut at {heat.measured_c:.0f} °C; "
        f"a lap slides {format_change(heat.lap_slip_mm, units)}",
        style=_ASIDE,
    )
    yield ""


def _change(change_mm: float, units: Units) -> str:
    sign = "+" if change_mm >= 0.0 else "−"
    return sign + format_change(abs(change_mm), units)


def _defaults_line(plan: Plan, units: Units) -> Text:
    """Say which values nobody gave, so that none passes for a rule."""
    left = [key for key in PLAN_KEYS if key not in plan.given and getattr(plan, key) is not None]
    values = "; ".join(f"{meaning_of(key)}: {_value(plan, key, units)}" for key in left)
    return Text(f"Not given, so {COMMON_PRACTICE}: {values}.", style=_ASIDE)


def _value(plan: Plan, key: str, units: Units) -> str:
    value = getattr(plan, key)
    return format_length(value, units) if key.endswith("_mm") else str(value)


def _plain_table(title: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> RenderableType:
    table = _table(*columns)
    for column in table.columns:
        column.justify = "right"
    for row in rows:
        table.add_row(*row)
    return Group(Text(title, style=_ASIDE), table)


def _table(*columns: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, header_style=_MAIN, pad_edge=False, show_edge=False)
    for name in columns:
        table.add_column(name)
    return table
