"""The options of `plan`: what people type beyond the plan file, and how it is read.

Light on purpose: it is imported whenever the command line starts.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from calib.errors import LengthError
from calib.lengths import parse_length
from webui.arguments import LengthType, OutputType, PointType

_AREA_UNITS_MM2 = {
    "ft": 304.8**2,
    "in": 25.4**2,
    "m": 1e6,
    "cm": 100.0,
    "mm": 1.0,
}
_AREA = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?|\.[0-9]+)\s*(?:(sq)\.?\s*)?(ft|in|mm|cm|m)(?:\^?2|²)?\s*")
_TEMPERATURE = re.compile(r"\s*([-−]?[0-9]+(?:\.[0-9]+)?)\s*(?:°|deg)?\s*([cf])\s*", re.IGNORECASE)
_PITCH = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(?:(?:/|:|in)\s*12)?\s*")


class AreaType(click.ParamType[float]):
    """An area with its unit, in mm²."""

    name = "area"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the area in mm²."""
        if isinstance(value, float):
            return value
        area_mm2 = _area(value)
        if area_mm2 is None:
            self.fail(f"{value!r} is not an area; write for example 1500 ft2, 360 in2 or 140 m2", param, ctx)
        return area_mm2


class RatingType(click.ParamType[float]):
    """A net free area per length of ridge, in mm²/m."""

    name = "rating"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the rating in mm² per metre."""
        if isinstance(value, float):
            return value
        area, _, per = value.partition("/")
        area_mm2 = _area(area)
        per_mm = {"ft": 304.8, "m": 1000.0}.get(per.strip())
        if area_mm2 is None or per_mm is None:
            self.fail(f"{value!r} is not a rating; write for example 18 in2/ft or 380 cm2/m", param, ctx)
        return area_mm2 / per_mm * 1000.0


class TemperatureType(click.ParamType[float]):
    """A temperature in °C or °F, in °C."""

    name = "temperature"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the temperature in °C."""
        if isinstance(value, float):
            return value
        match = _TEMPERATURE.fullmatch(value)
        if match is None:
            self.fail(f"{value!r} is not a temperature; write for example 20C or 68F", param, ctx)
        degrees = float(match[1].replace("−", "-"))
        return degrees if match[2].lower() == "c" else (degrees - 32.0) / 1.8


class HipType(click.ParamType[float]):
    """A hip: its own length, or the common run and the pitch as RUN@RISE, in mm along the hip."""

    name = "hip"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the hip's length in mm."""
        if isinstance(value, float):
            return value
        run, at, rise = value.partition("@")
        pitch = _PITCH.fullmatch(rise)
        if at and pitch is None:
            self.fail(f"{rise!r} is not a pitch; write for example 12ft@6/12", param, ctx)
        try:
            length_mm = parse_length(run)
        except LengthError as error:
            self.fail(str(error), param, ctx)
        if pitch is None:
            return length_mm
        from vision.slope import hip_length

        return hip_length(length_mm, float(pitch[1]))


def _area(text: str) -> float | None:
    match = _AREA.fullmatch(text.lower())
    has_square = match is not None and (match[2] or text.strip()[-1] in "2²")
    return float(match[1]) * _AREA_UNITS_MM2[match[3]] if match and has_square else None


_OPTIONS = (
    click.argument("plan_path", metavar="[PLAN.json]", required=False, type=click.Path(path_type=Path)),
    click.option(
        "--ridge", "ridges", type=LengthType(), multiple=True, help="Length of a ridge; repeat for more."
    ),
    click.option(
        "--u95",
        "u95s",
        type=LengthType(),
        multiple=True,
        help="Uncertainty (95 %) of a ridge's length, in the order of --ridge.",
    ),
    click.option(
        "--measured",
        type=click.Path(path_type=Path),
        multiple=True,
        help="A ridge as `measure --json` wrote it, with its uncertainty.",
    ),
    click.option(
        "--hip",
        "hips",
        type=HipType(),
        multiple=True,
        help="A hip: its length, or common run and pitch as 12ft@6/12.",
    ),
    click.option(
        "--layout",
        type=click.Choice(
            [
                "equal-ends",
                "fewest-cuts",
                "fewest-joints",
                "all-alike",
                "long-ends",
                "clear-joints",
                "any-length",
            ]
        ),
        help="Layout to take.  [default: equal-ends; clear-joints where equal ends would crowd a place]",
    ),
    click.option(
        "--edges-face",
        type=click.Choice(["A", "B"]),
        default="A",
        show_default=True,
        help="Gable end that the lap edges look at: choose the one away from the street.",
    ),
    click.option(
        "--keep-clear",
        type=(click.IntRange(min=1), LengthType(), LengthType()),
        multiple=True,
        metavar="N STATION DISTANCE",
        help="Keep laps of ridge N this far from a place at this station from A (chimney, hip junction).",
    ),
    click.option("--gable-clear", type=LengthType(), help="Keep laps this far from the gable ends."),
    click.option("--end-min", type=LengthType(), help="No end piece shorter than this (layout long-ends)."),
    click.option("--stub", type=LengthType(), help="A piece shorter than this is a stub.  [default: 2 ft]"),
    click.option(
        "--lap-max", type=LengthType(), help="Longest lap worth having.  [default: twice the least lap]"
    ),
    click.option("--kerf", type=LengthType(), help="Width of a saw cut; 0 mm for snips.  [default: 0 mm]"),
    click.option("--keep-offcut", type=LengthType(), help="Shortest offcut worth keeping.  [default: 2 ft]"),
    click.option("--flange", type=LengthType(), help="Width of one flange of the cap.  [default: 7 1/2 in]"),
    click.option("--panel-width", type=LengthType(), help="Panel bay, seam to seam.  [default: 16 in]"),
    click.option(
        "--bays", type=click.IntRange(min=1), help="Bays along one side of each ridge, if you counted them."
    ),
    click.option(
        "--seams",
        type=(click.Path(path_type=Path), PointType(), PointType()),
        metavar="PHOTO X,Y X,Y",
        help="Count the bays along a line over the roof in a photo, gable end to gable end (one ridge).",
    ),
    click.option("--no-z-closures", is_flag=True, help="The cap needs no z-closures."),
    click.option("--unvented", is_flag=True, help="No vent strips under the cap."),
    click.option(
        "--gable-rivets",
        type=click.IntRange(min=0),
        help="Rivets at each gable end, both flanges together.  [default: 4]",
    ),
    click.option(
        "--allowance",
        type=click.FloatRange(min=0.0, max=100.0),
        help="Percent added to fasteners and to what comes by length.  [default: 10]",
    ),
    click.option(
        "--metal",
        type=click.Choice(
            ["galvanized steel", "bare steel", "stainless steel", "copper", "aluminium", "zinc"]
        ),
        default="galvanized steel",
        show_default=True,
        help="Metal of the cap, for weight and movement.",
    ),
    click.option(
        "--gauge",
        type=int,
        help="Gauge number of steel sheet; galvanized and bare differ.  [default: 24 without --thickness]",
    ),
    click.option("--thickness", type=LengthType(), help="Thickness of the sheet, instead of a gauge number."),
    click.option("--attic", type=AreaType(), help="Floor area of the attic, for example 1500 ft2."),
    click.option(
        "--vent-rating",
        type=RatingType(),
        help="Net free area per length of ridge, both sides together, for example 18 in2/ft.",
    ),
    click.option("--intake", type=AreaType(), help="Net free area at the eaves."),
    click.option("--irc", "edition", type=int, default=2021, show_default=True, help="Edition of the IRC."),
    click.option("--climate-zone", type=click.IntRange(1, 8), help="IRC climate zone."),
    click.option(
        "--vapor-retarder/--no-vapor-retarder",
        default=None,
        help="Whether a vapor retarder is on the warm side of the ceiling.",
    ),
    click.option(
        "--measured-at", type=TemperatureType(), help="Metal when measured and cut.  [default: 20C]"
    ),
    click.option("--installed-at", type=TemperatureType(), help="Metal when fastened.  [default: 20C]"),
    click.option("--coldest", type=TemperatureType(), help="Metal at its coldest.  [default: -20C]"),
    click.option(
        "--hottest", type=TemperatureType(), help="Metal at its hottest, in the sun.  [default: 70C]"
    ),
    click.option(
        "--fixed-end",
        type=click.Choice(["none", "A", "B", "both"]),
        default="none",
        show_default=True,
        help="Gable ends at which the cap cannot move.",
    ),
    click.option("--lap-slip", type=LengthType(), help="How far a lap can slide.  [default: 0 mm, riveted]"),
    click.option("--end-room", type=LengthType(), help="How far a free end can move.  [default: 1/4 in]"),
    click.option("--picture", "picture_path", type=OutputType(), help="Draw the layouts to scale as SVG."),
    click.option(
        "--sheet", "sheet_path", type=OutputType(), help="Write set-out sheets as PDF, a page per ridge."
    ),
)

_Command = TypeVar("_Command", bound=Callable[..., Any])


def plan_options(command: _Command) -> _Command:
    """Give a command all the options of `plan`; each value arrives under its option's name."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command
