"""What people type on the command line, turned into lengths, points, boards and files to write."""

import re
from pathlib import Path
from typing import Any

import click

from calib.errors import LengthError
from calib.lengths import Units, parse_length
from webui.json_output import STANDARD_OUTPUT

_BOARD = re.compile(r"\s*([0-9]{1,3})\s*[x×*]\s*([0-9]{1,3})\s*", re.IGNORECASE)
_UNITS: dict[str, Units] = {"ft-in": "imperial", "metric": "metric"}


class LengthType(click.ParamType[float]):
    """A length with its unit, as `calib.lengths` reads it, in mm."""

    name = "length"

    def __init__(self, *, allow_negative: bool = False) -> None:
        self._allow_negative = allow_negative

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the length in mm."""
        if isinstance(value, float):
            return value
        try:
            return parse_length(value, allow_negative=self._allow_negative)
        except LengthError as error:
            self.fail(str(error), param, ctx)


class PointType(click.ParamType[tuple[float, float]]):
    """A point of the upright picture, typed as ``X,Y`` in px."""

    name = "X,Y"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Return x and y in px."""
        if isinstance(value, tuple):
            return value
        try:
            x, y = (float(part) for part in value.split(","))
        except ValueError:
            self.fail(
                f"{value!r} is not a point; write its pixels as X,Y, for example 812.4,1033", param, ctx
            )
        return x, y


class BoardType(click.ParamType[tuple[int, int]]):
    """A chessboard's inner corners along both sides, typed as ``9x6``."""

    name = "board"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """Return the inner corners along both sides."""
        if isinstance(value, tuple):
            return value
        match = _BOARD.fullmatch(value)
        if match is None:
            self.fail(f"{value!r} is not a board; 10 by 7 squares have 9x6 inner corners", param, ctx)
        return int(match[1]), int(match[2])


class OutputType(click.ParamType[Path]):
    """A file to write, in a folder that exists: found out before any work is done, not after."""

    name = "file"

    def __init__(self, *, allow_dash: bool = False) -> None:
        self._allow_dash = allow_dash

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the path; ``-`` stays as it is."""
        path = Path(value)
        if self._allow_dash and path == STANDARD_OUTPUT:
            return path
        if path.is_dir():
            self.fail(f"{path} is a folder; name a file in it", param, ctx)
        if not path.parent.is_dir():
            self.fail(f"the folder {path.parent} does not exist; make it first", param, ctx)
        return path


class UnitsType(click.Choice[str]):
    """Feet and inches or metric, by the name that a user types."""

    def __init__(self) -> None:
        super().__init__(list(_UNITS))

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the units as `calib.lengths` calls them."""
        return _UNITS[super().convert(value, param, ctx)]
