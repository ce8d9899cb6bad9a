"""What lies on, in and under a sheet: rivet heads, and the things that may be taken for one.

Every function draws into a `Sheet`; sizes are shares of the head diameter or mm. Shapes and finishes are
drawn at random over what a roof shows, wider rather than narrower.
"""

from collections.abc import Callable

import cv2
import numpy as np

from vision.rivet_net.scenes import (
    CELLS_PER_HEAD,
    EXTENT_HEADS,
    Finish,
    Floats,
    Generator,
    Mark,
    Placed,
    Sheet,
    single,
)


def blank_sheet(rng: Generator, head_mm: float) -> tuple[Sheet, Finish]:
    """Return a sheet of a random finish with its grain, waves and stains, and the finish."""
    n = round(CELLS_PER_HEAD * EXTENT_HEADS)
    finish = random_finish(rng, bare=rng.random() < 0.3)
    shape = (n, n)
    sheet = Sheet(
        head_mm / CELLS_PER_HEAD,
        np.zeros(shape, dtype=np.float32),
        np.broadcast_to(finish.albedo, (*shape, 3)).astype(np.float32),
        np.broadcast_to(finish.mirror, (*shape, 3)).astype(np.float32),
        np.full(shape, finish.roughness, dtype=np.float32),
        np.ones(shape, dtype=np.float32),
    )
    _add_grain(rng, sheet)
    return sheet, finish


def random_finish(rng: Generator, *, bare: bool) -> Finish:
    """Return a paint, or a bare metal."""
    if bare:
        grey = rng.uniform(0.45, 0.9) * rng.uniform(0.95, 1.05, 3)
        if rng.random() < 0.15:  # copper, brass, gold-coloured zinc plate
            grey *= (rng.uniform(0.25, 0.7), rng.uniform(0.5, 0.9), 1.0)
        diffuse = rng.uniform(0.03, 0.25) * np.ones(3)
        return Finish(single(diffuse), single(np.clip(grey, 0.0, 0.95)), float(rng.uniform(0.04, 0.5)))
    level = np.exp(rng.uniform(np.log(0.02), np.log(0.85)))
    tint = np.exp(rng.normal(0.0, rng.uniform(0.0, 0.5), 3))
    albedo = np.clip(level * tint, 0.01, 0.9)
    return Finish(single(albedo), np.full(3, 0.04, dtype=np.float32), float(rng.uniform(0.08, 0.5)))


def _add_grain(rng: Generator, sheet: Sheet) -> None:
    n = sheet.height_mm.shape[0]
    for scale, depth in ((3.0, 0.05), (12.0, 0.08), (60.0, 0.15)):
        stretch = np.exp(rng.uniform(0.0, 2.0))
        grain = noise(rng, n, scale * stretch, scale / stretch) * rng.uniform(0.0, depth)
        sheet.albedo *= np.exp(grain)[:, :, None]
        sheet.mirror *= np.exp(0.5 * grain - 0.02)[:, :, None]
        np.clip(sheet.mirror, 0.0, 0.97, out=sheet.mirror)
    if rng.random() < 0.12:
        _add_spangle(rng, sheet)
    if rng.random() < 0.5:
        sheet.roughness *= np.exp(noise(rng, n, 20.0, 20.0) * rng.uniform(0.0, 0.3))
    # Oil canning and rolling waves: slopes of up to a degree or so.
    wave_mm = 40.0 * sheet.cell_mm * rng.uniform(0.0, 0.01)
    sheet.height_mm += noise(rng, n, 40.0, 80.0) * np.float32(wave_mm)


def _add_spangle(rng: Generator, sheet: Sheet) -> None:
    """Let the sheet be of crystals, each with its own lustre, as hot-dip galvanizing leaves it."""
    n = sheet.height_mm.shape[0]
    side = max(3, round(n / (CELLS_PER_HEAD * np.exp(rng.uniform(np.log(0.2), np.log(1.5))))))
    crystals = rng.normal(0.0, rng.uniform(0.05, 0.3), (side, side)).astype(np.float32)
    axis = np.linspace(0.0, side - 1.0, n, dtype=np.float32)
    x = axis[None, :] + np.float32(0.5) * noise(rng, n, n / side, n / side)
    y = axis[:, None] + np.float32(0.5) * noise(rng, n, n / side, n / side)
    level = cv2.remap(crystals, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REFLECT_101)
    sheet.albedo *= np.exp(level)[:, :, None]
    sheet.mirror *= np.exp(level)[:, :, None]
    np.clip(sheet.mirror, 0.0, 0.97, out=sheet.mirror)


def noise(rng: Generator, n: int, wave_x: float, wave_y: float) -> Floats:
    """Return smooth noise of unit deviation, shape (n, n), of given wavelengths in cells."""
    columns, rows = max(2, round(n / max(wave_x, 1.0))), max(2, round(n / max(wave_y, 1.0)))
    coarse = rng.normal(0.0, 1.0, (rows, columns)).astype(np.float32)
    return single(cv2.resize(coarse, (n, n), interpolation=cv2.INTER_CUBIC))


# ---- heads ---------------------------------------------------------------------------------------------


def add_rivet(rng: Generator, sheet: Sheet, finish: Finish, x_mm: float, y_mm: float, head_mm: float) -> None:
    """Set a blind rivet: a low dome with the hole and the stub of its mandrel in the middle."""
    own = random_finish(rng, bare=True) if rng.random() < 0.5 else _like(rng, finish)
    base = sheet.base_at(x_mm, y_mm)
    x, y = sheet.cells(x_mm, y_mm)
    radius = np.hypot(x, y)
    half = head_mm / 2.0
    rise = head_mm * rng.uniform(0.16, 0.34)
    edge = head_mm * rng.uniform(0.0, 0.06)
    dome = edge + (rise - edge) * _dome(radius / half, rng.uniform(1.5, 3.6))
    lean = rng.normal(0.0, 0.03, 2)
    dome = dome + lean[0] * x + lean[1] * y
    cover = _soft(half - radius, sheet.cell_mm)
    sheet.height_mm = np.where(radius < half, sheet.height_mm + np.maximum(dome, 0.0), sheet.height_mm)
    sheet.height_mm = sheet.height_mm.astype(np.float32)
    sheet.paint(cover, _mottled(rng, sheet, own.albedo), own.mirror, own.roughness)
    if rng.random() < 0.93:
        _add_mandrel(rng, sheet, x_mm, y_mm, head_mm, rise)
    if rng.random() < 0.3:
        _add_collar(rng, sheet, radius, half)
    sheet.placed.append(Placed(Mark.RIVET, x_mm, y_mm, base))


def _like(rng: Generator, finish: Finish) -> Finish:
    """Return a colour-matched finish: the sheet's own, a little off."""
    off = np.exp(rng.normal(0.0, 0.12, 3) + rng.normal(0.0, 0.15))
    albedo = np.clip(finish.albedo * off, 0.01, 0.9).astype(np.float32)
    return Finish(albedo, finish.mirror, float(finish.roughness * np.exp(rng.normal(0.0, 0.3))))


def _dome(share: Floats, power: float) -> Floats:
    """Return a head's profile, 1 in the middle and 0 at the rim; the higher the power the flatter the top."""
    return single(np.sqrt(np.maximum(1.0 - np.minimum(share, 1.0) ** power, 0.0)))


def _add_mandrel(
    rng: Generator, sheet: Sheet, x_mm: float, y_mm: float, head_mm: float, rise_mm: float
) -> None:
    off = rng.normal(0.0, 0.02 * head_mm, 2)
    x, y = sheet.cells(x_mm + off[0], y_mm + off[1])
    radius = np.hypot(x, y)
    hole = head_mm * rng.uniform(0.10, 0.21)
    depth = rise_mm * rng.uniform(0.1, 0.9)
    # Broken off deep in the head, level with it, or now and then proud of it.
    proud = head_mm * rng.uniform(0.0, 0.15) if rng.random() < 0.25 else 0.0
    inside = _soft(hole - radius, sheet.cell_mm)
    sheet.height_mm -= inside * np.float32(depth)
    steel = random_finish(rng, bare=rng.random() < 0.7)
    dark = np.float32(rng.uniform(0.15, 1.0))
    sheet.paint(inside, steel.albedo * dark, steel.mirror * dark, 0.3)
    stub = hole * rng.uniform(0.4, 0.95)
    top = depth * rng.uniform(0.1, 1.0) if proud == 0.0 else depth + proud
    rough = 1.0 + 0.15 * noise(rng, sheet.height_mm.shape[0], 5.0, 5.0)
    sheet.height_mm += _soft(stub - radius, sheet.cell_mm) * np.float32(top) * rough


def _add_collar(rng: Generator, sheet: Sheet, radius: Floats, half_mm: float) -> None:
    """Lay the ring of dirt or sealant that gathers around a head."""
    width = half_mm * rng.uniform(0.05, 0.35)
    ring = np.exp(-(((radius - half_mm) / width) ** 2)) * (radius >= half_mm)
    colour = single(rng.uniform(0.02, 0.8) * rng.uniform(0.8, 1.2, 3))
    sheet.paint((ring * rng.uniform(0.1, 0.6)).astype(np.float32), colour, 0.04, 0.4)


def add_other_head(
    rng: Generator, sheet: Sheet, finish: Finish, x_mm: float, y_mm: float, head_mm: float
) -> None:
    """Set a rivet whose head is clearly of another size than the plan's."""
    share = rng.uniform(0.45, 0.72) if rng.random() < 0.6 else rng.uniform(1.35, 1.8)
    add_rivet(rng, sheet, finish, x_mm, y_mm, head_mm * share)
    sheet.placed[-1] = Placed(Mark.OTHER, x_mm, y_mm, 0.0)


def add_screw(rng: Generator, sheet: Sheet, finish: Finish, x_mm: float, y_mm: float, head_mm: float) -> None:
    """Drive a hex screw, mostly with its washer."""
    own = random_finish(rng, bare=True) if rng.random() < 0.6 else _like(rng, finish)
    x, y = sheet.cells(x_mm, y_mm)
    radius = np.hypot(x, y)
    flats = head_mm * rng.uniform(0.6, 1.1)
    turn = rng.uniform(0.0, np.pi / 3.0)
    sides = [x * np.cos(turn + k * np.pi / 3.0) + y * np.sin(turn + k * np.pi / 3.0) for k in range(6)]
    inside = flats / 2.0 - np.max(sides, axis=0)
    base = 0.0
    if rng.random() < 0.85:
        washer = flats * rng.uniform(0.62, 1.0)
        base = head_mm * rng.uniform(0.06, 0.2)
        rim = np.clip((washer - radius) / (0.25 * washer), 0.0, 1.0)
        sheet.height_mm += (base * rim).astype(np.float32)
        sheet.paint(_soft(washer - radius, sheet.cell_mm), own.albedo, own.mirror, own.roughness)
    top = head_mm * rng.uniform(0.25, 0.5)
    hexagon = np.clip(inside / (0.04 * flats), 0.0, 1.0) * top
    if rng.random() < 0.5:
        hexagon -= np.where(radius < 0.3 * flats, 0.25 * top, 0.0)
    sheet.height_mm += hexagon.astype(np.float32)
    sheet.paint(_soft(inside, sheet.cell_mm), own.albedo, own.mirror, own.roughness)
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def add_pan_screw(
    rng: Generator, sheet: Sheet, finish: Finish, x_mm: float, y_mm: float, head_mm: float
) -> None:
    """Drive a screw with a round head: a cross, a square or a slot where a rivet has its mandrel."""
    own = random_finish(rng, bare=True) if rng.random() < 0.5 else _like(rng, finish)
    x, y = sheet.cells(x_mm, y_mm)
    half = head_mm * rng.uniform(0.38, 0.65)
    radius = np.hypot(x, y)
    dome = half * rng.uniform(0.35, 0.7) * _dome(radius / half, rng.uniform(1.8, 3.6))
    sheet.height_mm += np.where(radius < half, dome, 0.0).astype(np.float32)
    sheet.paint(_soft(half - radius, sheet.cell_mm), own.albedo, own.mirror, own.roughness)
    turn = rng.uniform(0.0, np.pi)
    along, across = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    reach, wide = half * rng.uniform(0.4, 0.7), half * rng.uniform(0.08, 0.16)
    slot = np.minimum(reach - np.abs(along), wide - np.abs(across))
    cross = np.minimum(reach - np.abs(across), wide - np.abs(along))
    square = 0.5 * reach - np.maximum(np.abs(along), np.abs(across))
    recess = (slot, np.maximum(slot, cross), np.maximum(slot, cross), square)[rng.integers(4)]
    inside = _soft(recess, sheet.cell_mm)
    sheet.height_mm -= inside * np.float32(half * rng.uniform(0.1, 0.5))
    dark = np.float32(rng.uniform(0.05, 0.6))
    sheet.paint(inside, own.albedo * dark, own.mirror * dark, 0.4)
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def add_hole(rng: Generator, sheet: Sheet, _finish: Finish, x_mm: float, y_mm: float, head_mm: float) -> None:
    """Drill a hole that no rivet fills: dark, at times with a burr."""
    x, y = sheet.cells(x_mm, y_mm)
    base = sheet.base_at(x_mm, y_mm)
    radius = np.hypot(x, y)
    half = head_mm * rng.uniform(0.2, 0.32)
    if rng.random() < 0.6:
        burr = np.exp(-(((radius - half) / (0.06 * head_mm)) ** 2)) * head_mm * rng.uniform(0.0, 0.04)
        sheet.height_mm += burr.astype(np.float32)
    if rng.random() < 0.3:
        ring = np.exp(-(((radius - half * rng.uniform(1.0, 1.5)) / (0.1 * head_mm)) ** 2))
        sheet.paint((0.5 * ring).astype(np.float32), single(rng.uniform(0.05, 0.6, 3)), 0.1, 0.3)
    dark = single(rng.uniform(0.0, 0.03) * np.ones(3))
    sheet.paint(_soft(half - radius, sheet.cell_mm), dark, 0.0, 0.5)
    sheet.placed.append(Placed(Mark.HOLE, x_mm, y_mm, base))


# ---- marks that are no fastener ------------------------------------------------------------------------


def add_drop(rng: Generator, sheet: Sheet, _finish: Finish, x_mm: float, y_mm: float, head_mm: float) -> None:
    """Let a drop of water stand on the sheet: it mirrors the sky and gathers the light on its far side."""
    half = head_mm * np.exp(rng.uniform(np.log(0.15), np.log(0.9)))
    rag = rng.uniform(0.0, 0.05) if rng.random() < 0.5 else rng.uniform(0.0, 0.25)
    inside = _blot(rng, sheet, x_mm, y_mm, half, rag, stretch_max=rng.uniform(0.0, 0.35))
    cover = _soft(inside, sheet.cell_mm)
    rise = half * rng.uniform(0.3, 0.8)
    share = np.clip(1.0 - inside / half, 0.0, 1.0)
    sheet.height_mm += (rise * _dome(share, 2.0) * (inside > 0.0)).astype(np.float32)
    # Wet paint is darker.
    sheet.paint(cover, sheet.albedo * np.float32(rng.uniform(0.5, 1.0)), 0.02, 0.01)
    _gather(rng, sheet, x_mm, y_mm, half, inside, cover)
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def _gather(
    rng: Generator, sheet: Sheet, x_mm: float, y_mm: float, half: float, inside: Floats, cover: Floats
) -> None:
    """Brighten the sheet under a drop where its lens throws the light: a spot, or a crescent at the rim."""
    away = rng.uniform(0.0, 2.0 * np.pi)
    if rng.random() < 0.5:
        x, y = sheet.cells(x_mm + 0.4 * half * np.cos(away), y_mm + 0.4 * half * np.sin(away))
        gather = np.exp(-(x**2 + y**2) / (0.4 * half) ** 2) * rng.uniform(0.0, 1.5)
    else:
        x, y = sheet.cells(x_mm, y_mm)
        towards = (x * np.cos(away) + y * np.sin(away)) / np.maximum(np.hypot(x, y), 1e-3)
        rim = np.exp(-((inside / half / rng.uniform(0.15, 0.5)) ** 2))
        bright = np.clip(towards, 0.0, 1.0) ** rng.uniform(0.5, 2.0) * rng.uniform(0.5, 6.0)
        dark = np.clip(-towards, 0.0, 1.0) * rng.uniform(0.0, 0.5)
        gather = rim * (bright - dark)
    sheet.albedo *= 1.0 + (cover * gather)[:, :, None].astype(np.float32)
    np.clip(sheet.albedo, 0.0, 3.0, out=sheet.albedo)


def add_sealant(
    rng: Generator, sheet: Sheet, finish: Finish, x_mm: float, y_mm: float, head_mm: float
) -> None:
    """Smear a blob of sealant, or set a round dab: white, grey, clear or the sheet's own colour, smooth."""
    is_dab = rng.random() < 0.55
    half = head_mm * (rng.uniform(0.25, 0.8) if is_dab else rng.uniform(0.25, 1.6))
    rag = rng.uniform(0.0, 0.1) if is_dab else rng.uniform(0.12, 0.4)
    inside = _blot(rng, sheet, x_mm, y_mm, half, rag, stretch_max=0.12 if is_dab else 0.35)
    rise = half * rng.uniform(0.15, 0.8) if is_dab else head_mm * rng.uniform(0.05, 0.3)
    full = half if is_dab else 0.7 * half
    profile = _dome(np.clip(1.0 - inside / full, 0.0, 1.0), rng.uniform(1.6, 3.0))
    sheet.height_mm += (rise * profile * (inside > 0.0)).astype(np.float32)
    if rng.random() < 0.2:
        grey = single(finish.albedo * rng.uniform(0.7, 1.4))
    else:
        grey = single(rng.uniform(0.02, 0.85) * rng.uniform(0.9, 1.1, 3))
    sheet.paint(_soft(inside, sheet.cell_mm), grey, 0.04, rng.uniform(0.02, 0.4))
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def add_dirt(rng: Generator, sheet: Sheet, _finish: Finish, x_mm: float, y_mm: float, head_mm: float) -> None:
    """Leave a flat spot: dirt, droppings, rust, a paint chip."""
    half = head_mm * np.exp(rng.uniform(np.log(0.08), np.log(0.8)))
    inside = _blot(rng, sheet, x_mm, y_mm, half, rng.uniform(0.05, 0.5))
    colour = single(np.exp(rng.uniform(np.log(0.015), np.log(0.8))) * rng.uniform(0.7, 1.3, 3))
    cover = _soft(inside, sheet.cell_mm * rng.uniform(1.0, 6.0)) * rng.uniform(0.3, 1.0)
    sheet.paint(cover.astype(np.float32), _mottled(rng, sheet, colour), rng.uniform(0.0, 0.04), 0.5)
    if rng.random() < 0.25:
        sheet.height_mm += (cover * rng.uniform(0.0, 0.05) * head_mm).astype(np.float32)
    if rng.random() < 0.2:
        core = _soft(inside - 0.6 * half, sheet.cell_mm * 3.0)
        sheet.paint(core, single(rng.uniform(0.0, 0.5, 3)), 0.02, 0.5)
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def add_dent(rng: Generator, sheet: Sheet, _finish: Finish, x_mm: float, y_mm: float, head_mm: float) -> None:
    """Dent the sheet, inwards or outwards."""
    x, y = sheet.cells(x_mm, y_mm)
    half = head_mm * rng.uniform(0.2, 1.3)
    stretch = np.exp(rng.uniform(-0.5, 0.5))
    turn = rng.uniform(0.0, np.pi)
    along, across = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    share = (along / stretch) ** 2 + (across * stretch) ** 2
    depth = half * rng.uniform(0.04, 0.25) * rng.choice([-1.0, 1.0])
    sheet.height_mm += (depth * np.exp(-((share / half**2) ** rng.uniform(0.8, 2.0)))).astype(np.float32)
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def add_line(rng: Generator, sheet: Sheet, _finish: Finish, x_mm: float, y_mm: float, head_mm: float) -> None:
    """Draw or scratch one to three lines, at times a tick or a ring where a rivet was to go."""
    n = sheet.height_mm.shape[0]
    ink = np.zeros((n, n), dtype=np.float32)
    thickness = max(1, round(CELLS_PER_HEAD * np.exp(rng.uniform(np.log(0.02), np.log(0.12)))))
    centre = np.array([x_mm, y_mm]) / sheet.cell_mm + (n - 1) / 2.0
    if rng.random() < 0.2:
        radius = round(CELLS_PER_HEAD * rng.uniform(0.3, 0.9))
        start = rng.uniform(0.0, 360.0)
        sweep = rng.uniform(90.0, 360.0)
        middle = (round(centre[0]), round(centre[1]))
        cv2.ellipse(ink, middle, (radius, radius), start, 0.0, sweep, 1.0, thickness, cv2.LINE_AA)
    else:
        for _ in range(rng.integers(1, 4)):
            points = centre + rng.normal(0.0, CELLS_PER_HEAD * rng.uniform(0.4, 2.0), (3, 2))
            points[1] = 0.5 * (points[0] + points[2]) + rng.normal(0.0, 3.0, 2)
            cv2.polylines(ink, [np.round(points).astype(np.int32)], False, 1.0, thickness, cv2.LINE_AA)
    colour = single(np.exp(rng.uniform(np.log(0.02), np.log(0.8))) * rng.uniform(0.9, 1.1, 3))
    mirror = rng.uniform(0.3, 0.9) if rng.random() < 0.3 else 0.04
    sheet.paint(ink * np.float32(rng.uniform(0.2, 1.0)), colour, mirror, 0.2)
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def add_edge(rng: Generator, sheet: Sheet, finish: Finish, x_mm: float, y_mm: float, head_mm: float) -> None:
    """Let the sheet end here on another one: a lap's edge, a hem, a fold."""
    turn = rng.uniform(0.0, 2.0 * np.pi)
    x, y = sheet.cells(x_mm, y_mm)
    beyond = x * np.cos(turn) + y * np.sin(turn)
    inside = _soft(-beyond, sheet.cell_mm)
    step = rng.uniform(0.4, 1.5) if rng.random() < 0.7 else rng.uniform(3.0, 12.0)
    sheet.height_mm += inside * np.float32(step)
    if rng.random() < 0.5:
        other = random_finish(rng, bare=rng.random() < 0.3) if rng.random() < 0.4 else _like(rng, finish)
        sheet.paint(1.0 - inside, other.albedo, other.mirror, other.roughness)
    if rng.random() < 0.3:
        sheet.sun *= _soft(-beyond + rng.uniform(0.0, 2.0) * head_mm, head_mm * rng.uniform(0.02, 0.5))
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def add_card(rng: Generator, sheet: Sheet, _finish: Finish, x_mm: float, y_mm: float, head_mm: float) -> None:
    """Lay the corner of a printed card, with a piece of a tag and some print."""
    turn = rng.uniform(0.0, 2.0 * np.pi)
    x, y = sheet.cells(x_mm, y_mm)
    right, down = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    inside = _soft(np.minimum(right, down), sheet.cell_mm)
    sheet.height_mm = (sheet.height_mm * (1.0 - inside) + 0.8 * inside).astype(np.float32)
    sheet.paint(inside, np.full(3, rng.uniform(0.6, 0.9), dtype=np.float32), 0.04, 0.4)
    side = head_mm * rng.uniform(0.4, 0.9)
    ink = (np.floor(right / side).astype(int) * 7 + np.floor(down / side).astype(int) * 13) % 5 < 2
    print_ = inside * ink * (np.minimum(right, down) > rng.uniform(0.3, 1.2) * head_mm)
    sheet.paint(print_.astype(np.float32), np.full(3, 0.03, dtype=np.float32), 0.04, 0.4)
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def add_swarf(
    rng: Generator, sheet: Sheet, _finish: Finish, x_mm: float, y_mm: float, head_mm: float
) -> None:
    """Strew bright or dark specks and grains."""
    for _ in range(rng.integers(1, 6)):
        at = np.array([x_mm, y_mm]) + rng.normal(0.0, 0.5 * head_mm, 2)
        half = head_mm * rng.uniform(0.04, 0.2)
        cover = _soft(_blot(rng, sheet, at[0], at[1], half, 0.3), sheet.cell_mm)
        own = random_finish(rng, bare=rng.random() < 0.5)
        sheet.height_mm += cover * np.float32(rng.uniform(0.0, half))
        sheet.paint(cover, own.albedo, own.mirror, own.roughness)
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def add_leaf(rng: Generator, sheet: Sheet, _finish: Finish, x_mm: float, y_mm: float, head_mm: float) -> None:
    """Lay a dead leaf, larger than a head."""
    half = head_mm * rng.uniform(0.6, 2.5)
    inside = _blot(rng, sheet, x_mm, y_mm, half, rng.uniform(0.1, 0.4))
    cover = _soft(inside, sheet.cell_mm)
    brown = single((0.1, 0.25, 0.4) * rng.uniform(0.3, 1.6, 3))
    sheet.height_mm += cover * np.float32(rng.uniform(0.2, 2.0))
    sheet.paint(cover, _mottled(rng, sheet, brown), 0.04, 0.4)
    sheet.placed.append(Placed(Mark.OTHER, x_mm, y_mm, 0.0))


def shade_by_branch(rng: Generator, sheet: Sheet, head_mm: float) -> None:
    """Let leaves and branches stand between the sun and the sheet."""
    n = sheet.height_mm.shape[0]
    wave = CELLS_PER_HEAD * np.exp(rng.uniform(np.log(0.4), np.log(4.0)))
    screen = noise(rng, n, wave, wave) + rng.normal(0.0, 0.4)
    penumbra = rng.uniform(0.05, 0.6)
    sheet.sun *= np.float32(1.0) - _soft(screen, penumbra) * np.float32(rng.uniform(0.5, 1.0))


Draw = Callable[[Generator, Sheet, Finish, float, float, float], None]

# What may stand in a scene besides rivets, with its share; the likeliest mistakes come most often.
OTHERS: tuple[tuple[Draw, float], ...] = (
    (add_hole, 0.08),
    (add_screw, 0.09),
    (add_pan_screw, 0.06),
    (add_other_head, 0.07),
    (add_drop, 0.20),
    (add_sealant, 0.20),
    (add_dirt, 0.14),
    (add_dent, 0.09),
    (add_line, 0.08),
    (add_swarf, 0.06),
    (add_leaf, 0.03),
)


def _blot(
    rng: Generator,
    sheet: Sheet,
    x_mm: float,
    y_mm: float,
    half_mm: float,
    rag: float,
    *,
    stretch_max: float = 0.35,
) -> Floats:
    """Return the depth inside an irregular round outline, mm; negative outside."""
    x, y = sheet.cells(x_mm, y_mm)
    turn, stretch = rng.uniform(0.0, np.pi), np.exp(rng.uniform(0.0, stretch_max))
    along, across = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    angle = np.arctan2(across, along)
    outline = np.ones_like(angle)
    for wave in range(2, 7):
        phase = rng.uniform(0.0, 2.0 * np.pi)
        outline = outline + rag * rng.normal(0.0, 1.0) / wave * np.cos(wave * angle + phase)
    radius = np.hypot(along / stretch, across * stretch)
    return single(half_mm * np.maximum(outline, 0.2) - radius)


def _mottled(rng: Generator, sheet: Sheet, colour: Floats) -> Floats:
    depth = rng.uniform(0.0, 0.2)
    grain = noise(rng, sheet.height_mm.shape[0], 7.0, 7.0)
    return single(colour * np.exp(depth * grain)[:, :, None])


def _soft(inside_mm: Floats, width_mm: float) -> Floats:
    return single(np.clip(0.5 + inside_mm / width_mm, 0.0, 1.0))
