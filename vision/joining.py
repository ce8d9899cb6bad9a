"""A photo of unknown pose joined to others by the natural points that it shows.

Frames: world, see vision/network.py; places in the sensor frame.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.spatial import KDTree

from calib.camera import Array, Camera, undistort
from calib.errors import GeometryError
from vision.matching import agree
from vision.network import Network
from vision.survey import FeatureStore
from vision.tie import Pose

# How far a point may lie from where a pose puts it, as a part of the focal length.
_TOLERANCE = 0.004
_CONFIDENCE, _MOST_TRIALS = 0.9999, 2000
# Features nearer than this to each other are of one spot.
_SAME_SPOT_PX = 1.5
# Fewer points than this, or than this part of all, may fit some pose by chance.
_LEAST_POINTS = 12
_LEAST_PART = 0.5
# Factors tried on the focal length of a photo whose lens is doubtful, nearest first.
_FOCAL_FACTORS = (1.0, 0.9, 1.1, 0.8, 1.25, 0.65, 1.5)


@dataclass(frozen=True, eq=False)
class PlacedFeatures:
    """Features of one photo, px of shape (N, 2) in the sensor frame, with their points in the world, mm."""

    px: Array
    world_mm: Array


@dataclass(frozen=True, eq=False)
class Join:
    """Where a joined photo stands.

    Attributes
    ----------
    camera : Camera
        The lens that fits, sensor frame.
    pose : tuple of ndarray
        World axes to camera axes, and the world's origin in the camera frame, mm.
    count : int
        Natural points that it rests on.
    """

    camera: Camera
    pose: Pose
    count: int


def join_photo(
    name: str,
    camera: Camera,
    network: Network,
    store: FeatureStore,
    points: Mapping[int, PlacedFeatures],
    *,
    is_lens_doubtful: bool,
) -> Join | None:
    """Find the pose of a photo from points that other photos have placed.

    Parameters
    ----------
    name : str
        The photo.
    camera : Camera
        What is known of its lens, sensor frame.
    network : Network
        The photos that are placed.
    store : FeatureStore
        Features of all.
    points : Mapping
        Station to its features whose points in the world are known.
    is_lens_doubtful : bool
        Whether other focal lengths are tried as well.

    Returns
    -------
    Join or None
        None where too few points fit one pose.
    """
    best: Join | None = None
    for factor in _FOCAL_FACTORS if is_lens_doubtful else _FOCAL_FACTORS[:1]:
        tried = replace(camera, fx=camera.fx * factor, fy=camera.fy * factor)
        try:
            places, world = _placed_features(name, tried, network, store, points)
        except GeometryError:
            # With this focal length the picture would lie beyond what the lens can map.
            continue
        found = _resect(tried, places, world) if len(places) >= _LEAST_POINTS else None
        if found is None or found.count < max(_LEAST_POINTS, _LEAST_PART * len(places)):
            continue
        # Nearer factors come first; a farther one must do clearly better.
        if best is None or found.count > 1.05 * best.count:
            best = found
    return best


def _placed_features(
    name: str, camera: Camera, network: Network, store: FeatureStore, points: Mapping[int, PlacedFeatures]
) -> tuple[Array, Array]:
    """Return places in the photo, (N, 2), and the points in the world that other photos match them with."""
    own_px = store.px(name)
    places: dict[int, Array] = {}
    for index, station in enumerate(network.stations):
        if index not in points or station.name == name:
            continue
        pairs = store.matches(name, station.name)
        if not len(pairs):
            continue
        their_px = store.px(station.name)[pairs[:, 1]]
        agrees = agree(undistort(camera, own_px[pairs[:, 0]]), undistort(network.camera_of(index), their_px))
        # The same spot may have been found again, as another feature, in a picture turned another way.
        off_px, nearest = KDTree(points[index].px).query(their_px)
        is_placed = agrees & (off_px < _SAME_SPOT_PX)
        world_mm = points[index].world_mm[np.asarray(nearest)[is_placed]]
        for own, point in zip(pairs[is_placed, 0].tolist(), world_mm, strict=True):
            places.setdefault(own, point)
    order = sorted(places)
    return own_px[order], np.array([places[i] for i in order]).reshape(-1, 3)


def _resect(camera: Camera, places: Array, world: Array) -> Join | None:
    """Solve the pose that most points agree on; the search starts from a fixed seed."""
    found, vector, shift, inliers = cv2.solvePnPRansac(
        world,
        undistort(camera, places),
        np.eye(3),
        None,
        iterationsCount=_MOST_TRIALS,
        reprojectionError=_TOLERANCE,
        confidence=_CONFIDENCE,
        flags=cv2.SOLVEPNP_SQPNP,
    )
    if not found or inliers is None:
        return None
    rotation = np.asarray(cv2.Rodrigues(vector)[0], dtype=float)
    return Join(camera, (rotation, np.asarray(shift, dtype=float).ravel()), len(inliers))
