"""Sheet layouts: on every paper that holds a target, nothing lies on anything else or off the page."""

import itertools

import numpy as np
import pytest

from calib.errors import TargetError
from calib.papers import paper_named, papers
from calib.sheet_layout import BAR_ROOM_MM, lay_out
from calib.sheet_notes import SheetKind, sheet_kind
from calib.targets import Tag, Target, built_in_target

FITS = {
    "card": {paper.name for paper in papers()},
    "strip": {"a1", "a0", "arch-d", "arch-e", "roll-24", "roll-36"},
    "panel": {"a0", "arch-d", "arch-e", "roll-24", "roll-36"},
}
CASES = [(name, paper) for name, fitting in FITS.items() for paper in sorted(fitting)]


def boxes(layout):
    """Return the texts' boxes as (left, top, right, bottom), mm on the page."""
    return [
        (
            text.left_mm,
            text.top_mm,
            text.left_mm + text.paragraph.width * 25.4 / 72.0,
            text.top_mm + text.height_mm,
        )
        for text in layout.texts
    ]


def overlap(a, b):
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


@pytest.mark.parametrize("name", FITS)
def test_papers_that_hold_a_target_are_those_expected(name):
    held = set()
    for paper in papers():
        try:
            lay_out(built_in_target(name), paper)
        except TargetError:
            continue
        held.add(paper.name)
    assert held == FITS[name]


@pytest.mark.parametrize(("name", "paper_name"), CASES)
def test_texts_lie_on_the_page_and_on_nothing_else(name, paper_name):
    target, paper = built_in_target(name), paper_named(paper_name)
    layout = lay_out(target, paper)
    width_mm, height_mm = layout.page_mm
    x_mm, y_mm = layout.origin_mm
    if sheet_kind(target) is SheetKind.PANEL:  # its texts lie inside the outline, beside the tags' white
        blocked = [
            (
                *(tag.corners_mm().min(axis=0) - tag.cell_mm + layout.origin_mm),
                *(tag.corners_mm().max(axis=0) + tag.cell_mm + layout.origin_mm),
            )
            for tag in target.tags
        ]
    else:
        blocked = [(x_mm, y_mm, x_mm + target.outline_mm[0], y_mm + target.outline_mm[1])]
    texts = boxes(layout)
    assert len(texts) == 5
    for box in texts:
        assert min(box[0], box[1]) >= paper.margin_mm
        assert box[2] <= width_mm - paper.margin_mm + 1e-6
        assert box[3] <= height_mm - paper.margin_mm
        assert not any(overlap(box, other) for other in blocked)
    assert not any(overlap(a, b) for a, b in itertools.combinations(texts, 2))


@pytest.mark.parametrize(("name", "paper_name"), CASES)
def test_bars_lie_on_the_page_and_off_texts_and_tags(name, paper_name):
    target, paper = built_in_target(name), paper_named(paper_name)
    layout = lay_out(target, paper)
    across, up = layout.bars
    (x_mm, y_mm) = across.start_mm
    assert across.start_mm == up.start_mm
    # Printed room of each bar: ticks 4 mm to the inner side, numbers 3.5 mm to the outer, the last number
    # 3.5 mm on.
    rooms = [
        (x_mm, y_mm - 4.0, x_mm + across.length_mm + 3.5, y_mm + 3.5),
        (x_mm - 5.0, y_mm - up.length_mm - 3.5, x_mm + 4.0, y_mm),
    ]
    tags = target.corners_mm() + layout.origin_mm
    cell_mm = target.tags[0].cell_mm
    for room in rooms:
        assert min(room[0], room[1]) >= paper.margin_mm - 0.5
        assert room[2] <= layout.page_mm[0] - paper.margin_mm + 0.5
        assert room[3] <= layout.page_mm[1] - paper.margin_mm + 0.5
        assert not any(overlap(room, box) for box in boxes(layout))
        for corner in tags:
            near = np.array([corner - cell_mm, corner + cell_mm]).ravel()
            assert not overlap(room, near)


@pytest.mark.parametrize(("name", "paper_name"), CASES)
def test_bars_are_as_long_as_the_sheet_allows(name, paper_name):
    target, paper = built_in_target(name), paper_named(paper_name)
    layout = lay_out(target, paper)
    inside = sheet_kind(target) is SheetKind.PANEL
    room_mm = target.outline_mm if inside else [side - 2.0 * paper.margin_mm for side in layout.page_mm]
    for bar, side_mm in zip(layout.bars, room_mm, strict=True):
        assert bar.length_mm % 10.0 == 0.0
        assert side_mm - 2.0 * BAR_ROOM_MM <= bar.length_mm < side_mm


def test_roll_is_cut_no_longer_than_needed():
    assert lay_out(built_in_target("panel"), paper_named("roll-24")).page_mm == pytest.approx((910.0, 609.6))
    assert lay_out(built_in_target("panel"), paper_named("roll-36")).page_mm == pytest.approx((914.4, 610.0))


def test_large_target_without_white_bands_gets_its_notes_beside_it():
    target = Target("wall", "tag36h11", (600.0, 560.0), 0.5, (Tag(3, 440.0, (300.0, 280.0)),))
    layout = lay_out(target, paper_named("arch-e"))
    outline = (*layout.origin_mm, layout.origin_mm[0] + 600.0, layout.origin_mm[1] + 560.0)
    assert not any(overlap(box, outline) for box in boxes(layout))
