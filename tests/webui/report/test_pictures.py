"""Pictures of the report: upright as the measuring sees them, pixels where they belong, sizes in bounds."""

import io
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from vision.photo import load_photo
from webui.report.drawings import view_flange
from webui.report.pictures import Upright, crop, flattened, jpeg, open_upright, resampled


def written(path: Path, pixels: np.ndarray, orientation: int = 1) -> Path:
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(pixels).save(path, "JPEG", quality=98, subsampling="4:4:4", exif=exif)
    return path


def scene(width: int = 320, height: int = 200) -> np.ndarray:
    """Return a picture with one white dot, at (231, 57), on grey."""
    pixels = np.full((height, width, 3), 90, np.uint8)
    cv2.circle(pixels, (231, 57), 6, (255, 255, 255), -1, cv2.LINE_AA)
    return pixels


def middle_of_dot(pixels: np.ndarray) -> tuple[float, float]:
    light = np.clip(pixels[:, :, 0].astype(float) - 120.0, 0.0, None)
    y, x = np.mgrid[: pixels.shape[0], : pixels.shape[1]]
    return float((light * x).sum() / light.sum()), float((light * y).sum() / light.sum())


@pytest.mark.parametrize("orientation", range(1, 9))
def test_photo_lies_as_the_measuring_sees_it(tmp_path: Path, orientation: int) -> None:
    path = written(tmp_path / "p.jpg", scene(), orientation)
    seen = load_photo(path).image[:, :, ::-1]
    shown = open_upright(path, 10_000)
    assert shown.pixels.shape == seen.shape
    assert shown.size_px == (seen.shape[1], seen.shape[0])
    assert np.abs(shown.pixels.astype(int) - seen.astype(int)).mean() < 2.0


def test_real_photos_of_all_orientations_lie_alike(open_data: Path) -> None:
    for path in sorted((open_data / "exif" / "orientation").glob("*.jpg")):
        seen = load_photo(path).image[:, :, ::-1]
        shown = open_upright(path, 10_000)
        assert shown.pixels.shape == seen.shape, path.name
        assert np.abs(shown.pixels.astype(int) - seen.astype(int)).mean() < 3.0, path.name


@pytest.mark.parametrize("least_px", [320, 160, 80])
@pytest.mark.parametrize("orientation", [1, 6])
def test_pixel_of_the_full_photo_is_found_in_a_reduced_one(
    tmp_path: Path, least_px: int, orientation: int
) -> None:
    path = written(tmp_path / "p.jpg", scene(), orientation)
    full = middle_of_dot(open_upright(path, 10_000).pixels)
    shown = open_upright(path, least_px)
    assert max(shown.pixels.shape[:2]) == pytest.approx(least_px, abs=1)
    assert shown.here(full) == pytest.approx(middle_of_dot(shown.pixels), abs=0.3)


def test_pixel_of_the_full_photo_is_found_after_resampling() -> None:
    full = Upright(scene(), 1.0, (320, 200))
    small = resampled(full, 123)
    assert small.pixels.shape == (77, 123, 3)
    assert small.here((231.0, 57.0)) == pytest.approx(middle_of_dot(small.pixels), abs=0.25)
    assert resampled(full, 5000) is full


def test_crop_has_the_pick_in_its_middle() -> None:
    cropped = crop(Upright(scene(), 1.0, (320, 200)), (231.0, 57.0), 20.0, 240)
    # A pixel is 6 px wide here: the middle is good to half of that.
    assert middle_of_dot(cropped) == pytest.approx((119.5, 119.5), abs=3.0)


def test_crop_beyond_the_photo_is_grey() -> None:
    cropped = crop(Upright(scene(), 1.0, (320, 200)), (2.0, 2.0), 20.0, 240)
    assert cropped[0, 0].tolist() == [128, 128, 128]


def test_flattened_plane_is_where_its_map_says() -> None:
    # Plane mm to px by hand: 2 px per mm, shifted by (31, 17) px; the dot at (231, 57) px is at (100, 20) mm.
    px_from_mm = [[2.0, 0.0, 31.0], [0.0, 2.0, 17.0], [0.0, 0.0, 1.0]]
    picture_from_mm = np.array([[3.0, 0.0, 0.0], [0.0, 3.0, 0.0], [0.0, 0.0, 1.0]])
    flat = flattened(Upright(scene(), 1.0, (320, 200)), px_from_mm, picture_from_mm, (400, 200))
    light = flat[:120, 200:380]
    x, y = middle_of_dot(light)
    assert (x + 200.0, y) == pytest.approx((300.0, 60.0), abs=0.5)


def test_flange_view_keeps_left_left_and_its_scale() -> None:
    flange = {
        "along": [-1.0, 0.0],
        "outline_mm": [30.0, 20.0],
        "px_from_mm": [[2.0, 0.0, 31.0], [0.0, 2.0, 17.0], [0.0, 0.0, 1.0]],
        "polygon_mm": [[0.0, 0.0], [140.0, 0.0], [140.0, 80.0], [0.0, 80.0]],
    }
    audit = {"rivets": [{"mm": [5.0, 40.0]}], "lap": {"edge_mm": [[110.0, 0.0], [110.0, 80.0]]}}
    view = view_flange(Upright(scene(), 1.0, (320, 200)), flange, audit, 50.0, 90_000)
    # 140 mm do not fit 50 mm at 1 : 2.5, but at 1 : 3; across, there is room for numbers below.
    assert view.scale == 3.0
    assert view.size_mm == pytest.approx((140.0 / 3.0, 100.0 / 3.0))
    x, y, _ = view.page_from_mm @ [100.0, 20.0, 1.0]
    assert (x, y) == pytest.approx((100.0 / 3.0, 20.0 / 3.0))
    # The dot on the page, at 150 dots an inch; what the photo does not show is white and left out.
    picture = np.asarray(Image.open(io.BytesIO(view.picture.data)))[:100]
    assert middle_of_dot(picture) == pytest.approx((x * 150 / 25.4, y * 150 / 25.4), abs=1.0)


def test_jpeg_stays_within_its_bound_or_at_its_least_quality() -> None:
    noise = np.random.default_rng(3).integers(0, 255, (200, 300, 3), dtype=np.uint8)
    best = len(jpeg(noise, 10**9).data)
    bound = round(0.8 * best)
    assert len(jpeg(noise, 10).data) < len(jpeg(noise, bound).data) <= bound
