"""Whether two records of one result agree: exactly, but for the last digit, or as far as other versions may.

Another kind of processor may round the last digit, 0.001 mm, the other way. With other versions a length may
differ by a tenth of its own expanded uncertainty, 0.05 mm at least; an uncertainty by a tenth of itself; a
point of a picture by half a pixel. Explanations and diagnostics may then differ too; verdicts never.
"""

from collections.abc import Iterator, Mapping
from enum import Enum
from typing import Any

# One unit of the last digit that records are rounded to, with room for binary fractions.
_LAST_DIGIT, _LAST_SHARE = 0.001_001, 0.001_001

_SHARE = 0.1
_LEAST_MM, _PIXEL = 0.05, 0.5
_P_CONFORM, _SCORE = 0.02, 0.1

# What says how a number came about, not what it is.
_DIAGNOSTICS = ("why", "notes", "rms_px", "camera", "budget", "tags", "mm_per_px", "conditions")


class Agreement(Enum):
    """How well two records must agree."""

    EXACT = "to the last digit"
    LAST_DIGIT = "but for one unit of the last digit"
    VERSIONS = "within the tolerance between versions"


def differences(recorded: Any, redone: Any, agreement: Agreement = Agreement.EXACT) -> tuple[str, ...]:
    """Compare a result's record with the same result made again.

    Parameters
    ----------
    recorded, redone : JSON value
        The two records.
    agreement : Agreement
        How well they must agree.

    Returns
    -------
    tuple of str
        Where they differ and how; empty if they agree.
    """
    return tuple(_compare(recorded, redone, "", None, agreement))


def _compare(a: Any, b: Any, where: str, u95_mm: float | None, agreement: Agreement) -> Iterator[str]:
    if isinstance(a, Mapping) and isinstance(b, Mapping):
        yield from _compare_objects(a, b, where, u95_mm, agreement)
    elif isinstance(a, list) and isinstance(b, list):
        if len(a) != len(b):
            yield f"{where}: {len(a)} recorded, {len(b)} made again"
            return
        for index, (left, right) in enumerate(zip(a, b, strict=True)):
            yield from _compare(left, right, f"{where}[{_name(left, index)}]", u95_mm, agreement)
    elif a != b and not _is_near(a, b, where, u95_mm, agreement):
        yield f"{where}: {_shown(a)} recorded, {_shown(b)} made again"


def _compare_objects(
    a: Mapping[str, Any], b: Mapping[str, Any], where: str, u95_mm: float | None, agreement: Agreement
) -> Iterator[str]:
    own = a.get("u95_mm")
    u95_mm = own if isinstance(own, int | float) else u95_mm
    for key in sorted({*a, *b}):
        if agreement is not Agreement.EXACT and _is_explanation(key, a):
            continue
        if (key in a) != (key in b):
            yield f"{where}/{key}: only {'recorded' if key in a else 'made again'}"
            continue
        yield from _compare(a[key], b[key], f"{where}/{key}".lstrip("/"), u95_mm, agreement)


def _is_explanation(key: str, record: Mapping[str, Any]) -> bool:
    """Tell whether a key only explains: the rule of a verdict names it, that of a take-off explains it."""
    return key in _DIAGNOSTICS or (key == "rule" and "item" in record)


def _is_near(a: Any, b: Any, where: str, u95_mm: float | None, agreement: Agreement) -> bool:
    """Tell whether two numbers are as near as they must be."""
    if not all(isinstance(each, int | float) and not isinstance(each, bool) for each in (a, b)):
        return False
    size = max(abs(a), abs(b))
    match agreement:
        case Agreement.EXACT:
            tolerance = 0.0
        case Agreement.LAST_DIGIT:
            tolerance = min(_LAST_DIGIT, _LAST_SHARE * size)
        case Agreement.VERSIONS:
            tolerance = _tolerance(where, size, u95_mm)
    return bool(abs(a - b) <= tolerance)


def _tolerance(where: str, size: float, u95_mm: float | None) -> float:
    """Return by how much other versions may change a number, by the name of its key."""
    key = where.rsplit("/", 1)[-1].split("[", 1)[0]
    if key in ("u95_mm", "u_mm"):
        return max(_SHARE * size, _LEAST_MM)
    if key in ("px", "edge_px"):
        return _PIXEL
    if key == "p_conform":
        return _P_CONFORM
    if key == "score":
        return _SCORE
    if key.endswith("mm") or key in ("cuts", "quantity"):
        return max(_SHARE * (u95_mm or 0.0), _LEAST_MM)
    return 0.0


def _name(entry: Any, index: int) -> str:
    """Return what an entry of a list is called: by its photo or rule, else by its place from 1."""
    if isinstance(entry, Mapping):
        for key in ("photo", "rule", "source", "item"):
            if isinstance(entry.get(key), str):
                return f"{index + 1}: {entry[key]}"
    return str(index + 1)


def _shown(value: Any) -> str:
    return repr(value) if len(repr(value)) <= 60 else f"{value!r:.57}..."
