"""What a photo's own metadata says: orientation, lens, time, place, a drone's attitude.

It is read as written, never corrected: whether it fits the picture is for the photo loader to judge. Whatever
is missing is None; whatever is odd becomes a plain sentence in the notes. Nothing here raises.
"""

import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Any

import exifread
from exifread.core.exceptions import ExifError

from calib.attitude import DroneAttitude, read_attitude
from calib.container import READER_FAILURES, collected_messages, read_container
from calib.errors import PhotoError

# A photo's tables take a few thousand small reads; entries that point at each other could take billions.
_MOST_READS = 100_000
_MOST_BYTES_READ = 64 * 2**20
_LONGEST_TEXT = 100

# CIPA DC-008 (EXIF 2.3), 4.6.4: orientations 1 to 8.
_ORIENTATIONS = range(1, 9)
# CIPA DC-008, GPSAltitudeRef: 1 is below sea level; from edition 3.0 on 3 is too (from memory).
_BELOW_SEA_LEVEL = (1, 3)
# GPSHPositioningError, of EXIF 2.31, is not in the tag table of exifread 3.5.
_HORIZONTAL_ERROR_TAG = "GPS Tag 0x001F"


@dataclass(frozen=True, slots=True)
class GpsPosition:
    """Where the photo says that it was taken.

    Attributes
    ----------
    latitude_deg, longitude_deg : float
        Degrees, north and east positive.
    altitude_m : float or None
        Above sea level, below it negative, m.
    horizontal_error_m : float or None
        What the receiver calls its horizontal error, m.
    direction_deg : float or None
        Direction that the camera looked in, clockwise from north, degrees.
    is_direction_magnetic : bool or None
        Whether that north is the magnetic one; None when not said.
    """

    latitude_deg: float
    longitude_deg: float
    altitude_m: float | None = None
    horizontal_error_m: float | None = None
    direction_deg: float | None = None
    is_direction_magnetic: bool | None = None


@dataclass(frozen=True, slots=True)
class PhotoMetadata:
    """What one photo's metadata says.

    Attributes
    ----------
    orientation : int
        1 to 8 as EXIF numbers them; 1 when not said.
    make, model, lens_model : str or None
        As written, trimmed.
    body_serial : str or None
        Serial number of the camera's body. It identifies its owner: keep it out of what is shown or shared.
    focal_mm : float or None
        Focal length, mm.
    focal_35mm_mm : float or None
        35-mm equivalent of the focal length, mm; None when unknown (EXIF's 0).
    digital_zoom : float or None
        Digital zoom ratio; None when not used (EXIF's 0) or not said.
    exif_width_px, exif_height_px : int or None
        Size of the picture as EXIF has it, before any turning, px. It may differ from the file's.
    taken_at : datetime or None
        When the photo was taken; aware only if its offset from UTC is known.
    position : GpsPosition or None
        Where.
    attitude : DroneAttitude or None
        A drone's attitude, when at least one value is there.
    notes : tuple of str
        What was odd, in plain sentences.
    """

    orientation: int = 1
    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    body_serial: str | None = None
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    digital_zoom: float | None = None
    exif_width_px: int | None = None
    exif_height_px: int | None = None
    taken_at: datetime | None = None
    position: GpsPosition | None = None
    attitude: DroneAttitude | None = None
    notes: tuple[str, ...] = ()


def read_metadata(data: bytes) -> PhotoMetadata:
    """Read the metadata of a photo.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    PhotoMetadata
        What could be read. Bytes that are no photo give an empty record whose notes say so.
    """
    try:
        container = read_container(data)
    except PhotoError as error:
        return PhotoMetadata(notes=(f"No metadata were read: {error}.",))
    notes = list(container.notes)
    block = container.exif
    # A TIFF file is itself the block; in a PNG it may follow the pixels, where only exifread looks.
    if container.format == "TIFF" or (container.format == "PNG" and block is None and b"eXIf" in data):
        block = data
    tags = _Tags(_read_tags(block, notes) if block else {}, notes)
    if not tags.is_any_known():
        notes.append("The file carries no EXIF metadata.")
    return PhotoMetadata(
        orientation=_orientation(tags),
        make=tags.text("Image Make"),
        model=tags.text("Image Model"),
        lens_model=tags.text("EXIF LensModel"),
        body_serial=tags.text("EXIF BodySerialNumber"),
        focal_mm=tags.positive("EXIF FocalLength", "focal length"),
        focal_35mm_mm=tags.positive("EXIF FocalLengthIn35mmFilm", "35-mm equivalent focal length"),
        digital_zoom=tags.positive("EXIF DigitalZoomRatio", "digital zoom ratio"),
        exif_width_px=_size_px(tags, "EXIF ExifImageWidth", "width"),
        exif_height_px=_size_px(tags, "EXIF ExifImageLength", "height"),
        taken_at=_taken_at(tags),
        position=_position(tags),
        attitude=read_attitude(container.xmp, notes) if container.xmp else None,
        notes=tuple(dict.fromkeys(notes)),
    )


class _MeteredReader(io.BytesIO):
    """Bytes that may be read only so often: the tag reader follows every pointer, and some run in circles."""

    def __init__(self, data: bytes) -> None:
        super().__init__(data)
        self._reads_left = _MOST_READS
        self._bytes_left = _MOST_BYTES_READ

    def read(self, size: int | None = -1, /) -> bytes:
        read = super().read(size)
        self._reads_left -= 1
        self._bytes_left -= len(read)
        if min(self._reads_left, self._bytes_left) < 0:
            msg = "its tables point at each other"
            raise RuntimeError(msg)
        return read


def _read_tags(block: bytes, notes: list[str]) -> Mapping[str, Any]:
    tags: Mapping[str, Any] = {}
    with collected_messages("exifread") as messages:
        try:
            tags = exifread.process_file(_MeteredReader(block), details=False, extract_thumbnail=False)
        except (*READER_FAILURES, ExifError) as error:
            notes.append(f"The EXIF metadata are damaged and were left aside ({error}).")
    notes.extend(f"The EXIF metadata are odd: {message}." for message in messages)
    return tags


class _Tags:
    """The tags of one photo, read with a note on each value that makes no sense."""

    def __init__(self, tags: Mapping[str, Any], notes: list[str]) -> None:
        self._tags = tags
        self._notes = notes

    def is_any_known(self) -> bool:
        """Return whether any tag was found, in any of its tables."""
        return any(name.startswith(("Image ", "EXIF ", "GPS ")) for name in self._tags)

    def note(self, sentence: str) -> None:
        self._notes.append(sentence)

    def values(self, name: str) -> Sequence[Any] | None:
        """Return a tag's values: a text, or a list of numbers; None when the tag is missing or empty."""
        values = getattr(self._tags.get(name), "values", None)
        if isinstance(values, bytes):
            return values.decode("latin-1")
        return values if isinstance(values, str | list) and len(values) else None

    def text(self, name: str) -> str | None:
        values = self.values(name)
        if not isinstance(values, str):
            return None
        printable = "".join(character if character.isprintable() else " " for character in values)
        return " ".join(printable.split())[:_LONGEST_TEXT] or None

    def numbers(self, name: str) -> list[float] | None:
        """Return a tag's values as finite numbers; None when one of them is not."""
        values = self.values(name)
        if values is None:
            return None
        numbers = [_number(value) for value in ([values] if isinstance(values, str) else values)]
        finite = [number for number in numbers if number is not None]
        return finite if len(finite) == len(numbers) else None

    def number(self, name: str, what: str) -> float | None:
        """Return a tag's only value, noting anything else that stands there."""
        values = self.values(name)
        if values is None:
            return None
        numbers = self.numbers(name)
        if numbers is None or len(numbers) != 1:
            self.note(f"EXIF gives {_shown(values)} as the {what}, which is no number; it was left aside.")
            return None
        return numbers[0]

    def positive(self, name: str, what: str) -> float | None:
        """Return a tag's value when it is above 0, which EXIF uses for "unknown" and "not used"."""
        value = self.number(name, what)
        if value is not None and value < 0.0:
            self.note(f"EXIF gives {value:g} as the {what}; it was left aside.")
        return value if value is not None and value > 0.0 else None


def _number(value: object) -> float | None:
    """Return a tag's value as a number: exifread gives integers, ratios, one-tuples of floats and texts."""
    if isinstance(value, tuple) and len(value) == 1:
        value = value[0]
    try:
        number = float(value)  # type: ignore[arg-type]  # what is not a number is caught below
    except (ArithmeticError, TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


def _shown(values: Sequence[Any]) -> str:
    text = repr(values) if isinstance(values, str) else " ".join(str(value) for value in values[:6])
    return text[:_LONGEST_TEXT]


def _orientation(tags: _Tags) -> int:
    value = tags.number("Image Orientation", "orientation")
    if value is None:
        return 1
    if value not in _ORIENTATIONS:
        tags.note(f"EXIF gives {value:g} as the orientation, not 1 to 8; the photo is taken as it is stored.")
        return 1
    return int(value)


def _size_px(tags: _Tags, name: str, what: str) -> int | None:
    value = tags.positive(name, f"picture's {what}")
    return None if value is None else round(value)


def _taken_at(tags: _Tags) -> datetime | None:
    """Return DateTimeOriginal with its parts of a second and its offset, each as far as it is known."""
    written = tags.text("EXIF DateTimeOriginal")
    # Blanks between the colons, and zeros, are how EXIF and cameras say "unknown".
    if written is None or not re.search("[1-9]", written):
        return None
    try:
        taken_at = datetime.strptime(written, "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007 (the offset follows below)
    except ValueError:
        tags.note(
            f"EXIF gives {_shown(written)} as the time of the photo, which is no time; it was left aside."
        )
        return None
    fraction = tags.text("EXIF SubSecTimeOriginal") or ""
    if fraction.isascii() and fraction.isdigit():
        taken_at += timedelta(microseconds=int(fraction[:6].ljust(6, "0")))
    return taken_at.replace(tzinfo=_offset(tags))


def _offset(tags: _Tags) -> timezone | None:
    written = tags.text("EXIF OffsetTimeOriginal")
    if written is None or not re.search("[0-9Z]", written):
        return None
    match = re.fullmatch("([+-])([01][0-9]):([0-5][0-9])", "+00:00" if written == "Z" else written)
    if match is None:
        tags.note(
            f"EXIF gives {_shown(written)} as the time's offset from UTC; the offset is taken as unknown."
        )
        return None
    sign = -1 if match[1] == "-" else 1
    return timezone(sign * timedelta(hours=int(match[2]), minutes=int(match[3])))


def _position(tags: _Tags) -> GpsPosition | None:
    latitude = _coordinate(tags, "Latitude", "NS", 90.0)
    longitude = _coordinate(tags, "Longitude", "EW", 180.0)
    if latitude is None or longitude is None:
        return None
    altitude = tags.number("GPS GPSAltitude", "altitude")
    if altitude is not None and tags.number("GPS GPSAltitudeRef", "altitude's reference") in _BELOW_SEA_LEVEL:
        altitude = -altitude
    direction = tags.number("GPS GPSImgDirection", "direction of view")
    north = (tags.text("GPS GPSImgDirectionRef") or "").upper()
    return GpsPosition(
        latitude,
        longitude,
        altitude,
        horizontal_error_m=tags.positive(_HORIZONTAL_ERROR_TAG, "horizontal error of the position"),
        direction_deg=direction,
        is_direction_magnetic={"M": True, "T": False}.get(north) if direction is not None else None,
    )


def _coordinate(tags: _Tags, what: str, letters: str, limit_deg: float) -> float | None:
    """Return degrees, minutes and seconds as signed degrees; the second of both letters is the negative."""
    name = f"GPS GPS{what}"
    if tags.values(name) is None:
        return None
    letter = (tags.text(f"{name}Ref") or "").upper()[:1]
    parts = tags.numbers(name)
    if parts is None or len(parts) != 3 or not letter or letter not in letters:
        tags.note(f"EXIF gives a {what.lower()} that cannot be understood; the position was left aside.")
        return None
    degrees = parts[0] + parts[1] / 60.0 + parts[2] / 3600.0
    if not 0.0 <= degrees <= limit_deg:
        tags.note(f"EXIF gives a {what.lower()} of {degrees:g} degrees; the position was left aside.")
        return None
    return -degrees if letter == letters[1] else degrees
