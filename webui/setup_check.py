"""Checking a set-up that somebody sends, before it is kept: work later must not stumble over it."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import click

from calib.errors import RecordError
from calib.profile import profile_from_record
from calib.targets import check_targets, target_from_record
from vision.plan import plan_from_record
from vision.shoot import tapes_from_record
from webui.job import Setup
from webui.plan_options import plan_options

_MOST_FILES, _LONGEST_NAME = 50, 80


def checked_setup(setup: Setup) -> Setup:
    """Return a set-up as it is kept.

    Parameters
    ----------
    setup : Setup
        As it was sent; lengths among the layout's options may be written as people write them.

    Returns
    -------
    Setup
        The same, lengths in mm.

    Raises
    ------
    MeasureError
        If a target, lens, tape, plan or option cannot be used.
    """
    _check_names("target", setup.targets)
    _check_names("lens", setup.lenses)
    targets = {name: target_from_record(record, f"target {name}") for name, record in setup.targets.items()}
    check_targets(list(targets.values()))
    for name, record in setup.lenses.items():
        profile_from_record(record, f"lens {name}")
    at_ridge = tuple(targets[name] for name in setup.ridge.targets if name in targets)
    tapes_from_record(list(setup.ridge.tape), at_ridge, "tape")
    plan_from_record(dict(setup.plan), "plan")
    return replace(setup, layout=replace(setup.layout, options=_checked_options(setup.layout.options)))


def layout_options() -> dict[str, click.Parameter]:
    """Return the options of `plan` that a set-up may hold, by name: those with one value that is no file."""
    several = (click.Tuple, click.Path)
    return {
        str(option.name): option
        for option in click.command("plan")(plan_options(lambda **_: None)).params
        if isinstance(option, click.Option)
        and not option.multiple
        and not isinstance(option.type, several)
        and option.name not in ("picture_path", "sheet_path")
    }


def _check_names(what: str, files: Mapping[str, Any]) -> None:
    if len(files) > _MOST_FILES:
        msg = f"{len(files)} {what} files are more than a job needs ({_MOST_FILES})"
        raise RecordError(msg)
    for name in files:
        if not name.strip() or len(name) > _LONGEST_NAME or not name.isprintable():
            msg = f"{what} {name!r:.100}: a name of 1 to {_LONGEST_NAME} characters was expected"
            raise RecordError(msg)


def _checked_options(given: Mapping[str, Any]) -> dict[str, Any]:
    known = layout_options()
    checked = {}
    for name, value in given.items():
        if name not in known:
            msg = f"layout options: {name!r:.60} is not known; known are {', '.join(sorted(known))}"
            raise RecordError(msg)
        checked[name] = None if value is None else _checked_option(known[name], value)
    return checked


def _checked_option(option: click.Parameter, value: Any) -> Any:
    if not isinstance(value, str | int | float):
        msg = f"layout options: {option.name}: one value was expected, got {value!r:.60}"
        raise RecordError(msg)
    is_flag, is_whole = (
        isinstance(option.type, kind) for kind in (click.types.BoolParamType, click.types.IntParamType)
    )
    if is_flag != isinstance(value, bool) or (is_whole and isinstance(value, float)):
        msg = f"layout options: {option.name}: {value!r:.60} is of the wrong type"
        raise RecordError(msg)
    is_number = isinstance(value, int) and not is_whole and not is_flag
    number = float(value) if is_number else value
    try:
        return option.type.convert(number, option, None)
    except (click.BadParameter, ValueError, AttributeError) as error:
        msg = f"layout options: {option.name}: {error}"
        raise RecordError(msg) from error
