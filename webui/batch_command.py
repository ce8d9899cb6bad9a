"""The command batch: check thousands of close-ups, on this machine or on a Dask cluster."""

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calib.records import read_json
from webui.cautions import SHOOTING
from webui.command_group import NOT_MEASURED, TaughtCommand, complain
from webui.shared_options import lens_option, plan_option, targets_option

if TYPE_CHECKING:
    from webui.batch.run import BatchJob
    from webui.batch.workers import Workers

_RESULTS = "ridgewitness-batch"


@click.command(
    cls=TaughtCommand,
    example="""
ridgewitness batch season/ --target card.json --plan plan.json --out season-findings
ridgewitness batch photos.txt --target card.json --scheduler tcp://office:8786
""",
    epilog=SHOOTING,
)
@click.argument("where", metavar="DIR")
@targets_option
@plan_option
@lens_option
@click.option(
    "--out",
    "out_dir",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    default=_RESULTS,
    show_default=True,
    help="Folder for findings.jsonl, set-aside.jsonl, summary.json and the ledger.",
)
@click.option(
    "--workers",
    metavar="N",
    type=click.IntRange(1, 256),
    help="Processes on this machine; one per processor.",
)
@click.option(
    "--scheduler", metavar="tcp://HOST:PORT", help="Dask scheduler whose workers do the work instead."
)
def batch(
    where: str,
    target_paths: tuple[Path, ...],
    plan_path: Path | None,
    lens_path: Path | None,
    out_dir: Path,
    workers: int | None,
    scheduler: str | None,
) -> int:
    """Check all close-ups of a folder, of a list (.txt, one on each line) or of a URL.

    Stop it at any moment and start it again: finished photos are not done twice, and the same bytes are
    measured once. Each camera's lens is learned from up to 40 of its photos; every photo is then measured
    alone, so that its findings do not depend on how many workers there are. Photos that cannot be measured
    are set aside with the reason.
    """
    from webui.batch.run import run_batch
    from webui.tables import batch_view
    from webui.terminal import make_console, staged_progress

    if workers is not None and scheduler is not None:
        msg = "--workers is for this machine, --scheduler for a cluster; give one of them"
        raise click.UsageError(msg)
    job = _job(where, target_paths, plan_path, lens_path, out_dir)
    crew = _crew(workers, scheduler)
    try:
        with staged_progress() as report:
            summary = run_batch(job, crew, report)
    finally:
        crew.close()
    make_console().print(batch_view(summary, out_dir))
    if summary.set_aside:
        complain([f"{summary.set_aside} of {summary.photos} photos were set aside; see set-aside.jsonl"])
    return NOT_MEASURED if summary.set_aside else 0


def _job(
    where: str,
    target_paths: tuple[Path, ...],
    plan_path: Path | None,
    lens_path: Path | None,
    out_dir: Path,
) -> "BatchJob":
    """Read every file that is named, so that what is wrong with one is said before anything starts."""
    from calib.profile import load_profile
    from calib.targets import check_targets, load_target, record_from_target
    from vision.plan import load_plan
    from webui.batch.run import BatchJob
    from webui.batch.tasks import Means
    from webui.canonical import canonical_json

    targets = [load_target(path) for path in target_paths]
    check_targets(targets)
    if plan_path is not None:
        load_plan(plan_path)
    if lens_path is not None:
        load_profile(lens_path)
    return BatchJob(
        where,
        out_dir,
        Means(
            tuple(canonical_json(record_from_target(target)) for target in targets),
            "{}" if plan_path is None else json.dumps(read_json(plan_path)),
        ),
        "" if lens_path is None else json.dumps(read_json(lens_path)),
    )


def _crew(workers: int | None, scheduler: str | None) -> "Workers":
    from webui.batch.workers import DaskWorkers, LocalWorkers

    if scheduler is not None:
        return DaskWorkers(scheduler)
    return LocalWorkers(workers or len(os.sched_getaffinity(0)))
