"""Lengths as people type and read them: feet, inches and fractions, or metric, to and from millimetres.

Inside the project a length is a float in mm; only this module knows how it is written.
1 in = 25.4 mm exactly, 1 ft = 304.8 mm exactly (international yard and pound agreement, 1959).
"""

import math
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from calib.errors import LengthError

MM_PER_INCH = 25.4
INCHES_PER_FOOT = 12

# Finest mark of an ordinary tape measure (common practice, no source).
TAPE_DENOMINATOR = 16

Units = Literal["imperial", "metric"]

_LONGEST_TEXT = 80
_EXAMPLES = "32' 4 1/2\", 388.5 in, 9.87 m or 9870 mm"

_UNITS = {
    "ft": ("'", "ft", "foot", "feet"),
    "in": ('"', "in", "inch", "inches"),
    "m": ("m", "metre", "metres", "meter", "meters"),
    "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
    "mm": ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
}
_UNIT_BY_WORD = {word: unit for unit, words in _UNITS.items() for word in words}
_MM_PER_UNIT = {
    "ft": Fraction("304.8"),
    "in": Fraction("25.4"),
    "m": Fraction(1000),
    "cm": Fraction(10),
    "mm": Fraction(1),
}

# What keyboards, word processors and drawings put in the place of the plain sign.
_PLAIN_SIGNS = str.maketrans(
    dict.fromkeys("\u2032\u2018\u2019\u02b9\u02bc\u00b4`\uff07", "'")
    | dict.fromkeys("\u2033\u201c\u201d\u02ba\u02dd\uff02", '"')
    | dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2212", "-")
    | dict.fromkeys("\u2044\u2215", "/")
)

_NUMBER = r"[0-9][0-9,]*(?:\.[0-9]*)?|\.[0-9]+"
_FRACTION = r"[0-9]+\s*/\s*[0-9]+"
_GROUPS = r"(?: [0-9]{3})+(?![0-9.,/])"
_TERM = re.compile(
    rf"(?:(?P<alone>{_FRACTION})"
    rf"|(?P<number>{_NUMBER})(?:(?:\s*-\s*|\s+)(?P<fraction>{_FRACTION})|(?P<groups>{_GROUPS}))?)"
    r"\s*(?:(?P<word>[a-z]+)\.?|(?P<mark>['\"]))?"
)
_BETWEEN_TERMS = re.compile(r"\s*(?:,\s|-|and\b)?\s*")


@dataclass(frozen=True, slots=True)
class _Term:
    """One number with its unit, e.g. the ``4 1/2"`` of ``32' 4 1/2"``."""

    value: Fraction
    unit: str | None
    is_whole: bool


def parse_length(text: str, *, allow_negative: bool = False) -> float:
    """Return the length that a person typed, in mm.

    Parameters
    ----------
    text : str
        For example ``32' 4 1/2"``, ``32ft 4.5in``, ``388.5"``, ``9.87 m``, ``9870 mm``. The unit is needed;
        only inches that follow feet may go without.
    allow_negative : bool
        Whether a leading minus sign is accepted.

    Returns
    -------
    float
        Length, mm.

    Raises
    ------
    LengthError
        If the text is not a length, lacks its unit, could be read in two ways, or is negative unasked.

    Notes
    -----
    A point is always the decimal sign. A comma is

    * a thousands separator when groups of three digits leave no other reading: before mm, of which nobody
      types thousandths (``9,870 mm``), when repeated (``1,234,567 mm``) or when a decimal point follows
      (``9,870.5 mm``);
    * a decimal comma when it is the only one and cannot part thousands (``9,87 m``, ``0,125 m``);
    * refused otherwise: ``9,870 m`` may be 9.87 m or 9.87 km.
    """
    plain = _plain(text)
    if not plain:
        msg = f"an empty text is not a length; write for example {_EXAMPLES}"
        raise LengthError(msg)
    is_negative = plain.startswith("-")
    terms = list(_terms(plain.removeprefix("-").lstrip(), text))
    _check_terms(terms, text)
    length = sum((term.value * _MM_PER_UNIT[term.unit or "in"] for term in terms), Fraction(0))
    if is_negative and length and not allow_negative:
        msg = f"{text!r} is negative; a length must not be"
        raise LengthError(msg)
    return float(-length if is_negative else length)


def _plain(text: str) -> str:
    """Return the text in lower-case ASCII signs: ``32 FT 4½ IN`` becomes ``32 ft 4 1/2 in``."""
    if len(text) > _LONGEST_TEXT:
        msg = f"a text of {len(text)} characters is not a length; write for example {_EXAMPLES}"
        raise LengthError(msg)
    # Fractions first: normalising would join 4½ to 41/2.
    spaced = "".join(_spaced_fraction(character) for character in text)
    plain = unicodedata.normalize("NFKC", spaced.translate(_PLAIN_SIGNS)).translate(_PLAIN_SIGNS)
    return " ".join(plain.replace("''", '"').casefold().split())


def _spaced_fraction(character: str) -> str:
    decomposed = unicodedata.normalize("NFKC", character)
    is_fraction = unicodedata.category(character) == "No" and "\u2044" in decomposed
    return f" {decomposed}" if is_fraction else character


def _terms(plain: str, text: str) -> Iterator[_Term]:
    position = 0
    while position < len(plain):
        match = _TERM.match(plain, position)
        if match is None:
            msg = f"{text!r} is not a length; write for example {_EXAMPLES}"
            raise LengthError(msg)
        yield _term(match, text)
        between = _BETWEEN_TERMS.match(plain, match.end())
        position = between.end() if between else match.end()
        if position == len(plain) != match.end():
            msg = f"{text!r} breaks off after {plain[: match.end()]!r}"
            raise LengthError(msg)


def _term(match: re.Match[str], text: str) -> _Term:
    word = match["word"] or match["mark"]
    unit = _UNIT_BY_WORD.get(word) if word else None
    if word and unit is None:
        msg = f"{text!r}: {word!r} is not a unit of length; use ft, in, m, cm or mm"
        raise LengthError(msg)
    if match["alone"]:
        return _Term(_fraction(match["alone"], text), unit, is_whole=False)
    number = match["number"]
    if match["groups"]:
        if unit != "mm" or not re.fullmatch("[1-9][0-9]{0,2}", number):
            msg = f"{text!r}: two numbers stand side by side; write for example {_EXAMPLES}"
            raise LengthError(msg)
        number += match["groups"].replace(" ", "")
    value = _decimal(number, unit, text)
    if not match["fraction"]:
        return _Term(value, unit, is_whole=value.denominator == 1)
    if not number.isdigit():
        msg = f"{text!r}: a fraction cannot follow the decimal number {number}; write one or the other"
        raise LengthError(msg)
    return _Term(value + _fraction(match["fraction"], text), unit, is_whole=False)


def _fraction(written: str, text: str) -> Fraction:
    numerator, denominator = (int(part) for part in written.split("/"))
    if not 0 < numerator < denominator:
        msg = f"{text!r}: {written} is not a proper fraction; write for example 4 1/2 in"
        raise LengthError(msg)
    return Fraction(numerator, denominator)


def _decimal(number: str, unit: str | None, text: str) -> Fraction:
    """Return the value of a decimal number by the comma rule told in `parse_length`."""
    whole, point, decimals = number.partition(".")
    groups = whole.split(",")
    if len(groups) == 1:
        return Fraction(number)
    is_grouped = re.fullmatch("[1-9][0-9]{0,2}", groups[0]) and all(len(group) == 3 for group in groups[1:])
    if is_grouped and (point or len(groups) > 2 or unit == "mm"):
        return Fraction("".join(groups) + point + decimals)
    if not is_grouped and not point and len(groups) == 2 and groups[1]:
        return Fraction(".".join(groups))
    msg = f"{text!r}: the comma in {number} can be read in two ways; write a decimal point and no other comma"
    raise LengthError(msg)


def _check_terms(terms: list[_Term], text: str) -> None:
    """Refuse what is not feet, inches or both, nor one metric length."""
    units = [term.unit for term in terms]
    if units == ["ft", None] or units == ["ft", "in"]:
        feet, inches = terms
        if not feet.is_whole or inches.value >= INCHES_PER_FOOT:
            msg = f"{text!r}: beside inches, feet must be whole and inches below {INCHES_PER_FOOT}"
            raise LengthError(msg)
        return
    if None in units:
        msg = f"{text!r} has no unit; write for example {_EXAMPLES}"
        raise LengthError(msg)
    if len(units) > 1:
        msg = f"{text!r} mixes {' and '.join(map(str, units))}; write feet and inches, or one metric length"
        raise LengthError(msg)


def format_feet_inches(length_mm: float, denominator: int = TAPE_DENOMINATOR) -> str:
    """Return a length in feet, inches and the nearest fraction of an inch.

    Parameters
    ----------
    length_mm : float
        Length, mm.
    denominator : int
        Finest fraction, for example 16 for sixteenths; halves round up.

    Returns
    -------
    str
        For example ``32' 4 1/2"``; below one foot ``4 1/2"``.

    Raises
    ------
    LengthError
        If the length is not finite.
    """
    return _feet_inches(math.floor(_inches(length_mm) * denominator + 0.5), denominator, length_mm < 0)


def _inches(length_mm: float) -> float:
    if not math.isfinite(length_mm):
        msg = f"a length of {length_mm} mm cannot be shown"
        raise LengthError(msg)
    return abs(length_mm) / MM_PER_INCH


def _feet_inches(ticks: int, denominator: int, is_negative: bool) -> str:
    """Return ticks of 1/denominator inch as text; whole ticks make the carry to the next foot exact."""
    feet, rest = divmod(ticks, INCHES_PER_FOOT * denominator)
    inches, part = divmod(rest, denominator)
    fraction = str(Fraction(part, denominator)) if part else ""
    # Beside feet the inches are always written, as on a roof: 26' 0 3/4" cannot be misread as 26 3/4".
    whole = [str(inches)] if inches or feet or not fraction else []
    shown_inches = " ".join([*whole, fraction] if fraction else whole)
    sign = "-" if is_negative and ticks else ""
    return sign + (f"{feet}' " if feet else "") + f'{shown_inches}"'


def format_metric(length_mm: float, decimals: int = 1) -> str:
    """Return a length in mm, for example ``9870.2 mm``, so that two lengths compare at a glance.

    Parameters
    ----------
    length_mm : float
        Length, mm.
    decimals : int
        Decimals of a millimetre.

    Returns
    -------
    str
        The length with its unit.

    Raises
    ------
    LengthError
        If the length is not finite.
    """
    _inches(length_mm)
    shown = f"{length_mm:.{decimals}f}"
    return f"{shown.removeprefix('-') if float(shown) == 0 else shown} mm"


def format_length(length_mm: float, units: Units) -> str:
    """Return a length as the person asked: feet and inches to 1/16 in, or mm to 0.1 mm.

    Parameters
    ----------
    length_mm : float
        Length, mm.
    units : {"imperial", "metric"}
        How to show it.

    Returns
    -------
    str
        The length with its unit.

    Raises
    ------
    LengthError
        If the length is not finite.
    """
    return format_feet_inches(length_mm) if units == "imperial" else format_metric(length_mm)


def format_uncertainty(u95_mm: float, units: Units) -> str:
    """Return an expanded uncertainty, rounded up so that it is never made smaller.

    Parameters
    ----------
    u95_mm : float
        Expanded uncertainty (95 %), mm.
    units : {"imperial", "metric"}
        How to show it: up to the next 1/16 in or 0.1 mm.

    Returns
    -------
    str
        For example ``± 3/16"`` or ``± 4.8 mm``.

    Raises
    ------
    LengthError
        If the uncertainty is negative or not finite.

    Notes
    -----
    JCGM 100:2008, 7.2.6 allows rounding an uncertainty up rather than to the nearest digit (from memory).
    """
    if u95_mm < 0:
        msg = f"an uncertainty of {u95_mm} mm cannot be shown; it must not be negative"
        raise LengthError(msg)
    if units == "imperial":
        return f"± {_feet_inches(_ceil(_inches(u95_mm) * TAPE_DENOMINATOR), TAPE_DENOMINATOR, False)}"
    _inches(u95_mm)
    return f"± {_ceil(u95_mm * 10) / 10:.1f} mm"


def _ceil(ticks: float) -> int:
    # A whole tick must not become the next one by the last bit of a division.
    return math.ceil(ticks - 1e-9)
