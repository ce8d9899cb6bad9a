"""The work: the same results as the command line's, and what a result follows from."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from calib.targets import built_in_target, record_from_target
from tests.webui.small_job import RIDGE_MM, U95_MM, originals
from vision.plan import plan_from_record
from vision.planning import Choices, Run, plan_job
from webui.errors import StoreError
from webui.inputs import inputs_hash, is_current
from webui.job import CloseUpSetup, Job, LayoutSetup
from webui.plan_command import job_record
from webui.rounding import rounded
from webui.store import Store
from webui.work import laid_out, make_all, make_result

NOW = "2026-05-04T12:00:00.000Z"


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (9318.00049, 9318.0),
        (-111.5874251, -111.587),
        (1.23456, 1.235),
        (0.0001769618, 0.000177),
        (0.98765432, 0.9877),
        (0.0, 0.0),
        (-0.0, 0.0),
    ],
)
def test_measured_number_keeps_three_decimals_or_four_digits(value: float, expected: float) -> None:
    assert rounded(value) == expected


def test_layout_takes_the_measured_ridge_with_its_uncertainty(job: Job, small_store: Store) -> None:
    result = make_result(job, "plan", originals(small_store), NOW)
    # The same plan and length, planned directly.
    planned = plan_job(
        plan_from_record(dict(job.setup.plan), "plan"), [Run("ridge 1", RIDGE_MM, U95_MM)], Choices()
    )
    expected = job_record(planned)["ridges"][0]
    ridge = result.record["ridges"][0]
    assert ridge["pieces_mm"] == pytest.approx(expected["pieces_mm"], rel=1e-9)
    assert (ridge["ridge_mm"], ridge["u95_mm"]) == (RIDGE_MM, U95_MM)


def test_layout_takes_a_typed_length_and_options_first(job: Job, small_store: Store) -> None:
    layout = LayoutSetup(6096.0, 3.0, {"edges_face": "B", "kerf": 3.0})
    typed = replace(job, setup=replace(job.setup, layout=layout))
    ridge = make_result(typed, "plan", originals(small_store), NOW).record["ridges"][0]
    assert (ridge["ridge_mm"], ridge["u95_mm"]) == (6096.0, 3.0)
    assert any("face gable end B" in note for note in ridge["notes"])


def test_everything_is_laid_out_as_contract_files(job: Job, small_store: Store) -> None:
    with laid_out(job, originals(small_store)) as folder:
        shoot = json.loads((folder / "photos" / ".shoot.json").read_text())
        assert list(shoot["photos"]) == ["house-0.jpg", "house-1.jpg"]
        assert (folder / "photos" / shoot["targets"][0]).is_file()
        assert json.loads((folder / "plan.json").read_text()) == job.setup.plan
        kept = sorted(path.name for path in (folder / "photos").glob("*.jpg"))
        assert kept == ["c10.jpg", "c11.jpg", "c12.jpg", "house-0.jpg", "house-1.jpg"]
    assert not folder.exists()


@pytest.mark.parametrize(
    ("kind", "message"),
    [
        ("measure", "no ridge photo has a picked end"),
        ("check", "there are no close-ups"),
        ("plan", "no ridge length"),
    ],
)
def test_job_that_lacks_what_is_needed_is_refused(tmp_path: Path, kind: str, message: str) -> None:
    with Store(tmp_path) as store:
        empty = store.job(store.create_job("empty", "metric", "R. Vane"))
        with pytest.raises(StoreError, match=message):
            make_result(empty, kind, originals(store), NOW)
        assert make_all(empty, originals(store), NOW) == {}


def test_result_that_cannot_be_made_leaves_its_reason(job: Job, small_store: Store) -> None:
    made = make_all(job, originals(small_store), NOW, ("measure",))
    record = made["measure"].record  # type: ignore[union-attr]
    assert record["ridge"] is None
    assert "no tag of panel was found" in record["notes"][0]


def change_pick(job: Job) -> Job:
    photo = replace(job.photos[0], ends={"a": (10.6, 20.25), "b": (50.0, 21.75)})
    return replace(job, photos=(photo, *job.photos[1:]))


def set_aside(job: Job) -> Job:
    return replace(job, photos=(*job.photos[:-1], replace(job.photos[-1], set_aside="blurred")))


def change_plan(job: Job) -> Job:
    return replace(job, setup=replace(job.setup, plan={**job.setup.plan, "lap_rivets": 16}))


def change_card(job: Job) -> Job:
    card = {**record_from_target(built_in_target("card")), "thickness": 3.0}
    return replace(job, setup=replace(job.setup, targets={**job.setup.targets, "card": card}))


def change_place(job: Job) -> Job:
    return replace(job, photos=(*job.photos[:-1], replace(job.photos[-1], place="run 2 left")))


def mark(job: Job) -> Job:
    marks = {"add": [[10.0, 20.0]]}
    return replace(job, photos=(*job.photos[:-1], replace(job.photos[-1], marks=marks)))


def change_lens(job: Job) -> Job:
    lenses = {"pocket": {"fx": 1.0}}
    return replace(job, setup=replace(job.setup, lenses=lenses, close_ups=CloseUpSetup(("card",), "pocket")))


@pytest.mark.parametrize(
    ("change", "stale"),
    [
        (change_pick, {"measure"}),
        (set_aside, {"check"}),
        (change_plan, {"check", "plan"}),
        (change_card, {"check"}),
        (change_place, set()),
        (mark, {"check"}),
        (change_lens, {"check"}),
    ],
)
def test_change_makes_exactly_what_follows_from_it_old(job: Job, change, stale: set[str]) -> None:  # type: ignore[no-untyped-def]
    changed = change(job)
    assert {kind for kind in job.results if not is_current(changed, kind)} == stale


def test_new_ridge_length_makes_the_layout_old(job: Job) -> None:
    record = json.loads(json.dumps(job.results["measure"].record))
    record["ridge"]["length_mm"] += 1.0
    changed = replace(job, results={**job.results, "measure": replace(job.results["measure"], record=record)})
    assert inputs_hash(changed, "plan") != inputs_hash(job, "plan")
    assert inputs_hash(changed, "measure") == inputs_hash(job, "measure")
