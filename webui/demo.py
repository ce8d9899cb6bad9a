"""The demo: the whole job on the sample photos, each number held against the exact truth.

Ridge, plan of the cap and close-ups, in the order of a job; what it makes is left in a folder.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from calib.errors import FileError, GeometryError
from calib.lengths import Units, format_length
from calib.targets import load_target
from vision.audit import audit_photos
from vision.plan import Plan, load_plan
from vision.planning import Choices, PlannedRun, Run, plan_job
from vision.ridge import NotMeasured, RidgeMeasurement, measure_ridge
from vision.shoot import Shoot, load_shoot
from webui.json_output import write_json
from webui.layout_picture import write_layout_picture
from webui.overlay import Overlays
from webui.sample_truth import CloseUpScore, Comparison, load_truth, score_close_ups
from webui.setout import write_set_out
from webui.tables import check_view, ridge_line
from webui.terminal import progress_bar

CLOSE_UPS = ("run_1.jpg", "run_2.jpg", "run_3.jpg", "lap_1.jpg", "lap_2.jpg", "lap_3.jpg")
_HERE = Path(__file__).resolve().parent
_HEADING, _ASIDE = "bold reverse", "dim"


def find_samples() -> Path:
    """Return the folder of the sample photos: beside the packages in a checkout, in this one when installed.

    Raises
    ------
    FileError
        If neither is there.
    """
    for folder in (_HERE.parent / "sample_images", _HERE / "sample_images"):
        if (folder / "truth.json").is_file():
            return folder
    msg = f"the sample photos are neither beside nor in {_HERE}; install ridgewitness from its sources again"
    raise FileError(msg)


def run_demo(out_dir: Path, console: Console, units: Units) -> None:
    """Do the job, print it and leave its files.

    Parameters
    ----------
    out_dir : Path
        Folder to write to; made if it is not there.
    console : Console
        Where to print.
    units : {"imperial", "metric"}
        How lengths are printed.

    Raises
    ------
    FileError
        If the samples are missing or the folder cannot be written.
    GeometryError
        If the ridge of the samples cannot be measured, which is a fault of the installation.
    """
    samples = find_samples()
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"{out_dir}: cannot be made ({error.strerror})"
        raise FileError(msg) from error
    truth, plan = load_truth(samples), load_plan(samples / "plan.json")
    ridge = _measure(samples, out_dir, console, units)
    _lay_out(plan, ridge, out_dir, console, units)
    photos = _check(samples, plan, out_dir, console, units)
    length = Comparison(ridge.length_mm, ridge.u95_mm, truth["ridge_mm"])
    _hold_against_truth(length, score_close_ups(photos, truth, plan), console)
    _say_where_to_look(out_dir, console)


def _measure(samples: Path, out_dir: Path, console: Console, units: Units) -> RidgeMeasurement:
    _head(console, "1  The ridge of a house, from photos that see a target on its roof")
    shoot = load_shoot(samples / "shoot.json")
    with progress_bar("ridge") as report:
        alone = _ridge(replace(shoot, photos=shoot.photos[:1]))
        together = _ridge(shoot, report)
    console.print("From one photo, its lens known by its EXIF only:")
    console.print(ridge_line(alone, units))
    console.print(f"From all {len(shoot.photos)} together:")
    console.print(ridge_line(together, units))
    write_json(together.record(), out_dir / "ridge.json")
    return together


def _ridge(shoot: Shoot, report: Any = None) -> RidgeMeasurement:
    found = measure_ridge(shoot, report)
    if isinstance(found, NotMeasured):
        raise GeometryError(found.why)
    return found


def _lay_out(plan: Plan, ridge: RidgeMeasurement, out_dir: Path, console: Console, units: Units) -> None:
    _head(console, "2  Its cap, laid out for that length")
    job = plan_job(plan, [Run("ridge 1", ridge.length_mm, ridge.u95_mm)], Choices(units=units))
    write_layout_picture(job, out_dir / "layout.svg")
    write_set_out(job, out_dir / "set-out.pdf")
    for line in _layout_lines(job.runs[0], units):
        console.print(line)


def _layout_lines(run: PlannedRun, units: Units) -> Sequence[Text]:
    layout = run.layout
    pieces = ", ".join(format_length(piece, units) for piece in layout.pieces_mm)
    lap = format_length(layout.lap_mm, units)
    stations = ", ".join(format_length(station, units) for station in layout.lap_stations_mm)
    facts = [
        ("Pieces, A to B", pieces),
        ("Laps", f"{layout.joints} of {lap}, edges facing gable end {layout.edges_face}"),
        ("Lap edges, from A", stations),
        ("Rivets", f"{run.rivets.runs} in runs, {run.rivets.laps} in laps"),
    ]
    return [Text.assemble((f"{name:19}", "bold"), value) for name, value in facts]


def _check(samples: Path, plan: Plan, out_dir: Path, console: Console, units: Units) -> list[dict[str, Any]]:
    _head(console, "3  The finished work, from close-ups with a card on the cap")
    card = load_target(samples / "card.json")
    paths = [samples / name for name in CLOSE_UPS]
    overlays = Overlays(out_dir / "drawn", units, plan.rivet_head_mm)
    with progress_bar("close-ups") as report:
        audits = audit_photos(paths, [card], plan, on_audit=overlays.write, progress=report)
    records = [audit.record() for audit in audits]
    write_json({"photos": records}, out_dir / "check.json")
    console.print(check_view(records, units))
    return records


def _hold_against_truth(ridge: Comparison, score: CloseUpScore, console: Console) -> None:
    """Print how far everything was from the truth, which only renderings give away."""
    _head(console, "4  Against the exact truth of these renderings")
    share = abs(ridge.error_mm) / ridge.truth_mm
    where = "inside" if ridge.is_inside else "OUTSIDE"
    facts = [
        ("Ridge", f"{ridge.truth_mm:.1f} mm: off by {ridge.error_mm:+.1f} mm ({share:.2%}), {where} ± U"),
        ("Rivets", f"{score.found} of {score.rivets} found, {score.invented} invented"),
        ("Spacings", _errors(score.spacings)),
        ("Laps", _errors(score.laps)),
        ("Wrong “meets”", ", ".join(score.wrong_meets) or "none"),
    ]
    for name, value in facts:
        console.print(Text.assemble((f"{name:19}", "bold"), value))


def _errors(compared: Sequence[Comparison]) -> str:
    if not compared:
        return "none measured"
    largest_mm = max(abs(each.error_mm) for each in compared)
    inside = sum(each.is_inside for each in compared)
    return f"{inside} of {len(compared)} inside ± U, off by {largest_mm:.1f} mm at most"


def _say_where_to_look(out_dir: Path, console: Console) -> None:
    _head(console, "5  Where to look")
    left = [
        ("set-out.pdf", "the sheet to lay the cap by"),
        ("layout.svg", "the layout to scale"),
        ("drawn", "the close-ups with the findings drawn in"),
        ("ridge.json", "the ridge, for machines"),
        ("check.json", "the close-ups, for machines"),
    ]
    width = max(len(str(out_dir / name)) for name, _ in left)
    for name, what in left:
        path = f"{out_dir / name!s:{width}}"
        console.print(Text.assemble(path, (f"  {what}", _ASIDE)), soft_wrap=True)


def _head(console: Console, words: str) -> None:
    console.print()
    console.print(Text(f" {words} ", style=_HEADING))
