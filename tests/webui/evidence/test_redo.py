"""Redoing the work: from real photos, by the software itself, compared to the last digit."""

import json
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.webui.evidence.tampering import edit_json
from tests.webui.measured_job import LAP_MARKS, measured_job
from tests.webui.small_job import originals
from vision.prepared import PreparedPhoto
from webui.evidence import contents as names
from webui.evidence import make_package, verify_package
from webui.evidence import redo as redoing
from webui.evidence.comparison import Agreement, differences
from webui.job import Job, PackagedCopy, Privacy
from webui.store import Store
from webui.work import audit_again, prepare_close_ups


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with Store(tmp_path_factory.mktemp("measured")) as opened:
        yield opened


@pytest.fixture(scope="module")
def measured(store: Store, sample_images: Path) -> Job:
    return measured_job(store, sample_images)


def test_measured_ridge_holds_its_truth(measured: Job, sample_images: Path) -> None:
    truth_mm = json.loads((sample_images / "truth.json").read_text())["ridge_mm"]
    ridge = measured.results["measure"].record["ridge"]
    # A single sample: three expanded uncertainties leave one chance in 10^8 for a right one to fail.
    assert abs(ridge["length_mm"] - truth_mm) <= 3.0 * ridge["u95_mm"]
    assert set(measured.results["measure"].record["photos"]) == {"house_1.jpg", "house_2.jpg"}
    assert [a["photo"] for a in measured.results["check"].record["photos"]] == ["run_1.jpg", "lap_1.jpg"]


def test_scene_and_flanges_are_there_for_the_pictures(measured: Job) -> None:
    scene, check = (measured.results[kind].drawing for kind in ("measure", "check"))
    assert scene is not None
    assert check is not None
    step = [b - a for a, b in zip(scene["ends"]["a"], scene["ends"]["b"], strict=True)]
    length_mm = measured.results["measure"].record["ridge"]["length_mm"]
    assert sum(each**2 for each in step) ** 0.5 == pytest.approx(length_mm, rel=0.01)
    assert [flange["photo"] for flange in check["flanges"]] == ["run_1.jpg", "lap_1.jpg"]


def test_package_is_redone_to_the_last_digit(measured: Job, store: Store, tmp_path: Path) -> None:
    make_package(measured, originals(store), tmp_path / "e")
    steps: list[tuple[str, int, int]] = []
    found = verify_package(tmp_path / "e", progress=lambda *step: steps.append(step))
    assert (found.problems, found.unconfirmed) == ((), ())
    assert found.exit_code == 0
    for name in ("ridge", "close-ups", "layout"):
        assert f"{name}: made again from the originals, the same to the last digit" in found.confirmed
    assert ("ridge", 2, 2) in steps


def test_marks_by_hand_are_measured_with_and_go_along(measured: Job) -> None:
    record = measured.results["check"].record["photos"][1]
    assert record["marks"] == LAP_MARKS
    assert record["lap"]["by_hand"] == ["witness"]
    assert [rivet["px"] for rivet in record["rivets"] if rivet.get("by_hand")] == LAP_MARKS["add"]


def test_close_up_made_ready_gives_the_result_again(measured: Job, store: Store) -> None:
    ready = prepare_close_ups(measured, originals(store))
    for photo, record in zip(ready, measured.results["check"].record["photos"], strict=True):
        prepared, filed = ready[photo], measured.photo(photo)
        assert isinstance(prepared, PreparedPhoto)
        assert filed is not None
        assert audit_again(prepared, filed.marks) == [record]


def test_other_marks_than_those_measured_with_are_named(measured: Job, store: Store, tmp_path: Path) -> None:
    make_package(measured, originals(store), tmp_path / "e")
    move = LAP_MARKS | {"add": [[937.0, 990.0]]}
    edit_json(tmp_path / "e", names.JOB, lambda job: job["photos"][-1].update(marks=move))
    found = verify_package(tmp_path / "e")
    assert "close-ups: was made from other photos, picks or set-up" in found.problems


def test_stripped_package_is_redone_alike(measured: Job, store: Store, tmp_path: Path) -> None:
    privacy = Privacy(gps=False, names=False, serials=False, originals="stripped")
    make_package(measured, originals(store), tmp_path / "e", privacy=privacy)
    found = verify_package(tmp_path / "e")
    assert (found.problems, found.unconfirmed) == ((), ())


def forged_length(job: Job, shift_mm: float, **software: str) -> Job:
    """Return the job as a package holds it, with another ridge length, by other software if named."""
    made = job.results["measure"]
    record = deepcopy(dict(made.record))
    record["ridge"]["length_mm"] += shift_mm
    result = replace(made, record=record, software={**made.software, **software})
    photos = tuple(replace(photo, copy=PackagedCopy("whole", photo.sha256)) for photo in job.photos)
    return replace(job, photos=photos, results={"measure": result})


@pytest.fixture
def work_already_done(measured: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the work come out as it did before: that it does is shown above, and it takes seconds."""
    honest = measured.results
    monkeypatch.setattr(redoing, "make_result", lambda job, kind, *_, **__: honest[kind])


@pytest.mark.usefixtures("work_already_done")
@pytest.mark.parametrize("shift_mm", [0.002, 0.1, -300.0])
def test_forged_number_shows_though_all_hashes_fit(measured: Job, tmp_path: Path, shift_mm: float) -> None:
    found = redoing.redo(forged_length(measured, shift_mm), tmp_path)
    assert found.exit_code == 2
    assert found.problems[0].startswith("ridge: ridge/length_mm: ")


@pytest.mark.usefixtures("work_already_done")
@pytest.mark.parametrize(
    ("shift_of_u95", "code", "said"),
    [(0.05, 0, "the same within the tolerance between versions"), (0.5, 1, "it differs: ridge/length_mm")],
)
def test_other_version_may_differ_a_little_and_says_so(
    measured: Job, tmp_path: Path, shift_of_u95: float, code: int, said: str
) -> None:
    shift_mm = shift_of_u95 * measured.results["measure"].record["ridge"]["u95_mm"]
    found = redoing.redo(forged_length(measured, shift_mm, numpy="2.0.0"), tmp_path)
    assert found.exit_code == code
    (told,) = [*found.confirmed, *found.unconfirmed]
    assert told.startswith("ridge: made again with other versions (numpy 2.0.0)")
    assert said in told


SPACING = {"from": 0, "to": 1, "mm": 300.0, "u95_mm": 1.0}
VERDICT = {"rule": "rivet spacing", "measured_mm": 300.0, "u95_mm": 1.0, "verdict": "meets"}
VERDICT |= {"why": "x", "p_conform": 1.0}


@pytest.mark.parametrize(
    ("recorded", "redone", "is_near"),
    [
        ({"spacings": [SPACING]}, {"spacings": [{**SPACING, "mm": 300.09}]}, True),
        ({"spacings": [SPACING]}, {"spacings": [{**SPACING, "mm": 300.11}]}, False),
        ({"spacings": [SPACING]}, {"spacings": [{**SPACING, "u95_mm": 1.09}]}, True),
        ({"spacings": [SPACING]}, {"spacings": [{**SPACING, "u95_mm": 1.2}]}, False),
        ({"spacings": [SPACING]}, {"spacings": []}, False),
        ({"rivets": [{"px": [10.0, 20.0]}]}, {"rivets": [{"px": [10.4, 19.6]}]}, True),
        ({"rivets": [{"px": [10.0, 20.0]}]}, {"rivets": [{"px": [10.6, 20.0]}]}, False),
        ({"verdicts": [VERDICT]}, {"verdicts": [{**VERDICT, "why": "y", "p_conform": 0.99}]}, True),
        ({"verdicts": [VERDICT]}, {"verdicts": [{**VERDICT, "verdict": "cannot tell"}]}, False),
        ({"verdicts": [VERDICT]}, {"verdicts": [{**VERDICT, "rule": "lap length"}]}, False),
        ({"takeoff": [{"item": "rivet", "rule": "x"}]}, {"takeoff": [{"item": "rivet", "rule": "y"}]}, True),
        ({"measured": True}, {"measured": False}, False),
        ({"lap": None}, {"lap": {"lap_mm": 150.0}}, False),
    ],
)
def test_tolerance_is_the_stated_one(recorded: Any, redone: Any, is_near: bool) -> None:
    assert differences(recorded, recorded) == ()
    assert differences(recorded, redone) != ()
    assert (differences(recorded, redone, Agreement.VERSIONS) == ()) == is_near


@pytest.mark.parametrize(
    ("a", "b", "is_near"),
    [
        (9318.123, 9318.124, True),
        (9318.123, 9318.125, False),
        (0.0001769, 0.000177, True),
        (0.0001769, 0.0001772, False),
        (3, 4, False),
        (True, False, False),
        ("meets", "cannot tell", False),
    ],
)
def test_last_digit_may_differ_by_one_unit(a: Any, b: Any, is_near: bool) -> None:
    assert (differences({"mm": a}, {"mm": b}, Agreement.LAST_DIGIT) == ()) == is_near


def test_difference_is_told_by_photo_and_key() -> None:
    a = {"photos": [{"photo": "c1.jpg", "rivets": [{"mm": [1.0, 2.0]}]}]}
    b = {"photos": [{"photo": "c1.jpg", "rivets": [{"mm": [1.0, 2.5]}]}]}
    assert differences(a, b) == ("photos[1: c1.jpg]/rivets[1]/mm[2]: 2.0 recorded, 2.5 made again",)
