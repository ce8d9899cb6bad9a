"""Small photos made for tests, with whatever metadata a test needs."""

import io

import numpy as np
from PIL import Image
from PIL.ExifTags import GPS, IFD, Base


def jpeg(seed: int = 1, *, size: tuple[int, int] = (96, 64), gps: bool = False, serial: str = "") -> bytes:
    """Return a JPEG file, the same for the same arguments."""
    pixels = np.random.default_rng(seed).integers(0, 255, (size[1], size[0], 3), dtype=np.uint8)
    exif = Image.Exif()
    exif[Base.Make], exif[Base.Model], exif[Base.Orientation] = "Quandril", "QD-5", 6
    details = exif.get_ifd(IFD.Exif)
    details[Base.FocalLength], details[Base.FocalLengthIn35mmFilm] = 4.38, 26
    details[Base.DateTimeOriginal], details[Base.OffsetTimeOriginal] = "2026:05:04 10:11:12", "-04:00"
    if serial:
        details[Base.BodySerialNumber] = serial
    if gps:
        where = exif.get_ifd(IFD.GPSInfo)
        where[GPS.GPSLatitudeRef], where[GPS.GPSLatitude] = "N", (44.0, 30.0, 0.0)
        where[GPS.GPSLongitudeRef], where[GPS.GPSLongitude] = "W", (71.0, 15.0, 0.0)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=90, exif=exif, comment="shot by R. Vane")
    return file.getvalue()
