"""Layouts side by side: which one wins by what, what they survive, wishes and refusals."""

import random

import pytest

from calib.errors import PlanError
from vision.layout import equal_ends, least_pieces
from vision.options import (
    ALL_ALIKE,
    ANY_LENGTH,
    CLEAR_JOINTS,
    EQUAL_ENDS,
    FEWEST_CUTS,
    FEWEST_JOINTS,
    LONG_ENDS,
    KeepClear,
    Wishes,
    choose,
    propose_layouts,
)
from vision.plan import Plan

FOOT_MM = 304.8
INCH_MM = 25.4


def by_name(options):
    return {name: option for option in options for name in option.names}


def inches(lengths_mm):
    return pytest.approx([length / INCH_MM for length in lengths_mm], abs=1e-6)


def test_options_of_the_32_ft_ridge_match_those_worked_by_hand():
    # By hand, in inches (see test_layout): equal ends 82, 120, 120, 82; one cut leaves 404 - 360 = 44;
    # alike 404 / 4 = 101; no end piece under 96 puts the 44 inside. Longer laps would be 31 1/3, past 12.
    options = by_name(propose_layouts(Plan(), 32 * FOOT_MM, Wishes(end_min_mm=96 * INCH_MM)))
    assert inches(options[EQUAL_ENDS].layout.pieces_mm) == [82, 120, 120, 82]
    assert inches(options[FEWEST_CUTS].layout.pieces_mm) == [120, 120, 120, 44]
    assert options[FEWEST_JOINTS] is options[FEWEST_CUTS]
    assert inches(options[ALL_ALIKE].layout.pieces_mm) == [101, 101, 101, 101]
    assert inches(options[LONG_ENDS].layout.pieces_mm) == [120, 120, 44, 120]
    # Each of them takes four stock pieces: 480 - 404 = 76 in of waste.
    assert {(option.stock, round(option.waste_mm / INCH_MM, 6)) for option in options.values()} == {(4, 76.0)}


def test_fewest_cuts_takes_longer_laps_when_they_need_no_cut():
    # By hand: 4 pieces with 8 in laps cover 480 - 24 = 456 in, a ridge of 454 in.
    option = by_name(propose_layouts(Plan(), 454 * INCH_MM, Wishes()))[FEWEST_CUTS]
    assert option.layout.cut_pieces == ()
    assert option.layout.lap_mm / INCH_MM == pytest.approx(8, abs=1e-9)


def test_stub_is_avoided_by_two_equal_end_pieces():
    # By hand: 3 pieces and 2 laps reach 348 in; a cap of 350 in leaves 350 + 18 - 360 = 8 in: a stub.
    option = by_name(propose_layouts(Plan(), 348 * INCH_MM, Wishes()))[FEWEST_JOINTS]
    assert inches(option.layout.pieces_mm) == [64, 120, 120, 64]


@pytest.mark.parametrize("edges_face", ["A", "B"])
def test_clear_joints_keeps_laps_away_where_equal_ends_would_not(edges_face):
    # Equal ends put lap 2 at 189..195 in; a chimney stands at 192 in.
    wishes = Wishes(edges_face=edges_face, keep_clear=(KeepClear("chimney", 192 * INCH_MM, 24 * INCH_MM),))
    options = by_name(propose_layouts(Plan(), 32 * FOOT_MM, wishes))
    assert [lap.lap for lap in options[EQUAL_ENDS].crowded] == [2]
    assert options[EQUAL_ENDS].crowded[0].distance_mm == 0.0
    clear = options[CLEAR_JOINTS]
    assert clear.crowded == ()
    assert all(not 168 * INCH_MM < edge < 216 * INCH_MM for lap in clear.layout.laps_mm for edge in lap)
    assert choose(tuple(options.values())) is clear


def test_gable_ends_kept_clear_lengthen_the_end_pieces():
    # A lap must begin 7 ft from gable end A: an end piece of 84 + 6 + 1 in or more.
    options = by_name(propose_layouts(Plan(), 32 * FOOT_MM, Wishes(gable_clear_mm=84 * INCH_MM)))
    assert min(options[CLEAR_JOINTS].layout.pieces_mm[i] for i in (0, -1)) >= 91 * INCH_MM - 1e-6


def test_choose_keeps_equal_ends_where_nothing_is_crowded():
    wishes = Wishes(keep_clear=(KeepClear("chimney", 120 * INCH_MM, 24 * INCH_MM),))
    assert EQUAL_ENDS in choose(propose_layouts(Plan(), 32 * FOOT_MM, wishes)).names


def test_impossible_wish_is_told_not_guessed():
    wishes = Wishes(keep_clear=(KeepClear("long dormer", 192 * INCH_MM, 185 * INCH_MM),))
    option = by_name(propose_layouts(Plan(), 32 * FOOT_MM, wishes))[CLEAR_JOINTS]
    assert option.layout is None
    assert "no arrangement of the pieces keeps these distances" in option.why


def test_surviving_layout_still_fits_every_length_within_the_doubt():
    # Judge: with all other pieces as they are, the trimmed one must be neither a stub nor too long.
    rng, plan, wishes = random.Random(5), Plan(), Wishes()
    outcomes = set()
    for _ in range(2000):
        ridge_mm, u95_mm = rng.uniform(2, 60) * FOOT_MM, rng.uniform(0.0, 300.0)
        u95_mm = min(u95_mm, 0.5 * ridge_mm)
        for option in propose_layouts(plan, ridge_mm, wishes, u95_mm):
            if option.layout is None or option.layout.joints == 0 or not option.layout.cut_pieces:
                continue
            piece_mm = option.layout.pieces_mm[option.layout.cut_pieces[-1]]
            fits = wishes.shortest_piece(plan) <= piece_mm - u95_mm and piece_mm + u95_mm <= plan.piece_mm
            assert option.survives(ridge_mm, u95_mm) == fits
            outcomes.add(fits)
    assert outcomes == {True, False}


def test_layout_of_full_pieces_survives_within_its_laps():
    # By hand: 4 full pieces hold from laps of 12 in (480 - 36 - 2 = 442 in) to laps of 6 in (460 in).
    option = by_name(propose_layouts(Plan(), 454 * INCH_MM, Wishes()))[FEWEST_CUTS]
    assert inches(option.holds_mm) == [442, 460]


def test_any_length_is_offered_where_equal_ends_do_not_hold():
    # Equal ends of 119.5 in cannot grow by half an inch and a quarter.
    ridge_mm = (2 * 119.5 + 2 * 120 - 3 * 6 - 2) * INCH_MM
    options = propose_layouts(Plan(), ridge_mm, Wishes(), u95_mm=0.75 * INCH_MM)
    named = by_name(options)
    assert not named[EQUAL_ENDS].survives(ridge_mm, 0.75 * INCH_MM)
    assert named[ANY_LENGTH].survives(ridge_mm, 0.75 * INCH_MM)


def test_every_ridge_with_a_small_doubt_has_a_layout_that_survives():
    rng, plan = random.Random(9), Plan()
    for _ in range(500):
        ridge_mm = rng.uniform(3, 200) * FOOT_MM
        options = propose_layouts(plan, ridge_mm, Wishes(), u95_mm=25.0)
        assert any(option.layout and option.survives(ridge_mm, 25.0) for option in options)


def test_fewest_joints_is_never_beaten():
    rng, plan = random.Random(3), Plan()
    for _ in range(300):
        ridge_mm = rng.uniform(2, 200) * FOOT_MM
        options = propose_layouts(plan, ridge_mm, Wishes())
        assert by_name(options)[FEWEST_JOINTS].layout.joints == least_pieces(plan, ridge_mm) - 1
        assert len(by_name(options)[FEWEST_CUTS].layout.cut_pieces) == min(
            len(option.layout.cut_pieces) for option in options
        )


def test_choose_by_name_and_its_refusals():
    options = propose_layouts(Plan(), 32 * FOOT_MM, Wishes())
    assert choose(options, ALL_ALIKE).layout.joints == 3
    assert choose(options).layout == equal_ends(Plan(), 32 * FOOT_MM)
    with pytest.raises(PlanError, match="no layout 'long-ends' here; ask for one of equal-ends"):
        choose(options, LONG_ENDS)
    dormer = Wishes(keep_clear=(KeepClear("dormer", 192 * INCH_MM, 185 * INCH_MM),))
    with pytest.raises(PlanError, match="layout 'clear-joints' cannot be had: no arrangement"):
        choose(propose_layouts(Plan(), 32 * FOOT_MM, dormer), CLEAR_JOINTS)


@pytest.mark.parametrize(
    ("wishes", "u95_mm", "message"),
    [
        ({}, -1.0, "uncertainty of a ridge of 9753.6 mm must be at least 0"),
        ({}, 9753.6, "uncertainty of a ridge of 9753.6 mm must be at least 0"),
        ({"end_min_mm": 4000.0}, 0.0, "end pieces of 4000 mm or more cannot be had from 3048 mm pieces"),
        ({"lap_max_mm": 100.0}, 0.0, "the longest lap .100 mm. must lie between the least lap .152.4 mm."),
        ({"lap_max_mm": 2000.0}, 0.0, "the longest lap .2000 mm. must lie between"),
    ],
)
def test_wishes_that_contradict_the_plan_are_refused(wishes, u95_mm, message):
    with pytest.raises(PlanError, match=message):
        propose_layouts(Plan(), 9753.6, Wishes(**wishes), u95_mm)


@pytest.mark.parametrize("name", ["stub_mm", "gable_clear_mm", "kerf_mm"])
def test_negative_wish_is_refused(name):
    with pytest.raises(PlanError, match=f"{name} must be at least 0 mm"):
        Wishes(**{name: -1.0})


def test_place_without_a_distance_is_refused():
    with pytest.raises(PlanError, match="chimney: a station and a distance"):
        Wishes(keep_clear=(KeepClear("chimney", 100.0, -5.0),))
