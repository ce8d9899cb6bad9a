"""Rows, laps, spacings and gaps, against patterns laid out by hand and the truth of rendered photos."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from calib.errors import GeometryError
from vision.plan import Plan
from vision.rows import Absence, Gap, Role, Rows, Surroundings, group_rows

PLAN = Plan()
# A run row 150 mm below the fold, planned spacings with a crew's scatter of a few mm.
RUN = [(-603.0, 152.0), (-301.0, 149.0), (2.0, 151.0), (306.0, 148.0), (611.0, 150.0)]
LAP = [(station, offset) for station in (100.0, 164.0) for offset in (12.0, 58.0, 104.0, 150.0)]
FLANGE = np.array([[-760.0, -10.0], [760.0, -10.0], [760.0, 175.0], [-760.0, 175.0]])
CARD = np.array([[0.0, 0.0], [190.0, 0.0], [190.0, 130.0], [0.0, 130.0]])


def _rows(points: list[tuple[float, float]], turn_deg: float = 0.0, **options: object) -> Rows:
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    mm = np.array(points, dtype=float).reshape(-1, 2) @ np.array([[c, s], [-s, c]])
    cov = np.eye(2 * len(points)) * 0.2**2
    return group_rows(mm, cov, along=(c, s), plan=PLAN, **options)  # type: ignore[arg-type]


def _places(gaps: tuple[Gap, ...]) -> list[list[int]]:
    return [[round(x) for x in gap.place_mm.tolist()] for gap in gaps]


def test_run_row_of_scattered_rivets_gives_neighbour_spacings() -> None:
    rows = _rows(RUN)
    assert rows.runs == ((0, 1, 2, 3, 4),)
    assert [(s.first, s.second, s.steps) for s in rows.spacings] == [
        (0, 1, 1),
        (1, 2, 1),
        (2, 3, 1),
        (3, 4, 1),
    ]
    assert rows.spacings[0].mm == pytest.approx(math.hypot(302.0, 3.0))
    assert rows.gaps == ()


def test_spacing_uncertainty_of_independent_heads_is_root_two_of_one() -> None:
    # JCGM 100:2008, Eq. (10): two independent ends of 0.2 mm each along the line.
    assert _rows(RUN).spacings[2].u_mm == pytest.approx(0.2 * math.sqrt(2.0))


def test_spacing_uncertainty_of_heads_that_move_together_is_zero() -> None:
    cov = np.tile(np.eye(2), (2, 2))
    rows = group_rows([(0.0, 0.0), (304.0, 0.0)], cov, along=(1.0, 0.0), plan=PLAN)
    assert rows.spacings[0].u_mm == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("turn_deg", [17.0, 141.0, -93.0])
def test_rows_of_a_turned_flange_do_not_change(turn_deg: float) -> None:
    plain, turned = _rows([*RUN, *LAP]), _rows([*RUN, *LAP], turn_deg)
    assert (turned.roles, turned.runs) == (plain.roles, plain.runs)
    assert [lap.columns for lap in turned.laps] == [lap.columns for lap in plain.laps]
    np.testing.assert_allclose([s.mm for s in turned.spacings], [s.mm for s in plain.spacings])


def test_rows_of_shuffled_rivets_name_the_same_places() -> None:
    points = [*RUN, *LAP]
    order = np.random.default_rng(5).permutation(len(points))
    rows = _rows([points[i] for i in order])
    named = [tuple(int(order[i]) for i in run) for run in rows.runs]
    assert named == [(0, 1, 2, 3, 4)]


def test_lap_in_a_run_is_told_by_its_columns() -> None:
    rows = _rows([*RUN, *LAP])
    assert list(rows.roles) == [Role.RUN] * 5 + [Role.LAP] * 8
    assert rows.laps[0].columns == ((5, 6, 7, 8), (9, 10, 11, 12))
    assert rows.laps[0].stations_mm == pytest.approx((100.0, 164.0))
    assert [s.across_lap for s in rows.spacings] == [False, False, True, False]


def test_long_spacing_across_a_lap_is_no_gap() -> None:
    # The lap's rivets stand where the run rivet at 100 mm would be.
    rows = _rows([(-205.0, 150.0), *LAP, (405.0, 149.0)])
    assert rows.spacings[0].steps == 2
    assert rows.gaps == ()


def test_missing_run_rivet_is_a_gap_at_its_place() -> None:
    rows = _rows([RUN[0], RUN[1], RUN[3], RUN[4]])
    assert _places(rows.gaps) == [[2, 148]]
    assert (rows.gaps[0].role, rows.gaps[0].absence, rows.gaps[0].neighbours) == (
        Role.RUN,
        Absence.MISSING,
        (1, 2),
    )
    assert rows.spacings[1].steps == 2


def test_spacing_of_a_rivet_out_of_place_is_long_but_no_gap() -> None:
    # 399 mm is 1.31 spacings: a rivet set wrong, not one left out.
    rows = _rows([(0.0, 150.0), (399.0, 150.0), (620.0, 150.0)])
    assert [s.steps for s in rows.spacings] == [None, 1]
    assert rows.gaps == ()


def test_gap_under_the_card_is_hidden() -> None:
    rows = _rows([(-205.0, 125.0), (405.0, 126.0)], around=Surroundings(covers_mm=(CARD,)))
    assert _places(rows.gaps) == [[100, 126]]
    assert rows.gaps[0].absence is Absence.HIDDEN


def test_run_that_stops_inside_the_shown_flange_misses_its_next_rivet() -> None:
    rows = _rows(RUN[1:], around=Surroundings(shown_mm=FLANGE))
    assert _places(rows.gaps) == [[-606, 149]]


def test_run_that_reaches_the_border_misses_nothing() -> None:
    assert _rows(RUN, around=Surroundings(shown_mm=FLANGE)).gaps == ()


def test_doubled_rivet_is_named_and_makes_no_spacing() -> None:
    rows = _rows([*RUN, (27.0, 150.0)])
    assert rows.doubled == ((2, 5),)
    assert [(s.first, s.second) for s in rows.spacings] == [(0, 1), (1, 2), (2, 3), (3, 4)]
    assert rows.laps == ()


def test_rivet_cut_by_the_border_marks_its_spacing() -> None:
    rows = _rows(RUN, partly_seen=(True, False, False, False, False))
    assert [s.partly_seen for s in rows.spacings] == [True, False, False, False]


def test_missing_lap_rivet_is_a_gap_in_the_grid() -> None:
    rows = _rows([*RUN, *LAP[:2], *LAP[3:]])
    assert _places(rows.gaps) == [[100, 104]]
    assert rows.gaps[0].role is Role.LAP


def test_level_absent_from_both_lap_columns_is_found_where_the_flange_goes_on() -> None:
    points = [p for p in [*RUN, *LAP] if p[1] != 12.0]
    rows = _rows(points, around=Surroundings(shown_mm=FLANGE))
    assert _places(rows.gaps) == [[100, 12], [164, 12]]


def test_lap_grid_cut_by_the_photo_reports_no_unseen_place() -> None:
    shown = FLANGE.clip([-760.0, -10.0], [150.0, 175.0])
    rows = _rows([*LAP[:4], (164.0, 12.0), (164.0, 104.0)], around=Surroundings(shown_mm=shown))
    assert rows.gaps == ()


def test_stray_head_off_the_row_is_in_no_spacing() -> None:
    rows = _rows([*RUN, (450.0, 60.0)])
    assert rows.strays == (5,)
    assert len(rows.spacings) == 4


def test_no_rivets_give_empty_rows() -> None:
    assert _rows([]) == Rows((), (), (), (), (), (), ())


def test_covariance_of_another_size_is_refused() -> None:
    with pytest.raises(GeometryError, match=r"5 rivets need a covariance of shape \(10, 10\)"):
        group_rows(RUN, np.eye(4), along=(1.0, 0.0), plan=PLAN)


def test_direction_of_zero_length_is_refused() -> None:
    with pytest.raises(GeometryError, match="direction must not be zero"):
        group_rows(RUN, np.eye(10), along=(0.0, 0.0), plan=PLAN)


def test_flags_of_another_number_are_refused() -> None:
    with pytest.raises(GeometryError, match="as many partly-seen flags, got 1"):
        group_rows(RUN, np.eye(10), along=(1.0, 0.0), plan=PLAN, partly_seen=(True,))


@pytest.mark.parametrize("number", range(1, 13))
def test_rows_of_rendered_photos_agree_with_their_truth(rendered_photos: Path, number: int) -> None:
    truth = json.loads((rendered_photos / f"close_dev_{number:02d}.json").read_text())
    mm = [rivet["mm"] for rivet in truth["rivets"]]
    rows = group_rows(mm, np.eye(2 * len(mm)), along=truth["run_direction_mm"], plan=PLAN)
    names = [rivet["id"] for rivet in truth["rivets"]]
    assert [str(role) for role in rows.roles] == [rivet["role"] for rivet in truth["rivets"]]
    found = {frozenset((names[s.first], names[s.second])): s for s in rows.spacings}
    wanted = {frozenset((s["from"], s["to"])): s for s in truth["spacings"]}
    assert found.keys() == wanted.keys()
    for pair, spacing in found.items():
        assert spacing.mm == pytest.approx(wanted[pair]["mm"], abs=0.002)  # printed to 0.001 mm
        assert spacing.across_lap == wanted[pair]["lap_between"]
