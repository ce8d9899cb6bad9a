"""What metadata alone tell of a lens; the 35-mm equivalent by the diagonal (CIPA DCG-001) and otherwise."""

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.camera import Camera
from calib.exif import PhotoMetadata, read_metadata
from calib.lens import (
    FRAME_DIAGONAL_MM,
    focal_by_diagonal_px,
    lens_key,
    match_size,
    prior_camera,
    rule_variance,
)

_PHONE = PhotoMetadata(
    make="Quandril",
    model="QD-5",
    focal_mm=5.1,
    focal_35mm_mm=26.0,
    exif_width_px=4032,
    exif_height_px=3024,
)
_SIZE = (4032, 3024)


def _sigmas(camera: Camera) -> np.ndarray:
    return np.sqrt(np.diag(camera.cov))


def test_frame_diagonal_is_that_of_the_36_by_24_frame() -> None:
    # 43.2666 mm, the printed digits of the definition.
    assert round(FRAME_DIAGONAL_MM, 4) == 43.2666


@pytest.mark.parametrize(
    ("size", "ratio"),
    # By hand: diagonal rule over width rule, 4:3 1.040, 3:2 equal, 16:9 0.955 (three digits).
    [((4000, 3000), 1.040), ((3000, 2000), 1.000), ((1920, 1080), 0.955)],
)
def test_focal_by_diagonal_against_the_width_rule(size: tuple[int, int], ratio: float) -> None:
    by_width_px = 26.0 * size[0] / 36.0
    assert focal_by_diagonal_px(26.0, *size) / by_width_px == pytest.approx(ratio, abs=5e-4)


def test_prior_of_a_plain_phone_photo_is_the_diagonal_rule_within_three_percent() -> None:
    camera, notes = prior_camera(_PHONE, *_SIZE)
    # 26 mm x 5040 px / 43.2666 mm
    assert camera.fx == camera.fy == pytest.approx(3028.66, abs=0.01)
    assert (camera.cx, camera.cy) == (2015.5, 1511.5)
    assert (camera.width, camera.height) == _SIZE
    assert _sigmas(camera)[0] / camera.fx == pytest.approx(0.03, abs=0.003)
    assert notes == ()


def test_prior_covers_the_other_rules_and_the_rounding() -> None:
    # A rule is off by at most 2 of its standard uncertainties (its chance is 1/4), the rounding by sqrt(3) of
    # its own (rectangular law): together by at most sqrt(4 + 3) of both (Cauchy and Schwarz).
    for width, height in ((4032, 3024), (6000, 4000), (4032, 2268), (3024, 3024)):
        for focal_mm in np.linspace(12.6, 80.0, 60):
            whole_long_px = max(width, height * 4 / 3)
            for true_px in (
                focal_mm * math.hypot(width, height) / FRAME_DIAGONAL_MM,
                focal_mm * width / 36.0,
                focal_mm * 1.25 * whole_long_px / FRAME_DIAGONAL_MM,
            ):
                metadata = dataclasses.replace(
                    _PHONE,
                    focal_35mm_mm=float(round(focal_mm)),
                    exif_width_px=width,
                    exif_height_px=height,
                )
                camera, _ = prior_camera(metadata, width, height)
                assert abs(true_px - camera.fx) < math.sqrt(7.0) * _sigmas(camera)[0]


def test_rule_variance_is_a_quarter_of_the_square_of_each_other_rule() -> None:
    # 4:3: only the width rule differs, by ln 1.04006 = 0.03928.
    assert math.sqrt(rule_variance(4000, 3000)) == pytest.approx(0.03928 / 2, abs=1e-5)
    # 3:2: only the 4:3 sensor around it, by ln(1.25 x 36 / 43.2666) = 0.03928, the same number.
    assert math.sqrt(rule_variance(3000, 2000)) == pytest.approx(0.03928 / 2, abs=1e-5)
    # 16:9: the width rule by ln(43.2666 x 16 / (36 x 18.3576)) = 0.04642, the sensor by ln(20 / 18.3576).
    assert math.sqrt(rule_variance(1600, 900)) == pytest.approx(math.hypot(0.04642, 0.08570) / 2, abs=1e-5)
    assert rule_variance(900, 1600) == rule_variance(1600, 900)


@pytest.mark.parametrize(
    ("photo", "truth_file"), [("close_dev_01.jpg", "chart_QD-5.json"), ("house1_dev_1.jpg", "house1.json")]
)
def test_prior_of_rendered_photo_holds_the_true_camera(
    rendered_photos: Path, photo: str, truth_file: str
) -> None:
    truth = json.loads((rendered_photos / truth_file).read_text(encoding="utf-8"))["camera"]
    metadata = read_metadata((rendered_photos / photo).read_bytes())
    camera, notes = prior_camera(metadata, truth["width"], truth["height"])
    names = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2")
    deviations = np.array([getattr(camera, name) - truth[name] for name in names]) / _sigmas(camera)[:8]
    assert np.abs(deviations).max() < 2.0
    assert notes == ()


def test_prior_without_metadata_is_wide_and_says_so() -> None:
    camera, notes = prior_camera(PhotoMetadata(), 640, 480)
    # The open chessboard set has no EXIF; an independent fit with OpenCV 5 gave f 532.83 px and k1 -0.2809.
    assert abs(camera.fx - 532.83) < _sigmas(camera)[0]
    assert abs(camera.k1 + 0.2809) < 2.0 * _sigmas(camera)[4]
    assert _sigmas(camera)[0] / camera.fx == pytest.approx(0.30, abs=1e-3)
    assert notes == (
        "EXIF gives no 35-mm equivalent focal length: a lens between wide and normal is taken, "
        "uncertain by 30%; a lens profile makes lengths far more certain.",
    )


@pytest.mark.parametrize("focal_35mm_mm", [1.0, 3000.0])
def test_prior_of_an_impossible_equivalent_is_wide_and_says_so(focal_35mm_mm: float) -> None:
    camera, notes = prior_camera(dataclasses.replace(_PHONE, focal_35mm_mm=focal_35mm_mm), *_SIZE)
    assert camera.fx == pytest.approx(0.85 * 4032)
    assert notes[0].startswith(f"EXIF gives {focal_35mm_mm:g} mm as the 35-mm equivalent")


def test_prior_of_a_scaled_photo_scales_with_it() -> None:
    whole, _ = prior_camera(_PHONE, *_SIZE)
    half, notes = prior_camera(_PHONE, 2016, 1512)
    assert half.fx == pytest.approx(whole.fx / 2)
    assert _sigmas(half)[0] == pytest.approx(_sigmas(whole)[0] / 2)
    assert notes == ()


def test_prior_of_a_cropped_photo_keeps_the_focal_length_and_doubts_the_centre() -> None:
    whole, _ = prior_camera(_PHONE, *_SIZE)
    crop, notes = prior_camera(_PHONE, 2000, 2900)
    # The crop is upright, the EXIF size broad: it may have been turned before, so that sides are compared so.
    assert crop.fx == pytest.approx(whole.fx)
    assert _sigmas(crop)[0] / crop.fx == pytest.approx(0.25, abs=1e-3)
    assert _sigmas(crop)[2] == pytest.approx(math.hypot(29.0, 1024 / math.sqrt(12)))
    assert _sigmas(crop)[3] == pytest.approx(math.hypot(29.0, 1132 / math.sqrt(12)))
    assert notes[0].startswith("EXIF speaks of 4032 x 3024 px, the picture has 2000 x 2900: it was cropped")


def test_prior_of_a_photo_larger_than_exif_says_doubts_everything() -> None:
    metadata = dataclasses.replace(_PHONE, exif_width_px=160, exif_height_px=90)
    camera, notes = prior_camera(metadata, *_SIZE)
    assert camera.fx == pytest.approx(3028.66, abs=0.01)
    assert _sigmas(camera)[2:4] == pytest.approx([0.2 * 4032, 0.2 * 3024])
    assert "it was cropped" in notes[0]


@pytest.mark.parametrize("zoom", [1.25, 2.0, 8.0])
def test_prior_with_digital_zoom_holds_both_readings(zoom: float) -> None:
    plain, _ = prior_camera(_PHONE, *_SIZE)
    zoomed, notes = prior_camera(dataclasses.replace(_PHONE, digital_zoom=zoom), *_SIZE)
    for focal_px in (plain.fx, plain.fx * zoom):
        assert abs(focal_px - zoomed.fx) <= _sigmas(zoomed)[0]
    assert _sigmas(zoomed)[0] < zoomed.fx
    assert notes == (f"A digital zoom of {zoom:g} leaves the focal length in doubt; shoot without it.",)


def test_prior_with_zoom_of_one_is_the_plain_prior() -> None:
    plain, _ = prior_camera(_PHONE, *_SIZE)
    same, notes = prior_camera(dataclasses.replace(_PHONE, digital_zoom=1.0), *_SIZE)
    assert np.array_equal(same.cov, plain.cov)
    assert notes == ()


def test_prior_covariance_ties_both_focal_lengths_and_nothing_else() -> None:
    camera, _ = prior_camera(_PHONE, *_SIZE)
    ratio = np.zeros(9)
    ratio[:2] = 1.0 / camera.fx, -1.0 / camera.fy
    # The ratio fx / fy is known within 0.2 %, its own uncertainty by first-order propagation.
    assert math.sqrt(ratio @ camera.cov @ ratio) == pytest.approx(0.002)
    rest = camera.cov.copy()
    rest[0, 1] = rest[1, 0] = 0.0
    assert np.array_equal(rest, np.diag(np.diag(rest)))
    assert np.linalg.eigvalsh(camera.cov).min() > 0.0


@pytest.mark.parametrize(
    ("exif", "size", "match"),
    [
        ((4032, 3024), (4032, 3024), "same"),
        ((3024, 4032), (4032, 3024), "same"),
        ((4032, 3024), (1600, 1200), "scaled"),
        ((4032, 3024), (1023, 767), "scaled"),
        ((4032, 3024), (1023, 769), "changed"),
        ((4032, 3024), (8064, 6048), "scaled"),
        ((4032, 3024), (4032, 2268), "changed"),
        ((4032, 3024), (3024, 3024), "changed"),
        ((None, 3024), (4032, 3024), "unknown"),
        ((4032, None), (4032, 3024), "unknown"),
    ],
)
def test_match_size(exif: tuple[int | None, int | None], size: tuple[int, int], match: str) -> None:
    metadata = PhotoMetadata(exif_width_px=exif[0], exif_height_px=exif[1])
    assert match_size(metadata, *size) == match


def test_lens_key_is_shared_by_photos_of_one_lens_only() -> None:
    key = lens_key(_PHONE, *_SIZE)
    assert key is not None
    assert lens_key(dataclasses.replace(_PHONE, digital_zoom=1.0, body_serial="7"), *_SIZE) == key
    assert len({key, lens_key(_PHONE, *_SIZE)}) == 1
    others: list[dict[str, Any]] = [
        {"model": "QD-6"},
        {"focal_mm": 7.0},
        {"focal_35mm_mm": 52.0},
        {"digital_zoom": 2.0},
        {"lens_model": "tele"},
    ]
    for changes in others:
        assert lens_key(dataclasses.replace(_PHONE, **changes), *_SIZE) != key
    assert lens_key(_PHONE, 2016, 1512) != key


@pytest.mark.parametrize(
    "changes",
    [{"model": None}, {"focal_mm": None, "focal_35mm_mm": None}, {"exif_height_px": 2268}],
)
def test_lens_key_of_unknown_or_cropped_is_none(changes: dict[str, Any]) -> None:
    assert lens_key(dataclasses.replace(_PHONE, **changes), *_SIZE) is None
