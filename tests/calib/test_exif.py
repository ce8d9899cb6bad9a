"""Photo metadata: real odd files judged by Pillow's own reader, and hand-made blocks for every odd value.

Tag numbers and types: CIPA DC-008 (EXIF 2.3), tables 3 to 15.
"""

import math
import struct
import time
import warnings
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from calib.exif import GpsPosition, PhotoMetadata, read_metadata

_ASCII, _SHORT, _LONG, _RATIONAL, _BYTE, _FLOAT = 2, 3, 4, 5, 1, 11
_EXIF_IFD, _GPS_IFD = 0x8769, 0x8825

Entry = tuple[int, int, Any]


def _packed(kind: int, value: Any) -> tuple[int, bytes]:
    """Return count and bytes of one value, big-endian."""
    if kind == _ASCII:
        text = value if isinstance(value, bytes) else value.encode() + b"\0"
        return len(text), text
    values = value if isinstance(value, list) else [value]
    if kind == _RATIONAL:
        return len(values), b"".join(struct.pack(">II", *pair) for pair in values)
    code = {_BYTE: "B", _SHORT: "H", _LONG: "I", _FLOAT: "f"}[kind]
    return len(values), struct.pack(f">{len(values)}{code}", *values)


def _ifd(entries: Sequence[Entry], offset: int) -> bytes:
    """Return one table of tags that starts at an offset of its block."""
    heads, bodies = b"", b""
    body_offset = offset + 2 + 12 * len(entries) + 4
    for tag, kind, value in sorted(entries, key=lambda entry: entry[0]):
        count, packed = _packed(kind, value)
        if len(packed) > 4:
            where = struct.pack(">I", body_offset + len(bodies))
            bodies += packed + b"\0" * (len(packed) % 2)
        else:
            where = packed.ljust(4, b"\0")
        heads += struct.pack(">HHI", tag, kind, count) + where
    return struct.pack(">H", len(entries)) + heads + b"\0\0\0\0" + bodies


def _block(image: Sequence[Entry] = (), exif: Sequence[Entry] = (), gps: Sequence[Entry] = ()) -> bytes:
    first = [*image, (_EXIF_IFD, _LONG, 0), (_GPS_IFD, _LONG, 0)]
    exif_at = 8 + len(_ifd(first, 8))
    gps_at = exif_at + len(_ifd(exif, exif_at))
    first = [*image, (_EXIF_IFD, _LONG, exif_at), (_GPS_IFD, _LONG, gps_at)]
    return b"MM\0*\0\0\0\x08" + _ifd(first, 8) + _ifd(exif, exif_at) + _ifd(gps, gps_at)


def _jpeg(block: bytes) -> bytes:
    """Return a JPEG header that carries an EXIF block; no pixels are needed to read it."""
    frame = b"\xff\xc0\x00\x0b\x08\x00\x14\x00\x1e\x01\x01\x11\x00\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00"
    return b"\xff\xd8\xff\xe1" + struct.pack(">H", len(block) + 8) + b"Exif\0\0" + block + frame


def _read(**tables: Sequence[Entry]) -> PhotoMetadata:
    return read_metadata(_jpeg(_block(**tables)))


def _files(open_data: Path) -> list[Path]:
    files = [path for path in sorted((open_data / "exif").rglob("*")) if path.is_file()]
    assert len(files) > 40
    return files


def test_read_metadata_of_every_open_file_ends_soon(open_data: Path) -> None:
    for path in _files(open_data):
        data = path.read_bytes()
        start_s = time.process_time()
        metadata = read_metadata(data)
        # Each takes milliseconds; some of these files once kept readers busy for ever.
        assert time.process_time() - start_s < 2.0, path
        assert metadata.orientation in range(1, 9), path
        assert all(note.endswith(".") for note in metadata.notes), path


def _pillow_tags(path: Path) -> tuple[dict[int, Any], dict[int, Any], dict[int, Any]]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if path.suffix.lower() in (".heic", ".heif"):
            exif = Image.Exif()
            exif.load(pillow_heif.open_heif(path).info["exif"])
        else:
            with Image.open(path) as picture:
                exif = picture.getexif()
        try:
            tables = exif.get_ifd(_EXIF_IFD), exif.get_ifd(_GPS_IFD)
        except TypeError:  # the pointer to the table has a wrong type
            tables = {}, {}
        return dict(exif), *tables


def _degrees(gps: dict[int, Any], letter_tag: int) -> float:
    degrees, minutes, seconds = (float(part) for part in gps[letter_tag + 1])
    return (degrees + minutes / 60 + seconds / 3600) * (-1 if gps[letter_tag] in "SW" else 1)


def test_read_metadata_of_every_open_photo_agrees_with_pillow(open_data: Path) -> None:
    compared = {"make": 0, "focal": 0, "equivalent": 0, "width": 0, "time": 0, "latitude": 0, "altitude": 0}
    for path in _files(open_data):
        if path.name == "README":
            continue
        image, exif, gps = _pillow_tags(path)
        metadata = read_metadata(path.read_bytes())
        assert metadata.orientation == image.get(0x0112, 1), path
        if make := " ".join(str(image.get(0x010F, "")).strip("\0 ").split()):
            compared["make"] += 1
            assert metadata.make == make, path
            assert metadata.model == " ".join(str(image[0x0110]).strip("\0 ").split()), path
        if 0x920A in exif:
            compared["focal"] += 1
            assert metadata.focal_mm == pytest.approx(float(exif[0x920A])), path
        if exif.get(0xA405):
            compared["equivalent"] += 1
            assert metadata.focal_35mm_mm == exif[0xA405], path
        if exif.get(0xA002):
            compared["width"] += 1
            assert (metadata.exif_width_px, metadata.exif_height_px) == (exif[0xA002], exif[0xA003]), path
        if 0x9003 in exif:
            compared["time"] += 1
            assert metadata.taken_at is not None, path
            assert metadata.taken_at.strftime("%Y:%m:%d %H:%M:%S") == exif[0x9003], path
            assert (metadata.taken_at.tzinfo is not None) == (0x9011 in exif), path
        if 2 in gps and 4 in gps:
            compared["latitude"] += 1
            assert metadata.position is not None, path
            assert metadata.position.latitude_deg == pytest.approx(_degrees(gps, 1)), path
            assert metadata.position.longitude_deg == pytest.approx(_degrees(gps, 3)), path
            if 6 in gps:
                compared["altitude"] += 1
                assert metadata.position.altitude_m == pytest.approx(float(gps[6])), path
    # The judge must have found something to judge, of each kind.
    assert min(compared.values()) >= 4, compared


@pytest.mark.parametrize("shape", ["landscape", "portrait"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_read_metadata_gives_each_orientation_of_the_set(
    open_data: Path, shape: str, orientation: int
) -> None:
    # The number is in the file's name.
    metadata = read_metadata((open_data / "exif/orientation" / f"{shape}_{orientation}.jpg").read_bytes())
    assert metadata.orientation == orientation


def test_read_metadata_of_heic_gives_time_place_and_lens(open_data: Path) -> None:
    # Expected values: pillow-heif 1.8.1 and Pillow 13.0, Image.Exif().load(open_heif(path).info["exif"]).
    metadata = read_metadata((open_data / "exif/IMG_5195.HEIC").read_bytes())
    assert metadata.focal_mm == 4.25
    assert metadata.focal_35mm_mm == 26.0
    assert (metadata.exif_width_px, metadata.exif_height_px) == (4032, 3024)
    assert metadata.taken_at == datetime(2021, 4, 11, 15, 47, 53, 54000, timezone(timedelta(hours=-5)))
    assert metadata.position is not None
    assert metadata.position.horizontal_error_m == pytest.approx(38.813, abs=5e-4)
    assert metadata.position.direction_deg == pytest.approx(348.0553, abs=5e-5)
    assert metadata.position.is_direction_magnetic is True


def test_read_metadata_of_invalid_set_says_there_is_none(open_data: Path) -> None:
    for path in sorted((open_data / "exif/invalid").glob("*.jpg")):
        assert read_metadata(path.read_bytes()).notes == ("The file carries no EXIF metadata.",)


def test_read_metadata_of_wrong_pointer_type_says_so(open_data: Path) -> None:
    metadata = read_metadata((open_data / "exif/tests/30-type_error.jpg").read_bytes())
    assert metadata.notes == ("The EXIF metadata are odd: Possibly corrupted IFD: EXIF.",)


def test_read_metadata_without_place_table_says_so(open_data: Path) -> None:
    metadata = read_metadata((open_data / "exif/tests/45-gps_ifd.jpg").read_bytes())
    assert metadata.position is None
    assert "The EXIF metadata are odd: No values found for GPS SubIFD." in metadata.notes


def test_read_metadata_keeps_terminal_clean(open_data: Path, capfd: pytest.CaptureFixture[str]) -> None:
    for path in _files(open_data):
        read_metadata(path.read_bytes())
    assert capfd.readouterr() == ("", "")


def test_read_metadata_of_other_bytes_says_what_it_met() -> None:
    assert read_metadata(b"").notes == (
        "No metadata were read: the file is empty; copy the photo from the camera again.",
    )


def test_read_metadata_gives_whole_record() -> None:
    metadata = _read(
        image=[(0x010F, _ASCII, " Quandril\0junk"), (0x0110, _ASCII, "QD-5  "), (0x0112, _SHORT, 8)],
        exif=[
            (0x9003, _ASCII, "2026:04:03 09:05:07"),
            (0x9011, _ASCII, "+05:30"),
            (0x9291, _ASCII, "25"),
            (0x920A, _RATIONAL, [(51, 10)]),
            (0xA002, _LONG, 2400),
            (0xA003, _SHORT, 1800),
            (0xA404, _RATIONAL, [(3, 2)]),
            (0xA405, _SHORT, 26),
            (0xA431, _ASCII, "00123"),
            (0xA434, _ASCII, "main\x07 camera"),
        ],
        gps=[
            (1, _ASCII, "S"),
            (2, _RATIONAL, [(30, 1), (30, 1), (36, 1)]),
            (3, _ASCII, "W"),
            (4, _RATIONAL, [(1805, 20), (0, 1), (0, 1)]),
            (5, _BYTE, 1),
            (6, _RATIONAL, [(123, 10)]),
            (16, _ASCII, "T"),
            (17, _RATIONAL, [(271, 2)]),
            (31, _RATIONAL, [(9, 2)]),
        ],
    )
    assert metadata == PhotoMetadata(
        orientation=8,
        make="Quandril",
        model="QD-5",
        lens_model="main camera",
        body_serial="00123",
        focal_mm=5.1,
        focal_35mm_mm=26.0,
        digital_zoom=1.5,
        exif_width_px=2400,
        exif_height_px=1800,
        taken_at=datetime(2026, 4, 3, 9, 5, 7, 250000, timezone(timedelta(hours=5, minutes=30))),
        position=GpsPosition(-30.51, -90.25, -12.3, 4.5, 135.5, False),
    )


@pytest.mark.parametrize("value", [0, 9, 65535])
def test_orientation_out_of_range_is_as_stored_with_a_note(value: int) -> None:
    metadata = _read(image=[(0x0112, _SHORT, value)])
    assert metadata.orientation == 1
    assert metadata.notes == (
        f"EXIF gives {value} as the orientation, not 1 to 8; the photo is taken as it is stored.",
    )


@pytest.mark.parametrize(
    ("kind", "value"), [(_ASCII, "100 0"), (_SHORT, [100, 0]), (_RATIONAL, [(5, 0)]), (_FLOAT, math.nan)]
)
def test_size_that_is_no_number_is_left_aside_with_a_note(kind: int, value: Any) -> None:
    metadata = _read(exif=[(0xA002, kind, value), (0xA003, _SHORT, 75)])
    assert metadata.exif_width_px is None
    assert metadata.exif_height_px == 75
    (note,) = metadata.notes
    assert note.startswith("EXIF gives ")
    assert note.endswith("as the picture's width, which is no number; it was left aside.")


def test_zeros_are_unknown_without_a_note() -> None:
    metadata = _read(
        exif=[
            (0x920A, _RATIONAL, [(0, 1)]),
            (0xA405, _SHORT, 0),
            (0xA404, _RATIONAL, [(0, 1)]),
            (0xA002, _LONG, 0),
        ]
    )
    assert metadata == PhotoMetadata()


def test_focal_length_as_float_or_text_is_read() -> None:
    assert _read(exif=[(0x920A, _FLOAT, 6.5)]).focal_mm == 6.5
    assert _read(exif=[(0x920A, _ASCII, "6.5")]).focal_mm == 6.5


@pytest.mark.parametrize("written", ["    :  :     :  :  ", "0000:00:00 00:00:00", "", "   "])
def test_unknown_time_is_none_without_a_note(written: str) -> None:
    metadata = _read(exif=[(0x9003, _ASCII, written), (0x9011, _ASCII, "+01:00")])
    assert metadata == PhotoMetadata()


@pytest.mark.parametrize("written", ["2026-04-03T09:00:00", "2026:13:03 09:00:00", "yesterday 1"])
def test_time_that_is_none_gets_a_note(written: str) -> None:
    metadata = _read(exif=[(0x9003, _ASCII, written)])
    assert metadata.taken_at is None
    assert "which is no time; it was left aside." in metadata.notes[0]


@pytest.mark.parametrize(
    ("written", "offset"),
    [
        ("-07:00", timezone(timedelta(hours=-7))),
        ("-03:30", timezone(timedelta(hours=-3, minutes=-30))),
        ("Z", UTC),
        ("   :  ", None),
        ("", None),
    ],
)
def test_offset_makes_time_aware_only_when_known(written: str, offset: timezone | None) -> None:
    metadata = _read(exif=[(0x9003, _ASCII, "2026:04:03 09:00:00"), (0x9011, _ASCII, written)])
    assert metadata.taken_at == datetime(2026, 4, 3, 9, tzinfo=offset)
    assert metadata.notes == ()


@pytest.mark.parametrize("written", ["+25:00", "5 hours", "+05:75"])
def test_offset_that_is_none_leaves_time_naive_with_a_note(written: str) -> None:
    metadata = _read(exif=[(0x9003, _ASCII, "2026:04:03 09:00:00"), (0x9011, _ASCII, written)])
    assert metadata.taken_at == datetime(2026, 4, 3, 9)  # noqa: DTZ001 (naive is the point)
    assert "the offset is taken as unknown." in metadata.notes[0]


@pytest.mark.parametrize(
    ("fraction", "microsecond"), [("5", 500000), ("054", 54000), ("1234567", 123456), ("x", 0), ("٣", 0)]
)
def test_parts_of_a_second_are_decimals(fraction: str, microsecond: int) -> None:
    metadata = _read(exif=[(0x9003, _ASCII, "2026:04:03 09:00:00"), (0x9291, _ASCII, fraction)])
    assert metadata.taken_at is not None
    assert metadata.taken_at.microsecond == microsecond


_LATITUDE = [(1, _ASCII, "N"), (2, _RATIONAL, [(51, 1), (0, 1), (0, 1)])]
_LONGITUDE = [(3, _ASCII, "E"), (4, _RATIONAL, [(7, 1), (0, 1), (0, 1)])]


@pytest.mark.parametrize(
    ("gps", "what"),
    [
        ([_LATITUDE[1], *_LONGITUDE], "latitude that cannot be understood"),
        ([(1, _ASCII, "E"), _LATITUDE[1], *_LONGITUDE], "latitude that cannot be understood"),
        ([_LATITUDE[0], (2, _RATIONAL, [(51, 0), (0, 0), (0, 0)]), *_LONGITUDE], "latitude that cannot"),
        ([_LATITUDE[0], (2, _RATIONAL, [(51, 1)]), *_LONGITUDE], "latitude that cannot be understood"),
        ([_LATITUDE[0], (2, _RATIONAL, [(91, 1), (0, 1), (0, 1)]), *_LONGITUDE], "latitude of 91 degrees"),
        ([*_LATITUDE, _LONGITUDE[0], (4, _RATIONAL, [(180, 1), (1, 1), (0, 1)])], "longitude of 180.017"),
    ],
)
def test_place_that_makes_no_sense_is_left_aside_with_a_note(gps: list[Entry], what: str) -> None:
    metadata = _read(gps=gps)
    assert metadata.position is None
    assert metadata.notes[0].startswith(f"EXIF gives a {what}")


def test_place_with_one_coordinate_only_is_none() -> None:
    assert _read(gps=_LATITUDE).position is None


@pytest.mark.parametrize(("reference", "altitude_m"), [(0, 40.0), (1, -40.0), (2, 40.0), (3, -40.0)])
def test_altitude_below_sea_level_is_negative(reference: int, altitude_m: float) -> None:
    gps = [*_LATITUDE, *_LONGITUDE, (5, _BYTE, reference), (6, _RATIONAL, [(40, 1)])]
    assert _read(gps=gps).position == GpsPosition(51.0, 7.0, altitude_m)


def test_direction_without_its_north_is_kept_as_unknown_north() -> None:
    position = _read(gps=[*_LATITUDE, *_LONGITUDE, (17, _RATIONAL, [(90, 1)])]).position
    assert position == GpsPosition(51.0, 7.0, direction_deg=90.0, is_direction_magnetic=None)


def test_text_of_another_encoding_is_read_and_cut() -> None:
    metadata = _read(image=[(0x010F, _ASCII, b"Caf\xe9\0"), (0x0110, _ASCII, "m" * 500)])
    assert metadata.make == "Café"
    assert metadata.model == "m" * 100


def test_tables_that_point_in_circles_are_given_up_soon() -> None:
    # Each of 5000 entries says that the place table is the table it stands in: 25 million entries to walk.
    entry = struct.pack(">HHII", _GPS_IFD, _LONG, 1, 8)
    block = b"MM\0*\0\0\0\x08" + struct.pack(">H", 5000) + entry * 5000 + b"\0\0\0\0"
    start_s = time.process_time()
    metadata = read_metadata(_jpeg(block))
    assert time.process_time() - start_s < 5.0
    assert "its tables point at each other" in metadata.notes[0]


def test_texts_that_overlap_without_end_are_given_up_soon() -> None:
    entry = struct.pack(">HHII", 0x010F, _ASCII, 0xFFFFFFFF, 0)
    data = b"MM\0*\0\0\0\x08" + struct.pack(">H", 2000) + entry * 2000 + b"\0\0\0\0" + b"A" * 2**20
    metadata = read_metadata(_jpeg(data[:60000]))
    assert any("its tables point at each other" in note for note in metadata.notes)


def test_read_metadata_of_shuffled_bytes_never_raises() -> None:
    block = _block(
        image=[(0x010F, _ASCII, "Quandril"), (0x0112, _SHORT, 6)],
        exif=[(0x9003, _ASCII, "2026:04:03 09:00:00"), (0x920A, _RATIONAL, [(51, 10)]), (0xA405, _SHORT, 26)],
        gps=[*_LATITUDE, *_LONGITUDE, (6, _RATIONAL, [(40, 1)]), (31, _RATIONAL, [(9, 2)])],
    )
    rng = np.random.default_rng(20260403)
    for _ in range(600):
        shuffled = np.frombuffer(block, np.uint8).copy()
        where = rng.integers(0, len(block), rng.integers(1, 12))
        shuffled[where] = rng.integers(0, 256, len(where))
        metadata = read_metadata(_jpeg(shuffled.tobytes()))
        assert metadata.orientation in range(1, 9)


def test_read_metadata_of_cut_files_never_raises(open_data: Path) -> None:
    rng = np.random.default_rng(5)
    for path in _files(open_data):
        data = path.read_bytes()
        for keep in rng.integers(0, min(len(data), 60000), 4):
            assert isinstance(read_metadata(data[:keep]), PhotoMetadata)
