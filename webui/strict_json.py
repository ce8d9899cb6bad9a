"""JSON as we take it: no NaN, no numbers that others cannot hold, no broken letters, no deep nests."""

import json
import math
from typing import Any

from flask.json.provider import DefaultJSONProvider

# Whole numbers that every program holds exactly (RFC 7493, 2.2); our records are nested nine deep at most.
_LARGEST = 2**53 - 1
_DEEPEST = 32


class StrictJson(DefaultJSONProvider):
    """Reads JSON strictly, writes keys in the order in which they were put in."""

    sort_keys = False

    def loads(self, s: str | bytes, **kwargs: Any) -> Any:
        """Return the value of a JSON text.

        Raises
        ------
        ValueError
            If it is no JSON, or holds what we do not take.
        """
        try:
            value = json.loads(s, parse_constant=_refuse, parse_int=_whole, parse_float=_finite, **kwargs)
        except RecursionError as error:
            msg = "nested too deeply"
            raise ValueError(msg) from error
        _check(value, 0)
        return value


def _refuse(name: str) -> float:
    msg = f"{name} is no number in JSON"
    raise ValueError(msg)


def _whole(digits: str) -> int:
    if len(digits) > 17 or abs(int(digits)) > _LARGEST:
        msg = f"{digits:.30} is too large"
        raise ValueError(msg)
    return int(digits)


def _finite(digits: str) -> float:
    number = float(digits)
    if math.isinf(number):
        msg = f"{digits:.30} is too large"
        raise ValueError(msg)
    return number


def _check(value: Any, depth: int) -> None:
    if depth > _DEEPEST:
        msg = "nested too deeply"
        raise ValueError(msg)
    if isinstance(value, str):
        # Half of a surrogate pair is no letter: nothing could store or hash it.
        value.encode()
    elif isinstance(value, dict):
        for key, each in value.items():
            _check(key, depth)
            _check(each, depth + 1)
    elif isinstance(value, list):
        for each in value:
            _check(each, depth + 1)
