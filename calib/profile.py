"""Lens profile: a calibrated lens on file, and whether it belongs to a photo.

The profile is in the landscape (unrotated) frame of the sensor, px; see the contract's lens file.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calib.camera import PARAMETERS, Camera
from calib.errors import LensError, RecordError
from calib.exif import PhotoMetadata
from calib.records import check_keys, number, read_json

# Focal lengths in EXIF are rounded to 0.01 mm by most makers; common practice, no source.
_SAME_FOCAL_MM = 0.02


@dataclass(frozen=True, eq=False)
class LensProfile:
    """A calibrated lens: which camera it is, and its intrinsics with their covariance.

    Attributes
    ----------
    make, model : str
        As the photos' EXIF names them; empty if it does not.
    focal_mm : float or None
        As in EXIF.
    camera : Camera
        Intrinsics in the sensor's frame, with their covariance (diagonal, as the file gives it).
    """

    make: str
    model: str
    focal_mm: float | None
    camera: Camera


def load_profile(path: Path) -> LensProfile:
    """Load a lens file.

    Parameters
    ----------
    path : Path
        The file that `lens` wrote.

    Returns
    -------
    LensProfile
        The lens.

    Raises
    ------
    FileError, RecordError
        If the file cannot be read or breaks the contract.
    """
    required = ("make", "model", "focal_mm", "width", "height", *PARAMETERS, "sigma")
    record = check_keys(read_json(path), required, ("rms_px", "photos"), str(path))
    sigma = check_keys(record["sigma"], (), PARAMETERS, f"{path} sigma")
    values = {
        name: number(record[name], f"{path} {name}", above=0.0 if name in ("fx", "fy") else -np.inf)
        for name in PARAMETERS
    }
    width, height = (
        round(number(record[name], f"{path} {name}", at_least=1.0)) for name in ("width", "height")
    )
    deviations = [number(sigma.get(name, 0.0), f"{path} sigma {name}", at_least=0.0) for name in PARAMETERS]
    # A zero would mean "known exactly", which no calibration says of the focal length.
    if not (deviations[0] > 0.0 and deviations[1] > 0.0):
        msg = f"{path} sigma: fx and fy must have a standard deviation above 0"
        raise RecordError(msg)
    floor = np.array([1e-3, 1e-3, 1e-3, 1e-3, 1e-6, 1e-6, 1e-8, 1e-8, 1e-6])
    cov = np.diag(np.maximum(deviations, floor) ** 2)
    focal = record["focal_mm"]
    return LensProfile(
        _text(record["make"], f"{path} make"),
        _text(record["model"], f"{path} model"),
        None if focal is None else number(focal, f"{path} focal_mm", above=0.0),
        Camera(width, height, **values, cov=cov),
    )


def profile_camera(profile: LensProfile, metadata: PhotoMetadata, width: int, height: int) -> Camera:
    """Return the profile's camera for a photo that it belongs to.

    Parameters
    ----------
    profile : LensProfile
        The calibrated lens.
    metadata : PhotoMetadata
        What the photo says of itself.
    width, height : int
        The photo's size in the sensor frame, px.

    Returns
    -------
    Camera
        Intrinsics in the sensor frame.

    Raises
    ------
    LensError
        If camera, focal length or size in pixels is another one.
    """
    camera = profile.camera
    if (width, height) != (camera.width, camera.height):
        msg = (
            f"the lens profile is for {camera.width} x {camera.height} px, the photo has "
            f"{width} x {height} px; use the original photo, or a profile made from photos of this size"
        )
        raise LensError(msg)
    for what, own, other in (("make", profile.make, metadata.make), ("model", profile.model, metadata.model)):
        if own and other and own.strip().lower() != other.strip().lower():
            msg = (
                f"the lens profile is for {what} {own!r}, the photo says {other!r}; use that camera's profile"
            )
            raise LensError(msg)
    if profile.focal_mm and metadata.focal_mm and abs(profile.focal_mm - metadata.focal_mm) > _SAME_FOCAL_MM:
        msg = (
            f"the lens profile is for {profile.focal_mm:g} mm, the photo was taken at "
            f"{metadata.focal_mm:g} mm; use a profile made at this focal length"
        )
        raise LensError(msg)
    return camera


def _text(value: Any, where: str) -> str:
    if value is None:
        return ""
    if not isinstance(value, str):
        msg = f"{where}: a text was expected, got {value!r:.60}"
        raise RecordError(msg)
    return value
