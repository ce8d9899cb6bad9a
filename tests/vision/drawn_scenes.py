"""Drawn houses that nothing was tuned on: other roofs, light, skies and trees, by seed, each from four sides.

Frames: see tests/vision/drawn_house.py.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from tests.vision.drawn_house import House, Scenery, draw_house, ends_px, view_from
from vision.plane import View

# Blue, green, red. Roofs: charcoal, bare zinc-aluminium, barn red, forest green, brown, white, blue.
_ROOFS = (
    (62, 56, 52),
    (172, 170, 165),
    (48, 44, 132),
    (66, 86, 48),
    (52, 70, 96),
    (214, 216, 218),
    (128, 92, 58),
)
_WALLS = ((196, 206, 212), (150, 178, 196), (96, 112, 170), (120, 124, 128), (70, 96, 130))
_GROUNDS = ((62, 112, 96), (128, 138, 142), (224, 220, 216), (70, 104, 128))
# Zenith and horizon: clear, hazy, overcast, evening, a grey day.
_SKIES = (
    ((198, 140, 82), (238, 220, 200)),
    ((214, 190, 162), (232, 226, 218)),
    ((226, 222, 218), (214, 210, 206)),
    ((150, 118, 104), (150, 190, 236)),
    ((168, 160, 154), (190, 184, 178)),
)


@dataclass(frozen=True, eq=False)
class DrawnPhoto:
    """A drawn photo, the view it was drawn from, and where it shows the ends A and B, shape (2, 2), px."""

    name: str
    image: np.ndarray
    view: View
    ends_px: np.ndarray


def draw_scene(seed: int) -> list[DrawnPhoto]:
    """Draw one house from four sides, in the light and the weather of one day."""
    rng = np.random.default_rng(seed)
    house, sky = _house(rng), _SKIES[rng.integers(len(_SKIES))]
    clouds, trees = rng.uniform(0.0, 26.0), rng.uniform() < 0.6
    gain, noise, blur_px = rng.uniform(0.75, 1.15), rng.uniform(1.0, 4.0), rng.uniform(0.5, 1.1)
    photos = []
    for number, place in enumerate(_places(house, rng)):
        view = view_from(place, (rng.uniform(-600.0, 600.0), 0.8 * house.rise, 0.0))
        scenery = _scenery(rng, sky, clouds, trees)
        drawn = draw_house(house, view, 100 * seed + number, scenery=scenery, blur_px=blur_px, noise=noise)
        image = _developed(drawn, gain, int(rng.integers(80, 96)))
        photos.append(DrawnPhoto(f"scene {seed} photo {number}", image, view, ends_px(house, view)))
    return photos


def _house(rng: np.random.Generator) -> House:
    half_depth = rng.uniform(2800.0, 5000.0)
    light = rng.uniform(0.6, 1.1, 2)
    return House(
        ridge=rng.uniform(6500.0, 12500.0),
        half_depth=half_depth,
        # Slopes of 3 to 9 in 12.
        rise=half_depth * rng.uniform(0.25, 0.75),
        wall=rng.uniform(2300.0, 3200.0),
        flange=rng.uniform(120.0, 220.0),
        seam=rng.uniform(300.0, 610.0),
        roof=_ROOFS[rng.integers(len(_ROOFS))],
        walls=_WALLS[rng.integers(len(_WALLS))],
        ground=_GROUNDS[rng.integers(len(_GROUNDS))],
        shades=(float(light[0]), float(light[1])),
    )


def _places(house: House, rng: np.random.Generator) -> Iterator[tuple[float, float, float]]:
    """Give four stands: left and right before the house, low before it, and behind it, some by drone."""
    far = 0.95 * house.ridge + rng.uniform(2000.0, 4000.0)
    for x, is_low, side in ((-0.45, False, -1.0), (0.4, False, -1.0), (0.05, True, -1.0), (0.2, False, 1.0)):
        height = house.rise + house.wall - 1600.0 if is_low else -rng.uniform(1500.0, 6000.0)
        yield x * house.ridge + rng.uniform(-800.0, 800.0), height, side * far


def _scenery(
    rng: np.random.Generator, sky: tuple[tuple[int, ...], ...], clouds: float, trees: bool
) -> Scenery:
    def paint(picture: np.ndarray, horizon: int) -> None:
        height, width = picture.shape[:2]
        down = np.clip(np.arange(height) / max(horizon, 1), 0.0, 1.0)[:, None, None]
        colour = (1.0 - down) * np.array(sky[0]) + down * np.array(sky[1])
        small = rng.normal(0.0, 1.0, (height // 60, width // 60)).astype(np.float32)
        billows = cv2.resize(cv2.GaussianBlur(small, (0, 0), 4.0), (width, height))
        billows *= clouds / max(float(np.abs(billows).max()), 1e-9)
        painted = np.clip(colour + billows[:, :, None], 0.0, 255.0).astype(np.uint8)
        picture[:horizon] = painted[:horizon]
        if trees:
            _plant(picture, horizon, rng)

    return paint


def _plant(picture: np.ndarray, horizon: int, rng: np.random.Generator) -> None:
    """Plant a row of trees at the horizon, some of which reach above the ridge."""
    height, width = picture.shape[:2]
    for _ in range(int(rng.integers(4, 10))):
        x, tall = rng.uniform(0.0, width), rng.uniform(0.06, 0.3) * height
        green = np.array([50.0, 82.0, 62.0]) * rng.uniform(0.6, 1.3)
        for _ in range(70):
            at = (x + rng.normal(0.0, 0.35 * tall), horizon - rng.uniform(0.0, 1.0) * tall)
            colour = tuple(float(part) for part in green * rng.uniform(0.7, 1.25))
            cv2.circle(
                picture, (round(at[0]), round(at[1])), round(rng.uniform(0.06, 0.2) * tall), colour, -1
            )


def _developed(image: np.ndarray, gain: float, quality: int) -> np.ndarray:
    """Return a picture as a telephone would keep it: exposed brighter or darker, and as JPEG."""
    exposed = np.clip(gain * image.astype(np.float32), 0.0, 255.0).round().astype(np.uint8)
    data = cv2.imencode(".jpg", exposed, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(data, cv2.IMREAD_COLOR)
