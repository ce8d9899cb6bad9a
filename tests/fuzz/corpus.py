"""Good inputs to spoil, and odd ones to take as they are: small photos of every kind, records, a package."""

import functools
import io
import json
import random
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
from PIL import Image

from calib.targets import built_in_target, record_from_target

ROOT = Path(__file__).resolve().parent.parent.parent
SAMPLES = ROOT / "sample_images"
# A photo so small is looked at in a few hundredths of a second, and its card is still found.
SIZE_PX = (480, 360)


def open_exif_photos(folder: Path) -> list[bytes]:
    """Return photos with odd metadata from the open collection, those that are small."""
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    return [path.read_bytes() for path in paths if path.stat().st_size < 200_000]


@functools.cache
def small_photos() -> tuple[bytes, ...]:
    """Return close-ups with a card in every format, mode and depth that a photo may have."""
    photos = []
    for name in ("run_1.jpg", "lap_1.jpg"):
        with Image.open(SAMPLES / name) as picture:
            exif = picture.getexif().tobytes()
            small = picture.resize(SIZE_PX)
        photos += [_saved(small, "JPEG", exif=exif, quality=90), _saved(small, "PNG", exif=exif)]
    photos.append(_saved(small, "JPEG", exif=exif, progressive=True, quality=80))
    photos.append(_saved(small.convert("L"), "JPEG", exif=exif))
    photos.append(_saved(small.convert("CMYK"), "JPEG", exif=exif))
    photos.append(_saved(small.convert("RGBA"), "PNG", exif=exif))
    photos.append(_saved(small.convert("P"), "PNG"))
    photos.append(_saved(_deep(small), "PNG"))
    photos.append(_saved(_deep(small), "TIFF"))
    photos.append(_saved(small, "TIFF", compression="tiff_lzw"))
    photos.append(_saved(small, "WEBP", exif=exif, quality=80))
    photos.append(_heif(small, exif))
    return tuple(photos)


@functools.cache
def odd_photos() -> dict[str, bytes]:
    """Return files that nobody would call a good photo, each by what it is."""
    line = Image.new("RGB", (30_000, 2), "grey")
    frames = [Image.new("RGB", (40, 30), colour) for colour in ("red", "green")]
    return {
        "empty": b"",
        "one byte": b"\xff",
        "text": b"not a photo\n" * 50,
        "one pixel": _saved(Image.new("RGB", (1, 1)), "PNG"),
        "one row": _saved(Image.new("RGB", (500, 1)), "JPEG"),
        "30,000 px wide": _saved(line, "JPEG"),
        "65,000 px wide": _saved(Image.new("L", (65_000, 1)), "JPEG"),
        "animated WebP": _saved(frames[0], "WEBP", save_all=True, append_images=frames[1:]),
        "animated PNG": _saved(frames[0], "PNG", save_all=True, append_images=frames[1:]),
        "animated GIF": _saved(frames[0], "GIF", save_all=True, append_images=frames[1:]),
        "pages": _saved(frames[0], "TIFF", save_all=True, append_images=frames[1:]),
        "floating point": _saved(Image.new("F", (40, 30)), "TIFF"),
        "a bomb of 10 gigapixels": _bomb(100_000, 100_000),
        "a bomb of 190 megapixels": _bomb(19_000, 10_000),
        "width of nothing": _bomb(0, 100),
        "BMP": _saved(frames[0], "BMP"),
        "PDF": b"%PDF-1.7\n1 0 obj\n<<>>\nendobj\n",
        "SVG": b"<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'/>",
        "noise": random.Random(1).randbytes(40_000),
        "JPEG of noise": b"\xff\xd8\xff\xe0" + random.Random(2).randbytes(40_000),
    }


def records() -> dict[str, Any]:
    """Return a good target, shoot, plan and lens record."""
    lens = {
        "make": "Maker",
        "model": "Camera",
        "focal_mm": 5.1,
        "width": 480,
        "height": 360,
        "fx": 420.0,
        "fy": 420.0,
        "cx": 240.0,
        "cy": 180.0,
        "k1": -0.05,
        "k2": 0.01,
        "p1": 0.0,
        "p2": 0.0,
        "k3": 0.0,
        "rms_px": 0.3,
        "sigma": {"fx": 1.0, "fy": 1.0, "cx": 2.0},
        "photos": [{"photo": "c1.jpg", "used": True, "rms_px": 0.3, "why": ""}],
    }
    shoot = json.loads((SAMPLES / "shoot.json").read_text())
    shoot |= {"tape": [{"from": 10, "to": 11, "mm": 200.0, "u_mm": 1.0}], "pick_sigma_px": 1.0}
    return {
        "target": record_from_target(built_in_target("card")),
        "shoot": shoot,
        "plan": json.loads((SAMPLES / "plan.json").read_text()),
        "lens": lens,
    }


def _saved(picture: Image.Image, kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()


def _deep(picture: Image.Image) -> Image.Image:
    """Return the picture in grey of 16 bits."""
    return Image.fromarray(np.asarray(picture.convert("L"), np.uint16) * 257)


def _heif(picture: Image.Image, exif: bytes) -> bytes:
    stream = io.BytesIO()
    pillow_heif.from_pillow(picture).save(stream, quality=70, exif=exif)
    return stream.getvalue()


def _bomb(width: int, height: int) -> bytes:
    """Return a PNG that says it is large and holds next to nothing (PNG specification, ISO/IEC 15948)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(1_000_000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
