"""Ridge caps drawn with numpy for the tests of flange and laps, every length known.

A scene lies in a target's frame (mm): the sheet under the target at depth ``z_mm``; stations and offsets are
measured along and square to the ridge. Light at the step is reckoned, not painted: sky dimmed by the step,
the sun's shadow, the cut's own face.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from calib.camera import Camera, undistort
from vision.flange import Border, Flange
from vision.plane import View, to_mm

CARD_MM = (190.0, 130.0)
CARD_OUTLINE_MM = np.array([(0.0, 0.0), (190.0, 0.0), (190.0, 130.0), (0.0, 130.0)])
CAMERA = Camera(1200, 900, 1822.0, 1822.0, 609.1, 443.7, 0.031, -0.042, 4e-4, -3e-4)


@dataclass(frozen=True)
class Ridge:
    """A drawn cap, in grey levels; ``lower`` is +1 if the lower piece lies at greater stations."""

    along_deg: float = 0.0
    fold_mm: float = -20.0
    hem_mm: float = 170.0
    z_mm: float = 0.8
    sheet: float = 120.0
    other_flange: float = 100.0
    glint: float = 40.0
    groove: float = 0.4
    texture: float = 3.0
    streaks: float = 2.0
    card: bool = True
    edge_mm: float | None = None
    lower: int = 1
    target_on_upper: bool = True
    rise_mm: float = 1.05
    thickness_mm: float = 0.7
    lower_share: float = 1.0
    face_share: float = 0.7
    sun_run: float | None = None
    mark_mm: float | None = None
    mark_level: float = 230.0
    mark_width_mm: float = 0.8
    lines: tuple[tuple[float, float, float], ...] = ()
    shadows: tuple[tuple[float, float, float, float], ...] = ()
    rivets_mm: tuple[tuple[float, float], ...] = ()

    @property
    def along(self) -> np.ndarray:
        return np.array([math.cos(math.radians(self.along_deg)), math.sin(math.radians(self.along_deg))])

    @property
    def across(self) -> np.ndarray:
        return np.array([-self.along[1], self.along[0]])

    @property
    def edge_z_mm(self) -> float:
        return self.z_mm - (0.0 if self.target_on_upper else self.rise_mm)

    def mm(self, stations, offsets) -> np.ndarray:
        """Return plane points, shape (N, 2)."""
        return np.outer(stations, self.along) + np.outer(offsets, self.across)


def stand(aim_mm, distance_mm, tilt_deg=0.0, towards_deg=0.0, roll_deg=0.0, camera=CAMERA) -> View:
    """Return a view that looks at a plane point, tilted towards a direction on the plane, exactly known."""
    tilt, towards, roll = (math.radians(angle) for angle in (tilt_deg, towards_deg, roll_deg))
    forward = np.array(
        [math.sin(tilt) * math.cos(towards), math.sin(tilt) * math.sin(towards), math.cos(tilt)]
    )
    right = np.array([math.cos(roll), math.sin(roll), 0.0])
    right -= right @ forward * forward
    right /= np.linalg.norm(right)
    rotation = np.array([right, np.cross(forward, right), forward])
    position = np.array([*aim_mm, 0.0]) - distance_mm * forward
    return View(camera, rotation, -rotation @ position, np.zeros((15, 15)))


def draw(ridge: Ridge, view: View, seed: int) -> np.ndarray:
    """Draw the photo, shape (H, W, 3), uint8."""
    rng = np.random.default_rng(seed)
    rays = _rays(view)
    field = _Field(ridge, view, rng)
    grey = field.level(rays)
    fine = field.needs_care(rays)
    grey[fine] = np.mean([field.level(rays[fine] + step[fine]) for step in _sub_steps(rays)], axis=0)
    grey = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 0.65)
    colour = grey[:, :, None] * np.array([0.95, 1.0, 1.03], dtype=np.float32)
    noisy = colour + rng.normal(0.0, 1.0, colour.shape) * np.sqrt(1.5 + 0.01 * colour)
    image = np.clip(noisy, 0, 255).round().astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 93])[1], cv2.IMREAD_COLOR)


def _rays(view: View) -> np.ndarray:
    """Return how far each pixel's ray moves on the plane per millimetre of depth, shape (H, W, 2)."""
    step, camera = 8, view.camera
    x, y = np.arange(0, camera.width + step, step), np.arange(0, camera.height + step, step)
    mesh = np.stack(np.meshgrid(x, y), axis=2).reshape(-1, 2).astype(float)
    ideal = np.pad(undistort(camera, mesh), ((0, 0), (0, 1)), constant_values=1.0) @ view.rotation
    grid = (ideal[:, :2] / ideal[:, 2:]).reshape(len(y), len(x), 2)
    for axis, length in ((0, camera.height), (1, camera.width)):
        place = np.arange(length) / step
        low = place.astype(int)
        share = (place - low).reshape((-1, 1, 1) if axis == 0 else (1, -1, 1))
        grid = np.take(grid, low, axis) * (1 - share) + np.take(grid, low + 1, axis) * share
    return grid


def _sub_steps(rays: np.ndarray) -> list[np.ndarray]:
    """Return sixteen moves within a pixel."""
    down, right = np.gradient(rays, axis=(0, 1))
    places = (np.arange(4) - 1.5) / 4.0
    return [dx * right + dy * down for dx in places for dy in places]


class _Field:
    """The scene's grey level where a ray meets it."""

    def __init__(self, ridge: Ridge, view: View, rng: np.random.Generator) -> None:
        self.ridge, self.eye = ridge, view.position_mm
        noise = [gaussian_filter(rng.normal(size=(512, 512)), sigma, mode="wrap") for sigma in (2.0, 12.0)]
        self.blots = sum(layer / layer.std() for layer in noise) * ridge.texture
        lines = gaussian_filter(rng.normal(size=(512, 512)), (40.0, 1.5), mode="wrap")
        self.streaks = lines / lines.std() * ridge.streaks

    def at(self, rays, z_mm):
        """Return station and offset where rays meet a depth."""
        mm = self.eye[:2] + (z_mm - self.eye[2]) * rays
        return mm @ self.ridge.along, mm @ self.ridge.across

    def beyond_edge(self, station):
        """Return how far towards the lower sheet a station lies from the edge."""
        return -np.inf if self.ridge.edge_mm is None else self.ridge.lower * (station - self.ridge.edge_mm)

    def needs_care(self, rays):
        station, _ = self.at(rays, self.ridge.z_mm)
        places = [self.ridge.edge_mm, self.ridge.mark_mm, *(line[0] for line in self.ridge.lines)]
        return np.any(
            [np.abs(station - place) < 4.0 for place in places if place is not None] or [station > 1e9],
            axis=0,
        )

    def level(self, rays):
        ridge = self.ridge
        upper, offset = self.at(rays, ridge.edge_z_mm)
        lower, _ = self.at(rays, ridge.edge_z_mm + ridge.rise_mm)
        before, behind = self.beyond_edge(upper), self.beyond_edge(lower)
        sheet = ridge.sheet * np.ones_like(upper)
        if ridge.edge_mm is not None:
            sheet = np.where(before <= 0.0, sheet, self._below(before, behind))
        if ridge.mark_mm is not None:
            sheet = np.where(
                np.abs(lower - ridge.mark_mm) < ridge.mark_width_mm / 2.0, ridge.mark_level, sheet
            )
        for place, level, width in ridge.lines:
            sheet = np.where(np.abs(upper - place) < width / 2.0, level, sheet)
        sheet = sheet + _sample(self.blots, upper, offset) + _sample(self.streaks, upper, offset)
        for station, at_offset, angle_deg, width in ridge.shadows:
            normal = math.radians(angle_deg)
            away = (upper - station) * math.cos(normal) + (offset - at_offset) * math.sin(normal)
            sheet = sheet * (1.0 - 0.4 / (1.0 + np.exp((np.abs(away) - width / 2.0) / 3.0)))
        for station, at_offset in ridge.rivets_mm:
            away = np.hypot(upper - station, offset - at_offset)
            dome = ridge.sheet * (1.0 + 0.5 * (upper - station) / 4.75)
            sheet = np.where(away < 4.75, dome, sheet)
        return self._card(rays, self._surroundings(sheet, upper, offset))

    def _below(self, before, behind):
        """Return the level beyond the edge: the lower sheet, dimmed, or the cut's face and the gap."""
        ridge = self.ridge
        ambient = (1.0 + np.cos(np.arctan2(ridge.rise_mm, np.maximum(behind, 1e-6)))) / 2.0
        if ridge.sun_run is not None:
            ambient = 0.4 * ambient + 0.6 * (behind > ridge.rise_mm * ridge.sun_run)
        depth = ridge.rise_mm * before / np.maximum(before - behind, 1e-9)
        face = np.where(depth < ridge.thickness_mm, ridge.face_share, 0.15)
        return ridge.sheet * np.where(behind > 0.0, ridge.lower_share * ambient, face)

    def _surroundings(self, sheet, station, offset):
        """Draw the other flange beyond the fold, and the panels with their ribs beyond the hem."""
        ridge = self.ridge
        side = math.copysign(1.0, ridge.hem_mm - ridge.fold_mm)
        past_fold, past_hem = side * (ridge.fold_mm - offset), side * (offset - ridge.hem_mm)
        rib = (np.abs((station % 300.0) - 150.0) < 12.0) * 0.35
        panel = ridge.sheet * (1.0 - rib) * (1.0 - ridge.groove * np.exp(-np.maximum(past_hem, 0.0) / 15.0))
        outside = np.where(past_fold > 0.0, ridge.other_flange, panel)
        outside = outside + ridge.glint * (np.abs(past_fold) < 0.8)
        return np.where((past_fold > -0.8) | (past_hem > 0.0), outside, sheet)

    def _card(self, rays, level):
        if not self.ridge.card:
            return level
        mm = self.eye[:2] + (0.0 - self.eye[2]) * rays
        x, y = mm[..., 0], mm[..., 1]
        inside = (x > 0.0) & (x < CARD_MM[0]) & (y > 0.0) & (y < CARD_MM[1])
        black = (np.abs(np.abs(x - 95.0) - 60.0) < 22.5) & (np.abs(np.abs(y - 65.0) - 32.0) < 22.5)
        return np.where(inside, np.where(black, 30.0, 225.0), level)


def _sample(layer, station, offset):
    """Look a layer of 1 px = 1 mm up at stations and offsets, repeating it."""
    return map_coordinates(layer, [offset, station], order=1, mode="grid-wrap")


def known_flange(ridge: Ridge, view: View) -> Flange:
    """Return the flange as drawn, as far as the photo shows it between the stations under its corners."""
    camera = view.camera
    corners = to_mm(
        view, [(0, 0), (camera.width, 0), (camera.width, camera.height), (0, camera.height)], 0.8
    ).mm
    stations = corners @ ridge.along
    first, last = max(stations[0], stations[3]), min(stations[1], stations[2])
    fold, hem = (ridge.mm([first, last], [offset] * 2) for offset in (ridge.fold_mm, ridge.hem_mm))
    polygon = np.concatenate([fold, hem[::-1]])
    return Flange(ridge.along, 5e-4, Border(fold, 0.1, 20.0), Border(hem, 0.1, 20.0), polygon, 0.9, ())
