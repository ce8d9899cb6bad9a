"""One photo: read once, hashed, refused early when it is unfit, decoded, turned upright.

Frames: the upright picture is what everything is picked and measured in; the sensor's frame is the picture as
stored, un-mirrored, where the lens is known. Pixels: (0, 0) is the centre of the top-left pixel.
"""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.camera import Camera
from calib.container import Container
from calib.errors import FileError, MeasureError, PhotoError
from calib.exif import PhotoMetadata, read_metadata
from calib.intake import LARGEST_FILE_BYTES, check_photo
from calib.lens import LensKey, lens_key, match_size, prior_camera
from vision.decode import Image, decode_picture

# What makes a stored picture upright, by EXIF orientation (CIPA DC-008, 4.6.4): whether to mirror it left to
# right first, and how many clockwise quarter turns then.
_TURNS = {
    1: (False, 0),
    2: (True, 0),
    3: (False, 2),
    4: (True, 2),
    5: (True, 3),
    6: (False, 1),
    7: (True, 1),
    8: (False, 3),
}
_CV2_TURNS = {1: cv2.ROTATE_90_CLOCKWISE, 2: cv2.ROTATE_180, 3: cv2.ROTATE_90_COUNTERCLOCKWISE}
_HEIF_NOT_TURNED = (
    "EXIF says that the photo was turned, the HEIF file does not: it is taken as the file has it."
)


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """One photo as everything else uses it.

    Attributes
    ----------
    name : str
        File name.
    path : Path
        Where it was read.
    sha256 : str
        Hash of the file's bytes, hexadecimal.
    image : ndarray of shape (H, W, 3), uint8
        Upright picture, blue, green, red. Read-only; not copied, for it is large and made for this record.
    metadata : PhotoMetadata
        What the file says of itself.
    quarter_turns : int
        Clockwise quarter turns, 0 to 3, that took the sensor's frame to the upright picture. A mirrored
        picture is un-mirrored before it is turned, left to right as stored, and so is its sensor's frame.
    notes : tuple of str
        What was odd, in plain sentences, the metadata's notes included.
    """

    name: str
    path: Path
    sha256: str
    image: Image
    metadata: PhotoMetadata
    quarter_turns: int
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        self.image.setflags(write=False)

    @property
    def sensor_size_px(self) -> tuple[int, int]:
        """Width and height of the picture in the sensor's frame, px."""
        return _sensor_size_px(self.image, self.quarter_turns)


def load_photo(path: Path) -> Photo:
    """Read one photo.

    Parameters
    ----------
    path : Path
        A JPEG, PNG, TIFF, WebP or HEIF file.

    Returns
    -------
    Photo
        The upright picture with its hash and metadata.

    Raises
    ------
    FileError
        If the file is missing or cannot be read.
    PhotoError
        If it is empty, larger than 1 GiB, no photo of the five formats, a raw file, truncated, damaged, over
        200 megapixels, or has several frames. All but damage is found before anything is decoded.
    """
    data = _read(path)
    try:
        container = check_photo(data)
        image, notes = decode_picture(data, container)
    except PhotoError as error:
        msg = f"{path}: {error}"
        raise PhotoError(msg) from error
    metadata = read_metadata(data)
    digest = hashlib.sha256(data).hexdigest()
    del data
    image, quarter_turns, turn_notes = _upright(image, metadata.orientation, container)
    size_notes = _size_notes(metadata, *_sensor_size_px(image, quarter_turns))
    notes = (*metadata.notes, *notes, *turn_notes, *size_notes)
    return Photo(path.name, path, digest, image, metadata, quarter_turns, notes)


def lens_key_of_file(data: bytes) -> LensKey | None:
    """Return what a photo shares with others of its lens, from its file alone: nothing is decoded.

    Parameters
    ----------
    data : bytes
        The photo's file.

    Returns
    -------
    LensKey or None
        As `photo_lens_key` of the photo.

    Raises
    ------
    PhotoError
        If the file is one that `load_photo` refuses before decoding it.
    """
    container = check_photo(data)
    metadata = read_metadata(data)
    width, height = container.width, container.height
    if container.format == "HEIF" and _heif_turns(metadata.orientation, width, height) % 2:
        width, height = height, width
    return lens_key(metadata, width, height)


def lens_prior(photo: Photo) -> Camera:
    """Return what a photo's metadata alone tell of its lens, in the sensor's frame.

    Parameters
    ----------
    photo : Photo
        The photo.

    Returns
    -------
    Camera
        Mean and covariance; see `calib.lens.prior_camera`, which also says what makes it wide.
    """
    return prior_camera(photo.metadata, *photo.sensor_size_px)[0]


def photo_lens_key(photo: Photo) -> LensKey | None:
    """Return what photos of one lens share, None when this photo does not say; see `calib.lens.lens_key`."""
    return lens_key(photo.metadata, *photo.sensor_size_px)


def sensor_from_upright(px: ArrayLike, quarter_turns: int, width: int, height: int) -> NDArray[np.float64]:
    """Take points of the upright picture to the sensor's frame.

    Parameters
    ----------
    px : array_like of shape (N, 2)
        Points in the upright picture, px.
    quarter_turns : int
        The photo's `Photo.quarter_turns`.
    width, height : int
        Size of the UPRIGHT picture, px.

    Returns
    -------
    ndarray of shape (N, 2)
        The same points in the sensor's frame, px.
    """
    # What is left of a full turn brings the upright picture back to the sensor's frame.
    return _turned(px, -quarter_turns, width, height)


def upright_from_sensor(px: ArrayLike, quarter_turns: int, width: int, height: int) -> NDArray[np.float64]:
    """Take points of the sensor's frame to the upright picture, the inverse of `sensor_from_upright`.

    Parameters
    ----------
    px : array_like of shape (N, 2)
        Points in the sensor's frame, px.
    quarter_turns : int
        The photo's `Photo.quarter_turns`.
    width, height : int
        Size of the UPRIGHT picture, px.

    Returns
    -------
    ndarray of shape (N, 2)
        The same points in the upright picture, px.
    """
    if quarter_turns % 2:
        width, height = height, width
    return _turned(px, quarter_turns, width, height)


def _turned(px: ArrayLike, quarter_turns: int, width: int, height: int) -> NDArray[np.float64]:
    """Turn points clockwise with their picture; one quarter turn takes (x, y) to (height - 1 - y, x)."""
    x, y = np.array(px, dtype=float).reshape(-1, 2).T
    for _ in range(quarter_turns % 4):
        x, y = height - 1 - y, x
        width, height = height, width
    return np.stack([x, y], axis=1)


def _read(path: Path) -> bytes:
    try:
        _check_file(path)
        return path.read_bytes()
    except MeasureError:
        raise
    except FileNotFoundError as error:
        msg = f"{path}: no such file"
        raise FileError(msg) from error
    except OSError as error:
        msg = f"{path}: cannot be read ({error.strerror})"
        raise FileError(msg) from error
    except ValueError as error:
        msg = f"{str(path)!r:.200}: no file can have that name ({error})"
        raise FileError(msg) from error


def _check_file(path: Path) -> None:
    size = path.stat().st_size
    if not path.is_file():
        msg = f"{path}: is not a file; name the photos one by one"
        raise FileError(msg)
    if size > LARGEST_FILE_BYTES:
        msg = f"{path}: {size / 2**20:.0f} MiB are too many for a photo; at most 1024 MiB are read"
        raise PhotoError(msg)


def _upright(image: Image, orientation: int, container: Container) -> tuple[Image, int, tuple[str, ...]]:
    """Return the upright picture, the quarter turns from the sensor's frame to it, and notes.

    TIFF and HEIF come upright from their decoders.
    """
    is_mirrored, quarter_turns = _TURNS[orientation]
    if container.format == "HEIF":
        turns = _heif_turns(orientation, image.shape[1], image.shape[0])
        return image, turns, (_HEIF_NOT_TURNED,) if turns != quarter_turns else ()
    if container.format == "TIFF":
        return image, quarter_turns, ()
    if is_mirrored:
        image = np.asarray(cv2.flip(image, 1), np.uint8)
    if quarter_turns:
        image = np.asarray(cv2.rotate(image, _CV2_TURNS[quarter_turns]), np.uint8)
    return image, quarter_turns, ()


def _heif_turns(orientation: int, width: int, height: int) -> int:
    """Return the quarter turns of a HEIF photo of so many px upright.

    HEIF is turned by its own property; EXIF is but a copy, which some programs forget to change.
    """
    turns = _TURNS[orientation][1]
    return 0 if turns % 2 and width > height else turns


def _sensor_size_px(image: Image, quarter_turns: int) -> tuple[int, int]:
    height, width = image.shape[:2]
    return (height, width) if quarter_turns % 2 else (width, height)


def _size_notes(metadata: PhotoMetadata, width: int, height: int) -> tuple[str, ...]:
    match = match_size(metadata, width, height)
    if match not in ("scaled", "changed"):
        return ()
    what = "scaled" if match == "scaled" else "cropped, perhaps scaled as well"
    return (
        f"EXIF speaks of {metadata.exif_width_px} x {metadata.exif_height_px} px, the picture has "
        f"{width} x {height}: it is not the camera's own file but was {what}.",
    )
