"""The command line: reads what was typed, calls one function, prints what it found.

Exit codes: 0 done, 1 something asked for could not be measured, 2 bad input. Everything heavy is imported
inside the command that needs it, so that help and mistyped commands answer at once.
"""

import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calib.lengths import Units
from webui.account_command import account
from webui.arguments import BoardType, LengthType, OutputType, PointType, UnitsType
from webui.batch_command import batch
from webui.cautions import GOVERNS, SHOOTING
from webui.command_group import NOT_MEASURED, CommandGroup, complain
from webui.json_output import write_json
from webui.plan_options import plan_options
from webui.record_commands import RECORD_COMMANDS
from webui.serve_command import serve
from webui.shared_options import EXISTING, lens_option, plan_option, targets_option

if TYPE_CHECKING:
    from rich.console import RenderableType

    from vision.shoot import Shoot

_JOB = """
ridgewitness demo                       the whole job on sample photos

ridgewitness target panel --paper arch-d --out panel.pdf
ridgewitness lens *.jpg --board 9x6 --square "25 mm" --out lens.json
ridgewitness measure shoot.json
ridgewitness plan --ridge "43' 1 1/2 in"
ridgewitness check *.jpg --target card.json --plan plan.json
"""

_json_option = click.option(
    "--json",
    "json_path",
    metavar="FILE",
    type=OutputType(allow_dash=True),
    help="Write the result as JSON to FILE (- is standard output) instead of printing it.",
)
_units_option = click.option(
    "--units", type=UnitsType(), default="ft-in", show_default=True, help="How lengths are printed."
)


@click.group(
    cls=CommandGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    invoke_without_command=True,
    example=_JOB,
    epilog=GOVERNS,
)
@click.version_option(package_name="ridgewitness", message="ridgewitness %(version)s")
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Measure a metal roof's ridge, plan its cap and check the finished work, from photos.

    Every length comes with its uncertainty (95 %). Type lengths as 9.87 m, 9870 mm, 32ft 4.5in or 32' 4 1/2".
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


@cli.command(example="ridgewitness demo --out my-first-job", epilog=GOVERNS)
@click.option(
    "--out",
    "out_dir",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    default="ridgewitness-demo",
    show_default=True,
    help="Folder for what the demo leaves.",
)
@_units_option
def demo(out_dir: Path, units: Units) -> None:
    """Do the whole job on sample photos, then say where to look.

    Measures the ridge of a house from one photo and from five, plans its cap, checks six close-ups, and holds
    every number against the exact truth, which is known because the photos are renderings.
    """
    from webui.demo import run_demo
    from webui.terminal import make_console

    run_demo(out_dir, make_console(), units)


@cli.command(
    example="""
ridgewitness target card --paper letter --out card.pdf

then, with what the rule says of the print:
ridgewitness target card --paper letter --out card.pdf \\
    --bar-x "189.4 mm" --bar-y "129.7 mm" --thickness "3 mm"
""",
    epilog=SHOOTING,
)
@click.argument("name")
@click.option(
    "--paper",
    required=True,
    metavar="PAPER",
    help="letter, tabloid, a4, a3, a2, a1, a0, arch-c, arch-d, arch-e, roll-24 or roll-36.",
)
@click.option("--out", "out_path", metavar="F.pdf", type=OutputType(), required=True, help="PDF to write.")
@click.option("--bar-x", type=LengthType(), help="Bar X of the print, as your rule measures it.")
@click.option("--bar-y", type=LengthType(), help="Bar Y of the print, as your rule measures it.")
@click.option("--thickness", type=LengthType(), help="From the printed face to the surface it lies on.")
def target(
    name: str,
    paper: str,
    out_path: Path,
    bar_x: float | None,
    bar_y: float | None,
    thickness: float | None,
) -> None:
    """Print a reference target at true scale.

    The target file that the other commands want, F.json, is written beside the print.

    NAME is card (on the cap, for close-ups), strip (beside long runs), panel or panel-b (for whole
    ridges), or a target file of your own.

    Print at 100 %, never "fit to page". Printers are seldom true: measure the two bars on the print with a
    steel rule and type them in, or every length carries that doubt. A panel is a sail: two people carry it,
    never in gusts, never on a ladder.
    """
    from calib.printing import print_target
    from calib.scale_check import BarCheck, scaled_target
    from calib.targets import built_in_target, load_target, save_target
    from webui.tables import target_view
    from webui.terminal import make_console

    drawn = load_target(Path(name)) if name.lower().endswith(".json") else built_in_target(name)
    if thickness is not None:
        drawn = replace(drawn, thickness_mm=thickness)
    sheet = print_target(drawn, paper, out_path)
    read = zip(sheet.bars, (bar_x, bar_y), strict=True)
    checks = [BarCheck(bar.length_mm, length_mm) for bar, length_mm in read if length_mm is not None]
    if checks:
        save_target(scaled_target(drawn, *checks), sheet.definition_path)
    make_console().print(target_view(sheet, checks))


@cli.command(
    example="""
ridgewitness lens chart_*.jpg --board 9x6 --square "25 mm" \\
    --out lens.json
ridgewitness lens chart_*.jpg --target card.json --out lens.json
""",
)
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=EXISTING)
@click.option("--board", type=BoardType(), metavar="9x6", help="Inner corners of the chessboard.")
@click.option("--square", "square_mm", type=LengthType(), help="Side of one of its squares.")
@click.option(
    "--target", "target_path", metavar="T.json", type=EXISTING, help="Target file, if a target is the chart."
)
@click.option(
    "--out", "out_path", metavar="LENS.json", type=OutputType(), required=True, help="Lens file to write."
)
@_json_option
def lens(
    photos: Sequence[Path],
    board: tuple[int, int] | None,
    square_mm: float | None,
    target_path: Path | None,
    out_path: Path,
    json_path: Path | None,
) -> int:
    """Calibrate a camera's lens from photos of a chart.

    The lens file then goes to measure and check as --lens, and makes every length more certain. It holds for
    this camera at this focal length and picture size, and is refused for other photos.

    Glue a printed chessboard or target to something stiff and flat. Take 10 to 20 sharp photos of it with the
    zoom of the job: tilted by 30 to 45 degrees, every way, and in every corner of the picture. Photos that do
    not fit are left out and named.
    """
    from calib.calibrate import NotCalibrated
    from calib.profile import save_profile
    from vision.chart_shoot import calibrate_lens
    from webui.lens_command import chart_from_options, chart_photos_table, lens_view
    from webui.terminal import make_console, progress_bar

    chart = chart_from_options(board, square_mm, target_path)
    with progress_bar("photos") as report:
        found = calibrate_lens(photos, chart, report)
    if isinstance(found, NotCalibrated):
        shown: RenderableType = chart_photos_table(found.photos)
    else:
        save_profile(found.profile, out_path)
        shown = lens_view(found, out_path)
    if json_path is not None:
        write_json(found.record(), json_path)
    else:
        make_console().print(shown)
    if isinstance(found, NotCalibrated):
        complain([f"not calibrated: {found.why}"])
        return NOT_MEASURED
    return 0


@cli.command(
    example="""
ridgewitness measure shoot.json --json ridge.json
ridgewitness measure house.jpg --target panel.json \\
    --a 433.7,1111.5 --b 2566.2,1159.3
""",
    epilog=SHOOTING,
)
@click.argument("source", metavar="SHOOT.json|PHOTO", type=EXISTING)
@click.option("--target", "target_path", metavar="T.json", type=EXISTING, help="Target file (with a PHOTO).")
@click.option("--a", "end_a", type=PointType(), help="Ridge end A in the upright photo, px (with a PHOTO).")
@click.option("--b", "end_b", type=PointType(), help="Ridge end B in the upright photo, px (with a PHOTO).")
@lens_option
@click.option(
    "--setback",
    "setback_mm",
    type=LengthType(allow_negative=True),
    help="The ridge's plane behind the target's printed face, parallel to it.  [default: 0 mm]",
)
@click.option(
    "--setback-u", "setback_u_mm", type=LengthType(), help="Standard uncertainty of it.  [default: 1 mm]"
)
@click.option(
    "--pick-sigma",
    "pick_sigma_px",
    type=click.FloatRange(min=0.0, min_open=True),
    help="Standard uncertainty of a pick, px.  [default: 1]",
)
@click.option(
    "--accept-proposals",
    is_flag=True,
    help="Give photos of a shoot without picks the ridge ends proposed in them; the notes say which.",
)
@click.option(
    "--picture",
    "picture_path",
    metavar="F.png|svg",
    type=OutputType(),
    help="Draw cameras, targets and ridge from above and from the side, with error ellipses.",
)
@_units_option
@_json_option
def measure(
    source: Path,
    accept_proposals: bool,
    picture_path: Path | None,
    units: Units,
    json_path: Path | None,
    **of_photo: Any,
) -> int:
    """Measure the length of a ridge from one photo or from many.

    One photo: the target must lie in the ridge's plane, or in one parallel to it at a known set-back. Many
    photos: a shoot file lists them with their picks; with each end picked in two photos or more, the ridge
    needs no plane.

    Photos without picks are told where the ends should be: proposed from the roof's seams, or predicted from
    the picks in others. With --accept-proposals these are used like picks. Look at the photos beside the
    result all the same, since a wrong corner is a wrong length.

    The picture shows why the number is good or bad: from where each end was seen, and how surely it is known.

    A good photo shows the whole ridge and the whole target, large and sharp. Photos from clearly different
    places shrink the doubt most.
    """
    from vision.accept import measure_with_help
    from vision.ridge import NotMeasured
    from webui.network_picture import refuse_other_endings, write_network_picture
    from webui.tables import photos_view, ridge_view
    from webui.terminal import make_console, progress_bar

    if picture_path is not None:
        refuse_other_endings(picture_path)
    shoot = _shoot(source, {key: value for key, value in of_photo.items() if value is not None})
    with progress_bar("photos") as report:
        found = measure_with_help(shoot, report, accept=accept_proposals)
    if json_path is not None:
        write_json(found.record(), json_path)
    elif isinstance(found, NotMeasured):
        make_console().print(photos_view(found.photos))
    else:
        make_console().print(ridge_view(found, units))
    if isinstance(found, NotMeasured):
        complain([f"not measured: {found.why}"])
        if picture_path is not None:
            complain([f"{picture_path} was not drawn: there is no ridge to show"])
        return NOT_MEASURED
    if picture_path is not None:
        write_network_picture(found, units, picture_path)
    return 0


def _shoot(source: Path, of_photo: dict[str, Any]) -> "Shoot":
    """Return what was asked for: a shoot file, or one photo with the options that go with it."""
    from vision.shoot import load_shoot, shoot_for_one_photo

    if source.suffix.lower() == ".json":
        if of_photo:
            msg = "a shoot file holds its own target, picks, lens and set-back; leave those options out"
            raise click.UsageError(msg)
        return load_shoot(source)
    if not {"target_path", "end_a", "end_b"} <= of_photo.keys():
        msg = "a single PHOTO needs --target, --a and --b; several photos go into a shoot file"
        raise click.UsageError(msg)
    photo_target, lens = of_photo.pop("target_path"), of_photo.pop("lens_path", None)
    a, b = of_photo.pop("end_a"), of_photo.pop("end_b")
    return shoot_for_one_photo(source, photo_target, a, b, lens=lens, **of_photo)


@cli.command(
    example="""
ridgewitness plan --ridge "32 ft" --units ft-in
ridgewitness plan plan.json --measured ridge.json --sheet set-out.pdf
ridgewitness plan plan.json --ridge "32 ft" --ridge "18ft 6in" --hip 12ft@6/12
""",
    epilog=GOVERNS,
)
@plan_options
@_units_option
@_json_option
def plan(
    plan_path: Path | None,
    picture_path: Path | None,
    sheet_path: Path | None,
    units: Units,
    json_path: Path | None,
    **asked: Any,
) -> None:
    """Lay out a ridge cap, with cut list and take-off.

    Also: stock to buy, rivets, air through the ridge, movement in the heat, a set-out sheet. Layouts never
    leave a stub: by default full pieces in the middle and two equal end pieces, laps and gable allowances
    counted. What PLAN.json does not say is common practice without a source, and is named as such.
    """
    from webui.layout_picture import write_layout_picture
    from webui.plan_command import job_record, plan_from_options, plan_view
    from webui.setout import write_set_out
    from webui.terminal import make_console

    job = plan_from_options(plan_path, units, asked)
    if picture_path is not None:
        write_layout_picture(job, picture_path)
    if sheet_path is not None:
        write_set_out(job, sheet_path)
    if json_path is None:
        make_console().print(plan_view(job))
    else:
        write_json(job_record(job), json_path)


@cli.command(
    example="""
ridgewitness check lap_1.jpg run_1.jpg --target card.json \\
    --plan plan.json --overlay drawn
""",
    epilog=SHOOTING,
)
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=EXISTING)
@targets_option
@plan_option
@lens_option
@click.option(
    "--overlay",
    "overlay_dir",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for copies of the photos with the findings drawn in, and of the flanges to scale.",
)
@click.option(
    "--shared",
    metavar="N",
    type=int,
    multiple=True,
    help="Run rivets that a photo shares with the next, from left to right along one flange; once for each "
    "pair. Laps then follow from the pieces' length (piece_mm in the plan) too.",
)
@_units_option
@_json_option
def check(
    photos: Sequence[Path],
    target_paths: Sequence[Path],
    plan_path: Path | None,
    lens_path: Path | None,
    overlay_dir: Path | None,
    shared: Sequence[int],
    units: Units,
    json_path: Path | None,
) -> int:
    """Check close-ups of a finished ridge cap.

    Rivet spacings, laps and missing rivets are held against the plan. A verdict is "meets" only where the
    value clears its limit by the guard band, "does not meet" only where it fails by it; all else is
    "cannot tell", with what to do. Photos of one camera in one call share its lens, which makes every one
    of them more exact.

    Lay the card flat on the flange, clear of rivets; shoot squarely from 0.6 to 1.2 m (2 to 4 ft) with the
    card and at least two rivets of the row in the picture, sharp, without glare on the tags. A lap can be
    measured once its end is hidden if a witness mark was drawn on the lower piece first (witness_mm in the
    plan).
    """
    from calib.profile import load_profile
    from calib.targets import check_targets, load_target
    from vision.audit import NotAudited, audit_photos
    from vision.lap_chain import with_chained_laps
    from vision.plan import Plan, load_plan
    from webui.overlay import Overlays
    from webui.tables import check_view
    from webui.terminal import make_console, progress_bar

    plan = Plan() if plan_path is None else load_plan(plan_path)
    targets = [load_target(path) for path in target_paths]
    check_targets(targets)
    profile = None if lens_path is None else load_profile(lens_path)
    overlays = None if overlay_dir is None else Overlays(overlay_dir, units, plan.rivet_head_mm)
    on_audit = None if overlays is None else overlays.write
    with progress_bar("photos") as report:
        audits = audit_photos(photos, targets, plan, profile=profile, on_audit=on_audit, progress=report)
    if shared:
        audits = with_chained_laps(audits, shared, plan)
    records = [audit.record() for audit in audits]
    if json_path is None:
        make_console().print(check_view(records, units))
    else:
        write_json({"photos": records}, json_path)
    unmeasured = [audit for audit in audits if isinstance(audit, NotAudited)]
    complain(f"not measured: {audit.photo}: {audit.why}" for audit in unmeasured)
    return NOT_MEASURED if unmeasured else 0


for _command in (serve, account, *RECORD_COMMANDS, batch):
    cli.add_command(_command)


def main() -> None:
    """Start the command line; see [project.scripts] in pyproject.toml."""
    sys.excepthook = _own_up
    # A job's matrices are small: more threads only wait for each other. Five photos of a ridge took 15 s of
    # processor time with two threads and 4 s with one, on two busy cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    cli()


def _own_up(kind: type[BaseException], error: BaseException, trace: Any) -> None:
    """Say in two lines what a person can do about a fault of this program, and where it is."""
    while trace.tb_next:
        trace = trace.tb_next
    place = f"{Path(trace.tb_frame.f_code.co_filename).name}, line {trace.tb_lineno}"
    complain(
        [
            f"this is a fault of ridgewitness, not of your files: {kind.__name__}: {error} ({place})",
            "please report it with the command that you typed and, if you can, the photo",
        ]
    )
