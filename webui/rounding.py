"""How finely results are kept: 0.001 of their unit or four significant digits, whichever is finer.

What lies below tells one processor from another, not one roof.
"""

import math
from collections.abc import Mapping
from typing import Any

_DECIMALS, _DIGITS = 3, 4


def rounded(value: float) -> float:
    """Return a number with three decimals or four significant digits, whichever are more."""
    if value == 0.0:
        return 0.0
    return round(value, max(_DECIMALS, _DIGITS - 1 - math.floor(math.log10(abs(value)))))


def tidy(value: Any, hidden: str) -> Any:
    """Return a JSON value with its numbers rounded, and without a text wherever it stands."""
    if isinstance(value, float):
        return rounded(value)
    if isinstance(value, str):
        return value.replace(hidden, "")
    if isinstance(value, Mapping):
        return {tidy(key, hidden): tidy(each, hidden) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [tidy(each, hidden) for each in value]
    return value
