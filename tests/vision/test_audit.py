"""The audit of close-ups against the exact truth of the rendered photos, and its refusals."""

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from calib.errors import FileError
from calib.targets import load_target
from vision.audit import FlangeAudit, NotAudited, PhotoAudit, audit_photos
from vision.plan import Plan

MATCH_MM = 6.0
TOGETHER = ("close_dev_02", "close_dev_04", "close_dev_06", "close_dev_07")
PLAN = Plan(witness_mm=203.2)


def _truth(folder: Path, stem: str) -> dict[str, Any]:
    return json.loads((folder / f"{stem}.json").read_text())


@pytest.fixture(scope="module")
def audits(rendered_photos: Path) -> dict[str, FlangeAudit]:
    paths = [rendered_photos / f"{stem}.jpg" for stem in TOGETHER]
    found = audit_photos(paths, [load_target(rendered_photos / "card.json")], PLAN)
    assert all(isinstance(audit, FlangeAudit) for audit in found)
    return {
        stem: audit for stem, audit in zip(TOGETHER, found, strict=True) if isinstance(audit, FlangeAudit)
    }


def _one(path: Path, target: Path) -> PhotoAudit:
    (audit,) = audit_photos([path], [load_target(target)], PLAN)
    return audit


@pytest.mark.parametrize("stem", TOGETHER)
def test_every_rivet_of_the_truth_is_found_and_no_other(audits, rendered_photos, stem):
    true = np.array([rivet["mm"] for rivet in _truth(rendered_photos, stem)["rivets"]])
    got = np.array([rivet.mm for rivet in audits[stem].rivets])
    off = np.linalg.norm(true[:, None] - got[None], axis=2)
    assert len(got) == len(true)
    assert off.min(axis=1).max() < MATCH_MM


@pytest.mark.parametrize("stem", TOGETHER)
def test_spacings_hold_the_truth_within_their_uncertainty(audits, rendered_photos, stem):
    audit = audits[stem]
    true = np.array([rivet["mm"] for rivet in _truth(rendered_photos, stem)["rivets"]])
    nearest = [int(np.linalg.norm(true - rivet.mm, axis=1).argmin()) for rivet in audit.rivets]
    assert audit.rows.spacings
    for spacing in audit.rows.spacings:
        expected = np.linalg.norm(true[nearest[spacing.first]] - true[nearest[spacing.second]])
        # 3 u: about ten spacings are held here, each outside it 3 times in 1,000.
        assert abs(spacing.mm - expected) <= 3.0 * spacing.u_mm


@pytest.mark.parametrize("stem", ["close_dev_02", "close_dev_04", "close_dev_06"])
def test_lap_length_is_within_a_millimetre_and_a_half(audits, rendered_photos, stem):
    lap = audits[stem].record()["lap"]
    expected = _truth(rendered_photos, stem)["lap"]["lap_mm"]
    assert lap["lap_mm"] == pytest.approx(expected, abs=1.5)
    assert abs(lap["lap_mm"] - expected) <= 1.5 * lap["u95_mm"]


def _verdicts(audit: FlangeAudit, rule: str) -> list[str]:
    return [str(verdict.judgement.verdict) for verdict in audit.verdicts if verdict.rule == rule]


def test_lap_shorter_than_the_plan_does_not_meet(audits):
    assert _verdicts(audits["close_dev_02"], "lap length") == ["does not meet"]
    assert _verdicts(audits["close_dev_04"], "lap length") == ["meets"]


def test_lap_with_two_rivets_missing_does_not_meet(audits):
    assert _verdicts(audits["close_dev_06"], "lap rivet count") == ["does not meet"]
    assert _verdicts(audits["close_dev_04"], "lap rivet count") == ["meets"]


def test_run_with_a_missing_rivet_says_where(audits, rendered_photos):
    (missing,) = _truth(rendered_photos, "close_dev_07")["missing"]
    (verdict,) = [v for v in audits["close_dev_07"].verdicts if v.rule == "rivet missing"]
    assert verdict.judgement.verdict == "does not meet"
    (gap,) = audits["close_dev_07"].rows.gaps
    # The place is reckoned from neighbours that stand within the tolerance of the plan, 12.7 mm.
    assert np.linalg.norm(gap.place_mm - missing["mm"]) < 13.0


def test_record_has_exactly_the_keys_of_the_contract(audits):
    record = audits["close_dev_02"].record()
    assert list(record) == [
        "photo",
        "sha256",
        "measured",
        "kind",
        "target",
        "mm_per_px",
        "rivets",
        "spacings",
        "lap",
        "verdicts",
        "notes",
    ]
    assert set(record["rivets"][0]) == {"px", "mm", "u_mm", "role", "score"}
    assert set(record["spacings"][0]) == {"from", "to", "mm", "u95_mm"}
    assert set(record["lap"]) == {"edge_px", "edge_mm", "edge_to_witness_mm", "lap_mm", "u95_mm"}
    assert set(record["verdicts"][0]) == {
        "rule",
        "measured_mm",
        "u95_mm",
        "limit",
        "p_conform",
        "verdict",
        "why",
    }
    assert json.loads(json.dumps(record)) == record


def test_photos_of_one_lens_help_each_other(audits, rendered_photos):
    alone = _one(rendered_photos / "close_dev_02.jpg", rendered_photos / "card.json")
    assert isinstance(alone, FlangeAudit)
    together = audits["close_dev_02"].view.camera.cov[0, 0]
    assert together < 0.7 * alone.view.camera.cov[0, 0]


def test_order_of_photos_does_not_change_the_findings(audits, rendered_photos):
    paths = [rendered_photos / f"{stem}.jpg" for stem in TOGETHER[::-1]]
    again = audit_photos(paths, [load_target(rendered_photos / "card.json")], PLAN)
    assert [audit.record() for audit in again[::-1]] == [audits[stem].record() for stem in TOGETHER]


def test_photo_of_another_target_is_not_measured(rendered_photos):
    audit = _one(rendered_photos / "close_dev_02.jpg", rendered_photos / "panel.json")
    assert isinstance(audit, NotAudited)
    assert "tags 0, 1, 2, 3 of another target" in audit.why


def test_mirrored_photo_is_not_measured(rendered_photos, tmp_path):
    flipped = tmp_path / "flipped.png"
    cv2.imwrite(str(flipped), cv2.imread(str(rendered_photos / "close_dev_02.jpg"))[:, ::-1])
    audit = _one(flipped, rendered_photos / "card.json")
    assert isinstance(audit, NotAudited)
    assert "mirrored" in audit.why


def test_photo_without_a_target_is_not_measured(rendered_photos):
    audit = _one(rendered_photos / "chart_QD-5_01.jpg", rendered_photos / "card.json")
    assert isinstance(audit, NotAudited)
    assert "no tag of card was found" in audit.why
    assert audit.record()["verdicts"] == []


def test_photo_that_is_no_photo_is_not_measured_but_the_others_are(rendered_photos, tmp_path):
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"\xff\xd8\xff but then nothing")
    card = load_target(rendered_photos / "card.json")
    bad, good = audit_photos([broken, rendered_photos / "close_dev_04.jpg"], [card], PLAN)
    assert isinstance(bad, NotAudited)
    assert isinstance(good, FlangeAudit)


def test_missing_photo_is_refused(rendered_photos, tmp_path):
    with pytest.raises(FileError, match="no such file"):
        _one(tmp_path / "gone.jpg", rendered_photos / "card.json")
