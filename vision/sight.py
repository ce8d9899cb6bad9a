"""One photo looked at: loaded, its lens guessed or taken from a profile, its targets found.

This is the one road from a file to what pose solving needs, for ridges and for close-ups alike.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from calib.camera import Camera
from calib.lens import prior_camera
from calib.profile import LensProfile, profile_camera
from calib.sighting import Sightings, find_tags
from calib.targets import Target
from vision.photo import Photo, load_photo, photo_lens_key
from vision.pose import SightedPhoto, tag_patterns


@dataclass(frozen=True, eq=False)
class Sight:
    """A photo with what was found in it.

    Attributes
    ----------
    photo : Photo
        The picture itself.
    sighted : SightedPhoto
        Lens prior and the targets' patterns seen.
    problem : str
        Why the photo cannot be measured; empty if it can.
    notes : tuple of str
        What a person should know.
    """

    photo: Photo
    sighted: SightedPhoto
    problem: str
    notes: tuple[str, ...]


def sight_photo(
    path: Path, name: str, targets: Sequence[Target], profile: LensProfile | None = None
) -> Sight:
    """Load a photo and find the targets in it.

    Parameters
    ----------
    path : Path
        The photo.
    name : str
        How it is called in messages and results.
    targets : sequence of Target
        The targets of the job; none for a photo measured by a rectangle.
    profile : LensProfile or None
        A calibrated lens that must belong to the photo.

    Returns
    -------
    Sight
        The photo, its lens prior and its sightings.

    Raises
    ------
    FileError, PhotoError
        If the photo cannot be read.
    LensError
        If the profile does not belong to it.
    """
    photo = load_photo(path)
    camera, notes = _lens(photo, profile)
    key = "profile" if profile is not None else photo_lens_key(photo)
    grey = np.asarray(cv2.cvtColor(photo.image, cv2.COLOR_BGR2GRAY), np.uint8)
    wanted = {tag.id for target in targets for tag in target.tags}
    found = find_tags(grey, wanted) if targets else None
    patterns = tag_patterns(found.tags, targets) if found else ()
    return Sight(
        photo,
        SightedPhoto(name, camera, key, photo.quarter_turns, patterns),
        _problem(found, targets) if found and not patterns else "",
        (*photo.notes, *notes, *(found.notes if found else ())),
    )


def _lens(photo: Photo, profile: LensProfile | None) -> tuple[Camera, tuple[str, ...]]:
    if profile is not None:
        return profile_camera(profile, photo.metadata, *photo.sensor_size_px), ()
    return prior_camera(photo.metadata, *photo.sensor_size_px)


def _problem(found: Sightings, targets: Sequence[Target]) -> str:
    names = " or ".join(target.name for target in targets)
    wanted = {tag.id for target in targets for tag in target.tags}
    if wanted & set(found.mirrored_ids):
        return "the photo is mirrored: its tags read only backwards; use the original, not a flipped copy"
    if found.tags:
        ids = ", ".join(str(tag.tag_id) for tag in found.tags)
        return f"no tag of {names} was found, but tags {ids} of another target; give that target's file"
    return (
        f"no tag of {names} was found; the target must lie whole in the picture, unshaded by glare, "
        "each tag at least 12 px wide"
    )
