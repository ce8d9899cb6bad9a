"""The rendered close-ups with their true views, for tests of what comes after the pose."""

import json
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from calib.camera import Camera
from vision.photo import load_photo
from vision.plane import View

CLOSE_UPS = tuple(f"close_dev_{number:02d}" for number in range(1, 13))
# The card of these photos is 0.8 mm thick, and its outline is 190 by 130 mm (card.json beside them).
SHEET_Z_MM = 0.8


@lru_cache(maxsize=12)
def load_close_up(folder: Path, name: str) -> tuple[dict, np.ndarray, View]:
    """Return a close-up's truth, upright picture and true view."""
    truth = json.loads((folder / f"{name}.json").read_text())
    lens = truth["camera"]
    keys = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2")
    camera = Camera(lens["width"], lens["height"], *(lens[key] for key in keys))
    pose = lens["pose"]["card"]
    view = View(camera, np.array(pose["R"]), np.array(pose["t_mm"]), np.zeros((15, 15)))
    return truth, load_photo(folder / f"{name}.jpg").image, view


def lay_white(image: np.ndarray, middle: np.ndarray, half_axes: np.ndarray) -> np.ndarray:
    """Lay a white ellipse over a photo, as sharp as the photo; its half axes are the columns, px."""
    turns = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    outline = middle + (half_axes @ np.array([np.cos(turns), np.sin(turns)])).T
    cover = np.zeros(image.shape[:2], np.float32)
    cv2.fillPoly(cover, [np.round(outline).astype(np.int32)], 1.0)
    cover = cv2.GaussianBlur(cover, (0, 0), 0.8)[..., None]
    return np.round(image * (1.0 - cover) + 250.0 * cover).astype(np.uint8)
