"""Records as JSON files or on standard output, strictly: no NaN, no infinity."""

import json
from pathlib import Path

import click

from calib.errors import FileError

STANDARD_OUTPUT = Path("-")


def write_json(record: object, path: Path) -> None:
    """Write a record as JSON.

    Parameters
    ----------
    record : object
        What to write.
    path : Path
        File to write, or `STANDARD_OUTPUT`.

    Raises
    ------
    FileError
        If the file cannot be written.
    """
    text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    if path == STANDARD_OUTPUT:
        click.echo(text, nl=False)
        return
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror})"
        raise FileError(msg) from error
