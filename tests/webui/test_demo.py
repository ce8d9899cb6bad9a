"""The demo on the sample photos, whole, as README has it run."""

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from calib.errors import FileError
from webui import demo
from webui.cli import BAD_INPUT, cli

RIDGE_MM = 13146.0


def test_demo_does_the_whole_job_and_agrees_with_the_exact_truth(tmp_path: Path) -> None:
    # One test for one run: measuring takes seconds, and parallel workers would each repeat it.
    folder = tmp_path / "new" / "job"
    result = CliRunner().invoke(cli, ["demo", "--out", str(folder)], env={"COLUMNS": "120"})
    assert (result.exit_code, result.stderr) == (0, "")
    told = result.stdout
    _check_ridge(told, folder)
    _check_layout(told, folder)
    _check_close_ups(told, folder)
    named = re.findall(rf"^{re.escape(str(folder))}/(\S+)", told, re.MULTILINE)
    assert sorted(named) == sorted(path.name for path in folder.iterdir())


def _check_ridge(told: str, folder: Path) -> None:
    ridge = json.loads((folder / "ridge.json").read_text())["ridge"]
    assert abs(ridge["length_mm"] - RIDGE_MM) <= ridge["u95_mm"]
    assert re.search(r"Ridge +13146\.0 mm: off by .* inside ± U\n", told)


def _check_layout(told: str, folder: Path) -> None:
    pieces = re.search(r"Pieces, A to B +(.*)", told)
    assert pieces is not None
    # 43 ft 1 in of ridge takes five: equal ends, full pieces between them.
    first, *full, last = pieces[1].split(", ")
    assert (first, full) == (last, ["10' 0\""] * 3)
    assert len(PdfReader(folder / "set-out.pdf").pages) >= 1
    assert ET.parse(folder / "layout.svg").getroot().tag.endswith("svg")  # noqa: S314  # our own file


def _check_close_ups(told: str, folder: Path) -> None:
    photos = json.loads((folder / "check.json").read_text())["photos"]
    refused = {
        photo["photo"]: {each["rule"] for each in photo["verdicts"] if each["verdict"] == "does not meet"}
        for photo in photos
    }
    # As the table in sample_images/README.md has it.
    assert "rivet spacing" in refused["run_2.jpg"]
    assert "rivet missing" in refused["run_3.jpg"]
    assert "lap length" in refused["lap_1.jpg"]
    assert refused["lap_3.jpg"] >= {"lap length", "lap rivet count"}
    assert refused["run_1.jpg"] == set()
    assert re.search(r"Wrong “meets” +none\n", told)
    assert len(list((folder / "drawn").glob("*.jpg"))) == len(demo.CLOSE_UPS)


def test_demo_without_its_photos_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(demo, "_HERE", tmp_path / "webui")
    with pytest.raises(FileError, match="the sample photos are neither beside nor in"):
        demo.find_samples()


def test_demo_into_a_place_that_cannot_be_made_is_bad_input(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = CliRunner().invoke(cli, ["demo", "--out", str(tmp_path / "file" / "job")])
    assert result.exit_code == BAD_INPUT
    assert "cannot be made" in result.stderr
