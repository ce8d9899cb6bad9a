"""A drawn house with a standing-seam roof, seen by a simulated camera: ridge ends are known exactly.

Frame: mm, x along the ridge, y down, z away from the first camera; the ridge's middle is the origin.
"""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from calib.camera import Camera, project
from vision.plane import View

_SUB = 3
LENS = Camera(2000, 1500, 1400.0, 1400.0, 1003.0, 748.0, 0.01, -0.01, 2e-4, -1e-4)


@dataclass(frozen=True)
class House:
    """A gable house, mm, and its colours (blue, green, red)."""

    ridge: float = 9000.0
    half_depth: float = 3600.0
    rise: float = 1900.0
    wall: float = 2600.0
    flange: float = 170.0
    seam: float = 450.0
    roof: tuple[int, int, int] = (70, 62, 55)
    walls: tuple[int, int, int] = (200, 205, 190)
    ground: tuple[int, int, int] = (60, 110, 95)
    sky: tuple[int, int, int] = (235, 215, 190)
    # How light the roof's two planes are: that towards the first camera, that away from it.
    shades: tuple[float, float] = (1.0, 0.8)

    @property
    def ends_mm(self) -> np.ndarray:
        return np.array([[-self.ridge / 2.0, 0.0, 0.0], [self.ridge / 2.0, 0.0, 0.0]])

    def slope(self, x: float, away: float, side: float) -> list[float]:
        """Return a point of a roof plane, a part of the way from the ridge (0) to the eave (1)."""
        return [x, self.rise * away, -side * self.half_depth * away]


def view_from(position_mm, aim_mm=(0.0, 1500.0, 0.0), lens: Camera = LENS) -> View:
    """Return an exactly known view from a place towards another, horizon level."""
    position, aim = np.array(position_mm, dtype=float), np.array(aim_mm, dtype=float)
    forward = (aim - position) / np.linalg.norm(aim - position)
    right = np.cross([0.0, 1.0, 0.0], forward)
    right /= np.linalg.norm(right)
    rotation = np.array([right, np.cross(forward, right), forward])
    return View(lens, rotation, -rotation @ position, np.zeros((15, 15)))


def ends_px(house: House, view: View) -> np.ndarray:
    """Return the true pixels of the ridge's ends, shape (2, 2)."""
    return project(view.camera, view.to_camera(house.ends_mm))


# Paints what stands behind the house on the picture, whose horizon is the given row.
Scenery = Callable[[np.ndarray, int], None]


def draw_house(
    house: House,
    view: View,
    seed: int,
    *,
    scenery: Scenery | None = None,
    blur_px: float = 0.7,
    noise: float = 2.0,
) -> np.ndarray:
    """Draw the photo, shape (H, W, 3), uint8: nine rays per pixel, then blur and noise (grey levels)."""
    camera = view.camera
    rng = np.random.default_rng(seed)
    picture, horizon = _background(house, view)
    if scenery is not None:
        scenery(picture, horizon)
    # What is farther away is drawn first.
    sides = _far_first(-view.position_mm[2])
    for side in sides:
        _draw_wall(picture, house, view, side)
    for side in _far_first(view.position_mm[0]):
        _draw_gable(picture, house, view, side)
    for side in sides:
        if _faces(house, view, side):
            _draw_roof(picture, house, view, side, house.shades[0 if side > 0.0 else 1])
    size = (camera.width, camera.height)
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    grain = cv2.GaussianBlur(rng.normal(0.0, 9.0, small.shape).astype(np.float32), (0, 0), 2.5)
    noisy = cv2.GaussianBlur(small, (0, 0), blur_px) + grain + rng.normal(0.0, noise, small.shape)
    return np.clip(noisy, 0.0, 255.0).round().astype(np.uint8)


def _far_first(coordinate_mm: float) -> tuple[float, float]:
    """Return the two sides of the house, the one away from a camera at this coordinate first."""
    return (-1.0, 1.0) if coordinate_mm > 0.0 else (1.0, -1.0)


def _background(house: House, view: View) -> tuple[np.ndarray, int]:
    camera = view.camera
    picture = np.full((_SUB * camera.height, _SUB * camera.width, 3), house.sky, np.uint8)
    far = view.position_mm * (1.0, 0.0, 1.0) + [0.0, house.rise + house.wall, 0.0]
    ahead = view.rotation[2] * (1.0, 0.0, 1.0)
    ahead /= np.linalg.norm(ahead)
    horizon = view.to_camera(far + 1e7 * ahead)[0]
    row = project(camera, horizon[None])[0, 1]
    horizon_row = int(np.clip(_SUB * row, 0, len(picture)))
    picture[horizon_row:] = house.ground
    return picture, horizon_row


def _faces(house: House, view: View, side: float) -> bool:
    """Say whether a roof plane is seen from above."""
    normal = np.array([0.0, -house.half_depth, -side * house.rise])
    return bool(view.position_mm @ normal > 0.0)


def _fill(picture: np.ndarray, view: View, points_mm, colour, shade: float = 1.0) -> None:
    """Fill a polygon whose edges are bent by the lens."""
    corners = np.asarray(points_mm, dtype=float)
    steps = np.linspace(0.0, 1.0, 24, endpoint=False)[:, None]
    outline = np.concatenate(
        [a + steps * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    )
    in_camera = view.to_camera(outline)
    if np.any(in_camera[:, 2] < 200.0):
        return
    px = (project(view.camera, in_camera) + 0.5) * _SUB - 0.5
    shaded = tuple(float(np.clip(shade * part, 0, 255)) for part in colour)
    cv2.fillPoly(picture, [np.round(px * 16).astype(np.int32)], shaded, cv2.LINE_AA, 4)


def _draw_wall(picture: np.ndarray, house: House, view: View, side: float) -> None:
    left, right = (0.985 * x for x in (-house.ridge / 2.0, house.ridge / 2.0))
    z, top, low = -side * 0.93 * house.half_depth, house.rise, house.rise + house.wall
    if side * (view.position_mm[2] - z) > 0.0:
        return
    corners = [[left, top, z], [right, top, z], [right, low, z], [left, low, z]]
    _fill(picture, view, corners, house.walls, 0.95)
    for start in np.linspace(left + 1200.0, right - 2200.0, 3):
        window = [[start, top + 700.0, z], [start + 1000.0, top + 700.0, z]]
        window += [[start + 1000.0, top + 1800.0, z], [start, top + 1800.0, z]]
        _fill(picture, view, window, (60, 50, 45))


def _draw_gable(picture: np.ndarray, house: House, view: View, side: float) -> None:
    x, deep = side * 0.98 * house.ridge / 2.0, 0.93 * house.half_depth
    if side * (view.position_mm[0] - x) < 0.0:
        return
    low = house.rise + house.wall
    outline = [[x, 60.0, 0.0], [x, house.rise, deep], [x, low, deep], [x, low, -deep], [x, house.rise, -deep]]
    _fill(picture, view, outline, house.walls, 0.7)


def _draw_roof(picture: np.ndarray, house: House, view: View, side: float, shade: float) -> None:
    half = house.ridge / 2.0
    slope_mm = float(np.hypot(house.half_depth, house.rise))
    hem = house.flange / slope_mm

    def quad(x1: float, x2: float, high: float, low: float) -> list[list[float]]:
        return [house.slope(x, away, side) for x, away in ((x1, high), (x2, high), (x2, low), (x1, low))]

    _fill(picture, view, quad(-half, half, 0.0, 1.0), house.roof, shade)
    for x in np.arange(-half + 12.0, half, house.seam):
        _fill(picture, view, quad(x, x + 14.0, 0.6 * hem, 1.0), house.roof, 1.5 * shade)
        _fill(picture, view, quad(x + 14.0, x + 40.0, 0.6 * hem, 1.0), house.roof, 0.45 * shade)
    _fill(picture, view, quad(-half, half, hem, 1.12 * hem), house.roof, 0.5 * shade)
    _fill(picture, view, quad(-half, half, 0.0, hem), house.roof, 1.06 * shade)
