"""Targets: the file of the contract, its refusals, and corners in the order and sense of cv2.aruco."""

import copy
import json
import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import FileError, RecordError, TargetError
from calib.targets import (
    FAMILY_CODES,
    Tag,
    Target,
    built_in_names,
    built_in_target,
    check_targets,
    gap_mm,
    load_target,
    record_from_target,
    save_target,
    target_from_record,
)

DICTIONARY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)

# The example of the contract's "Target file", with its second tag spelt out.
CONTRACT = {
    "name": "card",
    "family": "tag36h11",
    "unit": "mm",
    "outline": [190.0, 130.0],
    "sigma": 0.1,
    "tags": [
        {"id": 0, "size": 45.0, "center": [35.0, 35.0], "turn": 0},
        {"id": 7, "size": 45.0, "center": [120.0, 40.5], "turn": 90},
    ],
}


def changed(path, value):
    """Return the contract's record with one value changed, or removed when it is None."""
    record = copy.deepcopy(CONTRACT)
    place = record
    for key in path[:-1]:
        place = place[key]
    if value is None:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return record


def test_load_contract_example_gives_its_values(tmp_path):
    path = tmp_path / "card.json"
    path.write_text(json.dumps(CONTRACT))
    target = load_target(path)
    assert target.name == "card"
    assert target.outline_mm == (190.0, 130.0)
    assert target.sigma_mm == 0.1
    assert target.thickness_mm == 0.0
    assert target.tags == (Tag(0, 45.0, (35.0, 35.0), 0.0), Tag(7, 45.0, (120.0, 40.5), 90.0))


def test_load_thickness_is_kept():
    assert target_from_record(CONTRACT | {"thickness": 0.8}, "t.json").thickness_mm == 0.8


@pytest.mark.parametrize("name", built_in_names())
def test_save_then_load_gives_the_same_target(name, tmp_path):
    target = built_in_target(name)
    save_target(target, tmp_path / "t.json")
    assert load_target(tmp_path / "t.json") == target


def test_save_with_thickness_then_load_gives_the_same_target(tmp_path):
    target = Target("a", "tag36h11", (50.5, 40.25), 0.1, (Tag(586, 20.0, (25.0, 20.0), 12.5),), 0.8)
    save_target(target, tmp_path / "t.json")
    assert load_target(tmp_path / "t.json") == target


def test_save_into_missing_folder_is_refused(tmp_path):
    with pytest.raises(FileError, match=r"t\.json: cannot be written"):
        save_target(built_in_target("card"), tmp_path / "none" / "t.json")


def test_record_from_target_has_only_the_contract_keys():
    record = record_from_target(built_in_target("card"))
    assert set(record) == set(CONTRACT)
    assert set(record["tags"][0]) == set(CONTRACT["tags"][0])


@pytest.mark.parametrize(
    ("record", "message"),
    [
        ([], r"t\.json: an object"),
        (changed(["colour"], "red"), r"t\.json: unknown key 'colour'"),
        (changed(["tags", 1, "spin"], 3), r"t\.json: tags\[1\]: unknown key 'spin'"),
        (changed(["sigma"], None), "missing key 'sigma'"),
        (changed(["tags", 0, "turn"], None), r"tags\[0\]: missing key 'turn'"),
        (changed(["unit"], "in"), r'unit must be "mm", got \'in\'; 1 in = 25\.4 mm'),
        (changed(["tags"], {"id": 1}), "tags must be a list"),
        (changed(["name"], 5), "name: a text was expected"),
        (changed(["family"], 36), "family: a text was expected"),
        (changed(["outline"], [190.0]), "outline: a pair"),
        (changed(["sigma"], "0.1"), "sigma: a number was expected"),
        (changed(["tags", 0, "id"], 1.0), "id must be a whole number, got 1.0"),
        (changed(["tags", 0, "id"], True), "id must be a whole number"),
        (changed(["tags", 0, "center"], 35.0), r"tags\[0\] center: a pair"),
    ],
)
def test_record_of_wrong_shape_is_refused_by_name(record, message):
    with pytest.raises(RecordError, match=message):
        target_from_record(record, "t.json")


@pytest.mark.parametrize(
    ("record", "message"),
    [
        (changed(["name"], " "), "a name must be one line of 1 to 60"),
        (changed(["name"], "two\nlines"), "a name must be one line"),
        (changed(["family"], "tag25h9"), "t.json: target 'card': tag family 'tag25h9' is not supported"),
        (
            changed(["outline"], [190.0, 0.0]),
            "outline must be > 0 mm and at most 10000 mm both ways, got 190 x 0 mm",
        ),
        (changed(["outline"], [10_001.0, 130.0]), "at most 10000 mm both ways, got 10001 x 130 mm"),
        (changed(["sigma"], 46.0), "sigma is 46 mm, more than a tag's size"),
        (changed(["sigma"], 0.0), "sigma must be > 0 mm, got 0 mm"),
        (changed(["sigma"], -0.1), "sigma must be > 0 mm"),
        (changed(["thickness"], -1.0), "thickness must be at least 0 mm, got -1 mm"),
        (changed(["tags"], []), "carries no tag"),
        (changed(["tags", 0, "id"], 587), "tag id 587 is not in tag36h11; ids run from 0 to 586"),
        (changed(["tags", 0, "id"], -1), "tag id -1 is not in"),
        (changed(["tags", 0, "size"], 0), "tag 0: its size must be > 0 mm"),
        (changed(["tags", 1, "id"], 0), "tag id 0 is used more than once"),
        (changed(["tags", 0, "center"], [22.4, 35.0]), "tag 0 reaches beyond the outline of 190 x 130 mm"),
        (changed(["tags", 1, "turn"], 45), None),
        (changed(["tags", 1, "center"], [80.0, 40.0]), None),
        (changed(["tags", 1, "center"], [79.9, 40.0]), "tags 0 and 7 overlap"),
    ],
)
def test_record_of_impossible_target_is_refused_with_the_reason(record, message):
    if message is None:  # the allowed neighbours of the refused ones
        assert target_from_record(record, "t.json").name == "card"
        return
    with pytest.raises(TargetError, match=message):
        target_from_record(record, "t.json")


def test_tag_turned_out_of_the_outline_is_refused():
    # Half the diagonal of a 45 mm square is 31.8 mm: 23 mm from the edge it fits unturned, not turned by 45.
    assert target_from_record(changed(["tags", 0, "center"], [23.0, 35.0]), "t").tags[0].turn_deg == 0
    record = changed(["tags", 0], {"id": 0, "size": 45.0, "center": [23.0, 35.0], "turn": 45})
    with pytest.raises(TargetError, match="tag 0 reaches beyond"):
        target_from_record(record, "t")


@pytest.mark.parametrize("center", [(math.nan, 0.0), (0.0, math.inf)])
def test_tag_with_a_centre_that_is_no_number_is_refused(center):
    with pytest.raises(TargetError, match="tag 3: its centre and turn must be finite"):
        Tag(3, 45.0, center)


def test_gap_of_turned_squares_is_worked_out_by_hand():
    # A 20 mm square and one of the same size turned by 45 degrees, centres 40 mm apart: 40 - 10 - 10 sqrt(2).
    gap = gap_mm(Tag(0, 20.0, (0.0, 0.0)), Tag(1, 20.0, (40.0, 0.0), 45.0))
    assert gap == pytest.approx(30.0 - 10.0 * math.sqrt(2.0), abs=1e-12)


def test_check_targets_names_both_targets_and_the_ids():
    card, panel, panel_b = (built_in_target(name) for name in ("card", "panel", "panel-b"))
    check_targets([card, panel, panel_b, built_in_target("strip")])
    with pytest.raises(
        TargetError, match="targets 'panel' and 'panel' both carry tag 10, 11, 12, 13, 14, 15"
    ):
        check_targets([card, panel, panel_b, panel])


def test_tag_by_unknown_id_is_refused():
    assert built_in_target("card").tag(2).center_mm == (35.0, 97.0)
    with pytest.raises(TargetError, match="target 'card' has no tag 9; it carries 0, 1, 2, 3"):
        built_in_target("card").tag(9)


def test_built_in_of_unknown_name_is_refused():
    with pytest.raises(
        TargetError, match="no built-in target 'poster'; there are card, strip, panel, panel-b"
    ):
        built_in_target("poster")


@pytest.mark.parametrize(("name", "file"), [("card", "card"), ("panel", "panel"), ("panel-b", "panel_b")])
def test_built_in_geometry_is_that_of_the_rendered_photos(name, file, rendered_photos):
    theirs = load_target(rendered_photos / f"{file}.json")
    ours = built_in_target(name)
    assert ours.outline_mm == theirs.outline_mm
    assert ours.tags == theirs.tags
    assert ours.sigma_mm == theirs.sigma_mm


@pytest.mark.parametrize("name", built_in_names())
def test_built_in_tags_have_a_white_cell_around(name):
    target = built_in_target(name)
    cell = target.tags[0].cell_mm
    corners = target.corners_mm()
    assert corners.min() >= cell
    assert (np.array(target.outline_mm) - corners.max(axis=0)).min() >= cell
    assert min(gap_mm(a, b) for a in target.tags for b in target.tags if a.id < b.id) >= 2.0 * cell


def test_corners_in_a_rendered_photo_follow_the_true_ones(rendered_photos):
    # Truth of the renderer: corner pixels of the card's tags. The card is small in the picture, so that one
    # homography takes up the lens too; 1 px is far below the 80 px that a wrong corner order would cost.
    truth = json.loads((rendered_photos / "close_dev_01.json").read_text())["tags_px"]
    target = built_in_target("card")
    px = np.array([truth[str(tag_id)] for tag_id in target.ids], dtype=float).reshape(-1, 2)
    homography, _ = cv2.findHomography(target.corners_mm(), px)
    fitted = cv2.perspectiveTransform(target.corners_mm()[:, None], homography)[:, 0]
    assert np.abs(fitted - px).max() < 1.0
    assert np.linalg.det(homography[:2, :2]) > 0.0  # not mirrored: y runs down in both


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0, 197.0, 270.0])
def test_corners_of_a_turned_tag_are_those_that_opencv_finds(turn_deg):
    # One pixel is one millimetre. cv2.getRotationMatrix2D turns counter-clockwise, hence the minus; the drawn
    # black square reaches from -0.5 to side - 0.5 in pixel-centre coordinates.
    side, center = 160, (181.3, 143.8)
    picture = cv2.copyMakeBorder(
        DICTIONARY.generateImageMarker(7, side), 100, 100, 100, 100, cv2.BORDER_CONSTANT, value=255
    )
    middle = 100 + side / 2 - 0.5
    motion = cv2.getRotationMatrix2D((middle, middle), -turn_deg, 1.0)
    motion[:, 2] += np.array(center) - middle
    drawn = cv2.warpAffine(picture, motion, (330, 290), flags=cv2.INTER_LINEAR, borderValue=255)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(DICTIONARY, parameters).detectMarkers(drawn)
    assert ids.ravel().tolist() == [7]
    expected = Tag(7, side, center, turn_deg).corners_mm()
    # Sub-pixel corners of a drawing scatter by 0.14 px (references, section 6); 0.5 px allows three of that.
    assert np.abs(corners[0].reshape(4, 2) - expected).max() < 0.5


@given(st.floats(1.0, 500.0), st.floats(-720.0, 720.0))
def test_corners_form_a_square_of_the_size_seen_clockwise(size_mm, turn_deg):
    corners = Tag(0, size_mm, (10.0, -3.0), turn_deg).corners_mm()
    sides = np.roll(corners, -1, axis=0) - corners
    assert np.hypot(*sides.T) == pytest.approx(size_mm)
    # Shoelace area, positive for a clockwise walk when y runs down.
    x, y = corners.T
    assert 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) == pytest.approx(size_mm**2)


def test_family_has_587_codes_at_hamming_distance_11_or_more():
    # References, section 6: 587 codes, smallest distance 11 over all rotations. The distance is the same when
    # both turn, so turning one of each pair is enough; a code is also compared with its own turns.
    pictures = np.array([DICTIONARY.generateImageMarker(tag_id, 8) for tag_id in range(FAMILY_CODES)])
    codes = (pictures[:, 1:7, 1:7] > 0).astype(float)
    assert len(DICTIONARY.bytesList) == FAMILY_CODES == 587
    flat = codes.reshape(FAMILY_CODES, 36)
    smallest = 36.0
    for quarter in range(4):
        turned = np.rot90(codes, quarter, axes=(1, 2)).reshape(FAMILY_CODES, 36)
        distance = flat @ (1 - turned).T + (1 - flat) @ turned.T
        if quarter == 0:
            np.fill_diagonal(distance, 36.0)
        smallest = min(smallest, distance.min())
    assert smallest == 11
