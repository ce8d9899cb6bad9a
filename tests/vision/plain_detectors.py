"""What an engineer would write in a day: three stock detectors of round marks on the flattened flange.

Each knows the head's size, as ours does; settings were tuned by `python -m tests.measure_rivets --tune`.
Pixels are those of the flattened picture, a head `HEAD_PX` across.
"""

import itertools
from collections.abc import Callable, Iterator
from typing import Any

import cv2
import numpy as np
from skimage.feature import blob_log

HEAD_PX = 16.0

Picture = np.ndarray
Settings = dict[str, Any]

# The settings with the best F1 on the twelve close-ups of ../shared/photos/dev, out of those in GRIDS.
TUNED: dict[str, Settings] = {
    "HoughCircles": {"blur_px": 0.0, "edge": 30.0, "votes": 13.0, "size_share": 0.2, "equalize": False},
    "SimpleBlobDetector": {
        "threshold_step": 4.0,
        "circularity": 0.5,
        "convexity": 0.9,
        "inertia": 0.6,
        "repeats": 2,
        "equalize": True,
    },
    "blob_log": {"threshold": 0.18, "size_share": 0.3, "equalize": False},
}
GRIDS: dict[str, dict[str, tuple[Any, ...]]] = {
    "HoughCircles": {
        "blur_px": (0.0, 1.0, 1.5),
        "edge": (30.0, 60.0, 100.0, 160.0, 240.0),
        "votes": (7.0, 9.0, 11.0, 13.0, 15.0, 18.0),
        "size_share": (0.2, 0.35),
        "equalize": (False, True),
    },
    "SimpleBlobDetector": {
        "threshold_step": (4.0, 10.0),
        "circularity": (0.5, 0.65, 0.8),
        "convexity": (0.0, 0.8, 0.9),
        "inertia": (0.0, 0.3, 0.6),
        "repeats": (2, 3, 5),
        "equalize": (False, True),
    },
    "blob_log": {
        "threshold": (0.02, 0.04, 0.06, 0.09, 0.13, 0.18, 0.25),
        "size_share": (0.15, 0.3),
        "equalize": (False,),
    },
}


def grid(name: str) -> Iterator[Settings]:
    """Give every combination of a detector's settings."""
    choices = GRIDS[name]
    for values in itertools.product(*choices.values()):
        yield dict(zip(choices, values, strict=True))


def find(name: str, flat: Picture, inside: Picture, settings: Settings) -> np.ndarray:
    """Return the marks of one detector, shape (N, 2), px.

    Parameters
    ----------
    name : str
        One of `GRIDS`.
    flat : ndarray of shape (H, W, 3)
        The flattened flange, BGR.
    inside : ndarray of shape (H, W)
        Not 0 where a mark counts.
    settings : dict
        The detector's settings.
    """
    grey = cv2.cvtColor(flat, cv2.COLOR_BGR2GRAY)
    if settings["equalize"]:
        grey = cv2.createCLAHE(clipLimit=3.0, tileGridSize=(8, 8)).apply(grey)
    marks = _DETECTORS[name](grey, settings).reshape(-1, 2)
    places = np.round(marks).astype(int)
    shown = ((places >= 0) & (places < inside.shape[::-1])).all(axis=1)
    marks, places = marks[shown], places[shown]
    return marks[inside[places[:, 1], places[:, 0]] > 0]


def _hough(grey: Picture, settings: Settings) -> np.ndarray:
    if settings["blur_px"]:
        grey = cv2.GaussianBlur(grey, (0, 0), settings["blur_px"])
    half, share = HEAD_PX / 2.0, settings["size_share"]
    circles = cv2.HoughCircles(
        grey,
        cv2.HOUGH_GRADIENT,
        1.0,
        1.2 * HEAD_PX,
        param1=settings["edge"],
        param2=settings["votes"],
        minRadius=int(half * (1.0 - share)),
        maxRadius=int(np.ceil(half * (1.0 + share))),
    )
    return np.zeros((0, 2)) if circles is None else circles.reshape(-1, 3)[:, :2].astype(float)


def _blob_detector(grey: Picture, settings: Settings) -> np.ndarray:
    """Find dark and bright blobs; where both stand, one."""
    found = []
    for colour in (0, 255):
        wanted = cv2.SimpleBlobDetector_Params()
        wanted.minThreshold, wanted.maxThreshold = 5.0, 250.0
        wanted.thresholdStep = settings["threshold_step"]
        wanted.minRepeatability = settings["repeats"]
        wanted.minDistBetweenBlobs = HEAD_PX / 2.0
        wanted.filterByColor, wanted.blobColor = True, colour
        area = np.pi * HEAD_PX**2 / 4.0
        wanted.filterByArea, wanted.minArea, wanted.maxArea = True, 0.35 * area, 1.8 * area
        for name in ("circularity", "convexity", "inertia"):
            called = {"inertia": "InertiaRatio"}.get(name, name.capitalize())
            setattr(wanted, f"filterBy{name.capitalize()}", settings[name] > 0.0)
            setattr(wanted, f"min{called}", max(settings[name], 1e-3))
        found += [point.pt for point in cv2.SimpleBlobDetector_create(wanted).detect(grey)]
    return _apart(np.array(found, dtype=float).reshape(-1, 2))


def _log(grey: Picture, settings: Settings) -> np.ndarray:
    """Find maxima of the Laplacian of Gaussians in space and scale, of bright and of dark blobs."""
    sigma, share = HEAD_PX / 2.0 / np.sqrt(2.0), settings["size_share"]
    found = []
    for picture in (grey, 255 - grey):
        blobs = blob_log(
            picture.astype(np.float32) / 255.0,
            min_sigma=sigma * (1.0 - share),
            max_sigma=sigma * (1.0 + share),
            num_sigma=3,
            threshold=settings["threshold"],
            overlap=0.3,
        )
        found.append(blobs[:, 1::-1])
    return _apart(np.concatenate(found))


def _apart(marks: np.ndarray) -> np.ndarray:
    """Return the marks without those nearer than half a head to an earlier one."""
    kept: list[np.ndarray] = []
    for mark in marks:
        if all(np.hypot(*(mark - other)) > HEAD_PX / 2.0 for other in kept):
            kept.append(mark)
    return np.array(kept).reshape(-1, 2)


_DETECTORS: dict[str, Callable[[Picture, Settings], np.ndarray]] = {
    "HoughCircles": _hough,
    "SimpleBlobDetector": _blob_detector,
    "blob_log": _log,
}
