"""The layout picture: well-formed SVG, to scale, every station named, no name taken as markup."""

from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from calib.errors import FileError
from vision.options import KeepClear
from vision.plan import Plan
from vision.planning import Choices, Run, plan_job
from webui.layout_picture import draw_layouts, write_layout_picture

SVG = "{http://www.w3.org/2000/svg}"


def drawn(*runs: Run) -> ET.Element:
    return ET.fromstring(draw_layouts(plan_job(Plan(), runs, Choices())))  # noqa: S314  # our own picture


def texts(root: ET.Element) -> list[str]:
    return [element.text or "" for element in root.iter(f"{SVG}text")]


def lines(root: ET.Element, style: str) -> list[float]:
    return [float(line.get("x1", "nan")) for line in root.iter(f"{SVG}line") if line.get("class") == style]


def test_picture_names_pieces_and_stations_of_the_32_ft_ridge():
    words = texts(drawn(Run("ridge 1", 9753.6, 12.0)))
    assert {"1: 6' 10\"", "2: full", "3: full", "4: 6' 10\""} <= set(words)
    assert {'0"', "6' 3\"", "15' 9\"", "25' 3\"", "32' 0\"", "A", "B"} <= set(words)
    assert 'ridge 1: 32\' 0" ± 1/2"' in words


def test_picture_is_to_scale_along_the_ridge():
    root = drawn(Run("ridge 1", 9753.6))
    # Exposed edges at 75, 189 and 303 in (by hand in tests/vision/test_layout.py); a fourth is the key's.
    first, second, third = lines(root, "edge")[:3]
    assert (third - second) / (second - first) == pytest.approx(1.0, abs=1e-3)
    sheets = [
        float(rect.get("width", "nan")) for rect in root.iter(f"{SVG}rect") if rect.get("class") == "sheet"
    ]
    # Piece 1 measures 82 in, piece 2 120 in; the distance of two edges 114 in.
    assert sheets[1] / sheets[0] == pytest.approx(120 / 82, abs=1e-3)
    assert (second - first) / sheets[1] == pytest.approx(114 / 120, abs=1e-3)


def test_long_ridge_is_broken_into_rows_that_show_every_lap_once():
    job = plan_job(Plan(), [Run("ridge 1", 60_000.0)], Choices())
    root = ET.fromstring(draw_layouts(job))  # noqa: S314
    assert len(lines(root, "edge")) == job.runs[0].layout.joints + 1
    assert len(list(root.iter(f"{SVG}polyline"))) == 2 * 2 * 5  # five breaks, both sides, gap and line
    width = float((root.get("viewBox") or "").split()[2])
    assert all(0.0 <= x <= width for x in lines(root, "edge"))


def test_place_kept_clear_is_drawn_with_its_reach():
    run = Run("ridge 1", 9753.6, keep_clear=(KeepClear("chimney", 4000.0, 609.6),))
    assert "chimney: no laps within 2' 0\"" in texts(drawn(run))


def test_name_with_markup_stays_a_name():
    assert "<script>&: 29' 6 5/16\"" in texts(drawn(Run("<script>&", 9000.0)))


def test_picture_that_cannot_be_written_is_refused(tmp_path: Path):
    job = plan_job(Plan(), [Run("ridge 1", 9000.0)], Choices())
    with pytest.raises(FileError, match="cannot be written"):
        write_layout_picture(job, tmp_path / "none" / "layout.svg")
    write_layout_picture(job, tmp_path / "layout.svg")
    assert (tmp_path / "layout.svg").read_text(encoding="utf-8").startswith("<svg ")
