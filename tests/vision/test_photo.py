"""Loading one photo: upright, hashed, refused early, with its sensor's frame and its lens prior."""

import hashlib
import io
import json
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageOps

from calib.errors import FileError, PhotoError
from calib.exif import PhotoMetadata
from calib.lens import prior_camera
from vision import photo as photo_module
from vision.photo import lens_prior, load_photo, photo_lens_key, sensor_from_upright, upright_from_sensor

_ROOT = Path(__file__).resolve().parents[2]
_WIDTH, _HEIGHT = 72, 48


def _picture() -> Image.Image:
    noise = np.random.default_rng(11).integers(0, 256, (_HEIGHT, _WIDTH, 3)).astype(np.uint8)
    smooth = cv2.GaussianBlur(noise, (0, 0), 3.0)
    contrasty = (np.asarray(smooth, float) - smooth.min()) * 255.0 / (smooth.max() - smooth.min())
    return Image.fromarray(contrasty.astype(np.uint8))


def _exif(orientation: int) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = orientation
    return exif


def _write(path: Path, kind: str, picture: Image.Image, **options: Any) -> Path:
    if kind == "HEIF":
        exif = options.pop("exif").tobytes() if "exif" in options else None
        pillow_heif.from_pillow(picture).save(path, quality=95, chroma=444, exif=exif, **options)
    else:
        picture.save(path, kind, **options)
    return path


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WebP", "HEIF"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_load_photo_turns_every_format_upright_once(tmp_path: Path, kind: str, orientation: int) -> None:
    path = _write(tmp_path / "p", kind, _picture(), exif=_exif(orientation))
    photo = load_photo(path)
    turned = _picture()
    turned.getexif()[0x0112] = orientation
    expected = np.asarray(ImageOps.exif_transpose(turned), int)[:, :, ::-1]
    assert photo.image.shape == expected.shape
    # Lossy formats differ by a few steps; a wrong turn by tens.
    assert np.abs(photo.image - expected).mean() < 6.0
    assert photo.metadata.orientation == orientation
    # Clockwise turns of orientations 1 to 8; 5 and 7 after un-mirroring left to right (CIPA DC-008, 4.6.4).
    assert photo.quarter_turns == (0, 0, 2, 2, 3, 1, 1, 3)[orientation - 1]
    assert photo.sensor_size_px == (_WIDTH, _HEIGHT)
    assert photo.image.flags.c_contiguous
    assert photo.notes == ()


@pytest.mark.parametrize("shape", ["landscape", "portrait"])
def test_load_photo_of_the_open_orientation_set_gives_one_picture(open_data: Path, shape: str) -> None:
    # The set shows the same scene eight times, stored in each orientation; file 1 is stored upright.
    photos = [load_photo(open_data / "exif/orientation" / f"{shape}_{number}.jpg") for number in range(1, 9)]
    # They were not all developed alike, so likeness counts: wrong turns of these scenes stay below 0.6.
    for photo in photos[1:]:
        assert photo.image.shape == photos[0].image.shape
        assert np.corrcoef(photo.image.ravel(), photos[0].image.ravel())[0, 1] > 0.9


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_sensor_frame_is_the_stored_picture(tmp_path: Path, orientation: int) -> None:
    # One bright pixel at (50, 9) of the stored picture.
    stored = np.zeros((_HEIGHT, _WIDTH, 3), np.uint8)
    stored[9, 50] = 255
    path = _write(tmp_path / "p.png", "PNG", Image.fromarray(stored), exif=_exif(orientation))
    photo = load_photo(path)
    height, width = photo.image.shape[:2]
    row, column = np.argwhere(photo.image[:, :, 0])[0]
    sensor_px = sensor_from_upright([[column, row]], photo.quarter_turns, width, height)
    assert sensor_px.tolist() == [[50.0, 9.0]]
    upright_px = upright_from_sensor(sensor_px, photo.quarter_turns, width, height)
    assert upright_px.tolist() == [[column, row]]


@pytest.mark.parametrize("orientation", [2, 4, 5, 7])
def test_sensor_frame_of_mirrored_picture_is_the_stored_one_mirrored_back(
    tmp_path: Path, orientation: int
) -> None:
    stored = np.zeros((_HEIGHT, _WIDTH, 3), np.uint8)
    stored[9, 50] = 255
    photo = load_photo(_write(tmp_path / "p.png", "PNG", Image.fromarray(stored), exif=_exif(orientation)))
    height, width = photo.image.shape[:2]
    row, column = np.argwhere(photo.image[:, :, 0])[0]
    sensor_px = sensor_from_upright([[column, row]], photo.quarter_turns, width, height)
    assert sensor_px.tolist() == [[_WIDTH - 1 - 50.0, 9.0]]


@pytest.mark.parametrize("quarter_turns", range(4))
def test_frame_conversions_agree_with_the_turned_camera(quarter_turns: int) -> None:
    # The principal point of a camera turned with its picture is a point like any other.
    camera, _ = prior_camera(PhotoMetadata(), 72, 48)
    camera = camera.with_parameters([60.0, 61.0, 33.3, 21.7, 0, 0, 0, 0, 0])
    upright = camera.turned(quarter_turns)
    px = upright_from_sensor([[33.3, 21.7]], quarter_turns, upright.width, upright.height)
    assert px[0] == pytest.approx([upright.cx, upright.cy])
    back = sensor_from_upright(px, quarter_turns, upright.width, upright.height)
    assert back[0] == pytest.approx([33.3, 21.7])


def test_load_photo_names_and_hashes_the_file(tmp_path: Path) -> None:
    path = _write(tmp_path / "ridge one.png", "PNG", _picture())
    photo = load_photo(path)
    assert photo.name == "ridge one.png"
    assert photo.path == path
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.notes == ("The file carries no EXIF metadata.",)
    assert photo.quarter_turns == 0
    with pytest.raises(ValueError, match="read-only"):
        photo.image[0, 0] = 0


def test_load_photo_tells_format_by_content_not_by_name(tmp_path: Path) -> None:
    photo = load_photo(_write(tmp_path / "photo.jpg", "PNG", _picture()))
    assert photo.image.shape == (_HEIGHT, _WIDTH, 3)


def test_load_photo_of_every_open_file_loads_or_refuses(
    open_data: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    refused = set()
    for path in sorted((open_data / "exif").rglob("*")):
        if path.is_file():
            try:
                photo = load_photo(path)
            except PhotoError:
                refused.add(path.name)
            else:
                assert photo.image.dtype == np.uint8
    assert refused == {"README", "corrupted.jpg"}
    assert capfd.readouterr() == ("", "")


def test_load_photo_of_open_heic_notes_that_it_was_cropped(open_data: Path) -> None:
    photo = load_photo(open_data / "exif/IMG_5195.HEIC")
    assert photo.image.shape == (3313, 2566, 3)
    assert photo.notes == (
        "EXIF speaks of 4032 x 3024 px, the picture has 2566 x 3313: it is not the camera's own file but was "
        "cropped, perhaps scaled as well.",
    )
    assert photo_lens_key(photo) is None


def test_load_photo_of_heif_whose_turns_disagree_takes_the_files_own(tmp_path: Path) -> None:
    path = _write(tmp_path / "p.heic", "HEIF", _picture(), exif=_exif(1))
    data = path.read_bytes()
    # The only 16-bit orientation 1 in its EXIF table becomes 6; HEIF's own turn stays none.
    entry = struct.pack(">HHIH", 0x0112, 3, 1, 1)
    entry = entry if entry in data else struct.pack("<HHIH", 0x0112, 3, 1, 1)
    six = entry[:-2] + entry[-2:].replace(b"\x01", b"\x06")
    assert data.count(entry) == 1
    path.write_bytes(data.replace(entry, six))
    photo = load_photo(path)
    assert photo.metadata.orientation == 6
    assert photo.quarter_turns == 0
    assert photo.image.shape == (_HEIGHT, _WIDTH, 3)
    assert photo.notes == (
        "EXIF says that the photo was turned, the HEIF file does not: it is taken as the file has it.",
    )


@pytest.fixture
def no_decoding(monkeypatch: pytest.MonkeyPatch) -> None:
    def decode(*_arguments: object) -> None:
        pytest.fail("the photo was decoded before it was refused")

    monkeypatch.setattr(photo_module, "decode_picture", decode)


@pytest.mark.usefixtures("no_decoding")
@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "file is empty"),
        (b"%PDF-1.7 and so on", "not a photo that can be read here"),
        (b"II*\0\x08\0\0\0", "header of this TIFF file is damaged"),
    ],
)
def test_load_photo_of_no_photo_is_refused_before_decoding(
    tmp_path: Path, content: bytes, message: str
) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(content)
    with pytest.raises(PhotoError, match=f"photo.jpg: .*{message}"):
        load_photo(path)


@pytest.mark.usefixtures("no_decoding")
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WebP", "HEIF"])
def test_load_photo_of_truncated_file_is_refused_before_decoding(tmp_path: Path, kind: str) -> None:
    path = _write(tmp_path / "p", kind, _picture())
    path.write_bytes(path.read_bytes()[:-40])
    with pytest.raises(
        PhotoError, match=r"cut off before the picture's end \([0-9]+ bytes\); copy the photo"
    ):
        load_photo(path)


@pytest.mark.usefixtures("no_decoding")
@pytest.mark.parametrize("kind", ["PNG", "WebP", "TIFF"])
def test_load_photo_with_several_frames_is_refused_before_decoding(tmp_path: Path, kind: str) -> None:
    frames = [_picture(), ImageOps.invert(_picture())]
    path = _write(tmp_path / "p", kind, frames[0], save_all=True, append_images=frames[1:])
    with pytest.raises(PhotoError, match="several frames or pages; save the one"):
        load_photo(path)


def _jpeg_header(width: int, height: int) -> bytes:
    frame = struct.pack(">BHHBBBB", 8, height, width, 1, 1, 0x11, 0)
    scan = b"\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00"
    return b"\xff\xd8\xff\xc0" + struct.pack(">H", len(frame) + 2) + frame + scan + b"\xff\xd9"


@pytest.mark.usefixtures("no_decoding")
@pytest.mark.parametrize(("width", "height"), [(20000, 10001), (65500, 65500)])
def test_load_photo_over_200_megapixels_is_refused_before_decoding(
    tmp_path: Path, width: int, height: int
) -> None:
    path = tmp_path / "large.jpg"
    path.write_bytes(_jpeg_header(width, height))
    with pytest.raises(PhotoError, match=f"{width} x {height} px are [0-9]+ megapixels; at most 200"):
        load_photo(path)


def test_load_photo_between_the_limits_of_pillow_and_ours_is_not_too_large(tmp_path: Path) -> None:
    # Pillow 13 warns above 89 and refuses above 179 megapixels; this one only lacks its data.
    path = tmp_path / "large.jpg"
    path.write_bytes(_jpeg_header(19000, 10000))
    with pytest.raises(PhotoError, match=r"damaged|cannot be decoded"):
        load_photo(path)


def test_load_photo_of_a_huge_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "sparse.jpg"
    with path.open("wb") as stream:
        stream.truncate(2**30 + 1)
    with pytest.raises(PhotoError, match="1024 MiB are too many for a photo"):
        load_photo(path)


def test_load_photo_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"nothing.jpg: no such file"):
        load_photo(tmp_path / "nothing.jpg")
    with pytest.raises(FileError, match="is not a file; name the photos"):
        load_photo(tmp_path)


def test_load_photo_that_may_not_be_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = _write(tmp_path / "p.png", "PNG", _picture())

    def refuse(_path: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(FileError, match="cannot be read \\(Permission denied\\)"):
        load_photo(path)


def test_lens_prior_of_an_upright_photo_is_in_the_sensor_frame(rendered_photos: Path, tmp_path: Path) -> None:
    source = rendered_photos / "close_dev_01.jpg"
    with Image.open(source) as picture:
        exif = picture.getexif()
        exif[0x0112] = 6
        picture.save(tmp_path / "turned.jpg", exif=exif)
    plain, turned = load_photo(source), load_photo(tmp_path / "turned.jpg")
    assert turned.image.shape[:2] == plain.image.shape[1::-1]
    assert turned.quarter_turns == 1
    assert lens_prior(turned).parameters.tolist() == lens_prior(plain).parameters.tolist()
    assert photo_lens_key(turned) == photo_lens_key(plain) is not None
    camera = json.loads((rendered_photos / "chart_QD-5.json").read_text(encoding="utf-8"))["camera"]
    assert (lens_prior(turned).width, lens_prior(turned).height) == (camera["width"], camera["height"])


_MEASURE_PEAK = """
import sys
from pathlib import Path
from vision.photo import load_photo
photo = load_photo(Path(sys.argv[1]))
# Not ru_maxrss, which also counts what the parent held before this program was started.
(peak,) = [line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")]
print(photo.image.shape, peak.split()[1])
"""


@pytest.mark.skipif(sys.platform != "linux", reason="/proc/self/status is there on Linux only")
def test_load_photo_of_48_megapixels_stays_below_700_mb(tmp_path: Path) -> None:
    rows = np.linspace(0, 255, 6000).astype(np.uint8)
    stream = io.BytesIO()
    grey = Image.fromarray(np.repeat(rows[:, None], 8000, axis=1))
    grey.convert("RGB").save(stream, "JPEG", exif=_exif(6))
    path = tmp_path / "large.jpg"
    path.write_bytes(stream.getvalue())
    result = subprocess.run(
        [sys.executable, "-c", _MEASURE_PEAK, str(path)],
        cwd=_ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    shape, peak_kib = result.stdout.rsplit(maxsplit=1)
    assert shape == "(8000, 6000, 3)"
    assert int(peak_kib) * 1024 < 700e6
    assert result.stderr == ""
