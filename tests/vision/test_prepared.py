"""A photo made ready once and audited again and again, with a person's marks, on the rendered close-ups."""

import pickle
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from calib.targets import load_target
from tests.vision.rendered import load_close_up
from vision import prepared as preparing
from vision.audit import NotAudited, audit_photos, audit_prepared
from vision.laps import LapSighting, NoLap
from vision.marks import Marks, marks_from_record
from vision.plan import Plan
from vision.plane import to_px
from vision.prepared import PreparedPhoto, prepare_photos
from vision.rivets import RivetSighting

LAP, PLAN = "close_dev_02", Plan(witness_mm=203.2)
DEAR = ("load_photo", "sight_photo", "pose_photos", "find_flange", "find_fasteners", "find_cross_lines")


def _photo(folder: Path, name: str) -> list[Any]:
    return [[folder / f"{name}.jpg"], [load_target(folder / "card.json")], PLAN]


@pytest.fixture(scope="module")
def ready(rendered_photos: Path) -> PreparedPhoto:
    (found,) = prepare_photos(*_photo(rendered_photos, LAP))
    assert isinstance(found, PreparedPhoto)
    return found


@pytest.fixture(scope="module")
def truth(rendered_photos: Path) -> dict[str, Any]:
    return load_close_up(rendered_photos, LAP)[0]


def _marks(**record: Any) -> Marks:
    return marks_from_record(record, "p")


def test_what_takes_long_is_done_once(rendered_photos, monkeypatch):
    calls: Counter[str] = Counter()
    for name in DEAR:
        real = getattr(preparing, name)

        def counted(*args: Any, name: str = name, real: Any = real, **kwargs: Any) -> Any:
            calls[name] += 1
            return real(*args, **kwargs)

        monkeypatch.setattr(preparing, name, counted)
    (found,) = prepare_photos(*_photo(rendered_photos, LAP))
    once = dict(calls)
    for x in range(3):
        audit_prepared(found, _marks(add=[[1000.0 + x, 1000.0]], edge=[[1496.0, 638.0], [1456.0, 1082.0]]))
    assert calls == once
    assert once == {name: 1 for name in DEAR if name != "load_photo"}


def test_measuring_again_takes_a_moment(ready):
    start = time.process_time()
    audit_prepared(ready, _marks(add=[[1000.0, 1000.0]]))
    assert time.process_time() - start < 0.3


def test_prepared_photo_gives_what_the_whole_audit_gives(ready, rendered_photos):
    marks = _marks(remove=[[1249.0, 1016.0]], witness=[[1621.4, 654.7], [1581.8, 1090.2]])
    path = rendered_photos / f"{LAP}.jpg"
    for given in (Marks(), marks):
        (whole,) = audit_photos(*_photo(rendered_photos, LAP), marks={path: given})
        (again,) = audit_prepared(ready, given)
        assert whole.record() == again.record()


def test_prepared_photo_can_be_put_away_without_its_photo(ready, rendered_photos):
    data = pickle.dumps(ready)
    photo = cv2.imread(str(rendered_photos / f"{LAP}.jpg"))
    assert len(data) < photo.nbytes / 15
    (before,), (after,) = audit_prepared(ready), audit_prepared(pickle.loads(data))  # noqa: S301
    assert before.record() == after.record()


def test_photo_without_marks_has_the_contracts_keys_only(ready):
    record = audit_prepared(ready)[0].record()
    assert "marks" not in record
    assert "by_hand" not in record["lap"]
    assert not any("by_hand" in rivet for rivet in record["rivets"])


def test_record_says_what_a_person_marked(ready):
    given: dict[str, Any] = {
        "add": [[1664.0, 1052.4]],
        "edge": [[1496.2, 638.3], [1456.1, 1082.4]],
    }
    record = audit_prepared(ready, _marks(**given))[0].record()
    assert record["marks"] == given
    assert [rivet["px"] for rivet in record["rivets"] if rivet.get("by_hand")] == given["add"]
    assert record["lap"]["by_hand"] == ["edge"]


def test_removed_lap_rivet_changes_the_count(ready, truth):
    rivet = next(rivet for rivet in truth["rivets"] if rivet["id"] == "r20")
    (audit,) = audit_prepared(ready, _marks(remove=[rivet["px"]]))
    (count,) = [v.judgement for v in audit.verdicts if v.rule == "lap rivet count"]
    assert (count.count, str(count.verdict)) == (7, "does not meet")


def test_moved_rivet_changes_its_spacing_and_is_less_certain(ready, truth):
    rivet = next(rivet for rivet in truth["rivets"] if rivet["id"] == "r05")
    x, y = rivet["px"]
    (bare,) = audit_prepared(ready)
    (moved,) = audit_prepared(
        ready, _marks(move=[{"from": [x, y], "to": {"px": [x + 30.0, y + 2.0], "sigma_px": 6.0}}])
    )
    # 30 px at 0.33 mm/px is about 10 mm further from the first rivet.
    change = moved.rows.spacings[0].mm - bare.rows.spacings[0].mm
    assert change == pytest.approx(30.0 * bare.mm_per_px, rel=0.1)
    own = 6.0 * bare.mm_per_px
    grown = np.sqrt(moved.rows.spacings[0].u_mm ** 2 - bare.rows.spacings[0].u_mm ** 2)
    assert grown == pytest.approx(own, rel=0.1)


def test_lap_marked_by_hand_is_right_within_its_uncertainty(ready, truth):
    lap = truth["lap"]
    (audit,) = audit_prepared(ready, _marks(edge=lap["edge_px"], witness=lap["witness_px"]))
    found, by_eye = audit.lap, audit_prepared(ready)[0].lap
    assert isinstance(found, LapSighting)
    assert isinstance(by_eye, LapSighting)
    assert found.lap_mm == pytest.approx(lap["lap_mm"], abs=found.u95_mm)
    assert found.u95_mm > by_eye.u95_mm
    for row, true_mm in zip(found.rows, lap["row_from_edge_mm"], strict=True):
        assert row.mm == pytest.approx(true_mm, abs=3.0 * row.u_mm)


def test_lap_marked_with_a_wider_mark_is_less_certain(ready, truth):
    edge = truth["lap"]["edge_px"]
    u95 = [
        audit_prepared(ready, _marks(edge={"px": edge, "sigma_px": sigma}))[0].lap.u95_mm
        for sigma in (1.0, 5.0)
    ]
    # 5 px at 0.33 mm/px at either end: 1.2 mm in the middle.
    assert u95[1] > 1.96 * 1.1
    assert u95[0] < u95[1]


def test_edge_marked_without_rivets_or_a_mark_has_no_side(ready, truth):
    heads = [rivet["px"] for rivet in truth["rivets"] if rivet["role"] == "lap"]
    (audit,) = audit_prepared(ready, _marks(remove=heads, edge=truth["lap"]["edge_px"]))
    assert isinstance(audit.lap, NoLap)
    assert "which side" in str(audit.lap.why)
    assert [str(v.judgement.verdict) for v in audit.verdicts if v.rule == "lap length"] == ["cannot tell"]


def test_edge_and_mark_without_rivets_make_a_lap(ready, truth):
    lap, heads = truth["lap"], [rivet["px"] for rivet in truth["rivets"] if rivet["role"] == "lap"]
    (audit,) = audit_prepared(ready, _marks(remove=heads, edge=lap["edge_px"], witness=lap["witness_px"]))
    assert audit.record()["kind"] == "lap"
    assert audit.lap.lap_mm == pytest.approx(lap["lap_mm"], abs=audit.lap.u95_mm)


def test_marked_line_that_does_not_cross_the_flange_is_named(ready):
    (audit,) = audit_prepared(ready, _marks(witness=[[300.0, 950.0], [900.0, 990.0]]))
    assert any("marked as the witness mark does not run across" in note for note in audit.notes)


def test_witness_mark_on_the_upper_sheet_is_named(ready):
    (audit,) = audit_prepared(ready, _marks(witness=[[1010.0, 600.0], [980.0, 1000.0]]))
    assert any("lies on the upper sheet" in note for note in audit.notes)
    assert audit.lap.lap_mm is None


def test_photo_that_cannot_be_measured_is_not_prepared(rendered_photos):
    (found,) = prepare_photos(*_photo(rendered_photos, "chart_QD-5_01"))
    assert isinstance(found, NotAudited)


def test_second_lap_in_one_photo_is_measured_too(ready):
    # The lap's own rivets and lines once more, 900 mm further on: as if the photo reached that far.
    (part,) = ready.flanges
    shift_mm = 900.0 * part.flange.along
    heads = [audit_prepared(ready)[0].rivets[i] for i in audit_prepared(ready)[0].rows.laps[0].rivets]
    px = to_px(part.view, [rivet.mm + shift_mm for rivet in heads], part.z_mm)
    copies = [RivetSighting(each, 0.1 * np.eye(2), 0.95, False) for each in px]
    lines = [replace(line, station_mm=line.station_mm + 900.0) for line in part.lines]
    wider = replace(
        part,
        found=replace(part.found, rivets=(*part.found.rivets, *copies)),
        lines=(*part.lines, *lines),
    )
    (audit,) = audit_prepared(replace(ready, flanges=(wider,)))
    first, second = audit.laps
    assert isinstance(first, LapSighting)
    assert isinstance(second, LapSighting)
    assert second.lap_mm is not None
    # So far off the card the view itself is known less well.
    assert second.u95_mm > first.u95_mm
    assert [v.rule for v in audit.verdicts].count("lap length") == 2
    assert len(audit.record()["laps"]) == 2
    assert audit.record()["lap"] == audit.record()["laps"][0]
