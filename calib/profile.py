"""Lens profile: a calibrated lens on file, and whether it belongs to a photo.

The profile is in the landscape (unrotated) frame of the sensor, px; see the contract's lens file.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from calib.camera import PARAMETERS, Array, Camera
from calib.errors import FileError, LensError, RecordError
from calib.exif import PhotoMetadata
from calib.records import check_keys, number, read_json

# Focal lengths in EXIF are rounded to 0.01 mm by most makers; common practice, no source.
_SAME_FOCAL_MM = 0.02
# The file gives deviations alone. Those of fx and fy have almost all in common (0.9 and more on the charts at
# hand): taken as independent, they would make the scale look better known than it is.
_FOCAL_CORRELATION = 0.95


@dataclass(frozen=True, slots=True)
class ChartPhoto:
    """What became of one chart photo: whether it was used, its misfit (RMS distance, px), why not if not."""

    is_used: bool
    rms_px: float | None
    why: str


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
        Intrinsics in the sensor's frame, with their covariance (from the file's deviations).
    rms_px : float or None
        RMS distance of the points seen from the points computed; None if the file does not say.
    photos : Mapping
        Name of each photo that it was made from to what became of it.
    """

    make: str
    model: str
    focal_mm: float | None
    camera: Camera
    rms_px: float | None = None
    photos: Mapping[str, ChartPhoto] = field(default_factory=dict)

    def record(self) -> dict[str, Any]:
        """Return the contract's lens file."""
        deviations = np.sqrt(np.diag(self.camera.cov)).tolist()
        return {
            "make": self.make,
            "model": self.model,
            "focal_mm": self.focal_mm,
            "width": self.camera.width,
            "height": self.camera.height,
            **dict(zip(PARAMETERS, self.camera.parameters.tolist(), strict=True)),
            "sigma": dict(zip(PARAMETERS, deviations, strict=True)),
            "rms_px": self.rms_px,
            "photos": photo_records(self.photos),
        }


def photo_records(photos: Mapping[str, ChartPhoto]) -> list[dict[str, Any]]:
    """Return the contract's entries of the photos of a lens file."""
    return [
        {"photo": name, "used": photo.is_used, "rms_px": photo.rms_px, "why": photo.why}
        for name, photo in photos.items()
    ]


def save_profile(profile: LensProfile, path: Path) -> None:
    """Write a lens file.

    Parameters
    ----------
    profile : LensProfile
        The lens.
    path : Path
        File to write.

    Raises
    ------
    FileError
        If the file cannot be written.
    """
    text = json.dumps(profile.record(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror})"
        raise FileError(msg) from error


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
    return profile_from_record(read_json(path), str(path))


def profile_from_record(record: object, where: str) -> LensProfile:
    """Return the lens of a contract record.

    Parameters
    ----------
    record : object
        Parsed JSON of a lens file.
    where : str
        Where it stands, for messages.

    Returns
    -------
    LensProfile
        The lens.

    Raises
    ------
    RecordError
        If the record breaks the contract.
    """
    required = ("make", "model", "focal_mm", "width", "height", *PARAMETERS, "sigma")
    entries = check_keys(record, required, ("rms_px", "photos"), where)
    sigma = check_keys(entries["sigma"], (), PARAMETERS, f"{where} sigma")
    values = {
        name: number(entries[name], f"{where} {name}", above=0.0 if name in ("fx", "fy") else -np.inf)
        for name in PARAMETERS
    }
    width, height = (
        round(number(entries[name], f"{where} {name}", at_least=1.0)) for name in ("width", "height")
    )
    deviations = [number(sigma.get(name, 0.0), f"{where} sigma {name}", at_least=0.0) for name in PARAMETERS]
    # A zero would mean "known exactly", which no calibration says of the focal length.
    if not (deviations[0] > 0.0 and deviations[1] > 0.0):
        msg = f"{where} sigma: fx and fy must have a standard deviation above 0"
        raise RecordError(msg)
    floor = np.array([1e-3, 1e-3, 1e-3, 1e-3, 1e-6, 1e-6, 1e-8, 1e-8, 1e-6])
    cov = _covariance(np.maximum(deviations, floor))
    focal = entries["focal_mm"]
    return LensProfile(
        _text(entries["make"], f"{where} make"),
        _text(entries["model"], f"{where} model"),
        None if focal is None else number(focal, f"{where} focal_mm", above=0.0),
        Camera(width, height, **values, cov=cov),
        _misfit(entries.get("rms_px"), f"{where} rms_px"),
        _photos(entries.get("photos", []), f"{where} photos"),
    )


def _covariance(deviations: Array) -> Array:
    cov: Array = np.diag(deviations**2)
    cov[0, 1] = cov[1, 0] = _FOCAL_CORRELATION * deviations[0] * deviations[1]
    return cov


def _misfit(value: Any, where: str) -> float | None:
    return None if value is None else number(value, where, at_least=0.0)


def _photos(record: Any, where: str) -> dict[str, ChartPhoto]:
    if not isinstance(record, list):
        msg = f"{where}: a list was expected"
        raise RecordError(msg)
    photos = {}
    for i, entry in enumerate(record, 1):
        here = f"{where} {i}"
        item = check_keys(entry, ("photo", "used", "rms_px", "why"), (), here)
        if not isinstance(item["used"], bool):
            msg = f"{here} used: true or false was expected, got {item['used']!r:.60}"
            raise RecordError(msg)
        name, why = _text(item["photo"], f"{here} photo"), _text(item["why"], f"{here} why")
        photos[name] = ChartPhoto(item["used"], _misfit(item["rms_px"], f"{here} rms_px"), why)
    return photos


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
