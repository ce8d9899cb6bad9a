"""A close-up under somebody's hands: measured again with other marks, seen straight from above.

These run in a worker, which keeps the photo at hand; each is asked for again and again while a person works.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calib.errors import MeasureError
from vision.flat_map import flat_map
from vision.plane import Rectified, rectify
from vision.prepared import NotAudited, PreparedFlange
from webui.at_hand import load_image, load_prepared
from webui.errors import NotPreparedError, NotThereError, StoreError
from webui.work import audit_again

# A rectified flange need not be finer than the photo, nor larger than this along either side.
_MOST_PX = 4096
_QUALITY = 88


@dataclass(frozen=True, slots=True)
class FlangeView:
    """A flange straight from above.

    Attributes
    ----------
    target : str
        The target that lies on it.
    mm_per_px : float
        Its scale.
    origin_mm : tuple of float
        Point of the target's frame at the centre of the top-left pixel.
    width, height : int
        Size, px.
    px_from_mm : list of list of float
        Takes a point (x, y, 1) of the target's frame, mm, to px of this picture, up to scale.
    photo_px_from_mm : list of list of float
        The same to px of the upright photo; good to a few px, for drawing.
    """

    target: str
    mm_per_px: float
    origin_mm: tuple[float, float]
    width: int
    height: int
    px_from_mm: list[list[float]]
    photo_px_from_mm: list[list[float]]


def measure_again(prepared: Path, name: str, marks: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """Return what the check's record of a photo would be with other marks, one element per flange.

    Parameters
    ----------
    prepared : Path
        The job's prepared close-ups.
    name : str
        The photo.
    marks : mapping or None
        The marks, as `FiledPhoto` has them.

    Returns
    -------
    list of dict
        The contract's elements of `check`.

    Raises
    ------
    NotPreparedError
        If the close-ups were not made ready.
    RecordError
        If the marks are no marks.
    """
    return audit_again(_prepared_photo(prepared, name), marks)


def see_from_above(prepared: Path, name: str, original: Path, flange: int) -> tuple[FlangeView, bytes]:
    """Return a flange of a photo straight from above, at the photo's own scale, and its picture as JPEG.

    Parameters
    ----------
    prepared : Path
        The job's prepared close-ups.
    name : str
        The photo.
    original : Path
        Its file.
    flange : int
        Which of its flanges, from 0.

    Returns
    -------
    view : FlangeView
        Scale and frame.
    picture : bytes
        JPEG.

    Raises
    ------
    NotPreparedError
        If the close-ups were not made ready.
    StoreError
        If the photo could not be measured.
    NotThereError
        If it shows no such flange.
    """
    photo = _prepared_photo(prepared, name)
    if isinstance(photo, NotAudited):
        raise StoreError(photo.why)
    if flange >= len(photo.flanges):
        msg = f"{name} shows {len(photo.flanges)} flange(s) with a target"
        raise NotThereError(msg)
    part = photo.flanges[flange]
    seen = _rectify(part, load_image(original))
    height, width = seen.image.shape[:2]
    view = FlangeView(
        part.target.name,
        seen.mm_per_px,
        (float(seen.origin_mm[0]), float(seen.origin_mm[1])),
        width,
        height,
        _px_from_mm(seen).tolist(),
        flat_map(part.view, part.z_mm, part.flange.polygon_mm).tolist(),
    )
    _, data = cv2.imencode(".jpg", seen.image, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return view, data.tobytes()


def _prepared_photo(place: Path, name: str) -> Any:
    prepared = load_prepared(place)
    if prepared is None or name not in prepared:
        msg = "photos or set-up were changed since the close-ups were checked; check them, then mark"
        raise NotPreparedError(msg)
    return prepared[name]


def _rectify(part: PreparedFlange, image: np.ndarray[Any, np.dtype[np.uint8]]) -> Rectified:
    axes = np.array([part.flange.along, part.flange.across])
    places = part.flange.polygon_mm @ axes.T
    low, extent = places.min(axis=0), np.ptp(places, axis=0)
    return rectify(
        image,
        part.view,
        z_mm=part.z_mm,
        corner_mm=low @ axes,
        size_mm=(float(extent[0]), float(extent[1])),
        mm_per_px=max(_photo_scale(part), float(extent.max()) / (_MOST_PX - 1)),
        along=part.flange.along,
    )


def _photo_scale(part: PreparedFlange) -> float:
    """Return the photo's own scale in the middle of the target, mm per px."""
    middle = np.append(np.array(part.target.outline_mm) / 2.0, part.z_mm)
    distance_mm = float(part.view.to_camera(middle)[0, 2])
    if not distance_mm > 0.0:
        msg = "the target lies behind the camera"
        raise MeasureError(msg)
    return distance_mm / (0.5 * (part.view.camera.fx + part.view.camera.fy))


def _px_from_mm(seen: Rectified) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return the map from the plane to the picture: turned by its direction, scaled, its corner at zero."""
    along = seen.along
    turn = np.array([along, [-along[1], along[0]]]) / seen.mm_per_px
    found = np.eye(3)
    found[:2, :2] = turn
    found[:2, 2] = -turn @ seen.origin_mm
    return found
