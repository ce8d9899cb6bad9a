"""The scene of a measured ridge: against the simulated job whose geometry is known."""

import json
from dataclasses import replace

import numpy as np
import pytest

from tests.vision.simulated import ENDS_MM, STANDS, lens_prior
from tests.vision.simulated_job import PANEL, PANEL_B, SHOOTINGS, draw_job, measure_job, take, taped
from vision.ridge import RidgeMeasurement, measure_ready
from vision.shoot import Shoot


def _measured(photos, tapes=()) -> RidgeMeasurement:
    found = measure_job(photos, tapes)
    assert isinstance(found, RidgeMeasurement)
    return found


@pytest.fixture(scope="module")
def found() -> RidgeMeasurement:
    return _measured(draw_job(3, with_features=False))


def test_cameras_targets_and_ends_stand_where_they_were(found):
    scene = found.scene
    assert len(scene.cameras) == len(STANDS)
    for place, stand in zip(scene.cameras.values(), STANDS, strict=True):
        # A focal length wrong by up to 4 % moves a camera 10 m away by decimetres until photos settle it.
        np.testing.assert_allclose(place, -stand.rotation.T @ stand.translation_mm, atol=150.0)
    for i, end in enumerate("ab"):
        sigma = np.sqrt(np.diag(scene.cov_mm2[end]))
        assert np.all(np.abs(scene.ends[end] - ENDS_MM[i]) < 4.0 * sigma)
    assert set(scene.targets) == {"panel"}
    assert scene.targets["panel"].shape == (4 * len(PANEL.target.tags), 3)


def test_covariance_between_the_ends_is_that_of_the_length(found):
    scene = found.scene
    along = scene.ends["b"] - scene.ends["a"]
    along = along / np.linalg.norm(along)
    assert np.sqrt(along @ scene.cov_mm2["ab"] @ along) * 1.96 == pytest.approx(found.u95_mm, rel=1e-3)


def test_up_is_up_where_the_cameras_were_held_level(found):
    # The stands' rows are level, and y points down.
    assert found.scene.is_level
    np.testing.assert_allclose(found.scene.up, [0.0, -1.0, 0.0], atol=0.02)


def test_cameras_look_at_the_house(found):
    scene = found.scene
    for name, rays in scene.looks.items():
        axis = rays.mean(axis=0)
        toward = ENDS_MM.mean(axis=0) - scene.cameras[name]
        cosine = axis @ toward / np.linalg.norm(axis) / np.linalg.norm(toward)
        assert cosine > np.cos(np.radians(25.0))
        # The corners of a 3200 by 2400 picture at 2246.5 px lie 41.7 degrees off the axis of the lens.
        assert np.degrees(np.arccos(rays @ axis / np.linalg.norm(axis))).max() == pytest.approx(41.7, abs=2.0)


def test_only_ends_that_were_picked_and_tapes_that_were_used_are_told():
    shootings = [*SHOOTINGS[:3]]
    photos = draw_job(4, shootings, with_features=False)
    photos[2].photo.ends.pop("a")
    found = _measured(photos)
    assert list(found.scene.picked.values()) == [("a", "b"), ("a", "b"), ("b",)]
    assert found.scene.tapes == ()


def test_tape_between_two_panels_is_in_the_scene():
    shootings = [replace(each, targets=(PANEL, PANEL_B)) for each in SHOOTINGS[:3]]
    tape = taped(PANEL, 0, PANEL_B, 0)
    scene = _measured(draw_job(5, shootings, with_features=False), [tape]).scene
    assert np.linalg.norm(np.diff(scene.tapes[0], axis=0)) == pytest.approx(tape.length_mm, abs=8.0)


def test_one_photo_has_a_scene_that_says_it_does_not_know_the_vertical():
    item = take(SHOOTINGS[1], "p", np.random.default_rng(6), lens_prior())
    shoot = Shoot((PANEL.target,), (item.photo,), setback_mm=2475.0, setback_u_mm=40.0)
    found = measure_ready(shoot, [replace(item, source=None)], {})
    assert isinstance(found, RidgeMeasurement)
    assert not found.scene.is_level
    # The camera is held level but looks down by 17 degrees.
    assert found.scene.up[1] < -0.9
    assert found.scene.record()["picked"] == {"p": ["a", "b"]}


def test_record_is_plain_json(found):
    record = json.loads(json.dumps(found.scene.record(), allow_nan=False))
    assert set(record) == {
        "cameras",
        "looks",
        "targets",
        "ends",
        "picked",
        "tapes",
        "cov_mm2",
        "up",
        "is_level",
    }
