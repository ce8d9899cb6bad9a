"""JSON Schemas (draft 2020-12) of the files that a package holds, and checking against them."""

import functools
import json
from collections.abc import Iterable, Mapping
from importlib import resources
from typing import Any

from jsonschema import Draft202012Validator
from referencing import Registry, Resource

from webui.evidence.contents import SCHEMA_NAMES

# The first few say what is wrong; thousands would hide it.
_MOST_PROBLEMS = 5


def schema_bytes(name: str) -> bytes:
    """Return the file of one of our schemas."""
    return (resources.files(__package__) / "schemas" / f"{name}.schema.json").read_bytes()


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
