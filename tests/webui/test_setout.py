"""The set-out sheet, read back by pypdf: one page per ridge, stations to 1/32 in, cautions, large type."""

import random
from io import BytesIO
from pathlib import Path

import pytest
from pypdf import PdfReader

from calib.errors import FileError
from tests.measure_plan import stations_of
from vision.plan import Plan
from vision.planning import Choices, PlannedJob, Run, plan_job
from vision.takeoff import TakeoffRules
from webui.setout import CAUTIONS, set_out_pdf, write_set_out

FOOT_MM = 304.8
THIRTY_SECOND_MM = 25.4 / 32.0


def planned(*runs: Run, units="imperial", **plan) -> PlannedJob:
    return plan_job(Plan(**plan), runs, Choices(units=units))


def pages(job: PlannedJob):
    return PdfReader(BytesIO(set_out_pdf(job))).pages


def words_of(job: PlannedJob, page: int = 0) -> str:
    return " ".join(pages(job)[page].extract_text().split())


def test_sheet_has_one_page_per_ridge_on_letter_or_a4():
    runs = [Run("ridge 1", 9753.6), Run("ridge 2", 4000.0), Run("hip 1", 5000.0, kind="hip")]
    for units, size_mm in (("imperial", (215.9, 279.4)), ("metric", (210.0, 297.0))):
        found = pages(planned(*runs, units=units))
        assert len(found) == 3
        shown = [float(side) / 72.0 * 25.4 for side in found[0].mediabox[2:]]
        assert shown == pytest.approx(size_mm, abs=0.1)


def test_sheet_of_the_32_ft_ridge_shows_the_numbers_worked_by_hand():
    # Numbers by hand in tests/vision: test_layout (laps), test_planning (witness), test_fastening (rivets).
    words = words_of(planned(Run("ridge 1", 32 * FOOT_MM, 12.0), witness_mm=203.2))
    assert '32\' 0" ± 1/2"' in words
    assert "1 6' 3\" 6' 9\" 6' 1\" 2 15' 9\" 16' 3\" 15' 7\" 3 25' 3\" 25' 9\" 25' 1\"" in words
    assert '1 7 1/2" 5\' 7 1/2" 6 2 7\' 3" 15\' 3" 9' in words
    assert "CUT pieces 1 and 4 to 6' 10\"; FULL: 2 of 10' 0\"" in words
    assert 'Leave piece 4 longer by 1/2"' in words
    assert '6 1/8"' in words  # z-closure line
    assert 'Mark the fold 1" from the outer ends of pieces 1 and 4' in words


def test_stations_on_random_sheets_agree_with_the_layout_to_1_32_inch():
    rng = random.Random(43)
    for _ in range(12):
        run = Run("ridge 1", rng.uniform(10.0, 200.0) * FOOT_MM, edges_face=rng.choice("AB"))
        job = planned(run, witness_mm=203.2)
        text = pages(job)[0].extract_text()
        for number, exact_mm in enumerate(job.runs[0].layout.lap_stations_mm, start=1):
            assert abs(stations_of(text, number) - exact_mm) <= THIRTY_SECOND_MM + 1e-6


def test_cautions_stand_on_every_page():
    job = planned(Run("ridge 1", 9753.6), Run("short", 1500.0))
    for page in range(2):
        for caution in CAUTIONS:
            assert caution in words_of(job, page)


def type_sizes(job: PlannedJob) -> list[float]:
    """Return the sizes of the type in which stations are set, in pt."""
    sizes = []

    def visit(text, _cm, text_matrix, _font, font_size):
        if text.strip().endswith('"'):
            sizes.append(font_size * text_matrix[3])

    pages(job)[0].extract_text(visitor_text=visit)
    return sizes


def test_stations_of_a_house_can_be_read_on_a_phone_held_at_arms_length():
    # A letter page shown 65 mm wide, as a phone shows it, is 0.30 of its size. Normal sight tells letters of
    # 5 minutes of arc: 0.87 mm of height at 0.6 m. Figures are 0.73 of their type size high, so 11.3 pt is
    # the limit; houses of up to 44 ft get 16 pt or more, 1.4 times that.
    for feet in (20, 32, 44):
        job = planned(Run("ridge 1", feet * FOOT_MM))
        assert sorted(type_sizes(job))[-6] >= 16.0


def test_longest_ridge_still_fits_its_page():
    job = planned(Run("west wing", 200 * FOOT_MM, 20.0), witness_mm=203.2)
    text = pages(job)[0].extract_text()
    assert len(job.runs[0].layout.lap_stations_mm) == 21
    assert stations_of(text, 21) > stations_of(text, 20)


def test_ridge_of_one_piece_has_no_lap_table():
    words = words_of(planned(Run("short", 1500.0)))
    assert "LAPS" not in words
    assert "both ends of the piece" in words


def test_sheet_without_z_closures_draws_no_line_for_them():
    job = plan_job(Plan(), [Run("ridge 1", 9753.6)], Choices(takeoff=TakeoffRules(z_closures=False)))
    assert "Z-CLOSURE LINES" not in words_of(job)
    assert "Z-CLOSURE LINES" in words_of(planned(Run("ridge 1", 9753.6)))


def test_laid_from_b_the_stations_move_with_the_ridge_and_the_sheet_says_so():
    words = words_of(planned(Run("ridge 1", 32 * FOOT_MM, 12.0, edges_face="B")))
    assert "Lap edges face B: lay from B to A" in words
    assert "Move every station by as much." in words


def test_hip_counts_from_its_lower_end():
    assert "Hook the tape at lower end A" in words_of(planned(Run("hip 1", 5000.0, kind="hip")))


def test_metric_sheet_says_that_it_is_in_millimetres():
    assert "every number counts from there, in mm" in words_of(planned(Run("First", 7300.0), units="metric"))


def test_same_job_gives_the_same_bytes():
    job = planned(Run("ridge 1", 9753.6))
    assert set_out_pdf(job) == set_out_pdf(job)


def test_sheet_that_cannot_be_written_is_refused(tmp_path: Path):
    with pytest.raises(FileError, match="cannot be written"):
        write_set_out(planned(Run("ridge 1", 9753.6)), tmp_path / "none" / "sheet.pdf")
