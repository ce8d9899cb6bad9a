"""What is known of a lens before anything is measured with it: a camera with an honest covariance.

The prior comes from the photo's metadata alone, in the sensor's frame (the picture as stored, un-mirrored).
Photos that share a `LensKey` share a lens. Pixels: (0, 0) is the centre of the top-left pixel.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from calib.camera import Array, Camera
from calib.exif import PhotoMetadata

# Diagonal of the 36 mm x 24 mm frame, by which CIPA DCG-001 defines the 35-mm equivalent (second hand).
FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
FRAME_WIDTH_MM = 36.0

# Equivalents outside these bounds are no camera's (common practice, no source).
_PLAUSIBLE_35MM_MM = (5.0, 2000.0)

# The value is rounded to whole mm: a rectangular law of half-width 0.5 mm (JCGM 100:2008, 4.3.7).
_U_ROUNDING_MM = 0.5 / math.sqrt(3.0)
# Chance of each rule other than this picture's diagonal (no source; see `prior_camera`).
_CHANCE_OF_OTHER_RULE = 0.25
# The lens as built against its name, and focusing near (common practice, no source).
_RELATIVE_U_BUILD = 0.015
_RELATIVE_U_FOCUS = 0.01
# Pixels are square but for this (common practice, no source).
_RELATIVE_U_ASPECT = 0.002

# Nothing known: 0.85 of the long side is 29 mm in 35-mm terms; two sigma reach from 12 mm to 47 mm, from a
# phone's widest lens to a normal one, but no telephoto lens (common practice, no source).
_UNKNOWN_FOCAL_PER_LONG_SIDE = 0.85
_RELATIVE_U_UNKNOWN = 0.30
# A crop of the camera's picture: the focal length in px is kept unless the crop was scaled too (no source).
_RELATIVE_U_CROPPED = 0.25

# Principal point and distortion of cameras at large (common practice, no source).
_RELATIVE_U_CENTRE = 0.01
_RELATIVE_U_CENTRE_CROPPED = 0.2
_U_K1 = 0.07
_U_K1_UNKNOWN = 0.15
_U_K2 = 0.1
_U_P = 1e-3
_U_K3 = 0.01

SizeMatch = Literal["unknown", "same", "scaled", "changed"]


@dataclass(frozen=True, slots=True)
class LensKey:
    """What photos of one lens have in common: the camera, its focal length and the picture's size."""

    make: str | None
    model: str
    lens_model: str | None
    focal_mm: float | None
    focal_35mm_mm: float | None
    digital_zoom: float
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True)
class _FocalPrior:
    focal_px: float
    relative_u: float
    u_k1: float = _U_K1
    note: str | None = None


def match_size(metadata: PhotoMetadata, width_px: int, height_px: int) -> SizeMatch:
    """Compare a picture's size with the one that its metadata give.

    Parameters
    ----------
    metadata : PhotoMetadata
        The photo's metadata.
    width_px, height_px : int
        Size of the picture in the sensor's frame, px.

    Returns
    -------
    {"unknown", "same", "scaled", "changed"}
        "scaled" keeps the shape to a pixel; "changed" was cropped, perhaps scaled as well. Width and height
        may stand swapped in the metadata: some programs turn a picture and leave them.
    """
    if metadata.exif_width_px is None or metadata.exif_height_px is None:
        return "unknown"
    exif_width, exif_height = _exif_size(metadata.exif_width_px, metadata.exif_height_px, width_px, height_px)
    if (exif_width, exif_height) == (width_px, height_px):
        return "same"
    # Both sides may be rounded by half a pixel.
    tolerance_px = 0.5 * (1.0 + exif_height / exif_width)
    is_same_shape = abs(height_px - width_px * exif_height / exif_width) <= tolerance_px
    return "scaled" if is_same_shape else "changed"


def _exif_size(exif_width: int, exif_height: int, width_px: int, height_px: int) -> tuple[int, int]:
    """Return the metadata's size lying as the picture lies, upright or broad."""
    if (exif_width > exif_height) == (width_px > height_px):
        return exif_width, exif_height
    return exif_height, exif_width


def lens_key(metadata: PhotoMetadata, width_px: int, height_px: int) -> LensKey | None:
    """Return what photos of one lens share.

    Parameters
    ----------
    metadata : PhotoMetadata
        The photo's metadata.
    width_px, height_px : int
        Size of the picture in the sensor's frame, px.

    Returns
    -------
    LensKey or None
        None when the metadata do not name the camera or any focal length, or the picture was cropped: its
        principal point is then its own.
    """
    has_focal = metadata.focal_mm is not None or metadata.focal_35mm_mm is not None
    if metadata.model is None or not has_focal or match_size(metadata, width_px, height_px) == "changed":
        return None
    return LensKey(
        metadata.make,
        metadata.model,
        metadata.lens_model,
        metadata.focal_mm,
        metadata.focal_35mm_mm,
        metadata.digital_zoom or 1.0,
        width_px,
        height_px,
    )


def prior_camera(metadata: PhotoMetadata, width_px: int, height_px: int) -> tuple[Camera, tuple[str, ...]]:
    """Return what a photo's metadata alone tell of its camera.

    Parameters
    ----------
    metadata : PhotoMetadata
        The photo's metadata.
    width_px, height_px : int
        Size of the picture in the sensor's frame, px.

    Returns
    -------
    camera : Camera
        Mean and covariance, in the sensor's frame.
    notes : tuple of str
        What makes this prior wider than usual, in plain sentences.

    Notes
    -----
    The 35-mm equivalent is taken by the diagonal of the picture: f = f35 x diagonal / 43.2666 mm, about 3 %:

    * rounding to whole mm, 0.29 mm / f35 (1.1 % at 26 mm);
    * the rule. Some makers use the picture's width, 3.9 % less on 4:3, or the diagonal of the whole 4:3
      sensor of which a 3:2 or 16:9 picture is a strip, 3.9 % or 8.6 % more. With a chance of 1/4 each, their
      root mean square about the mean is 2 % on 4:3 and 3:2, 4.9 % on 16:9: each is within two of it;
    * the lens as built, 1.5 %, and focusing near, 1 %.

    The digital zoom z may or may not be within that value: the mean lies midway, and either case one standard
    uncertainty, (z - 1) / (z + 1), from it. Both focal lengths share all this; their ratio is 1 within 0.2 %.
    """
    is_cropped = match_size(metadata, width_px, height_px) == "changed"
    focal = _focal_prior(metadata, width_px, height_px, is_cropped)
    notes = [focal.note] if focal.note else []
    zoom = metadata.digital_zoom or 1.0
    focal_px, relative_u = focal.focal_px, focal.relative_u
    if zoom > 1.0:
        focal_px *= (zoom + 1.0) / 2.0
        relative_u = math.hypot(relative_u, (zoom - 1.0) / (zoom + 1.0))
        notes.append(f"A digital zoom of {zoom:g} leaves the focal length in doubt; shoot without it.")
    u_centre_px = _centre_u_px(metadata, width_px, height_px, is_cropped)
    camera = Camera(
        width_px,
        height_px,
        focal_px,
        focal_px,
        (width_px - 1) / 2.0,
        (height_px - 1) / 2.0,
        cov=_covariance(focal_px, relative_u, u_centre_px, focal.u_k1),
    )
    return camera, tuple(notes)


def _covariance(focal_px: float, relative_u: float, u_centre_px: tuple[float, float], u_k1: float) -> Array:
    sigma = [0.0, 0.0, *u_centre_px, u_k1, _U_K2, _U_P, _U_P, _U_K3]
    cov = np.diag(np.square(sigma))
    # fx = f (1 + a / 2) and fy = f (1 - a / 2) with a of mean 0.
    shared, own = (focal_px * relative_u) ** 2, (focal_px * _RELATIVE_U_ASPECT / 2.0) ** 2
    cov[:2, :2] = [[shared + own, shared - own], [shared - own, shared + own]]
    return cov


def _focal_prior(metadata: PhotoMetadata, width_px: int, height_px: int, is_cropped: bool) -> _FocalPrior:
    focal_35mm_mm = metadata.focal_35mm_mm
    if focal_35mm_mm is None or not _PLAUSIBLE_35MM_MM[0] <= focal_35mm_mm <= _PLAUSIBLE_35MM_MM[1]:
        said = "gives no" if focal_35mm_mm is None else f"gives {focal_35mm_mm:g} mm as the"
        note = (
            f"EXIF {said} 35-mm equivalent focal length: a lens between wide and normal is taken, "
            f"uncertain by {_RELATIVE_U_UNKNOWN:.0%}; a lens profile makes lengths far more certain."
        )
        focal_px = _UNKNOWN_FOCAL_PER_LONG_SIDE * max(width_px, height_px)
        return _FocalPrior(focal_px, _RELATIVE_U_UNKNOWN, _U_K1_UNKNOWN, note)
    if is_cropped:
        return _cropped_focal_prior(metadata, focal_35mm_mm, width_px, height_px)
    relative_u = math.sqrt(
        (_U_ROUNDING_MM / focal_35mm_mm) ** 2
        + rule_variance(width_px, height_px)
        + _RELATIVE_U_BUILD**2
        + _RELATIVE_U_FOCUS**2
    )
    return _FocalPrior(focal_by_diagonal_px(focal_35mm_mm, width_px, height_px), relative_u)


def focal_by_diagonal_px(focal_35mm_mm: float, width_px: float, height_px: float) -> float:
    """Return the focal length, px, that a 35-mm equivalent, mm, means by the diagonal of a picture."""
    return focal_35mm_mm * math.hypot(width_px, height_px) / FRAME_DIAGONAL_MM


def rule_variance(width_px: int, height_px: int) -> float:
    """Return the relative variance that not knowing the maker's rule adds to the focal length.

    Parameters
    ----------
    width_px, height_px : int
        Size of the picture, px.

    Returns
    -------
    float
        Mean square of the logarithm of the rules' focal lengths over the diagonal rule's.

    Notes
    -----
    The other rules have the chance `_CHANCE_OF_OTHER_RULE` each: the picture's width over 36 mm, and the
    diagonal of the smallest 4:3 frame around the picture, which on 4:3 is no other rule.
    """
    long_px, short_px = max(width_px, height_px), min(width_px, height_px)
    diagonal = math.hypot(long_px, short_px) / FRAME_DIAGONAL_MM
    whole_long_px = max(long_px, short_px * 4.0 / 3.0)
    others = [long_px / FRAME_WIDTH_MM, 1.25 * whole_long_px / FRAME_DIAGONAL_MM]
    return _CHANCE_OF_OTHER_RULE * sum(math.log(other / diagonal) ** 2 for other in others)


def _cropped_focal_prior(
    metadata: PhotoMetadata, focal_35mm_mm: float, width_px: int, height_px: int
) -> _FocalPrior:
    """Return the prior of a picture whose shape is not the camera's: f in px is the whole picture's."""
    whole = _whole_size(metadata, width_px, height_px)
    note = (
        f"EXIF speaks of {metadata.exif_width_px} x {metadata.exif_height_px} px, the picture has "
        f"{width_px} x {height_px}: it was cropped, so that its focal length is uncertain by "
        f"{_RELATIVE_U_CROPPED:.0%}; use the camera's own file."
    )
    focal_px = focal_by_diagonal_px(focal_35mm_mm, *(whole or (width_px, height_px)))
    return _FocalPrior(focal_px, _RELATIVE_U_CROPPED, note=note)


def _whole_size(metadata: PhotoMetadata, width_px: int, height_px: int) -> tuple[int, int] | None:
    """Return the size of the whole picture of which this one may be a crop; None when it does not fit in."""
    if metadata.exif_width_px is None or metadata.exif_height_px is None:
        return None
    whole = _exif_size(metadata.exif_width_px, metadata.exif_height_px, width_px, height_px)
    return whole if width_px <= whole[0] and height_px <= whole[1] else None


def _centre_u_px(
    metadata: PhotoMetadata, width_px: int, height_px: int, is_cropped: bool
) -> tuple[float, float]:
    """Return the standard uncertainty of the principal point, px; a crop may have been cut from anywhere."""
    own_px = _RELATIVE_U_CENTRE * max(width_px, height_px)
    if not is_cropped:
        return own_px, own_px
    whole = _whole_size(metadata, width_px, height_px)
    if whole is None:
        return _RELATIVE_U_CENTRE_CROPPED * width_px, _RELATIVE_U_CENTRE_CROPPED * height_px
    # Rectangular law over the places where the crop could lie (JCGM 100:2008, 4.3.7).
    shift_x_px, shift_y_px = (whole[0] - width_px) / math.sqrt(12), (whole[1] - height_px) / math.sqrt(12)
    return math.hypot(own_px, shift_x_px), math.hypot(own_px, shift_y_px)
