"""Pictures with the findings drawn in: to scale, legible when small, told by shape and word, not only ink."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calib.errors import FileError
from calib.targets import load_target
from vision.audit import FlangeAudit, audit_photos
from vision.photo import load_photo
from vision.plan import Plan
from vision.plane import to_px
from vision.verdict import Verdict
from webui.overlay import Overlays, _break_rows, _Strip, draw_audit, draw_to_scale
from webui.picture_pen import LETTER_SHARE, VERDICT_INKS, Pen, words_width, wrapped

HEAD_MM, PLAN = 9.5, Plan(witness_mm=203.2)
# The red, green and blue that an eye without its red or green cones sees: H. Brettel, F. Vienot, J. Mollon,
# "Computerized simulation of color appearance for dichromats", J. Opt. Soc. Am. A 14, 1997, here by the
# single matrices of F. Vienot, H. Brettel, J. Mollon, Color Res. Appl. 24, 1999 (from memory).
DICHROMATS = (
    np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]),
    np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]),
)


@pytest.fixture(scope="module")
def seen(sample_images: Path) -> tuple[FlangeAudit, np.ndarray]:
    """Return the audit of a lap whose length does not meet, and its photo."""
    path = sample_images / "lap_1.jpg"
    (audit,) = audit_photos([path], [load_target(sample_images / "card.json")], PLAN)
    assert isinstance(audit, FlangeAudit)
    return audit, load_photo(path).image


def test_photo_is_drawn_over_and_told_below(seen):
    audit, image = seen
    before = image.copy()
    drawn = draw_audit(audit, image, "metric", HEAD_MM)
    assert (image == before).all()
    assert drawn.shape[1] == 2000
    assert drawn.shape[0] > 1.1 * image.shape[0] * 2000 / image.shape[1]


def test_picture_is_to_scale(seen):
    audit, image = seen
    strip = _Strip.of(audit)
    mm_per_px = max(row.length_mm for row in strip.rows) / 1599
    stations = np.array([rivet.mm for rivet in audit.rivets]) @ strip.axes.T - strip.low_mm
    for row in strip.rows:
        flat = strip.flattened(audit, image, row, mm_per_px)
        inside = (stations[:, 0] > row.start_mm) & (stations[:, 0] < row.start_mm + row.length_mm)
        drawn = flat.from_plane_mm(np.array([rivet.mm for rivet in audit.rivets])[inside])
        # A ruler laid along a row, zero at the strip's left end, reads a rivet's station.
        assert drawn[:, 0] * mm_per_px + row.start_mm == pytest.approx(stations[inside, 0], abs=0.01)


def test_strip_leads_to_the_right_as_the_photo_does(seen):
    audit, _ = seen
    turned = replace(audit, flange=replace(audit.flange, along=-audit.flange.along))
    for each in (audit, turned):
        strip = _Strip.of(each)
        corners = np.array([strip.low_mm, strip.low_mm + np.array([100.0, 0.0])]) @ strip.axes
        ends = to_px(each.view, corners, 0.8)
        assert ends[1, 0] > ends[0, 0]


def test_rows_break_clear_of_what_is_drawn():
    # Nine lap rivets about the even place of a strip of 1300 mm, and its two rows.
    busy = np.array([600.0, 630.0, 650.0, 660.0])
    first, second = _break_rows(1300.0, busy)
    assert np.abs(busy - second.start_mm).min() >= 59.0
    assert first.length_mm + second.length_mm == pytest.approx(1300.0)
    assert max(first.length_mm, second.length_mm) < 1.2 * 650.0


def test_short_strip_without_a_rivet_has_one_row():
    (row,) = _break_rows(500.0, np.zeros(0))
    assert (row.start_mm, row.length_mm) == (0.0, 500.0)


def test_letters_can_be_read_on_a_telephone():
    # 360 px wide: ISO 9241-303 wants letters of 16 arc minutes, 1.4 mm at 300 mm (from memory); a phone's 360
    # px are 65 mm, so that 8 px are 1.4 mm. A capital is 0.7 of a letter's size.
    assert 0.7 * LETTER_SHARE * 360 >= 7.5


@pytest.mark.parametrize("matrix", DICHROMATS)
def test_verdicts_inks_stay_apart_without_a_cone(matrix):
    def lab(bgr: tuple[int, int, int]) -> np.ndarray:
        linear = (np.array(bgr[::-1]) / 255.0) ** 2.2
        rgb = np.clip(matrix @ linear, 0.0, 1.0) ** (1.0 / 2.2)
        return cv2.cvtColor(rgb[None, None].astype(np.float32), cv2.COLOR_RGB2LAB)[0, 0]

    meets, not_met, unknown = (lab(VERDICT_INKS[verdict]) for verdict in Verdict)
    # A difference of 2.3 is just noticeable (CIE 1976, M. Mahy et al. 1994, from memory); "meets" is never
    # taken for the others, and the other two differ in shape anyway.
    assert np.linalg.norm(meets - not_met) > 20.0
    assert np.linalg.norm(meets - unknown) > 20.0


def test_marks_differ_in_shape_when_they_are_grey():
    pictures = []
    for verdict in Verdict:
        pen = Pen(np.zeros((40, 40, 3), np.uint8), 20.0)
        pen.mark(20.0, 20.0, 30.0, verdict)
        pictures.append(cv2.cvtColor(pen.image, cv2.COLOR_BGR2GRAY) > 20)
    for i, one in enumerate(pictures):
        for other in pictures[i + 1 :]:
            # A tenth of either mark's area.
            assert (one != other).sum() > 0.1 * one.sum()


def test_plates_do_not_cover_each_other_or_what_is_kept_free():
    pen = Pen(np.zeros((400, 700, 3), np.uint8), 20.0)
    pen.keep_free((350.0, 200.0), 15.0)
    for _ in range(4):
        pen.plate((350.0, 200.0), "304.8 mm", Verdict.MEETS)
    boxes = np.array(pen._plates)
    for i in range(len(boxes)):
        for j in range(i):
            apart = (boxes[i, :2] >= boxes[j, 2:]) | (boxes[j, :2] >= boxes[i, 2:])
            assert apart.any()


def test_nothing_is_written_of_a_place_off_the_picture():
    pen = Pen(np.zeros((400, 700, 3), np.uint8), 20.0)
    for place in ((-5.0, 200.0), (350.0, 500.0), (np.nan, 0.0)):
        pen.plate(place, "304.8 mm")
    pen.line([(np.nan, 0.0), (10.0, 10.0)])
    assert not pen.image.any()


def test_words_break_within_their_width():
    lines = wrapped("rivet spacing 1 to 2: 304.8 mm ± 0.9 mm, cannot tell", 20.0, 200.0)
    assert " ".join(lines) == "rivet spacing 1 to 2: 304.8 mm ± 0.9 mm, cannot tell"
    assert all(words_width(line, 20.0) <= 200.0 for line in lines)


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_folder_gets_both_pictures_of_every_flange(seen, tmp_path, units):
    audit, image = seen
    overlays = Overlays(tmp_path / "drawn", units, HEAD_MM)
    overlays.write(audit, image)
    overlays.write(audit, image)
    names = sorted(path.name for path in (tmp_path / "drawn").iterdir())
    assert names == ["lap_1-2.jpg", "lap_1-2_to_scale.jpg", "lap_1.jpg", "lap_1_to_scale.jpg"]
    drawn = cv2.imread(str(tmp_path / "drawn" / "lap_1_to_scale.jpg"))
    assert drawn.shape == draw_to_scale(audit, image, units, HEAD_MM).shape


def test_folder_that_cannot_be_made_is_refused(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(FileError, match="cannot be made"):
        Overlays(tmp_path / "file" / "drawn", "metric", HEAD_MM)
