"""Advice followed in a simulation: the photo taken, the panel put up, the lens calibrated, as advised."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.camera import Camera
from calib.targets import built_in_target
from tests.vision.simulated import Stand
from tests.vision.simulated_job import (
    PANEL,
    PANEL_B,
    PICK_PX,
    PRINT_MM,
    Shooting,
    Standing,
    Taken,
    take,
    taped,
)
from tests.vision.simulated_networks import Drawn, solved
from vision.adjust import Solution
from vision.advice import Idea

# What the advice says of a calibrated lens, a checked print, a careful pick and a tape (vision/advice.py).
_RELATIVE_U_FOCAL, _LENS_PART, _PRINT_PART, _PICK_PART, _U_TAPE_MM = 0.001, 0.05, 0.3, 0.5, 3.0


def follow(idea: Idea, drawn: Drawn, rng: np.random.Generator) -> Solution:
    """Do what an idea says to a simulated job, take its photos anew, and solve them."""
    if idea.kind == "photo":
        assert idea.added is not None
        station = idea.added.stations[-1]
        place = Stand(station.rotation, station.translation_mm)
        new = _photo(drawn, replace(drawn.shootings[0], stand=place), "new", rng)
        return solved([*drawn.photos, new])[0]
    if idea.kind in ("target", "target and tape"):
        assert idea.added is not None
        placed = idea.added.placements[-1]
        second = Standing(built_in_target("panel-b"), placed.rotation, placed.translation_mm)
        tapes = [taped(PANEL, 0, second, 0, u_mm=_U_TAPE_MM)] if "tape" in idea.kind else []
        shootings = [replace(shooting, targets=(PANEL, second)) for shooting in drawn.shootings]
        return solved(_photos(drawn, shootings, rng), tapes)[0]
    if idea.kind == "tape":
        return solved(drawn.photos, [taped(PANEL, 0, PANEL_B, 0, u_mm=_U_TAPE_MM)])[0]
    if idea.kind == "lens":
        return solved(_photos(replace(drawn, prior=_calibrated(drawn, rng)), drawn.shootings, rng))[0]
    if idea.kind == "print":
        checked = {name: _PRINT_PART * errors for name, errors in drawn.printed.items()}
        part = replace(drawn, printed=checked)
        return solved(
            [_photo(part, s, f"p{i}", rng, print_mm=_PRINT_PART * PRINT_MM) for i, s in _named(part)]
        )[0]
    pick_px = _PICK_PART * PICK_PX
    photos = [_photo(drawn, s, f"p{i}", rng, pick_px=pick_px) for i, s in _named(drawn)]
    return solved(photos, pick_px=pick_px)[0]


def _named(drawn: Drawn) -> Sequence[tuple[int, Shooting]]:
    return list(enumerate(drawn.shootings))


def _photos(drawn: Drawn, shootings: Sequence[Shooting], rng: np.random.Generator) -> list[Taken]:
    return [_photo(drawn, shooting, f"p{i}", rng) for i, shooting in enumerate(shootings)]


def _photo(
    drawn: Drawn,
    shooting: Shooting,
    name: str,
    rng: np.random.Generator,
    *,
    print_mm: float = PRINT_MM,
    pick_px: float = PICK_PX,
) -> Taken:
    return take(
        shooting,
        name,
        rng,
        drawn.prior,
        house=drawn.house,
        printed=drawn.printed,
        print_mm=print_mm,
        pick_px=pick_px,
    )


def _calibrated(drawn: Drawn, rng: np.random.Generator) -> Camera:
    """Return a lens prior as chart photos would give it."""
    u = _LENS_PART * np.sqrt(np.diag(drawn.prior.cov))
    u[:2] = np.minimum(u[:2], _RELATIVE_U_FOCAL * drawn.prior.fx)
    true = drawn.shootings[0].lens.parameters
    return drawn.prior.with_parameters(true + u * rng.normal(size=9), np.diag(u**2))
