"""Prints: page size, and the printed tags read back from the page by two detectors, in mm on the paper.

The PDF is drawn by a renderer that is not ours (PDFium) and read by OpenCV and by the AprilTag library.
"""

import dataclasses
import json
import math
import re
import subprocess
import sys
from dataclasses import dataclass

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest

from calib.errors import FileError, TargetError
from calib.papers import paper_named
from calib.printing import PrintedSheet, print_target
from calib.scale_check import unchecked_target
from calib.targets import Tag, Target, built_in_target, load_target

MM_PER_POINT = 25.4 / 72.0
PRINTS = [
    ("card", "letter"),
    ("card", "a4"),
    ("strip", "arch-d"),
    ("panel", "arch-d"),
    ("panel-b", "roll-36"),
]
# On paper; a corner found in the drawing must be where the definition says.
TOLERANCE_MM = 0.05

# The AprilTag library can crash its interpreter, so it gets one of its own, which leaves before its clean-up.
READ_WITH_APRILTAG = """
import json, os, sys
import numpy as np, pupil_apriltags
detector = pupil_apriltags.Detector(families="tag36h11", quad_decimate=1.0, refine_edges=True)
found = detector.detect(np.load(sys.argv[1]))
print(json.dumps([[int(tag.tag_id), tag.corners.tolist(), int(tag.hamming)] for tag in found]), flush=True)
os._exit(0)
"""


@dataclass
class Drawn:
    target: Target
    sheet: PrintedSheet
    grey: np.ndarray

    def on_target_mm(self, px):
        """Return pixel-centre coordinates as mm in the target's frame."""
        height, width = self.grey.shape
        per_px = np.array(self.sheet.page_mm) / (width, height)
        return (np.asarray(px, dtype=float).reshape(-1, 2) + 0.5) * per_px - self.sheet.origin_mm


def draw(path, width_px):
    """Render the only page to a grey picture of about that width."""
    with pypdfium2.PdfDocument(path) as document:
        page = document[0]
        picture = page.render(scale=width_px / page.get_width(), grayscale=True).to_numpy()
        return np.array(picture.reshape(picture.shape[:2]))


@pytest.fixture(scope="module", params=PRINTS, ids="-".join)
def drawn(request, tmp_path_factory):
    name, paper = request.param
    target = built_in_target(name)
    sheet = print_target(target, paper, tmp_path_factory.mktemp("prints") / f"{name}.pdf")
    # About 300 px per inch on office paper and 200 on drawing sheets, so that 0.05 mm are 0.4 px or more.
    return Drawn(target, sheet, draw(sheet.pdf_path, 3600 if paper_named(paper).is_office else 7200))


def test_page_is_the_paper_and_nothing_else(drawn, request):
    paper = paper_named(request.node.callspec.params["drawn"][1])
    (page,) = pypdf.PdfReader(drawn.sheet.pdf_path).pages
    size_mm = [float(side) * MM_PER_POINT for side in page.mediabox[2:]]
    assert size_mm == pytest.approx(drawn.sheet.page_mm, abs=1e-3)
    expected = {paper.short_mm, paper.long_mm} if paper.long_mm else {paper.short_mm, 610.0}
    assert sorted(size_mm) == pytest.approx(sorted(expected), abs=1e-3)
    assert page.get("/UserUnit", 1) == 1
    assert page.get("/Rotate", 0) == 0


def test_every_tag_is_read_by_opencv_where_the_definition_says(drawn):
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(drawn.grey)
    assert sorted(ids.ravel().tolist()) == sorted(drawn.target.ids)
    for tag_id, px in zip(ids.ravel().tolist(), corners, strict=True):
        error_mm = drawn.on_target_mm(px) - drawn.target.tag(tag_id).corners_mm()
        assert np.abs(error_mm).max() <= TOLERANCE_MM


def test_every_tag_is_read_by_the_apriltag_library_where_the_definition_says(drawn, tmp_path):
    # The edges of a drawing are sharper than any photo's; the blur gives the edge fit its usual slope.
    np.save(tmp_path / "page.npy", cv2.GaussianBlur(drawn.grey, (0, 0), 0.8))
    arguments = [sys.executable, "-c", READ_WITH_APRILTAG, str(tmp_path / "page.npy")]
    found = json.loads(subprocess.run(arguments, capture_output=True, text=True, check=True).stdout)
    assert sorted(tag_id for tag_id, _, _ in found) == sorted(drawn.target.ids)
    for tag_id, px, wrong_bits in found:
        assert wrong_bits == 0
        # That library counts from the first pixel's corner (references, section 6) and starts at another
        # corner.
        found_mm = drawn.on_target_mm(np.array(px) - 0.5)
        expected_mm = drawn.target.tag(tag_id).corners_mm()
        distance = np.hypot(*(found_mm[:, None] - expected_mm[None]).transpose(2, 0, 1))
        assert sorted(distance.argmin(axis=1).tolist()) == [0, 1, 2, 3]
        assert distance.min(axis=1).max() <= TOLERANCE_MM


def test_bars_are_drawn_at_their_length(drawn):
    # The two end lines, measured on the picture half-way along the end tick, by their centre of blackness.
    height, width = drawn.grey.shape
    per_mm = width / drawn.sheet.page_mm[0], height / drawn.sheet.page_mm[1]
    black = 255.0 - drawn.grey
    for bar, turned in zip(drawn.sheet.bars, (False, True), strict=True):
        picture = black.T if turned else black
        along_per_mm, across_per_mm = per_mm[::-1] if turned else per_mm
        start_mm, base_mm = bar.start_mm[::-1] if turned else bar.start_mm
        sign = (
            -1.0 if turned else 1.0
        )  # X grows to the right with its ticks up, Y up with its ticks to the right
        row = picture[int((base_mm - sign * 3.2) * across_per_mm)]
        ends_mm = []
        for end_mm in (start_mm, start_mm + sign * bar.length_mm):
            window = np.arange(int((end_mm - 2.0) * along_per_mm), int((end_mm + 2.0) * along_per_mm))
            ends_mm.append((np.sum(row[window] * window) / np.sum(row[window]) + 0.5) / along_per_mm)
        assert abs(ends_mm[1] - ends_mm[0]) == pytest.approx(bar.length_mm, abs=TOLERANCE_MM)


def test_bars_are_long_enough_for_a_tape(drawn):
    across, up = drawn.sheet.bars
    assert (across.name, up.name) == ("X", "Y")
    assert min(across.length_mm, up.length_mm) >= 150.0


def test_sheet_says_what_a_person_needs(drawn):
    words = " ".join(pypdf.PdfReader(drawn.sheet.pdf_path).pages[0].extract_text().split())
    for phrase in (
        drawn.target.name,
        "TOP",
        "tag36h11",
        "100 %",
        "actual size",
        "fit to page",
        "steel rule or tape",
    ):
        assert phrase in words
    assert f"X {drawn.sheet.bars[0].length_mm:g} mm" in words
    assert f"Y {drawn.sheet.bars[1].length_mm:g} mm" in words
    assert f"{drawn.target.outline_mm[0]:g} × {drawn.target.outline_mm[1]:g} mm" in words
    for caution in ("Caution", "power lines", "ladder", "fall", "wind"):
        assert caution in words
    for tag_id in drawn.target.ids:
        assert re.search(rf"\b{tag_id}\b", words)


def test_print_asks_for_actual_size_and_embeds_its_fonts(drawn):
    reader = pypdf.PdfReader(drawn.sheet.pdf_path)
    assert reader.root_object["/ViewerPreferences"]["/PrintScaling"] == "/None"
    fonts = [font.get_object() for font in reader.pages[0]["/Resources"]["/Font"].get_object().values()]
    used = [font for font in fonts if "Vera" in font["/BaseFont"]]
    assert used
    assert all("/FontFile2" in font["/FontDescriptor"] for font in used)


def test_print_holds_no_picture_only_shapes(drawn):
    assert not pypdf.PdfReader(drawn.sheet.pdf_path).pages[0].images


def test_definition_beside_the_print_is_the_unchecked_target(drawn):
    assert drawn.sheet.definition_path == drawn.sheet.pdf_path.with_suffix(".json")
    assert (
        load_target(drawn.sheet.definition_path) == drawn.sheet.definition == unchecked_target(drawn.target)
    )


def test_white_around_each_tag_is_one_cell_or_more(drawn):
    per_px = drawn.sheet.page_mm[0] / drawn.grey.shape[1]
    for tag in drawn.target.tags:
        low = (np.array(tag.center_mm) - tag.size_mm / 2 - tag.cell_mm + drawn.sheet.origin_mm) / per_px
        high = (np.array(tag.center_mm) + tag.size_mm / 2 + tag.cell_mm + drawn.sheet.origin_mm) / per_px
        area = drawn.grey[math.ceil(low[1]) : int(high[1]), math.ceil(low[0]) : int(high[0])].copy()
        margin = int(tag.cell_mm / per_px) - 2
        area[margin:-margin, margin:-margin] = 255
        assert area.min() == 255


def test_black_of_a_tag_has_no_hairline_gaps(drawn):
    # Every cell's inside and every joint between black cells is wholly black.
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    tag = drawn.target.tags[0]
    black = dictionary.generateImageMarker(tag.id, 8) == 0
    per_px = drawn.sheet.page_mm[0] / drawn.grey.shape[1]
    cell_px = tag.cell_mm / per_px
    corner_px = (np.array(tag.center_mm) - tag.size_mm / 2 + drawn.sheet.origin_mm) / per_px
    for row, column in np.argwhere(black[:-1, :-1] & black[1:, :-1] & black[:-1, 1:] & black[1:, 1:]):
        x0, y0 = (corner_px + (column, row) * np.array(cell_px) + 2).astype(int)
        block = int(2 * cell_px) - 4
        assert drawn.grey[y0 : y0 + block, x0 : x0 + block].max() == 0


def test_turned_tag_is_printed_turned(tmp_path):
    target = Target("turned", "tag36h11", (120.0, 100.0), 0.1, (Tag(41, 40.0, (45.3, 44.1), 30.0),))
    sheet = print_target(target, "letter", tmp_path / "t.pdf")
    drawn = Drawn(target, sheet, draw(sheet.pdf_path, 3600))
    test_every_tag_is_read_by_opencv_where_the_definition_says(drawn)


def test_print_made_twice_is_the_same_to_the_byte(tmp_path):
    card = built_in_target("card")
    first = print_target(card, "a4", tmp_path / "1.pdf").pdf_path.read_bytes()
    assert print_target(card, "A4", tmp_path / "2.pdf").pdf_path.read_bytes() == first


@pytest.mark.parametrize(
    ("name", "paper", "message"),
    [
        (
            "strip",
            "letter",
            r"cannot hold the target 'strip' \(600 × 100 mm\).*papers that can: a1, a0, arch-d, arch-e",
        ),
        ("panel", "a1", r"A1 cannot hold .* papers that can: a0, arch-d, arch-e, roll-24, roll-36"),
        ("card", "napkin", "no paper 'napkin'"),
    ],
)
def test_paper_that_cannot_hold_the_target_is_refused(name, paper, message, tmp_path):
    with pytest.raises(TargetError, match=message):
        print_target(built_in_target(name), paper, tmp_path / "t.pdf")
    assert not list(tmp_path.iterdir())


def test_target_too_large_for_every_paper_is_refused(tmp_path):
    tag = Tag(0, 1500.0, (1000.0, 1000.0))
    with pytest.raises(TargetError, match="no known paper can"):
        print_target(Target("wall", "tag36h11", (2000.0, 2000.0), 1.0, (tag,)), "roll-36", tmp_path / "t.pdf")


@pytest.mark.parametrize(
    ("tags", "message"),
    [
        ((Tag(1, 40.0, (24.0, 50.0)),), r"tag 1 has 4\.0 mm of white beside it and needs 5\.0 mm, one cell"),
        ((Tag(1, 40.0, (30.0, 50.0)), Tag(2, 16.0, (62.0, 50.0))), r"tag 2 has 4\.0 mm .* needs 5\.0 mm"),
    ],
)
def test_tag_without_white_around_is_refused(tags, message, tmp_path):
    with pytest.raises(TargetError, match=message):
        print_target(Target("tight", "tag36h11", (120.0, 100.0), 0.1, tags), "a4", tmp_path / "t.pdf")


def test_name_without_pdf_ending_is_refused(tmp_path):
    with pytest.raises(FileError, match=r"card\.json: the print is a PDF"):
        print_target(built_in_target("card"), "a4", tmp_path / "card.json")


def test_folder_that_is_missing_is_refused(tmp_path):
    with pytest.raises(FileError, match=r"card\.pdf: cannot be written"):
        print_target(built_in_target("card"), "a4", tmp_path / "none" / "card.pdf")


@pytest.mark.parametrize(
    ("outline_mm", "centers_mm"),
    [((220.0, 60.0), [(40.0, 30.0), (110.0, 30.0), (180.0, 30.0)]), ((100.0, 110.0), [(50.0, 55.0)])],
)
def test_face_without_room_for_words_keeps_the_white_around_its_tags(outline_mm, centers_mm, tmp_path):
    tags = tuple(Tag(100 + index, 40.0, center) for index, center in enumerate(centers_mm))
    target = Target("a name that is rather long for a face", "tag36h11", outline_mm, 0.1, tags)
    sheet = print_target(target, "a4", tmp_path / "t.pdf")
    drawn = Drawn(target, sheet, draw(sheet.pdf_path, 3600))
    test_white_around_each_tag_is_one_cell_or_more(drawn)
    test_every_tag_is_read_by_opencv_where_the_definition_says(drawn)


def test_name_with_markup_characters_is_printed_as_it_is(tmp_path):
    target = dataclasses.replace(built_in_target("card"), name="<b>A&B")
    sheet = print_target(target, "a4", tmp_path / "t.pdf")
    assert "<b>A&B" in pypdf.PdfReader(sheet.pdf_path).pages[0].extract_text()
