"""The rendered close-ups with their true views, for tests of what comes after the pose."""

import json
from functools import lru_cache
from pathlib import Path

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
