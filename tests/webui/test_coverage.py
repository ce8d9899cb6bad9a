"""The table of places and rules."""

from pathlib import Path

from tests.webui.small_job import SUPERVISOR, small_job
from webui.coverage import Cell, Coverage, coverage_of
from webui.findings import Status
from webui.job import Job
from webui.store import Store


def _cell(coverage: Coverage, place: str, rule: str) -> Cell | None:
    row = next(row for row in coverage.rows if str(row.place.span.place) == place)
    return row.cells[coverage.rules.index(rule)]


def test_coverage_of_job_counts_verdicts_that_hold(job: Job) -> None:
    coverage = coverage_of(job)
    assert coverage.rules == ("rivet spacing", "lap length")
    # Of the three spacings, 304.1 meets, 322.9 was overruled to "meets", 317.2 is too near to its limit.
    assert _cell(coverage, "run 1 left", "rivet spacing") == Cell(Status.CANNOT_TELL, 1, 3, "c10.jpg")
    assert _cell(coverage, "lap 1 right", "lap length") == Cell(Status.MEETS, 1, 1, "c11.jpg")


def test_coverage_of_rule_not_judged_at_place_is_empty(job: Job) -> None:
    coverage = coverage_of(job)
    assert _cell(coverage, "run 1 left", "lap length") is None
    assert _cell(coverage, "gable end A", "rivet spacing") is None


def test_coverage_after_overruling_shows_worst_that_holds(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        job = small_job(store)
        about = {"photo": "c10.jpg", "rule": "rivet spacing", "index": 1, "measured_mm": 304.1}
        found = {"found": "meets", "verdict": "does not meet"}
        store.decide(job.id, SUPERVISOR, "overrule", "seen loose", **about, **found)
        cell = _cell(coverage_of(store.job(job.id)), "run 1 left", "rivet spacing")
    assert cell == Cell(Status.DOES_NOT_MEET, 1, 3, "c10.jpg")


def test_coverage_without_layout_has_no_rows(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        job_id = store.create_job("Empty", "metric", "R. Vane")
        assert coverage_of(store.job(job_id)).rows == ()
