"""The plan's values and where they come from, the cap as laid out, the cut list, the take-off, the air."""

from collections import Counter
from collections.abc import Mapping
from typing import Any

from reportlab.platypus import Flowable, KeepTogether, Spacer

from vision.plan import COMMON_PRACTICE, PLAN_KEYS, Plan, meaning_of, plan_from_record
from vision.ventilation import format_area
from webui.job import Job
from webui.report.look import BODY, SMALL, heading, points, table, text
from webui.report.pages import chapter, text_width_mm
from webui.report.strip import LayoutStrip
from webui.shown import Shown


def layout_pages(job: Job, shown: Shown) -> list[Flowable]:
    """Return the chapter of plan and layout."""
    story: list[Flowable] = chapter("Plan and layout")
    record = job.record("plan")
    for ridge in record["ridges"] if record else []:
        story += _layout(job, ridge, shown)
    story += _plan_values(job, shown)
    if record:
        story += [*_cut_list(job, record["stock"], shown), *_takeoff(job, record)]
        if record["ventilation"] is not None:
            story += _air(job, record["ventilation"])
    return story


def _layout(job: Job, ridge: Mapping[str, Any], shown: Shown) -> list[Flowable]:
    width = text_width_mm(job)
    count, laps = len(ridge["pieces_mm"]), len(ridge["lap_stations_mm"])
    allowance = shown.length(ridge["gable_allowance_mm"])
    counted = f"{count} {'piece' if count == 1 else 'pieces'}, {laps} {'lap' if laps == 1 else 'laps'}"
    words = (
        f"{counted} of {shown.length(ridge['lap_mm'])}; {allowance} beyond the ridge at each gable end. "
        "Stations from gable end A, at the exposed edge of each lap (bold)."
    )
    strip = LayoutStrip(dict(ridge), width, shown)
    return [text(words, BODY), Spacer(0, 4), KeepTogether([strip]), *points(ridge["notes"], SMALL)]


def _plan_values(job: Job, shown: Shown) -> list[Flowable]:
    plan = plan_from_record(dict(job.setup.plan), "plan")
    keys = [key for key in PLAN_KEYS if key != "ridge_mm" or plan.ridge_mm is not None]
    rows = [[meaning_of(key), _value(plan, key, shown), _origin(plan, key)] for key in keys]
    width = text_width_mm(job)
    made = table(["value", "as planned", "where it comes from"], rows, [76.0, 32.0, width - 108.0])
    rule = f"Common practice: {COMMON_PRACTICE.removeprefix('common practice, ')}."
    return [*heading("Values of the plan"), made, Spacer(0, 3), text(rule, SMALL)]


def _value(plan: Plan, key: str, shown: Shown) -> str:
    value = getattr(plan, key)
    if value is None:
        return "none"
    return str(value) if key == "lap_rivets" else shown.length(value)


def _origin(plan: Plan, key: str) -> str:
    return "this job's plan" if key in plan.given else "common practice"


def _cut_list(job: Job, stock: Mapping[str, Any], shown: Shown) -> list[Flowable]:
    alike = Counter(tuple(cut) for cut in stock["cuts"])
    rows = []
    for cut, number in alike.items():
        rest = stock["piece_mm"] - sum(cut)
        rows.append([f"{number} ×", " + ".join(shown.length(piece) for piece in cut), shown.length(rest)])
    optimal = "proven to be the least" if stock["optimal"] else "not proven to be the least"
    piece, waste = shown.length(stock["piece_mm"]), shown.length(stock["waste_mm"])
    words = f"{stock['pieces']} stock pieces of {piece}, {optimal}; waste {waste}."
    made = table(["stock", "cut into", "left over"], rows, [18.0, text_width_mm(job) - 58.0, 40.0])
    return [*heading("Cut list"), text(words), made]


def _takeoff(job: Job, record: Mapping[str, Any]) -> list[Flowable]:
    rows = [
        [line["item"], _quantity(line["quantity"]), line["unit"], line["rule"]] for line in record["takeoff"]
    ]
    widths = [34.0, 18.0, 18.0]
    made = table(
        ["item", "quantity", "unit", "rule"], rows, [*widths, text_width_mm(job) - sum(widths)], right=(1,)
    )
    return [*heading("Take-off"), made]


def _quantity(quantity: float) -> str:
    return f"{quantity:,.0f}" if float(quantity).is_integer() else f"{quantity:,.1f}"


def _air(job: Job, air: Mapping[str, Any]) -> list[Flowable]:
    required, provided = (format_area(air[key], job.units) for key in ("required_mm2", "provided_mm2"))
    words = f"Net free area after {air['edition']}: {required} asked for, {provided} given by the ridge."
    return [*heading("Air through the ridge"), text(words), *points(air["conditions"], SMALL)]
