"""The demo: the whole job on the sample photos, each number held against the exact truth.

Ridge, plan of the cap, close-ups, report and evidence, in the order of a job and by way of a data folder.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from calib.errors import FileError, GeometryError
from calib.lengths import Units, format_length
from vision.plan import Plan, load_plan
from vision.planning import Choices, Run, plan_job
from vision.ridge import NotMeasured, measure_ridge
from vision.shoot import load_shoot
from webui.evidence import make_package
from webui.job import FiledPhoto, ResultKind
from webui.report import write_report
from webui.sample_job import WHO, file_sample_job, find_samples
from webui.sample_truth import Comparison, load_truth, score_close_ups
from webui.setout import write_set_out
from webui.store import Store
from webui.tables import check_view, ridge_line
from webui.terminal import progress_bar
from webui.work import make_result

_HEADING, _ASIDE = "bold reverse", "dim"

Record = Mapping[str, Any]


def run_demo(out_dir: Path, console: Console, units: Units) -> None:
    """Do the job, print it and leave its report, evidence and data folder.

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
    with Store(out_dir / "data") as store:
        job_id = file_sample_job(store, samples, units)
        _Demo(samples, out_dir, console, units, store, job_id).run()


@dataclass(frozen=True, slots=True)
class _Demo:
    """One run of the demo."""

    samples: Path
    out_dir: Path
    console: Console
    units: Units
    store: Store
    job_id: str

    def run(self) -> None:
        truth, plan = load_truth(self.samples), load_plan(self.samples / "plan.json")
        ridge = self._measure()
        self._lay_out(plan, ridge)
        photos = self._check()
        self._compare(ridge, photos, truth, plan)
        self._write_record()
        self._say_where_to_look()

    def _measure(self) -> Record:
        self._head("1  The ridge of a house, from photos that see a target on its roof")
        shoot = load_shoot(self.samples / "shoot.json")
        alone = measure_ridge(replace(shoot, photos=shoot.photos[:1]))
        together = self._make("measure", "ridge")
        if isinstance(alone, NotMeasured) or together["ridge"] is None:
            raise GeometryError(alone.why if isinstance(alone, NotMeasured) else together["notes"][0])
        self._print("From one photo, its lens known by its EXIF only:")
        self._print(ridge_line(alone.length_mm, alone.u95_mm, alone.method, self.units))
        self._print(f"From all {len(shoot.photos)} together:")
        self._print(ridge_line(**together["ridge"], units=self.units))
        ridge: Record = together["ridge"]
        return ridge

    def _lay_out(self, plan: Plan, ridge: Record) -> None:
        self._head("2  Its cap, laid out for that length")
        laid = self._make("plan", "layout")["ridges"][0]
        pieces, stations = (self._lengths(laid[key]) for key in ("pieces_mm", "lap_stations_mm"))
        self._facts(
            ("Pieces, A to B", pieces),
            ("Laps", f"{len(laid['lap_stations_mm'])} of {self._lengths([laid['lap_mm']])}"),
            ("Lap edges, from A", stations),
            ("Rivets", f"{laid['rivets']['runs']} in runs, {laid['rivets']['laps']} in laps"),
        )
        run = Run("ridge 1", ridge["length_mm"], ridge["u95_mm"])
        write_set_out(plan_job(plan, [run], Choices(units=self.units)), self.out_dir / "set-out.pdf")

    def _check(self) -> Sequence[Record]:
        self._head("3  The finished work, from close-ups with a card on the cap")
        photos: Sequence[Record] = self._make("check", "close-ups")["photos"]
        self._print(check_view(photos, self.units))
        return photos

    def _compare(self, ridge: Record, photos: Sequence[Record], truth: Record, plan: Plan) -> None:
        """Say how far everything is from the truth, which only renderings give away."""
        self._head("4  Against the exact truth of these renderings")
        length = Comparison(ridge["length_mm"], ridge["u95_mm"], truth["ridge_mm"])
        share = abs(length.error_mm) / length.truth_mm
        where = "inside" if length.is_inside else "OUTSIDE"
        score = score_close_ups(photos, truth, plan)
        self._facts(
            ("Ridge", f"off by {length.error_mm:+.1f} mm ({share:.2%}), {where} ± U"),
            ("Rivets", f"{score.found} of {score.rivets} found, {score.invented} invented"),
            ("Spacings", _errors(score.spacings)),
            ("Laps", _errors(score.laps)),
            ("Wrong “meets”", ", ".join(score.wrong_meets) or "none"),
        )

    def _write_record(self) -> None:
        job = self.store.job(self.job_id)
        with progress_bar("report and evidence") as report:
            write_report(job, self._original, self.out_dir / "report.pdf", report)
            make_package(job, self._original, self.out_dir / "evidence", replace_old=True, progress=report)

    def _say_where_to_look(self) -> None:
        self._head("5  Where to look")
        left = {
            "report.pdf": "the report, to be signed",
            "set-out.pdf": "the sheet to lay the cap by",
            "evidence": "the evidence package, for the command verify",
            "data": "the data folder with the job",
        }
        width = max(len(str(self.out_dir / name)) for name in left)
        for name, what in left.items():
            line = Text.assemble(f"{self.out_dir / name!s:{width}}", (f"  {what}", _ASIDE))
            # Never broken over two lines, so that a path can be copied.
            self.console.print(line, soft_wrap=True)

    def _make(self, kind: ResultKind, words: str) -> Record:
        """Make one result of the job and keep it, as the desk does."""
        now_utc = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        with progress_bar(words) as report:
            result = make_result(self.store.job(self.job_id), kind, self._original, now_utc, report)
        self.store.put_result(self.job_id, kind, result, WHO)
        return result.record

    def _original(self, photo: FiledPhoto) -> Path:
        return self.store.originals.path(photo.sha256)

    def _lengths(self, lengths_mm: Sequence[float]) -> str:
        return ", ".join(format_length(length_mm, self.units) for length_mm in lengths_mm)

    def _facts(self, *facts: tuple[str, str]) -> None:
        table = Table.grid(padding=(0, 2, 0, 0))
        for name, value in facts:
            table.add_row(Text(name, style="bold"), value)
        self._print(table)

    def _head(self, words: str) -> None:
        self._print("")
        self._print(Text(f" {words} ", style=_HEADING))

    def _print(self, shown: Any) -> None:
        self.console.print(shown)


def _errors(compared: Sequence[Comparison]) -> str:
    if not compared:
        return "none measured"
    largest_mm = max(abs(each.error_mm) for each in compared)
    inside = sum(each.is_inside for each in compared)
    return f"{inside} of {len(compared)} inside ± U, off by {largest_mm:.1f} mm at most"
