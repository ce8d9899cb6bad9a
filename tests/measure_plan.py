"""Print what the plan reaches against its goals: `python -m tests.measure_plan`.

Layouts of 10,000 random ridges, stock for 200 random jobs, published examples, the set-out sheet's stations.
"""

import random
import re
import time
from collections.abc import Callable, Iterator
from io import BytesIO

from pypdf import PdfReader

from calib.lengths import parse_length
from vision.layout import Layout
from vision.options import KeepClear, Option, Wishes, propose_layouts
from vision.plan import Plan
from vision.planning import Choices, Run, plan_job
from vision.stock import cut_stock
from vision.tape import on_tape, tape_mark
from webui.setout import set_out_pdf

RIDGES, JOBS = 10_000, 200
FOOT_MM, SIXTEENTH_MM = 304.8, 25.4 / 16.0
DUST_MM = 1e-6  # floating-point noise over twenty pieces


def random_wishes(rng: random.Random, ridge_mm: float) -> Wishes:
    """Return wishes that ask for every layout: long ends, a chimney, clear gable ends, either direction."""
    chimney = KeepClear("chimney", rng.uniform(0.0, ridge_mm), rng.uniform(100.0, 900.0))
    return Wishes(
        edges_face=rng.choice("AB"),
        end_min_mm=rng.uniform(700.0, 2500.0),
        gable_clear_mm=rng.choice([0.0, 600.0]),
        keep_clear=(chimney,),
    )


def layout_faults(option: Option, plan: Plan, wishes: Wishes) -> Iterator[str]:
    """Yield what is wrong with a layout, worked out anew from its pieces."""
    layout = option.layout
    if layout is None:
        return
    joints = len(layout.pieces_mm) - 1
    cover = sum(layout.pieces_mm) - joints * layout.lap_mm
    if abs(cover - layout.ridge_mm - 2.0 * plan.gable_allowance_mm) > DUST_MM:
        yield "pieces minus laps are not ridge plus allowances"
    if layout.lap_mm < plan.lap_min_mm - DUST_MM:
        yield "a lap below the minimum"
    if max(layout.pieces_mm) > plan.piece_mm + DUST_MM:
        yield "a piece longer than the stock"
    if joints and min(layout.pieces_mm) < wishes.shortest_piece(plan) - DUST_MM:
        yield "a stub"
    yield from tape_faults(layout, plan)


def tape_faults(layout: Layout, plan: Plan) -> Iterator[str]:
    """Yield what is wrong with a layout rounded to 1/16 in; whole numbers, so no tolerance."""
    tape = on_tape(layout, tape_mark(plan))
    if sum(tape.pieces) - sum(tape.laps) != tape.ridge + 2 * tape.gable_allowance:
        yield "sixteenths do not add up"
    if any(lap < round(plan.lap_min_mm / tape.mark_mm) for lap in tape.laps):
        yield "a rounded lap below the minimum"
    if max(tape.pieces) > round(plan.piece_mm / tape.mark_mm):
        yield "a rounded piece longer than the stock"
    pairs = zip(tape.lap_stations, layout.lap_stations_mm, strict=True)
    if any(abs(tape.millimetres(mark) - exact) > SIXTEENTH_MM / 2.0 + DUST_MM for mark, exact in pairs):
        yield "a station more than 1/32 in from the layout"


def measure_layouts(count: int = RIDGES, seed: int = 1) -> tuple[int, int, list[str], float]:
    """Lay out random ridges in every way; return layouts, refusals, faults and seconds."""
    rng, plan, faults, laid, refused, spent = random.Random(seed), Plan(), [], 0, 0, 0.0
    for _ in range(count):
        ridge_mm = rng.uniform(2.0, 200.0) * FOOT_MM
        wishes = random_wishes(rng, ridge_mm)
        start = time.perf_counter()
        options = propose_layouts(plan, ridge_mm, wishes, u95_mm=rng.uniform(0.0, 0.005) * ridge_mm)
        spent += time.perf_counter() - start
        laid += sum(option.layout is not None for option in options)
        refused += sum(option.layout is None for option in options)
        faults += [
            f"{ridge_mm}: {fault}" for option in options for fault in layout_faults(option, plan, wishes)
        ]
    return laid, refused, faults, spent


def first_fit_decreasing(pieces: list[float], stock: float, kerf: float) -> int:
    """Count the stock pieces that the textbook's first-fit-decreasing needs, kerf included."""
    rooms: list[float] = []
    for piece in sorted(pieces, reverse=True):
        for index, room in enumerate(rooms):
            if piece <= room + DUST_MM:
                rooms[index] = room - piece - kerf
                break
        else:
            rooms.append(stock - piece - kerf)
    return len(rooms)


def random_job(rng: random.Random) -> list[float]:
    """Return the pieces of a job of up to 12 ridges and hips, each laid out in one of its ways."""
    plan, pieces = Plan(), []
    for _ in range(rng.randint(1, 12)):
        ridge_mm = rng.uniform(2.0, 200.0) * FOOT_MM
        options = propose_layouts(plan, ridge_mm, random_wishes(rng, ridge_mm))
        layout = rng.choice([option.layout for option in options if option.layout is not None])
        pieces += layout.pieces_mm
    return pieces


def small_pieces(rng: random.Random) -> list[float]:
    """Return a harder job: 12 to 48 pieces between 2 ft and 6 ft, many of which share a stock piece."""
    return [round(rng.uniform(610.0, 1830.0), 1) for _ in range(rng.randint(12, 48))]


def measure_stock(
    make: Callable[[random.Random], list[float]], count: int = JOBS, seed: int = 2
) -> tuple[int, int, int, float]:
    """Cut random jobs; return how many are proven, worse and better than the simple rule; slowest in s."""
    rng, proven, worse, better, slowest = random.Random(seed), 0, 0, 0, 0.0
    stock_mm, kerf_mm = Plan().piece_mm, 3.2
    for _ in range(count):
        pieces = make(rng)
        start = time.perf_counter()
        plan = cut_stock(pieces, stock_mm, kerf_mm=kerf_mm, keep_mm=609.6, time_limit_s=2.0)
        slowest = max(slowest, time.perf_counter() - start)
        simple = first_fit_decreasing(pieces, stock_mm, kerf_mm)
        proven += plan.optimal
        worse += plan.count > simple
        better += plan.count < simple
    return proven, worse, better, slowest


def measure_sheet(count: int = 40, seed: int = 3) -> float:
    """Return the largest distance, in mm, of a lap station read off a sheet from the exact layout."""
    rng, worst_mm = random.Random(seed), 0.0
    for _ in range(count):
        run = Run("ridge", rng.uniform(10.0, 200.0) * FOOT_MM, 5.0, edges_face=rng.choice("AB"))
        job = plan_job(Plan(witness_mm=203.2), [run], Choices())
        text = PdfReader(BytesIO(set_out_pdf(job))).pages[0].extract_text()
        exact = job.runs[0].layout.lap_stations_mm
        read = [stations_of(text, number) for number in range(1, len(exact) + 1)]
        distances = [abs(found - wanted) for found, wanted in zip(read, exact, strict=True)]
        worst_mm = max([worst_mm, *distances])
    return worst_mm


def stations_of(text: str, lap: int) -> float:
    """Return the exposed edge of a lap, in mm, from the words of a set-out sheet."""
    laps = text.partition("LAPS")[2]
    after = laps.partition("witness mark")[2]
    cells = re.findall(r"^.*$", after, re.MULTILINE)
    words = [cell.strip() for cell in cells if cell.strip()]
    return parse_length(words[words.index(str(lap)) + 1])


def main() -> None:
    """Print the table of goals."""
    laid, refused, faults, seconds = measure_layouts()
    print(f"layouts     {RIDGES:,} ridges of 2 to 200 ft, {laid:,} layouts, {refused} told to be impossible")
    print(f"            faults {len(faults)} (goal 0), {seconds:.1f} s (goal < 60 s)")
    for fault in faults[:5]:
        print(f"            {fault}")
    for name, make in (("layouts of up to 12 ridges", random_job), ("12 to 48 small pieces", small_pieces)):
        proven, worse, better, slowest = measure_stock(make)
        print(f"stock       {JOBS} jobs, {name}: proven optimal {proven / JOBS:.1%} (goal >= 95 %)")
        print(
            f"            than first-fit-decreasing {worse} worse (goal 0), {better} better; "
            f"slowest {slowest:.2f} s"
        )
    worst_mm = measure_sheet()
    print(f"sheet       stations within {worst_mm / 25.4 * 32.0:.2f}/32 in of the layout (goal 1/32 in)")
    print(
        "examples    python -m pytest tests/vision -k 'published or by_hand' compares them to the last digit"
    )


if __name__ == "__main__":
    main()
