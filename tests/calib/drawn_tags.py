"""Tags drawn through a homography: many points per pixel, blurred in linear light, toned, sharpened, noisy.

Pixels as everywhere: (0, 0) is the centre of the top-left pixel, so that the picture begins at -0.5.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np

Array = np.ndarray

_DICTIONARY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


@dataclass(frozen=True)
class Camera:
    """What happens to the light: standard deviations in px and grey levels, brightness from 0 to 1."""

    blur_px: float = 0.7
    noise: float = 2.0
    sharpening: float = 0.0
    white: float = 0.8
    black: float = 0.03
    ground: float = 0.25
    bloom_px: float = 0.0
    jpeg_quality: int = 0
    points_per_px: int = 6


def corners_of_square(
    side_px: float, tilt_deg: float, turn_deg: float, azimuth_deg: float, middle: Array, distance: float
) -> Array:
    """Return the corners of a square seen in perspective, (4, 2).

    It is turned in its plane, tilted about the x axis, and the tilted one turned about the line of sight;
    `distance` is in sides of the square.
    """
    half = np.array([[-0.5, -0.5, 0.0], [0.5, -0.5, 0.0], [0.5, 0.5, 0.0], [-0.5, 0.5, 0.0]])
    tilt = np.radians(tilt_deg)
    tilted = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    points = half @ _about_sight(turn_deg).T @ tilted.T @ _about_sight(azimuth_deg).T
    return points[:, :2] / (points[:, 2:] + distance) * distance * side_px + middle


def any_square(side_px: float, most_tilt_deg: float, seed: int) -> tuple[int, Array, tuple[int, int]]:
    """Return a tag id, the corners of a square in any turn and tilt, (height, width) of its picture."""
    rng = np.random.default_rng(seed)
    width = int(side_px * 1.7 + 80)
    middle = np.array([width / 2, width / 2 - 5]) + rng.uniform(-1, 1, 2)
    turn_deg, azimuth_deg = rng.uniform(0, 360, 2)
    corners = corners_of_square(
        side_px, most_tilt_deg * rng.uniform(0.5, 1), turn_deg, azimuth_deg, middle, rng.uniform(4, 12)
    )
    return int(rng.integers(587)), corners, (width - 10, width)


def draw(
    shape: tuple[int, int],
    tags: Mapping[int, Array],
    camera: Camera | None = None,
    seed: int = 0,
    light: Callable[[Array, Array], Array] | None = None,
    margin_cells: float = 1.0,
) -> Array:
    """Return the grey picture, of (height, width), of tags at their corners, (4, 2), on white paper."""
    camera = Camera() if camera is None else camera
    scale = camera.points_per_px
    x, y = np.meshgrid(
        (np.arange(shape[1] * scale) + 0.5) / scale - 0.5, (np.arange(shape[0] * scale) + 0.5) / scale - 0.5
    )
    scene = np.full(x.shape, camera.ground, dtype=np.float32)
    for tag_id, corners in tags.items():
        _paste(scene, x, y, tag_id, corners, camera, margin_cells)
    if light is not None:
        scene *= light(x, y).astype(np.float32)
    return expose(scene, camera, np.random.default_rng(seed))


def expose(scene: Array, camera: Camera, rng: np.random.Generator) -> Array:
    """Return the grey picture of a scene in linear light, drawn with so many points per pixel."""
    scale = camera.points_per_px
    if camera.bloom_px:
        size = 2 * round(camera.bloom_px * scale) + 1
        scene = cv2.dilate(scene, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    scene = cv2.GaussianBlur(scene, (0, 0), camera.blur_px * scale)
    height, width = scene.shape[0] // scale, scene.shape[1] // scale
    grey = 255.0 * tone(cv2.resize(scene, (width, height), interpolation=cv2.INTER_AREA))
    grey = grey + rng.normal(0.0, camera.noise, grey.shape)
    if camera.sharpening:
        grey = grey + camera.sharpening * (grey - cv2.GaussianBlur(grey, (0, 0), 1.0))
    picture = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    if camera.jpeg_quality:
        _, packed = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, camera.jpeg_quality])
        picture = cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE)
    return picture


def tone(light: Array) -> Array:
    """Return the sRGB display value of linear light (IEC 61966-2-1)."""
    light = np.clip(light, 0.0, 1.0)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def tag_picture(tag_id: int) -> Array:
    """Return the cells of a tag and its margin of one white cell, [row, column], 1 for white, (10, 10)."""
    picture = np.ones((10, 10))
    picture[1:9, 1:9] = cv2.aruco.generateImageMarker(_DICTIONARY, tag_id, 8, borderBits=1) > 0
    return picture


def homography(corners: Array) -> Array:
    """Return the homography, (3, 3), from pixels to cells 0 to 8, solved in double precision."""
    middle = corners.mean(axis=0)
    rows, right = [], []
    for (x, y), (u, v) in zip(corners - middle, [[0, 0], [8, 0], [8, 8], [0, 8]], strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    about = np.append(np.linalg.solve(np.array(rows), np.array(right, dtype=float)), 1.0).reshape(3, 3)
    return about @ np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1]])


def _paste(
    scene: Array, x: Array, y: Array, tag_id: int, corners: Array, camera: Camera, margin_cells: float
) -> None:
    to_cells = homography(corners)
    depth = to_cells[2, 0] * x + to_cells[2, 1] * y + to_cells[2, 2]
    u = (to_cells[0, 0] * x + to_cells[0, 1] * y + to_cells[0, 2]) / depth
    v = (to_cells[1, 0] * x + to_cells[1, 1] * y + to_cells[1, 2]) / depth
    inside = (np.minimum(u, v) >= -margin_cells) & (np.maximum(u, v) < 8 + margin_cells)
    column, row = (np.clip(np.floor(place[inside]).astype(int) + 1, 0, 9) for place in (u, v))
    scene[inside] = np.where(tag_picture(tag_id)[row, column] > 0, camera.white, camera.black)


def _about_sight(angle_deg: float) -> Array:
    angle = np.radians(angle_deg)
    return np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
