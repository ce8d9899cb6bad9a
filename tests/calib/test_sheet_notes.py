"""Sheet notes: the right words for the right kind of sheet."""

import pytest

from calib.sheet_notes import SheetKind, ids_in_words, sheet_kind, sheet_notes, size_in_words
from calib.targets import Tag, Target, built_in_target


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("card", SheetKind.CARD),
        ("strip", SheetKind.STRIP),
        ("panel", SheetKind.PANEL),
        ("panel-b", SheetKind.PANEL),
    ],
)
def test_kind_follows_the_shape(name, kind):
    assert sheet_kind(built_in_target(name)) is kind


@pytest.mark.parametrize(
    ("ids", "words"), [((4,), "4"), ((5, 4), "4, 5"), ((12, 10, 11), "10 to 12"), ((1, 2, 9), "1, 2, 9")]
)
def test_ids_in_words_name_a_range_only_when_it_is_one(ids, words):
    tags = tuple(Tag(tag_id, 20.0, (20.0 + 40.0 * index, 20.0)) for index, tag_id in enumerate(ids))
    assert ids_in_words(Target("t", "tag36h11", (200.0, 40.5), 0.1, tags)) == words


def test_size_in_words_keeps_decimals():
    assert size_in_words(Target("t", "tag36h11", (200.0, 40.5), 0.1, (Tag(0, 20.0, (20.0, 20.0)),))) == (
        "200 × 40.5 mm"
    )


@pytest.mark.parametrize("name", ["card", "strip", "panel"])
def test_caution_names_falls_ladders_power_lines_and_wind(name):
    caution = sheet_notes(built_in_target(name), "a0", "A0", (100.0, 90.0)).caution.text
    for danger in ("fall", "ladder", "power lines", "wind", "local rules"):
        assert danger in caution


def test_panel_caution_begins_with_the_wind_on_a_carried_sheet():
    caution = sheet_notes(built_in_target("panel"), "a0", "A0", (100.0, 90.0)).caution.text
    assert caution.startswith("This sheet is a sail: two people carry it")


def test_check_names_both_bars_and_the_command():
    text = sheet_notes(built_in_target("card"), "letter", "Letter", (250.0, 190.0)).steps[1].text
    assert "X, drawn 250 mm" in text
    assert "Y, drawn 190 mm" in text
    assert "ridgewitness target card --paper letter --bar-x" in text
