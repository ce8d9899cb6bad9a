"""Ways to spoil bytes and JSON records, each drawn from a generator of known seed."""

import copy
import json
import random
from collections.abc import Callable
from typing import Any

# Values that lengths, counts and offsets in files are rarely tested with.
_AWKWARD = (b"\x00", b"\xff", b"\x7f", b"\x80", b"\x00\x00\x00\x00", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff")
# One small change gets past checks that many together run into.
_EDITS = (1, 1, 2, 3, 12)


def spoil_bytes(data: bytes, rng: random.Random) -> bytes:
    """Return the bytes flipped, cut, doubled, overwritten or swapped at a few places, the header most."""
    spoiled = bytearray(data)
    for _ in range(rng.choice(_EDITS)):
        rng.choice(_BYTE_EDITS)(spoiled, rng)
    return bytes(spoiled)


def _place(data: bytearray, rng: random.Random) -> int:
    """Return a place in the bytes; half of the time among the first thousand, where headers are."""
    size = max(len(data), 1)
    return rng.randrange(min(size, 1000) if rng.random() < 0.5 else size)


def _flip(data: bytearray, rng: random.Random) -> None:
    if data:
        data[_place(data, rng)] ^= 1 << rng.randrange(8)


def _overwrite(data: bytearray, rng: random.Random) -> None:
    place, value = _place(data, rng), rng.choice(_AWKWARD)
    data[place : place + len(value)] = value


def _cut_end(data: bytearray, rng: random.Random) -> None:
    if rng.random() < 0.3:
        del data[_place(data, rng) :]


def _take_out(data: bytearray, rng: random.Random) -> None:
    place = _place(data, rng)
    del data[place : place + rng.randint(1, 64)]


def _double(data: bytearray, rng: random.Random) -> None:
    place = _place(data, rng)
    data[place:place] = data[place : place + rng.randint(1, 256)]


def _fill(data: bytearray, rng: random.Random) -> None:
    place, size = _place(data, rng), rng.randint(1, 512)
    data[place : place + size] = rng.randbytes(size)


_BYTE_EDITS: tuple[Callable[[bytearray, random.Random], None], ...] = (
    *(_flip, _flip, _overwrite, _cut_end, _take_out, _double, _fill),
)

# What a person or a program may write where a number, a name or a list belongs.
_ODD_VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 1e308, -1e308, 5e-324, float("nan"), float("inf"), 10**400, 1.5),
    *("", " ", "12", "a" * 5000, "../../etc/passwd", "\x00", "\ud800", "π", [], {}, [[]], [None], {"": {}}),
    *([1.0] * 3, [1e300, 1e300], [[0, 0], [0, 0]], {"a": 1}, [0] * 3000),
)


def spoil_record(record: Any, rng: random.Random) -> str:
    """Return a JSON record as text, with values, keys or single characters changed."""
    spoiled = copy.deepcopy(record)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        spoiled = _spoil_value(spoiled, rng)
    # Escaped, so that half a pair of surrogates can be written too.
    text = json.dumps(spoiled, ensure_ascii=True)
    if rng.random() < 0.2:
        return spoil_bytes(text.encode(), rng).decode("utf-8", errors="surrogateescape")
    return text


def _spoil_value(value: Any, rng: random.Random) -> Any:
    if isinstance(value, dict) and value and rng.random() < 0.85:
        key = rng.choice(list(value))
        match rng.randrange(8):
            case 0:
                del value[key]
            case 1:
                value[rng.choice(("", "extra", key + "_", key.upper()))] = value[key]
            case _:
                value[key] = _spoil_value(value[key], rng)
        return value
    if isinstance(value, list) and value and rng.random() < 0.8:
        place = rng.randrange(len(value))
        match rng.randrange(8):
            case 0:
                del value[place]
            case 1:
                value.append(copy.deepcopy(value[place]))
            case _:
                value[place] = _spoil_value(value[place], rng)
        return value
    if isinstance(value, int | float) and not isinstance(value, bool) and rng.random() < 0.5:
        return float(min(max(value, -1e308), 1e308)) * rng.choice((-1, 0, 1e-6, 1e6, 1.01, 1e30))
    return copy.deepcopy(rng.choice(_ODD_VALUES))
