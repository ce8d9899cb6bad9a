"""Natural features of a photo: found in a reduced picture, as taken and as seen square to a plane.

A roof or a lawn seen from two sides looks alike only once both pictures are turned to face it. Places come
out in px of the full upright picture, (0, 0) at the centre of its top-left pixel.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Array, Camera
from vision.plane import VIEW_PARAMETERS, View, rectify

Grey = NDArray[np.uint8]
Descriptors = NDArray[np.float32]

# Long side of the reduced picture: enough for features, little enough for time and memory.
_LONG_SIDE_PX = 1600
# Features kept of each picture, strongest first.
_MOST_FEATURES = 3000
# Contrast asked of a feature: half of what D. G. Lowe, "Distinctive image features from scale-invariant
# keypoints", IJCV 60, 2004, takes, because metal roofs and lawns are dull.
_LEAST_CONTRAST = 0.02
# Side of a turned picture, px.
_TURNED_SIDE_PX = 1400
# A turned picture is centred at least this much towards the plane: far along it everything is squeezed.
_LEAST_FACING = 0.5
# Features nearer than this to the rim of what a turned picture shows are made by the rim.
_RIM_PX = 9
# Places closer than this are one feature, found again with another direction.
_SAME_PX = 0.05


@dataclass(frozen=True, eq=False)
class Features:
    """Features of one photo.

    Attributes
    ----------
    px : ndarray of shape (N, 2)
        Where, px of the full upright picture.
    descriptors : ndarray of shape (N, 128), float32
        Unit vectors.
    """

    px: Array
    descriptors: Descriptors

    def __post_init__(self) -> None:
        for name in ("px", "descriptors"):
            array = np.array(getattr(self, name))
            array.setflags(write=False)
            object.__setattr__(self, name, array)


NO_FEATURES = Features(np.zeros((0, 2)), np.zeros((0, 128), dtype=np.float32))


@dataclass(frozen=True, eq=False)
class Facing:
    """How a photo is turned to face a plane.

    Attributes
    ----------
    camera : Camera
        Camera of the full upright picture.
    rotation : ndarray of shape (3, 3)
        Turns the plane's axes (x and y in it, z away from the camera) into camera axes.
    is_upright : bool
        Whether the plane's x axis is the same in all photos, so that features need no direction of their own.
    """

    camera: Camera
    rotation: Array
    is_upright: bool = True


class FeatureSource(Protocol):
    """Whatever features can be found in."""

    def features(self, facing: Facing | None = None) -> Features:
        """Return features as taken, or as seen square to a plane."""


@dataclass(frozen=True, eq=False)
class Picture:
    """A reduced grey picture, light enough to keep for all photos of a job.

    Attributes
    ----------
    grey : ndarray of shape (H, W), uint8
        Upright. Read-only.
    px_per_px : float
        Pixels of the full picture per pixel of this one.
    """

    grey: Grey
    px_per_px: float

    def __post_init__(self) -> None:
        self.grey.setflags(write=False)

    def features(self, facing: Facing | None = None) -> Features:
        """Find features.

        Parameters
        ----------
        facing : Facing, optional
            Turns the picture to face a plane first.

        Returns
        -------
        Features
            None at all where the camera lies on the plane or behind it.
        """
        if facing is None:
            px, descriptors = _detect(self.grey, None, is_upright=False)
            return Features(self._to_full_px(px), descriptors)
        return self._features_facing(facing)

    def _features_facing(self, facing: Facing) -> Features:
        rotation, camera = facing.rotation, self._pinhole(facing.camera)
        normal = rotation[:, 2]
        aim = np.array([0.0, 0.0, 1.0]) + max(0.0, _LEAST_FACING - normal[2]) * normal
        middle = aim @ rotation
        if middle[2] < _LEAST_FACING / 2.0:
            return NO_FEATURES
        # The plane lies one unit of length from the camera. In the middle, one pixel of the turned picture is
        # about one of the photo.
        view = View(camera, rotation, normal, np.zeros((VIEW_PARAMETERS, VIEW_PARAMETERS)))
        side = _TURNED_SIDE_PX / camera.fx * float(np.linalg.norm(middle) / middle[2])
        turned = rectify(
            self.grey,
            view,
            z_mm=0.0,
            corner_mm=middle[:2] / middle[2] - side / 2.0,
            size_mm=(side, side),
            mm_per_px=side / _TURNED_SIDE_PX,
        )
        rim = np.ones((2 * _RIM_PX + 1, 2 * _RIM_PX + 1), np.uint8)
        mask = np.asarray(cv2.erode(turned.seen.astype(np.uint8), rim), dtype=np.uint8)
        px, descriptors = _detect(turned.image, mask, is_upright=facing.is_upright)
        return Features(self._to_full_px(turned.to_photo_px(px)), descriptors)

    def _to_full_px(self, px: Array) -> Array:
        return (px + 0.5) * self.px_per_px - 0.5

    def _pinhole(self, full: Camera) -> Camera:
        """Return the full picture's camera for this picture, its distortion left out."""
        height, width = self.grey.shape
        cx, cy = ((c + 0.5) / self.px_per_px - 0.5 for c in (full.cx, full.cy))
        return Camera(width, height, full.fx / self.px_per_px, full.fy / self.px_per_px, cx, cy)


def mirrored(features: Features, width_px: int) -> Features:
    """Return what the features of a picture become when it is flipped left to right.

    Parameters
    ----------
    features : Features
        Found with directions of their own.
    width_px : int
        Width of the full picture.

    Returns
    -------
    Features
        The same spots in the flipped picture. A SIFT descriptor holds 4 x 4 fields of 8 directions, the rows
        square to the feature's own direction; a mirror turns the rows and the directions round.
    """
    px = np.column_stack([width_px - 1.0 - features.px[:, 0], features.px[:, 1]])
    fields = features.descriptors.reshape(-1, 4, 4, 8)
    return Features(px, fields[:, ::-1, :, -np.arange(8) % 8].reshape(-1, 128))


def reduced_picture(image: Grey) -> Picture:
    """Return the reduced grey picture of an upright photo of shape (H, W, 3)."""
    grey = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    factor = max(1.0, max(grey.shape) / _LONG_SIDE_PX)
    height, width = (max(1, round(side / factor)) for side in grey.shape)
    small = cv2.resize(grey, (width, height), interpolation=cv2.INTER_AREA)
    return Picture(np.array(small, dtype=np.uint8), grey.shape[1] / width)


def _detect(grey: Grey, mask: Grey | None, *, is_upright: bool) -> tuple[Array, Descriptors]:
    """Return places, shape (N, 2), and descriptors of the strongest features of a picture."""
    # Without precise upscaling every place would be off by a quarter of a pixel.
    detector = cv2.SIFT.create(
        nfeatures=_MOST_FEATURES, contrastThreshold=_LEAST_CONTRAST, enable_precise_upscale=True
    )
    found = detector.detect(grey, mask)
    if is_upright:
        found = _without_directions(found)
    found, descriptors = detector.compute(grey, found)
    if not found:
        return NO_FEATURES.px, NO_FEATURES.descriptors
    px = np.array([keypoint.pt for keypoint in found], dtype=float)
    # Hellinger's kernel: R. Arandjelovic, A. Zisserman, "Three things everyone should know to improve object
    # retrieval", CVPR 2012, section 3.
    sums = np.maximum(descriptors.sum(axis=1, keepdims=True), 1e-9)
    return px, np.sqrt(descriptors / sums).astype(np.float32)


def _without_directions(found: Sequence[cv2.KeyPoint]) -> list[cv2.KeyPoint]:
    kept: dict[tuple[int, ...], cv2.KeyPoint] = {}
    for keypoint in found:
        place = tuple(round(value / _SAME_PX) for value in (*keypoint.pt, keypoint.size))
        keypoint.angle = 0.0
        kept.setdefault(place, keypoint)
    return list(kept.values())
