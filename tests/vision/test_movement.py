"""Movement with temperature: the published figures for 10 ft and 100 degF, restraints, refusals."""

import pytest

from calib.errors import PlanError
from vision.layout import equal_ends
from vision.metal import find_metal
from vision.movement import Heat, format_change, thermal_change, work_out_movement
from vision.plan import Plan

STEEL = find_metal("galvanized steel")
# 32 ft ridge with its two inches of allowance: a cap of 9804.4 mm in four pieces.
LAYOUT = equal_ends(Plan(), 9753.6)


# Two roofing articles: 10 ft over 100 degF (55.6 K): steel 2.0, copper 2.8, aluminium 3.9, zinc 3.7 mm.
@pytest.mark.parametrize(
    ("metal", "change_mm"), [("galvanized steel", 2.0), ("copper", 2.8), ("aluminium", 3.9), ("zinc", 3.7)]
)
def test_published_movement_of_10_ft_over_100_degf(metal, change_mm):
    assert round(thermal_change(find_metal(metal), 3048.0, 100.0 / 1.8), 1) == change_mm


def test_movement_by_hand_of_the_32_ft_cap():
    # By hand: 12e-6 x 9804.4 mm x 50 K = 5.88 mm hot, x 40 K = 4.71 mm cold; a piece 1.83 and 1.46 mm.
    movement = work_out_movement(LAYOUT, STEEL, Heat(installed_c=20.0, hottest_c=70.0, coldest_c=-20.0))
    shown = (
        movement.cap_growth_mm,
        movement.cap_shrink_mm,
        movement.piece_growth_mm,
        movement.piece_shrink_mm,
    )
    assert [round(value, 2) for value in shown] == [5.88, 4.71, 1.83, 1.46]
    # Free at both ends it moves half of that each way, 2.94 mm, which a quarter of an inch takes.
    assert round(movement.end_travel_mm, 2) == 2.94
    assert movement.sentences("imperial") == ()


def test_fixed_end_doubles_the_travel_of_the_other():
    free, fixed = (work_out_movement(LAYOUT, STEEL, Heat(fixed=ends)).end_travel_mm for ends in ("none", "A"))
    assert fixed == pytest.approx(2.0 * free)


def test_both_ends_fixed_is_warned_about():
    movement = work_out_movement(LAYOUT, STEEL, Heat(fixed="both"))
    assert movement.end_travel_mm == 0.0
    assert movement.sentences("metric") == (
        "with both ends fixed, 5.9 mm of movement has nowhere to go: free one end, or let the laps slide as "
        "the maker allows",
    )


def test_sliding_laps_take_the_movement_between_fixed_ends():
    # Three laps of 2 mm take the 5.88 mm.
    assert work_out_movement(LAYOUT, STEEL, Heat(fixed="both", lap_slip_mm=2.0)).sentences("metric") == ()


def test_free_end_without_room_is_warned_about():
    movement = work_out_movement(LAYOUT, STEEL, Heat(fixed="B", end_room_mm=3.0))
    assert movement.sentences("imperial")[0].startswith(
        "a free gable end moves 0.23 in and has room for 0.12 in: 0.11 in more is needed"
    )


def test_cutting_in_the_cold_is_felt_when_installing():
    # By hand: 12e-6 x 3048 x 30 = 1.10 mm.
    movement = work_out_movement(LAYOUT, STEEL, Heat(measured_c=-10.0, installed_c=20.0))
    assert round(movement.cut_to_installed_mm, 2) == 1.10


def test_format_change_is_finer_than_a_tape():
    assert (format_change(1.27, "imperial"), format_change(1.27, "metric")) == ("0.05 in", "1.3 mm")


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"hottest_c": 500.0}, "temperatures of a cap must lie between -90 and 150"),
        ({"measured_c": float("nan")}, "temperatures of a cap must lie between"),
        ({"installed_c": 80.0}, "the cap is installed at 80 °C, outside the range -20 to 70 °C"),
        ({"lap_slip_mm": -1.0}, "lap slip .-1.0 mm. and end room .6.35 mm. cannot be negative"),
    ],
)
def test_heat_out_of_range_is_refused(given, message):
    with pytest.raises(PlanError, match=message):
        Heat(**given)
