"""The flange against the rendered close-ups' truth and against drawn caps."""

import numpy as np
import pytest

from calib.camera import Camera
from tests.vision.drawn_ridge import CARD_MM, Ridge, draw, stand
from tests.vision.rendered import CLOSE_UPS, SHEET_Z_MM, load_close_up
from vision.flange import Flange, find_flange
from vision.plane import to_mm

CAMERA = Camera(900, 675, 1040.0, 1040.0, 455.3, 331.9, 0.031, -0.042, 4e-4, -3e-4)
AIM_MM = (95.0, 70.0)


def _find(ridge: Ridge, view, seed: int) -> Flange:
    return find_flange(draw(ridge, view, seed), view, z_mm=ridge.z_mm, outline_mm=CARD_MM)


def _turn_deg(flange: Flange, along) -> float:
    """Return by how much the found direction is turned from the true one."""
    return float(np.degrees(np.arcsin(flange.along[0] * along[1] - flange.along[1] * along[0])))


@pytest.mark.parametrize("name", CLOSE_UPS)
def test_flange_of_rendered_close_up_has_the_true_direction_width_and_rivets(rendered_photos, name):
    truth, image, view = load_close_up(rendered_photos, name)
    flange = find_flange(image, view, z_mm=SHEET_Z_MM, outline_mm=CARD_MM)
    along = np.array(truth["run_direction_mm"])
    assert flange.fold is not None
    assert flange.hem is not None
    # A degree over a 12 ft view would move a row by 60 mm; 0.15 degrees move it by less than a head.
    assert abs(_turn_deg(flange, along)) < 0.15
    # The fold is a bend of some radius, seen from where it is brightest: 3 mm of the width are left open.
    width = abs(float((flange.fold.ends_mm - flange.hem.ends_mm).mean(axis=0) @ flange.across))
    assert width == pytest.approx(truth["flange_width_mm"], abs=3.0)
    on_flange = to_mm(view, [rivet["px"] for rivet in truth["rivets"]], SHEET_Z_MM).mm
    assert flange.holds(on_flange).all()
    beyond = [rivet["px"] for rivet in truth["other_flange_rivets"]]
    assert not flange.holds(to_mm(view, beyond, SHEET_Z_MM).mm).any() if beyond else True
    screws = [decoy["px"] for decoy in truth["decoys"] if decoy["kind"] == "hex_screw"]
    assert not flange.holds(to_mm(view, screws, SHEET_Z_MM).mm).any() if screws else True


@pytest.mark.parametrize("along_deg", [-11.3, -2.7, 0.4, 6.1, 12.2])
def test_direction_of_drawn_cap_is_found_however_the_card_lies(along_deg):
    ridge = Ridge(along_deg=along_deg, fold_mm=-45.0, hem_mm=165.0)
    flange = _find(ridge, stand(AIM_MM, 800.0, 17.0, 35.0, 8.0, CAMERA), 5)
    assert abs(_turn_deg(flange, ridge.along)) < 4.0 * np.degrees(flange.u_along_rad)
    assert flange.fold is not None
    assert flange.hem is not None
    # One pixel of the look is a millimetre.
    assert flange.fold.ends_mm @ ridge.across == pytest.approx([-45.0, -45.0], abs=2.0)
    assert flange.hem.ends_mm @ ridge.across == pytest.approx([165.0, 165.0], abs=2.0)
    assert flange.confidence > 0.5


@pytest.mark.parametrize("width_mm", [150.0, 205.0, 240.0])
def test_card_upside_down_finds_fold_and_hem_swapped(width_mm):
    ridge = Ridge(fold_mm=width_mm - 12.0, hem_mm=-12.0)
    flange = _find(ridge, stand(AIM_MM, 800.0, 12.0, -80.0, 183.0, CAMERA), 6)
    assert flange.fold is not None
    assert flange.hem is not None
    assert flange.fold.ends_mm @ ridge.across == pytest.approx([width_mm - 12.0] * 2, abs=2.0)
    assert flange.hem.ends_mm @ ridge.across == pytest.approx([-12.0, -12.0], abs=2.0)


def test_shadow_of_a_branch_across_the_flange_is_no_border():
    shadows = ((40.0, 60.0, 75.0, 14.0), (220.0, 90.0, -62.0, 10.0))
    flange = _find(Ridge(shadows=shadows), stand(AIM_MM, 800.0, 20.0, 10.0, 0.0, CAMERA), 7)
    assert flange.fold is not None
    assert flange.hem is not None
    assert float(flange.fold.ends_mm[:, 1].mean()) == pytest.approx(-20.0, abs=2.0)
    assert float(flange.hem.ends_mm[:, 1].mean()) == pytest.approx(170.0, abs=2.0)


def test_border_outside_the_photo_leaves_the_band_at_the_card_and_says_so():
    # The photo ends 20 mm beyond the card; the hem lies 40 mm beyond it.
    camera = Camera(900, 420, 1300.0, 1300.0, 450.0, 210.0)
    ridge = Ridge(fold_mm=-20.0, hem_mm=170.0)
    flange = _find(ridge, stand((95.0, 35.0), 620.0, camera=camera), 8)
    assert flange.hem is None or flange.fold is None
    assert flange.confidence < 0.5
    assert any("one border" in note for note in flange.notes)
    assert float((flange.polygon_mm @ ridge.across).max()) == pytest.approx(130.0, abs=3.0)


def test_photo_of_nothing_but_a_card_finds_no_border():
    ridge = Ridge(fold_mm=-5000.0, hem_mm=5000.0)
    flange = _find(ridge, stand(AIM_MM, 800.0, camera=CAMERA), 9)
    assert flange.fold is None
    assert flange.hem is None
    assert flange.confidence <= 0.1
    assert any("neither border" in note for note in flange.notes)


def test_flange_arrays_cannot_be_changed():
    flange = _find(Ridge(), stand(AIM_MM, 800.0, camera=CAMERA), 10)
    with pytest.raises(ValueError, match="read-only"):
        flange.polygon_mm[0] = 0.0
