"""JSON Schemas (draft 2020-12) of the files that a package holds, and checking against them."""

import functools
import hashlib
import json
from collections.abc import Iterable, Mapping
from importlib import resources
from typing import Any

from jsonschema import Draft202012Validator
from referencing import Registry, Resource

from webui.evidence.contents import SCHEMA_NAMES

# Schemas of packages that were made before ours were changed, by their SHA-256. A changed one has a new $id.
_EARLIER_SHA256: Mapping[str, tuple[str, ...]] = {
    "job": ("99d5ff585c7623a97a2d3ac3f1faa08120e1e9f681ddfd50f2bac2e81515badc",),
    "findings": ("b8640a955ac3f516b9d5af4a6257172dab8c4c42dc1f5c86cf3ff1c971462b4c",),
}
# The first few say what is wrong; thousands would hide it.
_MOST_PROBLEMS = 5


def schema_bytes(name: str) -> bytes:
    """Return the file of one of our schemas."""
    return (resources.files(__package__) / "schemas" / f"{name}.schema.json").read_bytes()


def is_our_schema(name: str, data: bytes) -> bool:
    """Tell whether a file is one of our schemas, as it is or as it once was."""
    return data == schema_bytes(name) or hashlib.sha256(data).hexdigest() in _EARLIER_SHA256.get(name, ())


@functools.cache
def our_schemas() -> Mapping[str, Any]:
    """Return our own schemas, by name."""
    return {name: json.loads(schema_bytes(name)) for name in SCHEMA_NAMES}


def schema_problems(record: Any, name: str, schemas: Mapping[str, Any] | None = None) -> tuple[str, ...]:
    """Check a JSON value against a schema.

    Parameters
    ----------
    record : JSON value
        What to check.
    name : str
        Name of the schema.
    schemas : mapping, optional
        The schemas by name; our own by default.

    Returns
    -------
    tuple of str
        What is wrong and where, the first few; empty if nothing is.
    """
    known = our_schemas() if schemas is None else schemas
    registry: Registry[Any] = Registry().with_resources(
        (schema["$id"], Resource.from_contents(schema)) for schema in known.values()
    )
    validator = Draft202012Validator(known[name], registry=registry)
    return tuple(_sentences(validator.iter_errors(record)))


def _sentences(errors: Iterable[Any]) -> Iterable[str]:
    for number, error in enumerate(errors):
        if number == _MOST_PROBLEMS:
            yield "and more"
            return
        place = "/".join(map(str, error.absolute_path)) or "the whole"
        yield f"{place}: {error.message:.160}"
