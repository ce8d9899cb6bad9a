"""`lens` as a person meets it: the table, the file, the JSON, and every way to be refused."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from calib.profile import load_profile
from webui.cli import cli
from webui.command_group import BAD_INPUT, NOT_MEASURED


def run(*args: object) -> Result:
    return CliRunner().invoke(cli, ["lens", *map(str, args)])


@pytest.fixture(scope="module")
def charts(rendered_photos) -> list[Path]:
    return [rendered_photos / f"chart_QD-5_{number:02d}.jpg" for number in (1, 3, 4, 5, 6, 12)]


def test_lens_writes_its_file_and_a_table_with_deviations(charts, tmp_path):
    out = tmp_path / "lens.json"
    result = run(*charts, "--board", "9x6", "--square", "30 mm", "--out", out)
    assert result.exit_code == 0, result.stderr
    assert "Quandril QD-5, 5.1 mm" in result.output
    assert "focal length, across" in result.output
    assert "no whole board" in result.output
    assert 1825.0 < load_profile(out).camera.fx < 1840.0


def test_lens_json_is_the_file_with_coverage_and_notes(charts, tmp_path):
    out = tmp_path / "lens.json"
    result = run(*charts, "--board", "9 x 6", "--square", "30mm", "--out", out, "--json", "-")
    assert result.exit_code == 0, result.stderr
    record = json.loads(result.stdout)
    assert 0.0 < record.pop("coverage")["fraction"] < 1.0
    assert record.pop("notes")
    assert record == json.loads(out.read_text())


def test_lens_without_enough_charts_says_so_and_writes_no_file(charts, tmp_path):
    out = tmp_path / "lens.json"
    result = run(*charts[:3], "--board", "9x6", "--square", "30 mm", "--out", out)
    assert result.exit_code == NOT_MEASURED
    assert "not calibrated: 3 of 3 photos can be used" in result.stderr
    assert not out.exists()


def test_lens_json_without_enough_charts_gives_the_reasons(charts, tmp_path):
    result = run(
        *charts[-1:], "--board", "9x6", "--square", "1 in", "--out", tmp_path / "l.json", "--json", "-"
    )
    assert result.exit_code == NOT_MEASURED
    record = json.loads(result.stdout)
    assert record["why"].startswith("0 of 1 photos")
    assert record["photos"][0]["used"] is False


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ((), "a chessboard by --board and --square, or a target by --target"),
        (("--board", "9x6"), "needs both --board"),
        (("--square", "25 mm"), "needs both --board"),
        (("--board", "nine", "--square", "25 mm"), "'nine' is not a board"),
        (("--board", "1x6", "--square", "25 mm"), "1 x 6 inner corners cannot be used"),
        (("--board", "9x6", "--square", "25"), "25"),
        (("--board", "9x6", "--square", "25 mm", "--target", "card.json"), "or a target by --target"),
    ],
)
def test_lens_with_a_chart_that_cannot_be_is_bad_input(tmp_path, options, message):
    result = run("photo.jpg", *options, "--out", tmp_path / "lens.json")
    assert result.exit_code == BAD_INPUT
    assert message in result.stderr
    assert len(result.stderr.splitlines()) <= 2
