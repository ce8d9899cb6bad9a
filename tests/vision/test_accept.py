"""Proposals accepted for measuring: a rendered house picked in one photo only, and what the notes say."""

import json
import math
import re
from dataclasses import replace

import pytest

from calib.targets import load_target
from vision.accept import measure_with_help
from vision.ridge import NotMeasured, RidgeMeasurement
from vision.shoot import Shoot, ShootPhoto


@pytest.fixture(scope="module")
def shoot(rendered_photos) -> Shoot:
    """Three photos of the second house that see its panel, without picks."""
    names = [f"house2_dev_{number}.jpg" for number in (1, 2, 3)]
    photos = tuple(ShootPhoto(name, rendered_photos / name, {}) for name in names)
    return Shoot((load_target(rendered_photos / "panel.json"),), photos)


def _truth(folder) -> dict:
    return json.loads((folder / "house2.json").read_text())


def test_house_with_picks_in_one_photo_only_is_measured_within_its_uncertainty(shoot, rendered_photos):
    truth = _truth(rendered_photos)
    ends = truth["per_photo"]["house2_dev_1.jpg"]["ends_px"]
    first = replace(shoot.photos[0], ends={end: tuple(ends[end]) for end in ("a", "b")})
    found = measure_with_help(replace(shoot, photos=(first, *shoot.photos[1:])), accept=True)
    assert isinstance(found, RidgeMeasurement)
    assert found.method == "many photos"
    assert abs(found.length_mm - truth["ridge"]["length_mm"]) < found.u95_mm
    # The photo with picks keeps them; the others' notes say what was proposed.
    proposed = [note.split(":")[0] for note in found.notes if "as proposed" in note]
    assert proposed == ["house2_dev_2.jpg", "house2_dev_3.jpg"]


def test_ends_that_are_not_known_like_picks_are_not_used(shoot):
    # Where picks were good to 0.01 px, no proposal would be.
    found = measure_with_help(replace(shoot, pick_sigma_px=0.01), accept=True)
    assert isinstance(found, NotMeasured)
    assert found.why.count("no ridge end could be proposed with certainty; pick it by hand") == 3


def test_proposals_are_told_beside_the_photos_and_not_used(shoot, rendered_photos):
    found = measure_with_help(shoot)
    assert isinstance(found, NotMeasured)
    assert found.why.startswith("ridge ends A and B are not picked in enough usable photos")
    ends = _truth(rendered_photos)["per_photo"]
    for photo in shoot.photos:
        note = found.photos[photo.name].notes[-1]
        assert note.startswith("proposed, to be looked at: ")
        told = json.loads("{" + re.sub(r" \(u [0-9.]+ px\)", "", note.partition(": ")[2]) + "}")
        for end in ("a", "b"):
            assert math.dist(told[end], ends[photo.name]["ends_px"][end]) < 6.0


def test_ends_are_predicted_where_two_other_photos_have_picks(shoot, rendered_photos):
    ends = _truth(rendered_photos)["per_photo"]
    photos = [
        replace(photo, ends={end: tuple(ends[photo.name]["ends_px"][end]) for end in ("a", "b")})
        for photo in shoot.photos[:2]
    ]
    found = measure_with_help(replace(shoot, photos=(*photos, shoot.photos[2])))
    assert isinstance(found, RidgeMeasurement)
    notes = {name: photo.notes for name, photo in found.photos.items()}
    assert any(note.startswith("by the picks in other photos, ") for note in notes["house2_dev_3.jpg"])
    assert not any("picks in other photos" in note for note in notes["house2_dev_1.jpg"])
