"""`plan` from typed options to JSON and tables, through a small command that carries its options."""

import json
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from rich.console import Console

from calib.errors import MeasureError
from webui.plan_command import job_record, plan_from_options, plan_view
from webui.plan_options import AreaType, HipType, RatingType, TemperatureType, plan_options

CONTRACT_KEYS = {"ridges", "stock", "takeoff", "ventilation"}
RIDGE_KEYS = {
    "ridge_mm", "u95_mm", "pieces_mm", "lap_mm", "gable_allowance_mm", "lap_stations_mm", "rivets", "notes",
}  # fmt: skip


@click.command()
@plan_options
@click.option("--units", default="imperial")
def typed(plan_path, units, picture_path, sheet_path, **asked):
    """Read the options as the real command does; print the record."""
    job = plan_from_options(plan_path, units, asked)
    click.echo(json.dumps(job_record(job) | {"unmeasured": job.unmeasured}))


def run_plan(*words: str):
    """Return the record for a typed command, or raise what it raised."""
    result = CliRunner().invoke(typed, words)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


def refused(*words: str) -> str:
    """Return what a mistyped command says."""
    result = CliRunner().invoke(typed, words)
    assert result.exit_code == 2
    return " ".join(result.output.split())


def test_json_of_the_32_ft_ridge_is_the_contracts():
    record = run_plan("--ridge", "32 ft", "--u95", "1/2 in")
    assert set(record) - {"unmeasured"} == CONTRACT_KEYS
    (ridge,) = record["ridges"]
    assert set(ridge) == RIDGE_KEYS
    assert ridge["pieces_mm"] == [2082.8, 3048.0, 3048.0, 2082.8]
    assert ridge["lap_stations_mm"] == [1905.0, 4800.6, 7696.2]
    assert (ridge["ridge_mm"], ridge["u95_mm"], ridge["lap_mm"]) == (9753.6, 12.7, 152.4)
    assert set(ridge["rivets"]) == {"runs", "laps", "vent_strips", "gables"}
    assert record["stock"] == {
        "piece_mm": 3048.0,
        "pieces": 4,
        "cuts": [[3048.0], [3048.0], [2082.8], [2082.8]],
        "waste_mm": 1930.4,
        "optimal": True,
    }
    assert all(set(line) == {"item", "quantity", "unit", "rule"} for line in record["takeoff"])
    assert record["ventilation"] is None


def test_json_sums_hold_for_odd_lengths():
    for text in ("9871.37 mm", "61' 4 3/16\"", "7 ft", "199.99 ft"):
        (ridge,) = run_plan("--ridge", text)["ridges"]
        laps = (len(ridge["pieces_mm"]) - 1) * ridge["lap_mm"]
        cover = ridge["ridge_mm"] + 2 * ridge["gable_allowance_mm"]
        assert sum(ridge["pieces_mm"]) - laps == pytest.approx(cover, abs=1e-7)


def test_ventilation_record_names_edition_and_conditions():
    words = ("--attic", "1500 ft2", "--vent-rating", "18 in2/ft", "--irc", "2012", "--climate-zone", "4")
    air = run_plan("--ridge", "32 ft", *words)["ventilation"]
    assert set(air) == {"required_mm2", "provided_mm2", "edition", "conditions"}
    assert air["edition"] == "IRC 2012 R806.2"
    # By hand: 10 ft2; the ridge gives 513 in2 (tests/vision/test_ventilation.py), 71 % of 720.
    assert air["required_mm2"] == pytest.approx(10 * 304.8**2)
    assert air["provided_mm2"] == pytest.approx(513 * 645.16)
    assert "the ridge gives 71%" in air["conditions"][1]
    assert "local amendments govern" in air["conditions"][-1]


def test_hip_is_typed_by_run_and_pitch():
    # Framing square: a 12 ft run at 6 in 12 has a hip of 18 ft.
    record = run_plan("--hip", "12 ft@6/12")
    assert record["ridges"][0]["ridge_mm"] == pytest.approx(18 * 304.8)


def test_plan_file_and_its_own_ridge_are_used(tmp_path: Path):
    path = tmp_path / "plan.json"
    path.write_text(json.dumps({"ridge_mm": 8000.0, "piece_mm": 2438.4}), encoding="utf-8")
    record = run_plan(str(path))
    assert record["ridges"][0]["ridge_mm"] == 8000.0
    assert record["stock"]["piece_mm"] == 2438.4


def test_measured_file_brings_length_and_doubt(tmp_path: Path):
    path = tmp_path / "ridge.json"
    measured = {"ridge": {"length_mm": 9318.2, "u95_mm": 9.1, "method": "many photos"}, "budget": []}
    path.write_text(json.dumps(measured), encoding="utf-8")
    (ridge,) = run_plan("--measured", str(path))["ridges"]
    assert (ridge["ridge_mm"], ridge["u95_mm"]) == (9318.2, 9.1)
    assert "holds for every length" in ridge["notes"][0]


def test_keep_clear_moves_the_laps_of_the_ridge_named():
    record = run_plan("--ridge", "32 ft", "--ridge", "32 ft", "--keep-clear", "2", "16 ft", "2 ft")
    first, second = (ridge["pieces_mm"] for ridge in record["ridges"])
    assert first == [2082.8, 3048.0, 3048.0, 2082.8]
    assert second != first


def test_layout_can_be_chosen_by_name():
    (ridge,) = run_plan("--ridge", "32 ft", "--layout", "fewest-cuts", "--edges-face", "B")["ridges"]
    assert ridge["pieces_mm"] == [1117.6, 3048.0, 3048.0, 3048.0]


def test_tables_show_layouts_stock_takeoff_air_movement_and_defaults():
    asked = {}

    @click.command()
    @plan_options
    def remember(**words):
        asked.update(words)

    words = ["--ridge", "32 ft", "--u95", "1/2 in", "--attic", "1500 ft2", "--vent-rating", "18 in2/ft"]
    CliRunner().invoke(remember, [*words, "--end-min", "8 ft", "--intake", "360 in2"], catch_exceptions=False)
    console = Console(width=160, record=True, file=None, quiet=False)
    with console.capture() as captured:
        console.print(plan_view(plan_from_options(None, "imperial", asked)))
    text = captured.get()
    for expected in (
        "equal-ends", "fewest-cuts", "all-alike", "long-ends", "holds",
        "6' 10\", 2 × 10' 0\", 6' 10\"", "Stock for the whole job", "no cutting needs fewer", "Take-off",
        "Air through the ridge, IRC 2021 R806.2", "Movement of galvanized steel", "common practice",
        "the engineer's and the maker's to decide",
    ):  # fmt: skip
        assert expected in text


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--u95", "1 in"), "--u95 was given 1 times for 0 ridges"),
        ((), "there is no ridge to lay out"),
        (
            ("--ridge", "32 ft", "--keep-clear", "2", "5 ft", "1 ft"),
            "--keep-clear names ridge 2, but there are only 1",
        ),
        (
            ("--ridge", "32 ft", "--bays", "9", "--seams", "a.jpg", "1,1", "9,9"),
            "goes with one ridge and without",
        ),
        (("--ridge", "32 ft", "--attic", "1500 ft2"), "both --attic and --vent-rating are needed"),
        (("--ridge", "32 ft", "--metal", "copper"), "copper: gauge 24 is not in our table"),
        (("--ridge", "32 ft", "--installed-at", "95C"), "the cap is installed at 95 °C"),
    ],
)
def test_options_that_contradict_each_other_are_refused(words, message):
    with pytest.raises(MeasureError, match=message):
        run_plan(*words)


def test_measured_file_of_another_kind_is_refused(tmp_path: Path):
    path = tmp_path / "other.json"
    path.write_text("{}", encoding="utf-8")
    with pytest.raises(
        MeasureError, match=r"no measured ridge in it; give a file that `measure --json` wrote"
    ):
        run_plan("--measured", str(path))


def test_bays_are_counted_in_a_photo(rendered_photos: Path):
    # Counted by eye in this rendered photo: 23 seams between the two points, so 24 bays, 48 z-closures.
    photo = str(rendered_photos / "house1_dev_1.jpg")
    record = run_plan("--ridge", "30 ft", "--seams", photo, "560,1100", "2560,1030")
    assert {line["item"]: line["quantity"] for line in record["takeoff"]}["z-closure"] == 48
    assert record["unmeasured"] == []


def test_seams_that_do_not_show_are_told_and_the_panel_width_is_used(rendered_photos: Path):
    photo = str(rendered_photos / "house1_dev_1.jpg")
    record = run_plan("--ridge", "32 ft", "--seams", photo, "100,2200", "1100,2210")
    assert "no even row of seams shows along this line" in record["unmeasured"][0]
    assert {line["item"]: line["quantity"] for line in record["takeoff"]}["z-closure"] == 48


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--attic", "1500 ft"), "'1500 ft' is not an area; write for example 1500 ft2"),
        (("--vent-rating", "18 in2"), "'18 in2' is not a rating; write for example 18 in2/ft"),
        (("--hottest", "170"), "'170' is not a temperature; write for example 20C or 68F"),
        (("--hip", "12 ft@steep"), "'steep' is not a pitch; write for example 12ft@6/12"),
        (("--hip", "twelve"), "'twelve' is not a length"),
    ],
)
def test_mistyped_values_are_refused(words, message):
    assert message in refused(*words)


@pytest.mark.parametrize(
    ("kind", "typed_text", "value"),
    [
        (AreaType(), "1500 ft2", 1500 * 304.8**2),
        (AreaType(), "1500 sq ft", 1500 * 304.8**2),
        (AreaType(), "360 in²", 360 * 645.16),
        (AreaType(), "139.4 m^2", 139.4e6),
        (RatingType(), "18 in2/ft", 18 * 645.16 / 0.3048),
        (RatingType(), "380 cm2/m", 38_000.0),
        (TemperatureType(), "-40F", -40.0),
        (TemperatureType(), "68 °F", 20.0),
        (TemperatureType(), "21.5C", 21.5),
        (HipType(), "16' 4\"", 196 * 25.4),
        (HipType(), "12ft@6", 18 * 304.8),
    ],
)
def test_values_are_read_as_people_type_them(kind, typed_text, value):
    assert kind.convert(typed_text, None, None) == pytest.approx(value, rel=1e-12)
