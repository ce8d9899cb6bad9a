"""Proposals accepted for measuring: a rendered house picked in one photo only, and what the notes say."""

import json
from dataclasses import replace

import pytest

from calib.targets import load_target
from vision.accept import measure_with_proposals
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
    found = measure_with_proposals(replace(shoot, photos=(first, *shoot.photos[1:])))
    assert isinstance(found, RidgeMeasurement)
    assert found.method == "many photos"
    assert abs(found.length_mm - truth["ridge"]["length_mm"]) < found.u95_mm
    # The photo with picks keeps them; the others' notes say what was proposed.
    proposed = [note.split(":")[0] for note in found.notes if "as proposed" in note]
    assert proposed == ["house2_dev_2.jpg", "house2_dev_3.jpg"]


def test_ends_that_are_not_known_like_picks_are_not_used(shoot):
    # Where picks were good to 0.01 px, no proposal would be.
    found = measure_with_proposals(replace(shoot, pick_sigma_px=0.01))
    assert isinstance(found, NotMeasured)
    assert found.why.count("no ridge end could be proposed with certainty; pick it by hand") == 3
