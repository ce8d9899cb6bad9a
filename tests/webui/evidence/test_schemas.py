"""The schemas: valid by the draft's own meta-schema, and as strict as they claim."""

import json
import re
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from calib.targets import built_in_names, built_in_target, record_from_target
from vision.plan import Plan, plan_record
from webui.evidence import contents as names
from webui.evidence.schemas import our_schemas, schema_problems
from webui.job import Job, record_from_findings, record_from_job


@pytest.mark.parametrize("name", names.SCHEMA_NAMES)
def test_schema_is_valid_draft_2020_12(name: str) -> None:
    schema = our_schemas()[name]
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert re.fullmatch(rf"urn:ridgewitness:schema:{name}:[1-9]", schema["$id"])


def test_records_of_a_job_fit_their_schemas(job: Job) -> None:
    assert schema_problems(record_from_job(job), "job") == ()
    assert schema_problems(record_from_findings(job), "findings") == ()


@pytest.mark.parametrize("name", built_in_names())
def test_every_built_in_target_fits_its_schema(name: str) -> None:
    assert schema_problems(record_from_target(built_in_target(name)), "target") == ()


def test_plan_with_all_defaults_fits_its_schema() -> None:
    assert schema_problems(plan_record(Plan()), "plan") == ()


def test_sample_files_fit_their_schemas(sample_images: Path) -> None:
    for file, name in (("card", "target"), ("panel", "target"), ("plan", "plan")):
        assert schema_problems(json.loads((sample_images / f"{file}.json").read_text()), name) == ()


BREAKS: list[tuple[str, Any]] = [
    ("an unknown key", lambda r: r.update(colour="red")),
    ("a missing key", lambda r: r.pop("units")),
    ("unknown units", lambda r: r.update(units="cubits")),
    ("a place that is none", lambda r: r["photos"][2].update(place="chimney")),
    ("a name that is a path", lambda r: r["photos"][0].update(name="../x.jpg")),
    ("a hash too short", lambda r: r["photos"][0].update(sha256="ab")),
    ("a pick of three numbers", lambda r: r["photos"][0]["ends"].update(a=[1, 2, 3])),
    ("an unknown end", lambda r: r["photos"][0]["ends"].update(c=[1, 2])),
    ("a time without its zone", lambda r: r.update(created_utc="2026-05-04T10:00:00")),
    ("a target of no tags", lambda r: r["setup"]["targets"]["card"].update(tags=[])),
    ("an unknown key in the plan", lambda r: r["setup"]["plan"].update(lap=1)),
    ("a verdict that is none", lambda r: r["decisions"][0].update(verdict="perhaps")),
]


@pytest.mark.parametrize(("what", "change"), BREAKS, ids=[what for what, _ in BREAKS])
def test_record_with_a_fault_does_not_fit(job: Job, what: str, change: Any) -> None:
    record = deepcopy(record_from_job(job))
    change(record)
    assert schema_problems(record, "job") != ()


def test_findings_with_a_length_in_words_do_not_fit(job: Job) -> None:
    record = deepcopy(record_from_findings(job))
    record["measure"]["record"]["ridge"]["length_mm"] = "32 ft"
    assert schema_problems(record, "findings")[0].startswith("measure")
