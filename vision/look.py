"""One photo of a shoot looked at: loaded, solved alone on its targets, kept small for its features.

A photo without a target is loose: only what it shows besides can tie it to the others.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calib.errors import GeometryError, LensError, PhotoError
from vision.features import FeatureSource, reduced_picture
from vision.network import SHAPE_UNKNOWNS
from vision.pose import SCENE_BREATHING, SightedPattern, SightedPhoto, Start, start_alone
from vision.shoot import Rectangle, Shoot, ShootPhoto
from vision.sight import sight_photo


@dataclass(frozen=True, eq=False)
class PhotoResult:
    """What became of one photo.

    Attributes
    ----------
    tags : tuple of int
        Tags used.
    rms_px : float or None
        Root mean square residual of the target corners; None when the photo was not used.
    is_used : bool
        Whether it took part in the adjustment.
    notes : tuple of str
        What a person should know.
    """

    tags: tuple[int, ...]
    rms_px: float | None
    is_used: bool
    notes: tuple[str, ...]

    def record(self) -> dict[str, Any]:
        """Return the contract's entry of one photo."""
        return {
            "tags": list(self.tags),
            "rms_px": self.rms_px,
            "used": self.is_used,
            "notes": list(self.notes),
        }


@dataclass(frozen=True, eq=False)
class ReadyPhoto:
    """A photo of a shoot, solved alone, with its picks; its features where it is one of several."""

    photo: ShootPhoto
    start: Start
    notes: tuple[str, ...]
    source: FeatureSource | None = None

    @property
    def sighted(self) -> SightedPhoto:
        """What was seen of the targets."""
        return self.start.photo


@dataclass(frozen=True, eq=False)
class LoosePhoto:
    """A photo that shows no target: only its features can tie it to the others."""

    photo: ShootPhoto
    sighted: SightedPhoto
    source: FeatureSource
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Looks:
    """All photos of a shoot looked at: those that can be measured with, loose ones, and why others cannot."""

    ready: tuple[ReadyPhoto, ...]
    loose: tuple[LoosePhoto, ...]
    unused: Mapping[str, PhotoResult]


def look_at_all(shoot: Shoot, progress: Callable[[int, int], None] | None = None) -> Looks:
    """Look at every photo of a shoot, several at a time.

    Parameters
    ----------
    shoot : Shoot
        The photos.
    progress : callable, optional
        Called with (photos looked at, photos in all).

    Returns
    -------
    Looks
        The photos, each kind in their order.
    """
    several = len(shoot.photos) > 1
    ready, loose, unused = [], [], {}
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        looks = pool.map(lambda photo: look_at(photo, shoot, keep_picture=several), shoot.photos)
        for count, (photo, look) in enumerate(zip(shoot.photos, looks, strict=True), 1):
            match look:
                case ReadyPhoto():
                    ready.append(look)
                case LoosePhoto():
                    loose.append(look)
                case PhotoResult():
                    unused[photo.name] = look
            if progress is not None:
                progress(count, len(shoot.photos))
    return Looks(tuple(ready), tuple(loose), unused)


def look_at(
    photo: ShootPhoto, shoot: Shoot, *, keep_picture: bool = False
) -> ReadyPhoto | LoosePhoto | PhotoResult:
    """Load one photo of a shoot and solve it alone.

    Parameters
    ----------
    photo : ShootPhoto
        The photo.
    shoot : Shoot
        What it belongs to.
    keep_picture : bool
        Whether features will be wanted.

    Returns
    -------
    ReadyPhoto, LoosePhoto or PhotoResult
        A LoosePhoto shows no target; it is given only where its features can help. A PhotoResult says why the
        photo cannot be used.
    """
    try:
        sight = sight_photo(photo.path, photo.name, shoot.targets, shoot.profile)
    except (PhotoError, LensError) as error:
        if len(shoot.photos) == 1:
            raise
        return PhotoResult((), None, False, (str(error),))
    source = reduced_picture(sight.photo.image) if keep_picture else None
    outside = _outside(photo, sight.photo.image.shape)
    if outside:
        return PhotoResult((), None, False, (*sight.notes, outside))
    sighted = sight.sighted
    if photo.rectangle is not None:
        sighted = _with_rectangle(sighted, photo.rectangle, photo.name, shoot.pick_sigma_px)
    elif sight.problem:
        notes = (*sight.notes, sight.problem)
        if source is None:
            return PhotoResult((), None, False, notes)
        return LoosePhoto(photo, sighted, source, notes)
    try:
        return ReadyPhoto(photo, start_alone(sighted, SCENE_BREATHING), sight.notes, source)
    except GeometryError as error:
        return PhotoResult((), None, False, (*sight.notes, str(error)))


def _outside(photo: ShootPhoto, shape: Sequence[int]) -> str:
    height, width = shape[:2]
    for end, (x, y) in photo.ends.items():
        if not (-0.5 <= x < width and -0.5 <= y < height):
            return f"pick {end.upper()} lies outside the picture ({width} x {height} px)"
    return ""


def _with_rectangle(sighted: SightedPhoto, rectangle: Rectangle, name: str, sigma_px: float) -> SightedPhoto:
    tolerance = np.zeros((4, 2, SHAPE_UNKNOWNS))
    tolerance[1:3, 0, 0] = rectangle.u_mm  # width
    tolerance[2:4, 1, 1] = rectangle.u_mm  # height
    tolerance[2:4, 0, 2] = rectangle.u_mm  # out of square
    pattern = SightedPattern(
        f"rectangle in {name}",
        "rectangle",
        rectangle.corners_mm(),
        tolerance,
        np.array(rectangle.corners_px),
        sigma_px**2 * np.eye(8),
        np.zeros((4, 2)),
    )
    return replace(sighted, patterns=(*sighted.patterns, pattern))
