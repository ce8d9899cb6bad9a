"""The demo on the sample photos, whole, as README has it run."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from calib.errors import FileError
from webui import sample_job
from webui.cli import cli
from webui.command_group import BAD_INPUT
from webui.store import Store

RIDGE_MM = 13146.0


def test_demo_does_the_whole_job_and_agrees_with_the_exact_truth(tmp_path: Path) -> None:
    # One test for one run: measuring takes seconds, and parallel workers would each repeat it.
    folder = tmp_path / "new" / "job"
    result = CliRunner().invoke(cli, ["demo", "--out", str(folder)], env={"COLUMNS": "120"})
    assert (result.exit_code, result.stderr) == (0, "")
    told = result.stdout
    findings = json.loads((folder / "evidence" / "data" / "findings.json").read_text())
    _check_ridge(told, findings)
    _check_layout(told)
    _check_close_ups(told, findings)
    named = re.findall(rf"^{re.escape(str(folder))}/(\S+)", told, re.MULTILINE)
    assert sorted(named) == sorted(path.name for path in folder.iterdir())
    for pdf in ("report.pdf", "set-out.pdf"):
        assert len(PdfReader(folder / pdf).pages) >= 1
    _check_data(folder / "data", findings)


def _check_ridge(told: str, findings: dict[str, Any]) -> None:
    ridge = findings["measure"]["record"]["ridge"]
    assert abs(ridge["length_mm"] - RIDGE_MM) <= ridge["u95_mm"]
    assert re.search(r"Ridge +off by .*, inside ± U", told)


def _check_layout(told: str) -> None:
    pieces = re.search(r"Pieces, A to B +(.*?) *\n", told)
    assert pieces is not None
    # 43 ft 1 in of ridge takes five: equal ends, full pieces between them.
    first, *full, last = pieces[1].split(", ")
    assert (first, full) == (last, ["10' 0\""] * 3)


def _check_close_ups(told: str, findings: dict[str, Any]) -> None:
    refused = {
        photo["photo"]: {each["rule"] for each in photo["verdicts"] if each["verdict"] == "does not meet"}
        for photo in findings["check"]["record"]["photos"]
    }
    # As the table in sample_images/README.md has it.
    assert "rivet spacing" in refused["run_2.jpg"]
    assert "rivet missing" in refused["run_3.jpg"]
    assert "lap length" in refused["lap_1.jpg"]
    assert refused["lap_3.jpg"] >= {"lap length", "lap rivet count"}
    assert refused["run_1.jpg"] == set()
    assert re.search(r"Wrong “meets” +none", told)


def _check_data(folder: Path, findings: dict[str, Any]) -> None:
    """Open the data folder as the desk does: the same job with the same results stands in it."""
    with Store(folder) as store:
        job = store.job(store.find_job("Sample house"))
    assert {kind: dict(result.record) for kind, result in job.results.items()} == {
        kind: findings[kind]["record"] for kind in ("measure", "check", "plan")
    }


def test_demo_without_its_photos_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sample_job, "_HERE", tmp_path / "webui")
    with pytest.raises(FileError, match="the sample photos are neither beside nor in"):
        sample_job.find_samples()


def test_demo_into_a_place_that_cannot_be_made_is_bad_input(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = CliRunner().invoke(cli, ["demo", "--out", str(tmp_path / "file" / "job")])
    assert result.exit_code == BAD_INPUT
    assert "cannot be made" in result.stderr
