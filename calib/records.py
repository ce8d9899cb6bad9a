"""JSON files at the border: read once, checked by name, with errors that say which key of which file.

Every contract file (target, lens, shoot, plan) goes through here, so that "unknown keys are refused, by
name" is written once.
"""

import json
import math
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from calib.errors import FileError, RecordError

# Lengths in mm, pixels, degrees: nothing in our files comes near it, and its square is still a number.
_LARGEST = 1e9


def read_json(path: Path) -> dict[str, Any]:
    """Read a JSON object from a file.

    Parameters
    ----------
    path : Path
        File to read, UTF-8.

    Returns
    -------
    dict
        The object at the top of the file.

    Raises
    ------
    FileError
        If the file is missing or cannot be read.
    RecordError
        If it is not JSON, or its top is not an object.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        msg = f"{path}: no such file"
        raise FileError(msg) from error
    except UnicodeDecodeError as error:
        msg = f"{path}: not a text file; a JSON file in UTF-8 was expected"
        raise RecordError(msg) from error
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror})"
        raise FileError(msg) from error
    except ValueError as error:
        msg = f"{str(path)!r:.200}: no file can have that name ({error})"
        raise FileError(msg) from error
    try:
        record = json.loads(text, parse_constant=_refuse_constant)
    except RecursionError as error:
        msg = f"{path}: nested too deeply to be one of our files"
        raise RecordError(msg) from error
    except ValueError as error:
        msg = f"{path}: not valid JSON ({error})"
        raise RecordError(msg) from error
    if not isinstance(record, dict):
        msg = f"{path}: the file must hold one JSON object {{...}}"
        raise RecordError(msg)
    return record


def _refuse_constant(name: str) -> float:
    msg = f"{name} is not a number that JSON allows"
    raise ValueError(msg)


def check_keys(
    record: object, required: Collection[str], optional: Collection[str], where: str
) -> Mapping[str, Any]:
    """Check that a record is an object with the wanted keys and no others.

    Parameters
    ----------
    record : object
        What stood in the file.
    required, optional : collection of str
        Keys that must and that may be there.
    where : str
        File and place, for the message.

    Returns
    -------
    Mapping
        The same record, now known to be an object.

    Raises
    ------
    RecordError
        If it is not an object, or a key is missing or unknown.
    """
    if not isinstance(record, Mapping):
        msg = f"{where}: an object {{...}} was expected, got {record!r:.60}"
        raise RecordError(msg)
    unknown = sorted(set(record) - set(required) - set(optional))
    if unknown:
        allowed = ", ".join([*required, *optional])
        msg = f"{where}: unknown key {', '.join(map(repr, unknown))}; allowed: {allowed}"
        raise RecordError(msg)
    missing = [key for key in required if key not in record]
    if missing:
        msg = f"{where}: missing key {', '.join(map(repr, missing))}"
        raise RecordError(msg)
    return record


def number(value: object, where: str, *, at_least: float = -math.inf, above: float = -math.inf) -> float:
    """Return a finite number from a record.

    Parameters
    ----------
    value : object
        What stood in the file.
    where : str
        File and key, for the message.
    at_least, above : float
        Lower bounds, inclusive and exclusive.

    Returns
    -------
    float
        The number.

    Raises
    ------
    RecordError
        If it is not a number within the bounds, or a billion and more.
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not -_LARGEST < value < _LARGEST:
        sense = " that makes sense there" if isinstance(value, int | float) else ""
        msg = f"{where}: a number was expected{sense}, got {value!r:.60}"
        raise RecordError(msg)
    if value < at_least or value <= above:
        bound = f"at least {at_least:g}" if value < at_least else f"more than {above:g}"
        msg = f"{where}: must be {bound}, got {value:g}"
        raise RecordError(msg)
    return float(value)


def point(value: object, where: str) -> tuple[float, float]:
    """Return an (x, y) pair from a record.

    Parameters
    ----------
    value : object
        What stood in the file.
    where : str
        File and key, for the message.

    Returns
    -------
    tuple of float
        x and y.

    Raises
    ------
    RecordError
        If it is not a list of two finite numbers.
    """
    if not isinstance(value, list | tuple) or len(value) != 2:
        msg = f"{where}: a pair [x, y] was expected, got {value!r:.60}"
        raise RecordError(msg)
    return number(value[0], f"{where} x"), number(value[1], f"{where} y")
