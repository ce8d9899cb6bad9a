"""Small close-ups of sheet metal of our own making: rivet heads and whatever may be taken for one.

A scene is a height field with materials under a sky, a sun and what is mirrored in it, seen from one side.
Frames: plane mm, x right, y down, height towards the viewer. All randomness comes from one generator.
"""

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.floating[Any]]
Generator = np.random.Generator

# Cells of the height field across one rivet head, and samples across one pixel of the photo.
CELLS_PER_HEAD = 40
SUPERSAMPLING = 3
# Extent of a scene in head diameters.
EXTENT_HEADS = 5.0


class Mark(IntEnum):
    """What stands at a place of the sheet."""

    OTHER = 0
    RIVET = 1
    HOLE = 2


@dataclass(frozen=True, slots=True)
class Placed:
    """One thing in a scene: what it is, its centre (mm from the scene's), the height that it stands on."""

    mark: Mark
    x_mm: float
    y_mm: float
    base_mm: float


@dataclass(eq=False, slots=True)
class Sheet:
    """The surface under construction: one cell per entry, row = y, column = x.

    Attributes
    ----------
    cell_mm : float
        Size of a cell.
    height_mm : ndarray of shape (N, N)
        Height over the sheet.
    albedo : ndarray of shape (N, N, 3)
        Diffuse reflectance, BGR.
    mirror : ndarray of shape (N, N, 3)
        Reflectance at normal incidence, BGR.
    roughness : ndarray of shape (N, N)
        Angular width of the mirror lobe, rad.
    sun : ndarray of shape (N, N)
        Share of the sun that distant things let through.
    placed : list of Placed
        What was put where.
    """

    cell_mm: float
    height_mm: Floats
    albedo: Floats
    mirror: Floats
    roughness: Floats
    sun: Floats
    placed: list[Placed] = field(default_factory=list)

    def cells(self, x_mm: float, y_mm: float) -> tuple[Floats, Floats]:
        """Return every cell's place relative to a point, mm."""
        n = self.height_mm.shape[0]
        axis = (np.arange(n, dtype=np.float32) - (n - 1) / 2.0) * np.float32(self.cell_mm)
        x, y = axis - np.float32(x_mm), axis - np.float32(y_mm)
        return np.broadcast_to(x, (n, n)), np.broadcast_to(y[:, None], (n, n))

    def base_at(self, x_mm: float, y_mm: float) -> float:
        """Return the height of the surface at a point so far."""
        middle = (self.height_mm.shape[0] - 1) / 2.0
        column, row = (round(middle + at / self.cell_mm) for at in (x_mm, y_mm))
        return float(self.height_mm[row, column])

    def paint(self, cover: Floats, albedo: Floats, mirror: Floats | float, roughness: float) -> None:
        """Lay a material over the sheet where ``cover``, shape (N, N), is not 0."""
        weight = cover[:, :, None]
        self.albedo += weight * (albedo - self.albedo)
        self.mirror += weight * (mirror - self.mirror)
        self.roughness += cover * (np.float32(roughness) - self.roughness)


@dataclass(frozen=True, slots=True)
class Finish:
    """A material: diffuse and mirror reflectance (BGR), width of the mirror lobe in rad."""

    albedo: Floats
    mirror: Floats
    roughness: float


@dataclass(frozen=True, slots=True)
class Lobe:
    """A round patch of the surroundings: unit direction, sharpness, radiance at its middle (BGR)."""

    direction: Floats
    sharpness: float
    radiance: Floats


@dataclass(frozen=True, slots=True)
class Light:
    """What shines on the sheet.

    Attributes
    ----------
    up : ndarray of shape (3,)
        The world's zenith in the sheet's frame.
    sky, ground : ndarray of shape (3,)
        Radiance above and below the horizon, BGR.
    sun_direction : ndarray of shape (3,)
        Towards the sun.
    sun : ndarray of shape (3,)
        Irradiance square to the sun, BGR; zero under a closed sky.
    haze : float
        Width of the horizon, as the sine of an elevation.
    lobes : tuple of Lobe
        Clouds, trees, walls, the person with the camera.
    """

    up: Floats
    sky: Floats
    ground: Floats
    sun_direction: Floats
    sun: Floats
    haze: float
    lobes: tuple[Lobe, ...]


@dataclass(frozen=True, slots=True)
class Sight:
    """How the scene is seen: a distant camera.

    Attributes
    ----------
    direction : ndarray of shape (3,)
        Unit vector from the sheet to the camera.
    by_mm : ndarray of shape (2, 3)
        Pixels per mm of x, y and height.
    """

    direction: Floats
    by_mm: Floats


def single(values: ArrayLike) -> Floats:
    """Return an array in single precision."""
    return np.asarray(values, dtype=np.float32)


def unit(vector: ArrayLike) -> Floats:
    """Return a vector at length 1."""
    return single(np.asarray(vector) / np.linalg.norm(vector))


def sight_from(tilt_rad: float, azimuth_rad: float, roll_rad: float, px_per_mm: float) -> Sight:
    """Return the sight from a tilt off the sheet's normal and an azimuth, rolled about the line of sight."""
    direction = unit(
        [
            np.sin(tilt_rad) * np.cos(azimuth_rad),
            np.sin(tilt_rad) * np.sin(azimuth_rad),
            np.cos(tilt_rad),
        ]
    )
    across = np.array([-np.sin(azimuth_rad), np.cos(azimuth_rad), 0.0])
    # Right-handed with x right, y down and height towards the viewer.
    down = np.array(
        [
            -np.cos(azimuth_rad) * np.cos(tilt_rad),
            -np.sin(azimuth_rad) * np.cos(tilt_rad),
            np.sin(tilt_rad),
        ]
    )
    c, s = np.cos(roll_rad), np.sin(roll_rad)
    axes = np.stack([c * across + s * down, -s * across + c * down])
    return Sight(direction, np.asarray(px_per_mm * axes, dtype=np.float32))


# ---- light ---------------------------------------------------------------------------------------------


def random_light(rng: Generator, sight: Sight) -> Light:
    """Draw a time of day, a weather and surroundings."""
    pitch, heading = rng.uniform(0.1, 0.7), rng.uniform(0.0, 2.0 * np.pi)
    up = unit([np.sin(pitch) * np.cos(heading), np.sin(pitch) * np.sin(heading), np.cos(pitch)])
    blue = rng.uniform(0.0, 1.0)
    sky = single(1.0 + blue * np.array([0.6, 0.1, -0.25])) * np.float32(rng.uniform(0.6, 1.4))
    ground = np.array([0.10, 0.17, 0.14]) * rng.uniform(0.3, 2.2) + rng.uniform(0.0, 0.12)
    elevation = np.arcsin(rng.uniform(0.10, 1.0)) if rng.random() < 0.6 else rng.uniform(0.1, 0.45)
    azimuth = rng.uniform(0.0, 2.0 * np.pi)
    sun_direction = unit(
        [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)]
    )
    # Closed sky and open shade have no sun, haze little, a clear day up to ten times the sky.
    strength = 0.0 if rng.random() < 0.4 else np.exp(rng.uniform(np.log(0.5), np.log(10.0)))
    warm = 1.0 - rng.uniform(0.0, 0.5) * np.exp(-4.0 * elevation)
    sun = strength * np.array([warm**2, warm, 1.0])
    lobes = [_random_lobe(rng, sky, up) for _ in range(rng.integers(2, 9))]
    if rng.random() < 0.6:
        # The person with the camera stands dark against the sky, near the line of sight.
        towards = unit(sight.direction + rng.normal(0.0, 0.25, 3))
        lobes.append(Lobe(towards, rng.uniform(4.0, 30.0), single(-rng.uniform(0.3, 0.9) * sky)))
    return Light(
        up,
        single(sky),
        single(ground),
        sun_direction,
        single(sun),
        float(rng.uniform(0.02, 0.25)),
        tuple(lobes),
    )


def _random_lobe(rng: Generator, sky: Floats, up: Floats) -> Lobe:
    """Draw a cloud, or a tree, wall or hill, which stand near the horizon and are dark or lit by the sun."""
    tint = rng.uniform(0.8, 1.2, 3)
    sharpness = float(np.exp(rng.uniform(0.7, 4.5)))
    if rng.random() < 0.5:
        away = unit(rng.normal(0.0, 1.0, 3))
        level_direction = away - (away @ up - np.float32(rng.normal(0.1, 0.2))) * up
        level = rng.uniform(-1.0, -0.2) if rng.random() < 0.7 else rng.uniform(0.0, 1.0)
        return Lobe(unit(level_direction), sharpness, single(level * sky * tint))
    direction = unit(rng.normal((0.0, 0.0, 0.6), 1.0))
    level = rng.uniform(-0.6, 0.0) if rng.random() < 0.3 else rng.uniform(0.0, 1.6)
    return Lobe(direction, sharpness, single(level * sky * tint))


def radiance_from(light: Light, towards: Floats, roughness: Floats, ground: Floats) -> Floats:
    """Return what is mirrored from directions, shape (..., 3), blurred by the roughness, BGR.

    Below the sheet's own horizon the sheet itself is mirrored, with radiance ``ground``.
    """
    blur = roughness + np.float32(0.02)
    above = _step(towards @ light.up, light.haze + blur)
    result = light.ground + above[..., None] * (light.sky - light.ground)
    for lobe in light.lobes:
        sharpness = 1.0 / (1.0 / lobe.sharpness + roughness**2)
        level = sharpness / lobe.sharpness * np.exp(sharpness * (towards @ lobe.direction - 1.0))
        result = result + level[..., None] * lobe.radiance
    over_sheet = _step(towards[..., 2], 0.05 + blur)[..., None]
    result = np.maximum(result, 0.0)
    return single(ground + over_sheet * (result - ground))


def sun_glint(light: Light, towards: Floats, roughness: Floats) -> Floats:
    """Return the mirrored sun, without shadows, BGR."""
    # The sun's disc is 0.0047 rad in radius; a lobe of that width carries the same irradiance.
    width2 = np.float32(0.006) ** 2 + roughness**2
    level = np.exp(-(1.0 - np.clip(towards @ light.sun_direction, -1.0, 1.0)) / width2) / (
        2.0 * np.pi * width2
    )
    return single(level[..., None] * light.sun)


def diffuse_sky(light: Light, normal: Floats) -> Floats:
    """Return the irradiance over pi of sky, ground and lobes on a surface, BGR."""
    above = (0.5 + 0.5 * normal @ light.up)[..., None]
    result = light.ground + above * (light.sky - light.ground)
    for lobe in light.lobes:
        # The lobe's solid angle times the clamped cosine, softened by the lobe's own width.
        weight = np.maximum(normal @ lobe.direction + 0.5 / lobe.sharpness, 0.0) * (2.0 / lobe.sharpness)
        result = result + weight[..., None] * lobe.radiance
    return single(np.maximum(result, 0.02 * light.sky))


def _step(value: Floats, width: Floats | float) -> Floats:
    return single(0.5 + 0.5 * np.tanh(value / width))


# ---- rendering -----------------------------------------------------------------------------------------


def render(sheet: Sheet, light: Light, sight: Sight, size_px: tuple[int, int]) -> Floats:
    """Return the radiance that a perfect camera sees, shape (H, W, 3), BGR, the scene's centre in the middle.

    Notes
    -----
    The direction of sight is the same all over the scene, so that cells are shaded once; then each sample of
    the picture looks up the highest cell on its ray.
    """
    shaded = _shade(sheet, light, sight)
    width, height = (SUPERSAMPLING * extent for extent in size_px)
    u = (np.arange(width, dtype=np.float32) - (width - 1) / 2.0) / SUPERSAMPLING
    v = (np.arange(height, dtype=np.float32) - (height - 1) / 2.0) / SUPERSAMPLING
    inverse = np.linalg.inv(sight.by_mm[:, :2]).astype(np.float32) / np.float32(sheet.cell_mm)
    middle = np.float32((sheet.height_mm.shape[0] - 1) / 2.0)
    x = inverse[0, 0] * u[None, :] + inverse[0, 1] * v[:, None] + middle
    y = inverse[1, 0] * u[None, :] + inverse[1, 1] * v[:, None] + middle
    lean = sight.direction[:2] / sight.direction[2] / np.float32(sheet.cell_mm)
    hit_mm = _highest_on_ray(sheet.height_mm, x, y, lean)
    seen = _look_up(shaded, x + lean[0] * hit_mm, y + lean[1] * hit_mm)
    return single(cv2.resize(seen, size_px, interpolation=cv2.INTER_AREA))


def _highest_on_ray(height_mm: Floats, x: Floats, y: Floats, lean: Floats) -> Floats:
    """Return the height at which each ray first meets the surface, coming from the camera."""
    top = float(height_mm.max())
    hit = np.zeros_like(x)
    if top <= 0.0:
        return hit
    steps = 14
    above, below = np.full_like(x, top), np.zeros_like(x)
    open_ray = np.ones(x.shape, dtype=bool)
    for level in np.linspace(top, 0.0, steps, endpoint=False)[1:]:
        surface = _look_up(height_mm, x + lean[0] * level, y + lean[1] * level)
        inside = open_ray & (surface >= level)
        below[inside], above[inside] = level, level + top / steps
        open_ray &= ~inside
    above[open_ray] = top / steps
    for _ in range(4):
        middle = 0.5 * (above + below)
        inside = _look_up(height_mm, x + lean[0] * middle, y + lean[1] * middle) >= middle
        below, above = np.where(inside, middle, below), np.where(inside, above, middle)
    return single(below)


def _look_up(field_: Floats, x: Floats, y: Floats) -> Floats:
    # Beyond the scene it goes on as its mirror image, so that no line of sight falls off an edge.
    return single(
        cv2.remap(field_, single(x), single(y), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    )


def _shade(sheet: Sheet, light: Light, sight: Sight) -> Floats:
    slope_y, slope_x = np.gradient(sheet.height_mm, sheet.cell_mm)
    normal = np.dstack([-slope_x, -slope_y, np.ones_like(slope_x)])
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    openness = _openness(sheet)
    sun = sheet.sun * _sun_reaches(sheet, light)
    facing = np.maximum(normal @ light.sun_direction, 0.0)
    irradiance = openness[:, :, None] * diffuse_sky(light, normal)
    irradiance += (sun * facing)[:, :, None] * light.sun / np.float32(np.pi)
    around = (sheet.albedo[::8, ::8] * irradiance[::8, ::8]).mean(axis=(0, 1))
    cosine = np.maximum(normal @ sight.direction, 0.02)
    towards = 2.0 * cosine[:, :, None] * normal - sight.direction
    # Schlick's approximation of the Fresnel reflectance (C. Schlick, Computer Graphics Forum 13(3), 1994).
    mirror = sheet.mirror + (1.0 - sheet.mirror) * ((1.0 - cosine) ** 5)[:, :, None]
    # What the sheet itself mirrors is its own diffuse light and the sky that it mirrors in turn.
    own = around + 0.5 * sheet.mirror[::8, ::8].mean(axis=(0, 1)) * light.sky
    mirrored = openness[:, :, None] * radiance_from(light, towards, sheet.roughness, own)
    mirrored += sun[:, :, None] * sun_glint(light, towards, sheet.roughness)
    return single(sheet.albedo * irradiance + mirror * mirrored)


def _openness(sheet: Sheet) -> Floats:
    """Return how much of the sky each cell sees: less beside and below what stands higher."""
    result = np.ones_like(sheet.height_mm)
    if np.ptp(sheet.height_mm) <= 0.0:
        return result
    for share in (0.05, 0.14):
        sigma_mm = share * CELLS_PER_HEAD * sheet.cell_mm
        mean = cv2.GaussianBlur(sheet.height_mm, (0, 0), sigma_mm / sheet.cell_mm)
        result *= 1.0 / (1.0 + 0.9 * np.maximum(mean - sheet.height_mm, 0.0) / sigma_mm)
    return result


def _sun_reaches(sheet: Sheet, light: Light) -> Floats:
    """Return 0 where something on the sheet shades the sun, 1 where not."""
    top = float(sheet.height_mm.max())
    if top <= 0.0 or not light.sun.any():
        return np.ones_like(sheet.height_mm)
    slope = light.sun_direction[2] / max(float(np.hypot(*light.sun_direction[:2])), 1e-3)
    heading = light.sun_direction[:2] / max(float(np.hypot(*light.sun_direction[:2])), 1e-3)
    reach_cells = min(top / slope / sheet.cell_mm, 0.6 * sheet.height_mm.shape[0])
    lit = np.ones_like(sheet.height_mm)
    for step in np.arange(1.0, reach_cells + 1.0, 1.5):
        shift = np.array([[1.0, 0.0, step * heading[0]], [0.0, 1.0, step * heading[1]]])
        moved = cv2.warpAffine(
            sheet.height_mm,
            shift,
            sheet.height_mm.shape[::-1],
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        over = moved - sheet.height_mm - np.float32(slope * step * sheet.cell_mm)
        lit = np.minimum(lit, np.clip(1.0 - over / np.float32(1.5 * slope * sheet.cell_mm + 0.02), 0.0, 1.0))
    return single(cv2.GaussianBlur(lit, (0, 0), 0.7))
