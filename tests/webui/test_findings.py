"""Findings: what holds at a place, and what is still open."""

from dataclasses import replace
from pathlib import Path

from tests.webui.small_job import SPACINGS_MM, SUPERVISOR, small_job
from webui.findings import Status, findings_of, open_points, place_statuses, sign_off
from webui.job import Job
from webui.store import Store


def test_overruled_finding_holds_as_overruled_and_keeps_what_was_measured(job: Job) -> None:
    finding = next(f for f in findings_of(job) if f.measured_mm == SPACINGS_MM[1])
    assert (finding.verdict, finding.holds) == ("does not meet", "meets")
    assert finding.decision is not None
    assert finding.decision.who == SUPERVISOR


def test_spacing_names_its_rivets_counted_from_one(job: Job) -> None:
    assert [f.between for f in findings_of(job)] == [
        "rivets 1 and 2",
        "rivets 2 and 3",
        "rivets 3 and 4",
        "",
    ]


def test_place_shows_the_worst_that_holds(job: Job) -> None:
    statuses = {str(each.span.place): each.status for each in place_statuses(job)}
    # 317.2 mm with u = 0.4 mm lies within the guard band of the limit 317.5 mm: cannot tell.
    assert statuses["run 1 left"] is Status.CANNOT_TELL
    assert statuses["lap 1 right"] is Status.MEETS
    assert statuses["run 2 left"] is Status.NO_PHOTO
    assert statuses["gable end A"] is Status.NO_PHOTO


def test_place_is_worse_without_the_decision(job: Job) -> None:
    undecided = replace(job, decisions=())
    statuses = {str(each.span.place): each.status for each in place_statuses(undecided)}
    assert statuses["run 1 left"] is Status.DOES_NOT_MEET


def test_open_points_name_what_is_left_to_do(job: Job) -> None:
    points = "\n".join(open_points(job))
    assert "14 of 16 places are without a photo: gable end A, run 1 right" in points
    assert "c12.jpg is not filed at a place." in points
    assert "c12.jpg could not be measured: no tag of card was found." in points
    assert "rivet spacing (c10.jpg, run 1 left): cannot tell" in points
    assert "signed off" not in points


def test_decision_on_another_measurement_counts_no_longer_and_is_named(job: Job) -> None:
    decision = replace(job.decisions[0], measured_mm=322.8)
    changed = replace(job, decisions=(decision, *job.decisions[1:]))
    finding = next(f for f in findings_of(changed) if f.measured_mm == SPACINGS_MM[1])
    assert finding.holds == "does not meet"
    assert any(point.startswith("Decision 1 (rivet spacing in c10.jpg)") for point in open_points(changed))


def test_change_after_the_sign_off_undoes_it(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        before = small_job(store)
        store.change_photo(before.id, "c12.jpg", "R. Vane", "found it", place="lap 2 left")
        after = store.job(before.id)
    assert sign_off(before) is not None
    assert sign_off(after) is None
    assert "No supervisor has signed off the record as it stands." in open_points(after)


def test_photo_set_aside_makes_results_old(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        job = small_job(store)
        store.change_photo(job.id, "c10.jpg", "R. Vane", set_aside="blurred")
        after = store.job(job.id)
    assert [finding.photo for finding in findings_of(after)] == ["c11.jpg"]
    expected = "The close-ups: photos, picks or set-up were changed since; to be checked again."
    assert expected in open_points(after)
    assert not any(point.startswith("The ridge:") for point in open_points(after))


def test_job_without_anything_says_what_is_missing(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        empty = store.job(store.create_job("empty", "metric", "R. Vane"))
    assert open_points(empty)[:3] == (
        "The ridge: not measured yet; what it needs is missing.",
        "The close-ups: not checked yet; what it needs is missing.",
        "The layout: not made yet; what it needs is missing.",
    )
    assert place_statuses(empty) == ()
