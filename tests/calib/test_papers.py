"""Papers: sizes against the standards and against two PDF libraries' own tables."""

import pypdf
import pytest
from reportlab.lib import pagesizes

from calib.errors import TargetError
from calib.papers import paper_named, papers


@pytest.mark.parametrize(
    ("name", "short_mm", "long_mm"),
    [
        ("a4", 210.0, 297.0),  # ISO 216:2007 (references, section 6)
        ("letter", 215.9, 279.4),  # ANSI/ASME Y14.1 size A (references, section 6)
        ("tabloid", 11.0 * 25.4, 17.0 * 25.4),  # size B of the same series: 11 x 17 in
        ("arch-c", 18.0 * 25.4, 24.0 * 25.4),
        ("arch-d", 24.0 * 25.4, 36.0 * 25.4),
        ("arch-e", 36.0 * 25.4, 48.0 * 25.4),
    ],
)
def test_sheet_size_is_the_standard_one(name, short_mm, long_mm):
    paper = paper_named(name)
    assert (paper.short_mm, paper.long_mm) == pytest.approx((short_mm, long_mm), abs=1e-9)


def test_a_series_halves_from_one_square_metre():
    # ISO 216: A0 is 1 m2 at 1 : sqrt(2) in whole mm; each size is the one before with its long side halved,
    # rounded down.
    long_mm = int((1e6 * 2**0.5) ** 0.5 + 0.5)
    short_mm = int((1e6 / 2**0.5) ** 0.5 + 0.5)
    for number in range(5):
        paper = paper_named(f"a{number}")
        assert (paper.short_mm, paper.long_mm) == (short_mm, long_mm)
        long_mm, short_mm = short_mm, long_mm // 2


@pytest.mark.parametrize("number", range(5))
def test_a_series_agrees_with_two_pdf_libraries(number):
    paper = paper_named(f"a{number}")
    theirs = getattr(pypdf.PaperSize, f"A{number}")  # whole points
    assert (paper.short_mm / 25.4 * 72, paper.long_mm / 25.4 * 72) == pytest.approx(tuple(theirs), abs=0.51)
    theirs_pt = getattr(pagesizes, f"A{number}")
    assert (paper.short_mm / 25.4 * 72, paper.long_mm / 25.4 * 72) == pytest.approx(theirs_pt, abs=0.01)


def test_rolls_have_a_width_and_no_length():
    assert [(paper.short_mm, paper.long_mm) for paper in papers() if "roll" in paper.name] == [
        (pytest.approx(609.6), None),
        (pytest.approx(914.4), None),
    ]


def test_paper_in_capitals_is_found_and_an_unknown_one_refused():
    assert paper_named("A4") is paper_named("a4")
    with pytest.raises(TargetError, match="no paper 'napkin'; there are letter, tabloid, a4"):
        paper_named("napkin")
