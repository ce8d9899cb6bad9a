"""The choices of a layout as form fields: the options of the command `plan`, their types and their help."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import click

from calib.errors import PlanError
from webui.arguments import LengthType
from webui.plan_options import plan_options
from webui.shown import Shown

# Ridge lengths have fields of their own; files are written, and several ridges planned, by the command.
_ELSEWHERE = (
    *("plan_path", "ridges", "u95s", "measured", "hips", "keep_clear", "seams"),
    *("picture_path", "sheet_path"),
)


@dataclass(frozen=True, slots=True)
class LayoutChoice:
    """One choice.

    Attributes
    ----------
    name, label, help : str
        Its name as an option, what it is called, what it does.
    kind : str
        "text", "number", "flag" or "choice".
    value : str
        As chosen; "" where it stands at its default.
    options : tuple of str
        What a "choice" offers.
    """

    name: str
    label: str
    help: str
    kind: str
    value: str
    options: tuple[str, ...]


def layout_choices(chosen: Mapping[str, Any], shown: Shown) -> list[LayoutChoice]:
    """Return all choices with what is chosen now."""
    return [
        LayoutChoice(
            str(option.name),
            _label(option),
            _help(option),
            _kind(option),
            _told(option, chosen.get(str(option.name)), shown),
            _offers(option),
        )
        for option in _options()
    ]


def typed_choices(form: Mapping[str, str]) -> dict[str, Any]:
    """Return the choices of a form that differ from their defaults.

    Raises
    ------
    PlanError
        If one of them cannot be read.
    """
    found: dict[str, Any] = {}
    for option in _options():
        text = form.get(f"choice-{option.name}", "").strip()
        if text:
            found[str(option.name)] = _read(option, text)
    return found


def _options() -> list[click.Option]:
    command = click.command("plan")(plan_options(lambda **_: None))
    return [each for each in command.params if isinstance(each, click.Option) and each.name not in _ELSEWHERE]


def _read(option: click.Option, text: str) -> Any:
    if _kind(option) == "flag":
        return text == "yes"
    try:
        return option.type.convert(text, option, None)
    except click.BadParameter as error:
        msg = f"{_label(option)}: {error.message}"
        raise PlanError(msg) from error


def _label(option: click.Option) -> str:
    words = option.opts[0].removeprefix("--").replace("-", " ")
    return "IRC edition" if words == "irc" else words


def _help(option: click.Option) -> str:
    """Return the help without the dashes that only a command line has."""
    return re.sub(r"--([a-z-]+)", lambda found: found[1].replace("-", " "), option.help or "")


def _kind(option: click.Option) -> str:
    if option.is_flag:
        return "flag"
    if isinstance(option.type, click.Choice):
        return "choice"
    return "number" if isinstance(option.type, click.types.IntParamType) else "text"


def _offers(option: click.Option) -> tuple[str, ...]:
    if option.is_flag:
        return ("yes", "no") if option.secondary_opts else ("yes",)
    return tuple(map(str, option.type.choices)) if isinstance(option.type, click.Choice) else ()


def _told(option: click.Option, value: Any, shown: Shown) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(option.type, LengthType):
        return shown.length(value)
    return f"{value:g}" if isinstance(value, float) else str(value)
