"""Lengths: what people type, what they read, and what is refused.

Expected millimetres are worked out by hand from 1 in = 25.4 mm exactly (agreement of 1959).
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import LengthError
from calib.lengths import (
    Units,
    format_feet_inches,
    format_length,
    format_metric,
    format_uncertainty,
    parse_length,
)

_32_FT_4_5_IN_MM = 9867.9  # 388.5 in x 25.4


@pytest.mark.parametrize(
    "text",
    [
        "32' 4 1/2\"",
        "32'-4 1/2\"",
        "32' - 4-1/2\"",
        "32'4-1/2\"",
        "32ft 4.5in",
        "32 ft 4-1/2 in",
        "32 FT. 4.5 In.",
        "32 feet 4 1/2 inches",
        "32 feet and 4.5 inches",
        "32 feet, 4.5 inches",
        "32 foot 4 1/2 inch",
        "32' 4 1/2",
        "32\u2032 4½\u2033",
        "32\u2019 4 ½\u201d",
        "32\u2018 4½\u201c",
        "32' 4½''",
        "32\u2019 4½\u2019\u2019",
        "32'\u20134\u202f½\"",
        "32' 4 ¹\u2044₂\"",
        '388.5"',
        "388,5 in",
        "388 1/2 in",
        " 388.5 inches ",
        "9.8679 m",
        "9,8679 m",
        "986.79 cm",
        "9867.9 mm",
        "9,867.9 mm",
        "9867.9 Millimeters",
        "9.8679 metres",
    ],
)
def test_parse_one_length_in_many_spellings_gives_one_value(text: str) -> None:
    assert parse_length(text) == pytest.approx(_32_FT_4_5_IN_MM, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "length_mm"),
    [
        ("4 1/2 in", 114.3),
        ("4½in", 114.3),
        ('1/16"', 1.5875),
        ('¼"', 6.35),
        ('⅜"', 9.525),
        ("32'", 9753.6),
        ("32 1/2 ft", 9906.0),
        ("32.5'", 9906.0),
        ("32' 0\"", 9753.6),
        ("32' 1/2\"", 9766.3),
        (".5 in", 12.7),
        ("5. in", 127.0),
        ("9.87 m", 9870.0),
        ("9870 mm", 9870.0),
        ("98.7 cm", 987.0),
        # thousands, no other reading possible
        ("9,870 mm", 9870.0),
        ("9 870 mm", 9870.0),
        ("9\u2009870 mm", 9870.0),
        ("1,234,567 mm", 1234567.0),
        ("1,234.5 in", 31356.3),
        # decimal comma, no other reading possible
        ("9,87 m", 9870.0),
        ("0,125 m", 125.0),
        ("4,5 in", 114.3),
        ("98,7 cm", 987.0),
        ("0 mm", 0.0),
    ],
)
def test_parse_length_gives_millimetres(text: str, length_mm: float) -> None:
    assert parse_length(text) == pytest.approx(length_mm, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "empty text"),
        ("   ", "empty text"),
        ("32", "no unit"),
        ("4 1/2", "no unit"),
        ("32 4", "no unit"),
        ("9,870 m", "read in two ways"),
        ("9,870 cm", "read in two ways"),
        ("1,125 in", "read in two ways"),
        ("1,234 ft", "read in two ways"),
        ("9.870,5 mm", "not a length"),
        ("98,70,5 mm", "read in two ways"),
        ("9, mm", "read in two ways"),
        ("9,870", "read in two ways"),
        ("9870 870 mm", "side by side"),
        ("32 400 ft", "side by side"),
        ("41/2 in", "not a proper fraction"),
        ("4½½ in", "no unit"),
        ("1/0 in", "not a proper fraction"),
        ("0/4 in", "not a proper fraction"),
        ("4.5 1/2 in", "cannot follow the decimal"),
        ("32.5' 4\"", "feet must be whole"),
        ("32' 12\"", "inches below 12"),
        ("32' 4\" 1/2", "no unit"),
        ("4\" 32'", "mixes in and ft"),
        ("9 m 870 mm", "mixes m and mm"),
        ("9'870 mm", "mixes ft and mm"),
        ("32 yards", "'yards' is not a unit"),
        ("1e3 mm", "'e' is not a unit"),
        ("nan mm", "not a length"),
        ("inf", "not a length"),
        ("+5 mm", "not a length"),
        ("5--3 mm", "not a length"),
        ("32' and", "breaks off"),
        ("32' -", "breaks off"),
        ("-5 mm", "negative"),
        ("\u22125 mm", "negative"),
        ("9.87 m" + " " * 100, "106 characters"),
        ("٣٢ mm", "not a length"),
    ],
)
def test_parse_what_is_no_clear_length_is_refused(text: str, message: str) -> None:
    with pytest.raises(LengthError, match=message):
        parse_length(text)


@pytest.mark.parametrize(("text", "length_mm"), [("-1'", -304.8), ("\u2212 4 1/2 in", -114.3), ("5 mm", 5.0)])
def test_parse_negative_when_asked_is_accepted(text: str, length_mm: float) -> None:
    assert parse_length(text, allow_negative=True) == pytest.approx(length_mm)


def test_parse_minus_zero_is_zero() -> None:
    assert parse_length("-0 mm") == 0.0


@pytest.mark.parametrize(
    ("length_mm", "shown"),
    [
        (9867.9, "32' 4 1/2\""),
        (9753.6, "32' 0\""),
        (114.3, '4 1/2"'),
        (1.5875, '1/16"'),
        (25.4 * (26 * 12 + 0.75), "26' 0 3/4\""),
        (0.0, '0"'),
        (0.7, '0"'),
        # 11 31/32 in is nearest to 12 in, halves up: the carry reaches the feet
        (25.4 * (11 + 31 / 32), "1' 0\""),
        (25.4 * (11 + 61 / 64), '11 15/16"'),
        (25.4 * (23 + 63 / 64), "2' 0\""),
        (-114.3, '-4 1/2"'),
        (-0.1, '0"'),
    ],
)
def test_format_feet_inches_rounds_and_carries(length_mm: float, shown: str) -> None:
    assert format_feet_inches(length_mm) == shown


def test_format_feet_inches_with_other_denominator_uses_it() -> None:
    assert format_feet_inches(25.4 * (5 + 3 / 32), denominator=32) == '5 3/32"'
    assert format_feet_inches(25.4 * 5.6, denominator=2) == '5 1/2"'


@pytest.mark.parametrize(
    ("length_mm", "shown"),
    [(9870.0, "9870.0 mm"), (4.76, "4.8 mm"), (-0.04, "0.0 mm"), (-12.34, "-12.3 mm")],
)
def test_format_metric_shows_tenths(length_mm: float, shown: str) -> None:
    assert format_metric(length_mm) == shown


def test_format_length_follows_the_units_asked() -> None:
    assert format_length(304.8, "imperial") == "1' 0\""
    assert format_length(304.8, "metric") == "304.8 mm"


@pytest.mark.parametrize(
    ("u95_mm", "imperial", "metric"),
    [
        (4.7625, '± 3/16"', "± 4.8 mm"),  # exactly 3/16 in stays
        (4.77, '± 1/4"', "± 4.8 mm"),
        (0.01, '± 1/16"', "± 0.1 mm"),
        (0.0, '± 0"', "± 0.0 mm"),
        (0.3, '± 1/16"', "± 0.3 mm"),
        (47.0, '± 1 7/8"', "± 47.0 mm"),
    ],
)
def test_format_uncertainty_rounds_up(u95_mm: float, imperial: str, metric: str) -> None:
    assert format_uncertainty(u95_mm, "imperial") == imperial
    assert format_uncertainty(u95_mm, "metric") == metric


@pytest.mark.parametrize("units", ["imperial", "metric"])
@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_format_what_is_not_finite_is_refused(value: float, units: Units) -> None:
    with pytest.raises(LengthError, match="cannot be shown"):
        format_length(value, units)
    with pytest.raises(LengthError, match="cannot be shown"):
        format_uncertainty(value, units)


def test_format_negative_uncertainty_is_refused() -> None:
    with pytest.raises(LengthError, match="must not be negative"):
        format_uncertainty(-1.0, "metric")


@given(st.integers(-200_000, 200_000), st.sampled_from([1, 2, 4, 8, 16, 32, 64]))
def test_feet_inches_on_a_tick_come_back_exactly(ticks: int, denominator: int) -> None:
    length_mm = ticks * 25.4 / denominator
    shown = format_feet_inches(length_mm, denominator)
    assert parse_length(shown, allow_negative=True) == pytest.approx(length_mm, abs=1e-9)


@given(st.floats(-1e6, 1e6))
def test_feet_inches_come_back_within_half_a_tick(length_mm: float) -> None:
    back_mm = parse_length(format_feet_inches(length_mm), allow_negative=True)
    assert abs(back_mm - length_mm) <= 25.4 / 32 + 1e-9


@given(st.floats(-1e6, 1e6))
def test_metric_comes_back_within_half_a_tenth(length_mm: float) -> None:
    back_mm = parse_length(format_metric(length_mm), allow_negative=True)
    assert abs(back_mm - length_mm) <= 0.05 + 1e-9


@given(st.floats(0, 1e6), st.sampled_from(["imperial", "metric"]))
def test_shown_uncertainty_is_never_smaller(u95_mm: float, units: Units) -> None:
    shown_mm = parse_length(format_uncertainty(u95_mm, units).removeprefix("± "))
    # One part in 10^9 of a tick is forgiven, so that a whole tick stays what it is.
    assert u95_mm - 1e-6 <= shown_mm <= u95_mm + 25.4 / 16 + 1e-6


@given(st.text(max_size=90))
def test_parse_any_text_gives_a_length_or_our_refusal(text: str) -> None:
    try:
        length_mm = parse_length(text)
    except LengthError:
        return
    assert length_mm >= 0.0
    assert math.isfinite(length_mm)


@given(st.text(alphabet="0123456789.,/-'\" ftinmc½¼", max_size=20))
def test_parse_text_of_length_signs_gives_a_length_or_our_refusal(text: str) -> None:
    try:
        length_mm = parse_length(text)
    except LengthError:
        return
    assert length_mm >= 0.0
