"""The commands report, bundle, verify and key, on a small job: a layout of a typed ridge, no photos."""

import json
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result
from pypdf import PdfReader

from webui import record_commands
from webui.cli import cli
from webui.command_group import BAD_INPUT
from webui.job import LayoutSetup, Setup
from webui.store import Store
from webui.work import make_result

NAME = "Mill Lane 4"
RIDGE_MM = 9870.0


def run(*args: object, **extra: Any) -> Result:
    return CliRunner().invoke(cli, [str(arg) for arg in args], **extra)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with one laid-out job."""
    folder = tmp_path / "jobs"
    with Store(folder) as store:
        job_id = store.create_job(NAME, "metric", "R. Vane")
        store.change_setup(job_id, Setup(layout=LayoutSetup(RIDGE_MM, 6.0)), "R. Vane")
        result = make_result(store.job(job_id), "plan", lambda _: tmp_path, "2026-05-04T10:11:12.000Z")
        store.put_result(job_id, "plan", result, "R. Vane")
    return folder


@pytest.fixture
def package(data: Path, tmp_path: Path) -> Path:
    """The evidence package of that job."""
    result = run("bundle", NAME, "--data", data, "--out", tmp_path / "evidence")
    assert result.exit_code == 0, result.output
    return tmp_path / "evidence"


def test_report_is_written_as_pdf_with_the_jobs_name(data: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.pdf"
    result = run("report", NAME, "--data", data, "--out", out)
    assert (result.exit_code, result.output) == (0, f"{out}\n")
    assert NAME in "".join(page.extract_text() for page in PdfReader(out).pages)


def test_report_without_names_shows_none(data: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.pdf"
    assert run("report", NAME, "--data", data, "--out", out, "--no-names").exit_code == 0
    assert "Vane" not in "".join(page.extract_text() for page in PdfReader(out).pages)


def test_package_is_confirmed_and_its_layout_made_again(package: Path) -> None:
    result = run("verify", package)
    assert result.exit_code == 0, result.output
    assert "layout: made again" in result.output
    assert result.output.splitlines()[-1].strip() == "The package holds."


def test_changed_number_in_a_package_is_found_and_told(package: Path, tmp_path: Path) -> None:
    findings = package / "data" / "findings.json"
    findings.write_text(findings.read_text().replace("9870", "9880"))
    result = run("verify", package, "--json", tmp_path / "verified.json")
    assert result.exit_code == BAD_INPUT
    record = json.loads((tmp_path / "verified.json").read_text())
    assert record["holds"] is False
    assert "findings.json" in " ".join(record["problems"])
    assert run("verify", package).output.splitlines()[-1].strip() == "The package does not hold."


def test_signed_zip_is_held_against_its_key(data: Path, tmp_path: Path) -> None:
    assert run("key", tmp_path / "office").exit_code == run("key", tmp_path / "other").exit_code == 0
    place = ["--out", tmp_path / "evidence", "--zip", tmp_path / "evidence.zip"]
    result = run("bundle", NAME, "--data", data, *place, "--sign", tmp_path / "office.key")
    assert result.output.splitlines() == [str(tmp_path / "evidence"), str(tmp_path / "evidence.zip")]
    assert run("verify", tmp_path / "evidence.zip", "--key", tmp_path / "office.pub").exit_code == 0
    assert run("verify", tmp_path / "evidence.zip", "--key", tmp_path / "other.pub").exit_code == BAD_INPUT


def test_key_with_a_password_opens_only_with_it(data: Path, tmp_path: Path) -> None:
    made = run("key", tmp_path / "office", "--ask-password", input="secret\nsecret\n")
    assert made.exit_code == 0, made.output
    args = ["bundle", NAME, "--data", data, "--sign", tmp_path / "office.key", "--ask-password", "--out"]
    refused = run(*args, tmp_path / "one", input="wrong\n")
    assert refused.exit_code == BAD_INPUT
    assert "the password is missing or wrong" in refused.stderr
    assert run(*args, tmp_path / "two", input="secret\n").exit_code == 0


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["report", "No such lane", "--out", "x.pdf"], "holds no job 'No such lane'"),
        (["bundle", NAME, "--out", "."], "is there already"),
        (["bundle", NAME, "--out", "new", "--no-gps"], "have the originals stripped or left out too"),
        (["bundle", NAME, "--out", "new", "--sign", "nowhere.key"], "nowhere.key"),
    ],
)
def test_refusals_say_what_to_do(args: list[str], message: str, data: Path) -> None:
    result = run(*args, "--data", data)
    assert result.exit_code == BAD_INPUT
    assert message in result.stderr
    assert len(result.stderr.splitlines()) <= 2


def test_folder_that_is_no_data_folder_is_refused_and_left_alone(tmp_path: Path) -> None:
    result = run("report", NAME, "--data", tmp_path / "typo", "--out", tmp_path / "x.pdf")
    assert result.exit_code == BAD_INPUT
    assert "no data folder of ours" in result.stderr
    assert not (tmp_path / "typo").exists()


def test_package_that_is_not_there_is_bad_input() -> None:
    result = run("verify", "nowhere")
    assert result.exit_code == BAD_INPUT
    assert "nowhere" in result.stderr


@pytest.mark.parametrize(
    ("answers", "withheld", "originals"),
    [((True, True, True), [], "whole"), ((False, True, True), ["no_gps"], "left out")],
)
def test_answers_about_privacy_take_the_originals_along(monkeypatch, answers, withheld, originals):
    given = iter(answers)
    monkeypatch.setattr(click, "confirm", lambda *_, **__: next(given))
    monkeypatch.setattr(click, "prompt", lambda *_, **__: "left out")
    said, photos = record_commands._ask_privacy()
    assert [name for name, is_withheld in said.items() if is_withheld] == withheld
    assert photos == originals


def test_package_made_by_a_program_is_not_held_up_by_questions(data, tmp_path, monkeypatch):
    monkeypatch.setattr(record_commands, "_ask_privacy", lambda: pytest.fail("nobody is there to answer"))
    assert run("bundle", NAME, "--data", data, "--out", tmp_path / "package").exit_code == 0
