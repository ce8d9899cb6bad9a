"""The command line as a person meets it: help, results, refusals, exit codes."""

import json
import os
import resource
import struct
import subprocess
import sys
import time
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from calib.targets import built_in_target, load_target
from webui import cli as command_line
from webui import terminal
from webui.cli import cli
from webui.command_group import BAD_INPUT, NOT_MEASURED, STOPPED

ROOT = Path(__file__).resolve().parents[2]
COMMANDS = ("demo", "target", "measure", "plan", "check")
SHOOTING = ("target", "measure", "check")
RIDGE_MM = 13146.0


def run(*args: object) -> Result:
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def start(*args: object, **extra: Any) -> subprocess.CompletedProcess[str]:
    """Run the command as its own process, from the checkout."""
    code = "import sys; from webui.cli import main; sys.argv[0] = 'ridgewitness'; main()"
    command = [sys.executable, "-c", code, *map(str, args)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, **extra)


def said(result: Result) -> list[str]:
    """Return what stands on standard error, after checking that it is a line or two and no traceback."""
    lines = result.stderr.splitlines()
    assert len(lines) <= 2, result.stderr
    assert "Traceback" not in result.stderr
    return lines


# Help


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_each_command_teaches_with_an_example(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert f"  ridgewitness {command} " in result.output.partition("Example:")[2]


@pytest.mark.parametrize("command", SHOOTING)
def test_help_of_commands_that_send_somebody_out_carries_the_cautions(command: str) -> None:
    text = " ".join(run(command, "--help").output.split())
    for danger in ("fall protection", "ladders", "power lines", "drone", "gloves"):
        assert danger in text


def test_help_lists_the_commands_in_the_order_of_a_job() -> None:
    listed = run("--help").output.partition("Commands:")[2]
    places = [listed.index(f"\n  {command} ") for command in COMMANDS]
    assert places == sorted(places)


def test_help_answers_within_a_quarter_of_a_second() -> None:
    def processor_seconds() -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert start("--help").returncode == 0
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    # Processor time, and the best of a few: what else runs on the machine must not decide.
    assert min(processor_seconds() for _ in range(5)) <= 0.25


# Refusals


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["measure", "--nonsense"], "No such option '--nonsense'"),
        (["level"], "No such command 'level'"),
        (["plan", "--ridge", "32"], "'32' has no unit"),
        (["plan", "--ridge", "-3 m"], "is negative"),
        (["plan"], "there is no ridge to lay out"),
        (["measure", "house.jpg", "--target", "t.json", "--a", "1;2", "--b", "3,4"], "'1;2' is not a point"),
        (["measure", "house.jpg"], "a single PHOTO needs --target, --a and --b"),
        (["measure", "shoot.json", "--a", "1,2"], "a shoot file holds its own target"),
        (["measure", "nowhere.json"], "nowhere.json: no such file"),
        (["check", "x.jpg"], "Missing option '--target'"),
        (["check", "x.jpg", "--target", "nowhere.json"], "nowhere.json: no such file"),
        (["target", "poster", "--paper", "a4", "--out", "x.pdf"], "no built-in target 'poster'"),
        (["target", "card", "--paper", "a9", "--out", "x.pdf"], "no paper 'a9'"),
        (["target", "card", "--paper", "a4", "--out", "nowhere/x.pdf"], "the folder nowhere does not exist"),
        (["plan", "--ridge", "9 m", "--json", "nowhere/x.json"], "the folder nowhere does not exist"),
    ],
)
def test_bad_input_is_told_in_a_line_or_two_with_exit_code_two(args: list[str], message: str) -> None:
    result = run(*args)
    assert result.exit_code == BAD_INPUT
    assert message in said(result)[0]


def test_key_that_no_plan_has_is_refused_by_name(tmp_path: Path) -> None:
    plan = tmp_path / "plan.json"
    plan.write_text('{"ridge_length": 9000}')
    result = run("plan", plan)
    assert result.exit_code == BAD_INPUT
    assert "unknown key 'ridge_length'" in said(result)[0]


def test_stop_by_the_keyboard_is_told_in_one_word(monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("webui.plan_command.plan_from_options", stop)
    result = run("plan", "--ridge", "9 m")
    assert result.exit_code == STOPPED
    assert result.stderr.split() == ["stopped"]


def test_reader_that_closes_early_sees_no_complaint() -> None:
    code = "from webui.cli import main; main()"
    shell = f'"{sys.executable}" -c "{code}" plan --ridge "90 ft" | head -n 1'
    found = subprocess.run(["bash", "-c", shell], cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stderr == ""


def test_fault_of_the_program_is_owned_up_to_without_a_traceback(capsys: pytest.CaptureFixture[str]) -> None:
    try:
        raise ZeroDivisionError("by zero")  # noqa: TRY301
    except ZeroDivisionError as error:
        command_line._own_up(type(error), error, error.__traceback__)
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 2
    assert "a fault of ridgewitness, not of your files: ZeroDivisionError: by zero (test_cli.py" in lines[0]


# Photos that cannot be used


def _png_claiming(width: int, height: int) -> bytes:
    """Return the start of a PNG that says how large it is; nothing else of it is ever read."""
    head = struct.pack(">4s2I5B", b"IHDR", width, height, 8, 2, 0, 0, 0)
    data = zlib.compress(b"\0" * 100)
    chunks = [(head, 13), (b"IDAT" + data, len(data)), (b"IEND", 0)]
    body = b"".join(
        struct.pack(">I", size) + chunk + struct.pack(">I", zlib.crc32(chunk)) for chunk, size in chunks
    )
    return b"\x89PNG\r\n\x1a\n" + body


@pytest.fixture
def unusable(sample_images: Path, tmp_path: Path) -> dict[str, Path]:
    """One photo of every kind that cannot be measured."""
    good = (sample_images / "lap_1.jpg").read_bytes()
    picture = cv2.imread(str(sample_images / "lap_1.jpg"))
    assert picture is not None
    bare = np.random.default_rng(5).integers(90, 110, (600, 800, 3)).astype(np.uint8)
    contents = {
        "empty": b"",
        "truncated": good[: len(good) // 2],
        "huge": _png_claiming(20_000, 15_000),
        "text": b"not a picture at all\n" * 50,
        "bare": cv2.imencode(".jpg", bare)[1].tobytes(),
        "mirrored": cv2.imencode(".jpg", cv2.flip(picture, 1))[1].tobytes(),
    }
    for name, data in contents.items():
        (tmp_path / f"{name}.jpg").write_bytes(data)
    return {name: tmp_path / f"{name}.jpg" for name in contents}


_WHY = {
    "empty": (BAD_INPUT, "empty"),
    "truncated": (BAD_INPUT, "cut off"),
    "huge": (BAD_INPUT, "300 megapixels"),
    "text": (BAD_INPUT, "not a photo"),
    "bare": (NOT_MEASURED, "no tag of card was found"),
    "mirrored": (NOT_MEASURED, "mirrored"),
}


@pytest.mark.parametrize("kind", _WHY)
def test_measure_of_an_unusable_photo_says_why_with_its_exit_code(
    kind: str, unusable: dict[str, Path], sample_images: Path
) -> None:
    code, why = _WHY[kind]
    picks = ["--a", "100,100", "--b", "500,100"]
    result = run("measure", unusable[kind], "--target", sample_images / "card.json", *picks)
    assert result.exit_code == code
    assert why in " ".join(said(result))


def test_check_of_unusable_photos_names_each_and_why(unusable: dict[str, Path], sample_images: Path) -> None:
    result = run("check", *unusable.values(), "--target", sample_images / "card.json")
    assert result.exit_code == NOT_MEASURED
    lines = result.stderr.splitlines()
    assert len(lines) == len(unusable)
    for (kind, path), line in zip(unusable.items(), lines, strict=True):
        assert line.startswith(f"not measured: {path.name}: ")
        assert _WHY[kind][1] in line


def test_photo_of_another_target_is_told_which_tags_it_shows(sample_images: Path) -> None:
    result = run("check", sample_images / "run_1.jpg", "--target", sample_images / "panel.json")
    assert result.exit_code == NOT_MEASURED
    assert "no tag of panel was found, but tags 0, 1, 2, 3 of another target" in said(result)[0]


def test_missing_photo_is_bad_input(sample_images: Path) -> None:
    result = run("check", "nowhere.jpg", "--target", sample_images / "card.json")
    assert result.exit_code == BAD_INPUT
    assert "nowhere.jpg: no such file" in said(result)[0]


# Results


def test_plan_of_a_32_ft_ridge_agrees_with_the_sum_done_by_hand(tmp_path: Path) -> None:
    out = tmp_path / "plan.json"
    result = run("plan", "--ridge", "32 ft", "--json", out)
    assert (result.exit_code, result.output) == (0, "")
    ridge = json.loads(out.read_text())["ridges"][0]
    # By hand: 32 ft 2 in of cap, 10 ft pieces, 6 in laps: 4 pieces, of which two full ones cover 19 ft 6 in
    # between them; 12 ft 8 in and two laps are left for two equal ends: 6 ft 10 in each.
    assert ridge["pieces_mm"] == pytest.approx([82 * 25.4, 3048.0, 3048.0, 82 * 25.4])


def test_json_on_standard_output_stands_alone() -> None:
    found = start("plan", "--ridge", "32 ft", "--json", "-")
    assert json.loads(found.stdout)["stock"]["pieces"] == 4
    assert (found.returncode, found.stderr) == (0, "")


def test_target_is_printed_with_its_definition_beside_it(tmp_path: Path) -> None:
    out = tmp_path / "card.pdf"
    result = run("target", "card", "--paper", "letter", "--out", out)
    assert result.exit_code == 0, result.output
    assert out.read_bytes().startswith(b"%PDF-")
    definition = load_target(tmp_path / "card.json")
    assert definition.tags == built_in_target("card").tags
    assert "--bar-x" in result.output


def test_target_with_its_bars_measured_takes_on_the_printed_scale(tmp_path: Path) -> None:
    out = tmp_path / "card.pdf"
    bars = _bars(tmp_path)
    measured = [item for bar, mm in bars.items() for item in (f"--bar-{bar.lower()}", f"{0.998 * mm} mm")]
    result = run("target", "card", "--paper", "letter", "--out", out, *measured, "--thickness", "3 mm")
    assert result.exit_code == 0, result.output
    definition = load_target(tmp_path / "card.json")
    assert definition.tags[0].size_mm == pytest.approx(0.998 * 45.0)
    assert definition.thickness_mm == 3.0
    assert "tape-checked: 99.80%" in result.output


def _bars(folder: Path) -> dict[str, float]:
    from calib.printing import print_target

    sheet = print_target(built_in_target("card"), "letter", folder / "nominal.pdf")
    return {bar.name: bar.length_mm for bar in sheet.bars}


def test_ridge_of_the_sample_house_is_measured_within_its_uncertainty(
    sample_images: Path, tmp_path: Path
) -> None:
    out = tmp_path / "ridge.json"
    result = run("measure", sample_images / "shoot.json", "--json", out)
    assert (result.exit_code, result.output) == (0, "")
    record = json.loads(out.read_text())
    assert set(record) == {"ridge", "budget", "photos", "camera", "notes"}
    assert record["ridge"]["method"] == "many photos"
    assert abs(record["ridge"]["length_mm"] - RIDGE_MM) <= record["ridge"]["u95_mm"]
    variance = sum(share["u_mm"] ** 2 for share in record["budget"])
    assert 1.96 * variance**0.5 == pytest.approx(record["ridge"]["u95_mm"], rel=1e-3)


def test_ridge_of_one_photo_is_printed_with_its_budget(sample_images: Path) -> None:
    picks = ["--a", "433.7,1111.5", "--b", "2566.2,1159.3"]
    photo = [sample_images / "house_1.jpg", "--target", sample_images / "panel.json"]
    result = run("measure", *photo, *picks, "--units", "metric")
    assert result.exit_code == 0
    assert result.output.startswith("Ridge  13")
    assert "where the doubt comes from" in result.output


def test_check_of_sample_close_ups_gives_the_contracts_record(sample_images: Path, tmp_path: Path) -> None:
    out, drawn = tmp_path / "check.json", tmp_path / "drawn"
    photos = [sample_images / "run_2.jpg", sample_images / "lap_1.jpg"]
    plan = ["--target", sample_images / "card.json", "--plan", sample_images / "plan.json"]
    result = run("check", *photos, *plan, "--json", out, "--overlay", drawn)
    assert (result.exit_code, result.output) == (0, "")
    record = json.loads(out.read_text())
    run_2, lap_1 = record["photos"]
    assert (run_2["kind"], lap_1["kind"]) == ("run", "lap")
    assert {verdict["verdict"] for verdict in run_2["verdicts"]} <= {"meets", "does not meet", "cannot tell"}
    assert sorted(path.name for path in drawn.iterdir()) == [
        "lap_1.jpg",
        "lap_1_to_scale.jpg",
        "run_2.jpg",
        "run_2_to_scale.jpg",
    ]


# Progress


def test_progress_shows_nothing_where_nobody_watches(capsys: pytest.CaptureFixture[str]) -> None:
    with terminal.progress_bar("photos") as report:
        report(1, 2)
    assert capsys.readouterr().err == ""


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")
def test_progress_appears_on_a_terminal_once_patience_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    ours, theirs = os.openpty()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(terminal, "_PATIENCE_S", 0.0)
    with os.fdopen(theirs, "w") as screen:
        monkeypatch.setattr(sys, "stderr", screen)
        with terminal.progress_bar("photos") as report:
            report(1, 2)
            time.sleep(0.3)
    shown = os.read(ours, 100_000).decode()
    os.close(ours)
    assert "photos" in shown
    assert "1/2" in shown
