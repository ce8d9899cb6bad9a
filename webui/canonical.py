"""One way to write a JSON value, so that the same value always has the same bytes and the same hash.

Keys sorted, no spaces, UTF-8. For arrays of texts and whole numbers, which is all that the change log hashes,
this is RFC 8785 to the byte; decimals are written as Python does (shortest text that reads back the same).
"""

import hashlib
import json
from typing import Any


def canonical_json(value: Any) -> str:
    """Return a JSON value as canonical text.

    Raises
    ------
    ValueError
        If it holds a number that JSON does not allow (infinity, not-a-number).
    """
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)


def readable_json(value: Any) -> str:
    """Return a JSON value as text for people: indented, keys in the given order."""
    return json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def sha256_of_text(text: str) -> str:
    """Return the SHA-256 of a text's UTF-8 bytes, hexadecimal (FIPS 180-4)."""
    return hashlib.sha256(text.encode()).hexdigest()


def record_hash(record: Any) -> str:
    """Return the SHA-256 of a JSON value in its canonical form, hexadecimal."""
    return sha256_of_text(canonical_json(record))
