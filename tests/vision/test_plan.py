"""The plan file: defaults of the contract, refusals by name, where each value comes from."""

import json
import re
from pathlib import Path

import pytest

from calib.errors import FileError, PlanError, RecordError
from vision.plan import (
    COMMON_PRACTICE,
    PLAN_KEYS,
    THIS_JOB,
    Plan,
    load_plan,
    meaning_of,
    plan_from_record,
    plan_record,
)

# The contract's plan file, key by key.
CONTRACT_DEFAULTS = {
    "ridge_mm": None,
    "piece_mm": 3048,
    "lap_min_mm": 152.4,
    "gable_allowance_mm": 25.4,
    "rivet_spacing_mm": 304.8,
    "rivet_spacing_tolerance_mm": 12.7,
    "lap_rivets": 16,
    "rivet_head_mm": 9.5,
    "witness_mm": None,
    "z_closure_offset_mm": 155.6,
    "vent_rivet_spacing_mm": 304.8,
    "sealant_row_mm": 76.2,
}


def test_plan_without_a_file_has_the_contract_defaults():
    assert plan_record(Plan()) == CONTRACT_DEFAULTS


def test_plan_file_overrides_only_what_it_gives(tmp_path: Path):
    path = tmp_path / "plan.json"
    path.write_text(json.dumps({"piece_mm": 2438.4, "lap_rivets": 12, "witness_mm": 200}), encoding="utf-8")
    plan = load_plan(path)
    assert (plan.piece_mm, plan.lap_rivets, plan.witness_mm) == (2438.4, 12, 200.0)
    assert plan.lap_min_mm == 152.4
    assert plan.origin("piece_mm") == THIS_JOB
    assert plan.origin("lap_min_mm") == COMMON_PRACTICE


def test_plan_record_round_trip_keeps_every_value():
    plan = plan_from_record({"ridge_mm": 9753.6, "sealant_row_mm": 50}, "job")
    assert plan_record(plan_from_record(plan_record(plan), "job")) == plan_record(plan)


def test_meaning_of_every_key_is_a_phrase():
    assert all(len(meaning_of(key)) > 10 for key in PLAN_KEYS)


@pytest.mark.parametrize(
    ("record", "message"),
    [
        ({"piece": 3048}, "job: unknown key 'piece'"),
        ({"piece_mm": "10 ft"}, "job: piece_mm: a number was expected"),
        ({"piece_mm": None}, "job: piece_mm: a number was expected"),
        ({"lap_rivets": 15.5}, "job: lap_rivets: a whole number of rivets was expected, got 15.5"),
        ([], "job: an object"),
    ],
)
def test_plan_record_of_the_wrong_kind_is_refused_by_name(record, message):
    with pytest.raises(RecordError, match=re.escape(message)):
        plan_from_record(record, "job")


@pytest.mark.parametrize(
    ("record", "message"),
    [
        ({"ridge_mm": 0}, "job: ridge_mm must be more than 0, got 0"),
        ({"gable_allowance_mm": -1}, "job: gable_allowance_mm must be at least 0, got -1"),
        ({"piece_mm": 300}, "job: piece_mm (300 mm) must be over twice lap_min_mm (152.4 mm)"),
        ({"rivet_spacing_tolerance_mm": 304.8}, "must be less than rivet_spacing_mm"),
    ],
)
def test_plan_values_out_of_range_are_refused(record, message):
    with pytest.raises(PlanError, match=re.escape(message)):
        plan_from_record(record, "job")


def test_plan_file_that_is_missing_is_refused(tmp_path: Path):
    with pytest.raises(FileError, match="no such file"):
        load_plan(tmp_path / "none.json")
