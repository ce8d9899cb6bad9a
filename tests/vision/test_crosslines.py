"""Cross lines on drawn caps and rendered close-ups."""

import numpy as np
import pytest

from calib.camera import Camera
from calib.errors import GeometryError
from tests.vision.drawn_ridge import CARD_OUTLINE_MM, Ridge, draw, known_flange, stand
from vision.crosslines import find_cross_lines
from vision.plane import rectify

CAMERA = Camera(720, 540, 1822.0, 1822.0, 363.1, 262.7, 0.031, -0.042, 4e-4, -3e-4)
# 720 px show about 290 mm of the flange from here, beside the card.
AIM_MM, AWAY_MM = (345.0, 75.0), 720.0


def _lines(ridge: Ridge, view, seed: int, covers=()):
    image = draw(ridge, view, seed)
    flange = known_flange(ridge, view)
    return find_cross_lines(image, _flatten(image, view, flange), flange, covers)


def _flatten(image, view, flange, along=None):
    axes = np.array([flange.along, flange.across])
    places = flange.polygon_mm @ axes.T
    low, size = places.min(axis=0), np.ptp(places, axis=0)
    return rectify(
        image,
        view,
        z_mm=0.8,
        corner_mm=low @ axes,
        size_mm=(float(size[0]), float(size[1])),
        mm_per_px=0.4,
        along=flange.along if along is None else along,
    )


@pytest.mark.parametrize(("level", "width_mm"), [(230.0, 0.8), (60.0, 0.5), (134.0, 1.2)])
def test_drawn_line_is_found_within_its_uncertainty(level, width_mm):
    ridge = Ridge(along_deg=1.7, card=False, lines=((352.3, level, width_mm),))
    view = stand(AIM_MM, AWAY_MM, 24.0, 130.0, 5.0, CAMERA)
    (line,) = _lines(ridge, view, 31)
    # What a fit of an uneven sheet leaves beyond the strips' scatter is below a tenth of a millimetre.
    assert line.station_mm == pytest.approx(352.3, abs=4.0 * line.u_station_mm + 0.05)
    assert line.slope == pytest.approx(0.0, abs=4.0 * line.u_slope + 1e-3)
    assert np.sign(line.contrast) == np.sign(level - ridge.sheet)
    assert line.coverage > 0.9


def test_edge_and_mark_are_two_lines():
    ridge = Ridge(card=False, edge_mm=330.0, mark_mm=372.0)
    lines = _lines(ridge, stand(AIM_MM, AWAY_MM, 12.0, 40.0, -6.0, CAMERA), 32)
    assert [line.station_mm for line in lines] == pytest.approx([330.0, 372.0], abs=1.5)


def test_shadows_streaks_and_blots_are_no_lines():
    shadows = ((330.0, 75.0, 4.0, 16.0), (380.0, 20.0, 38.0, 30.0))
    ridge = Ridge(card=False, texture=6.0, streaks=6.0, shadows=shadows)
    assert _lines(ridge, stand(AIM_MM, AWAY_MM, 18.0, -20.0, 4.0, CAMERA), 33) == ()


def test_edges_of_the_card_are_no_lines():
    ridge = Ridge()
    view = stand((150.0, 70.0), AWAY_MM, 15.0, 60.0, 2.0, CAMERA)
    assert _lines(ridge, view, 34, [CARD_OUTLINE_MM]) == ()


def test_line_beside_a_cover_is_found_at_its_middle_or_not_at_all():
    # The cover hides the sheet up to 0 .. 8 mm from the line: a flank alone must never pass for the line.
    ridge = Ridge(card=False, lines=((352.3, 40.0, 1.0),))
    view = stand(AIM_MM, AWAY_MM, 10.0, 0.0, 0.0, CAMERA)
    image, flange = draw(ridge, view, 35), known_flange(ridge, view)
    picture = _flatten(image, view, flange)
    for gap_mm in np.arange(0.0, 14.0, 1.0):
        left = 352.3 + gap_mm
        cover = np.array([(left, -60.0), (left + 90.0, -60.0), (left + 90.0, 220.0), (left, 220.0)])
        for line in find_cross_lines(image, picture, flange, [cover]):
            assert line.station_mm == pytest.approx(352.3, abs=0.3)


def test_picture_that_does_not_run_along_the_ridge_is_refused():
    ridge, view = Ridge(card=False), stand(AIM_MM, AWAY_MM, camera=CAMERA)
    image, flange = draw(ridge, view, 36), known_flange(ridge, view)
    aslant = _flatten(image, view, flange, along=(1.0, 0.02))
    with pytest.raises(GeometryError, match="does not run along the ridge"):
        find_cross_lines(image, aslant, flange)
