"""What `lens` asks for, and how a calibrated lens is shown in a terminal."""

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich import box
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Column, Table
from rich.text import Text

from calib.camera import PARAMETERS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from calib.chart import Board
    from calib.profile import ChartPhoto
    from calib.targets import Target
    from vision.chart_shoot import CalibratedLens

_MAIN, _ASIDE = "bold", "dim"
# What each parameter is, for somebody who meets them for the first time.
_MEANINGS = {
    "fx": "focal length, across",
    "fy": "focal length, down",
    "cx": "principal point, across",
    "cy": "principal point, down",
    "k1": "distortion, radial",
    "k2": "distortion, radial",
    "p1": "distortion, tangential",
    "p2": "distortion, tangential",
    "k3": "distortion, radial",
}
_IN_PX = ("fx", "fy", "cx", "cy")


def chart_from_options(
    inner_corners: tuple[int, int] | None, square_mm: float | None, target_path: Path | None
) -> "Board | Target":
    """Return the chart that was asked for: a chessboard, or a target's tags.

    Parameters
    ----------
    inner_corners : tuple of int or None
        Of a chessboard, along both sides.
    square_mm : float or None
        Side of its squares.
    target_path : Path or None
        Target file of the target that serves as a chart.

    Returns
    -------
    Board or Target
        The chart.

    Raises
    ------
    click.UsageError
        If neither or both are given, or the board without its squares.
    LensError, FileError, RecordError, TargetError
        If the board or the target file cannot be used.
    """
    from calib.chart import Board
    from calib.targets import load_target

    is_board = inner_corners is not None or square_mm is not None
    if is_board == (target_path is not None):
        msg = "say what the photos show: a chessboard by --board and --square, or a target by --target"
        raise click.UsageError(msg)
    if target_path is not None:
        return load_target(target_path)
    if inner_corners is None or square_mm is None:
        msg = "a chessboard needs both --board (its inner corners, as 9x6) and --square (a square's side)"
        raise click.UsageError(msg)
    return Board(*inner_corners, square_mm)


def lens_view(found: "CalibratedLens", out_path: Path) -> RenderableType:
    """Return a calibrated lens as it is printed: parameters, photos, notes, and where its file is."""
    return Group(
        _lens_line(found),
        "",
        _parameters_table(found),
        "",
        chart_photos_table(found.calibration.photos),
        *(_sentence(note) for note in found.notes),
        Text.assemble((str(out_path), _MAIN), ("  the lens file, for --lens", _ASIDE)),
    )


def chart_photos_table(photos: "Mapping[str, ChartPhoto]") -> Table:
    """Return what became of every chart photo."""
    table = _table(_fixed("photo"), "used", _fixed("misfit", is_number=True), "why not")
    for name, photo in photos.items():
        used = Text("yes", style="green") if photo.is_used else Text("no", style="yellow")
        misfit = "" if photo.rms_px is None else f"{photo.rms_px:.2f} px"
        table.add_row(Text(name), used, misfit, Text(photo.why, style=_ASIDE))
    return table


def _lens_line(found: "CalibratedLens") -> Text:
    profile = found.profile
    camera = " ".join(part for part in (profile.make, profile.model) if part) or "camera not named"
    focal = "" if profile.focal_mm is None else f", {profile.focal_mm:g} mm"
    used = sum(photo.is_used for photo in profile.photos.values())
    size = f"{profile.camera.width} x {profile.camera.height} px"
    fit = f"  ({size}; misfit {profile.rms_px:.2f} px over {used} of {len(profile.photos)} photos)"
    return Text.assemble(("Lens  ", _MAIN), (f"{camera}{focal}", "bold cyan"), (fit, _ASIDE))


def _parameters_table(found: "CalibratedLens") -> Table:
    table = _table(_fixed("lens"), _fixed("value", is_number=True), _fixed("u", is_number=True), "")
    camera = found.profile.camera
    for i, name in enumerate(PARAMETERS):
        sigma = math.sqrt(camera.cov[i, i])
        if sigma > 0.0:
            unit = " px" if name in _IN_PX else ""
            digits = _digits(sigma)
            value = f"{getattr(camera, name):.{digits}f}{unit}"
            table.add_row(name, value, f"{sigma:.{digits}f}{unit}", Text(_MEANINGS[name], style=_ASIDE))
    return table


def _digits(sigma: float) -> int:
    """Return the decimals that show two significant digits of a deviation."""
    return max(0, 1 - math.floor(math.log10(sigma)))


def _sentence(words: str) -> RenderableType:
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_row(Text("·", style=_ASIDE), Text(words, style=_ASIDE))
    return Padding(grid, (0, 0, 0, 1))


def _table(*columns: Column | str) -> Table:
    table = Table(*columns, box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
    table.header_style = _MAIN
    return table


def _fixed(header: str, *, is_number: bool = False) -> Column:
    return Column(header, no_wrap=True, justify="right" if is_number else "left")
