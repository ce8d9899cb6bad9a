"""Photos tied by features, tapes and ends: loose photos, groups apart, photos that contradict the others."""

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.simulated import stand
from tests.vision.simulated_job import (
    PANEL,
    PANEL_B,
    SHOOTINGS,
    TRUE_MM,
    Shooting,
    draw_job,
    measure_job,
    taped,
    told,
)
from vision.ridge import NotMeasured, RidgeMeasurement

# Nothing of the house is seen from here, but both ends could be picked.
_ELSEWHERE = stand((-9000.0, 0.0, 9000.0), (-4000.0, -2900.0, 30000.0))


def _measured(result: RidgeMeasurement | NotMeasured) -> RidgeMeasurement:
    assert isinstance(result, RidgeMeasurement), result.why
    return result


def _with(index: int, **changes: object) -> list[Shooting]:
    return [replace(s, **changes) if i == index else s for i, s in enumerate(SHOOTINGS)]


def test_photo_without_a_target_is_joined_by_its_features():
    loose = _measured(measure_job(draw_job(1, _with(2, targets=()))))
    assert loose.photos["p2"].is_used
    assert loose.photos["p2"].tags == ()
    assert loose.photos["p2"].record()["rms_px"] is None
    assert abs(loose.length_mm - TRUE_MM) <= 1.5 * loose.u95_mm


def test_photo_that_shares_nothing_is_left_out_and_named():
    job = draw_job(2, _with(3, targets=()))
    stranger = draw_job(77, _with(3, targets=()))[3]
    job[3] = replace(job[3], source=stranger.source)
    result = _measured(measure_job(job))
    assert not result.photos["p3"].is_used
    assert any("p3 shows no target" in note and "left out" in note for note in result.photos["p3"].notes)


def test_order_of_photos_does_not_change_the_length_with_features():
    job = draw_job(3, _with(2, targets=()))
    lengths = [_measured(measure_job(photos)).length_mm for photos in (job, job[::-1], job[2:] + job[:2])]
    assert lengths[1:] == pytest.approx([lengths[0]] * 2, abs=1e-6)


def _two_groups(with_features: bool, seed: int):
    shootings = [replace(s, targets=(PANEL,) if i in (0, 3) else (PANEL_B,)) for i, s in enumerate(SHOOTINGS)]
    return draw_job(seed, shootings, with_features=with_features)


def test_two_panels_that_no_photo_shows_together_are_tied_by_features():
    result = _measured(measure_job(_two_groups(True, 4)))
    assert all(photo.is_used for photo in result.photos.values())
    assert abs(result.length_mm - TRUE_MM) <= 1.5 * result.u95_mm
    apart = _measured(measure_job(_two_groups(False, 4)))
    assert result.u95_mm < 0.5 * apart.u95_mm


def test_two_panels_that_no_photo_shows_together_are_tied_by_tapes_and_the_ends():
    tapes = [taped(PANEL, 0, PANEL_B, 2), taped(PANEL, 2, PANEL_B, 5)]
    apart = _measured(measure_job(_two_groups(False, 5)))
    result = _measured(measure_job(_two_groups(False, 5), tapes))
    assert all(photo.is_used for photo in result.photos.values())
    assert not apart.photos["p0"].is_used
    assert any("tape distances between tags of both" in note for note in apart.photos["p0"].notes)
    assert abs(result.length_mm - TRUE_MM) <= 1.5 * result.u95_mm
    assert result.u95_mm < apart.u95_mm


def test_moved_target_is_named_and_its_photo_used_all_the_same():
    moved = replace(PANEL, origin_mm=np.array([350.0, 40.0, -120.0]))
    result = _measured(measure_job(draw_job(6, _with(1, targets=(moved,)))))
    assert any("target panel was moved: in p1 it stands 3" in note for note in result.notes)
    assert result.photos["p1"].is_used
    assert abs(result.length_mm - TRUE_MM) <= 1.5 * result.u95_mm


def test_target_moved_between_two_photos_is_not_measured():
    moved = replace(PANEL, origin_mm=np.array([350.0, 40.0, -120.0]))
    result = measure_job(draw_job(7, [SHOOTINGS[0], replace(SHOOTINGS[1], targets=(moved,))]))
    assert isinstance(result, NotMeasured)
    assert "p0 and p1 contradict each other" in result.why


def test_photo_with_another_zoom_is_named_and_solved_with_its_own_lens():
    lens = SHOOTINGS[4].lens
    zoomed = replace(lens, fx=1.2 * lens.fx, fy=1.2 * lens.fy)
    result = _measured(measure_job(draw_job(8, _with(4, lens=zoomed))))
    assert any("p4 was taken with another lens or zoom" in note for note in told(result))
    assert abs(result.length_mm - TRUE_MM) <= 1.5 * result.u95_mm
