"""Laps against the rendered close-ups' truth, and the interval's coverage on drawn caps."""

import numpy as np
import pytest

from calib.camera import Camera
from tests.vision.drawn_ridge import CARD_MM, CARD_OUTLINE_MM, Ridge, draw, known_flange, stand
from tests.vision.rendered import CLOSE_UPS, SHEET_Z_MM, load_close_up
from vision.flange import find_flange
from vision.laps import LapSighting, NoLap, WhyNoLap, find_lap
from vision.plan import Plan
from vision.plane import rectify, to_mm, to_px
from vision.rules import judge_lap_rows

CAMERA = Camera(720, 540, 1822.0, 1822.0, 363.1, 262.7, 0.031, -0.042, 4e-4, -3e-4)
WITNESS_MM = 203.2
ROWS_MM = (26.0, 92.0)


def _flatten(image, view, flange):
    axes = np.array([flange.along, flange.across])
    places = flange.polygon_mm @ axes.T
    low, size = places.min(axis=0), np.ptp(places, axis=0)
    size_mm = (float(size[0]), float(size[1]))
    return rectify(
        image, view, z_mm=0.8, corner_mm=low @ axes, size_mm=size_mm, mm_per_px=0.4, along=flange.along
    )


def _rivets(ridge: Ridge):
    """Return stations and offsets of two rows of lap rivets."""
    offsets = ridge.fold_mm + (ridge.hem_mm - ridge.fold_mm) * np.array([0.12, 0.37, 0.62, 0.87])
    return [(ridge.edge_mm - ridge.lower * row, float(offset)) for row in ROWS_MM for offset in offsets]


def _find(ridge: Ridge, view, seed: int, *, columns=True, witness_mm=WITNESS_MM, target_mm=None):
    """Draw a lap whose rivets are known, and look for it; the card lies out of the picture."""
    image, flange = draw(ridge, view, seed), known_flange(ridge, view)
    far = np.array([600.0 if (ridge.lower == 1) != ridge.target_on_upper else -600.0, 0.0])
    columns_mm = []
    if columns and ridge.edge_mm is not None:
        stations, offsets = np.array(_rivets(ridge)).T
        px = to_px(view, ridge.mm(stations, offsets), ridge.edge_z_mm)
        seen = to_mm(view, px, 0.8).mm
        columns_mm = [seen[:4], seen[4:]]
    return find_lap(
        image,
        _flatten(image, view, flange),
        flange,
        target_mm=CARD_OUTLINE_MM + far if target_mm is None else target_mm,
        columns_mm=columns_mm,
        witness_mm=witness_mm,
    )


def _random_lap(seed: int):
    """Return a drawn lap of random make, light and view, and its distance from edge to mark."""
    rng = np.random.default_rng(seed)
    lower, distance = int(rng.choice([-1, 1])), float(rng.uniform(14.0, 60.0))
    edge = 345.0 - lower * distance / 2.0
    sheet = float(rng.choice([45.0, 110.0, 180.0]))
    ridge = Ridge(
        along_deg=float(rng.uniform(-4.0, 4.0)),
        card=False,
        sheet=sheet,
        texture=0.02 * sheet,
        streaks=0.015 * sheet,
        edge_mm=edge,
        lower=lower,
        target_on_upper=bool(rng.random() < 0.5),
        rise_mm=float(np.clip(rng.normal(1.05, 0.2), 0.7, 1.5)),
        lower_share=float(rng.uniform(0.95, 1.05)),
        face_share=float(rng.uniform(0.4, 1.4)),
        sun_run=float(rng.uniform(-1.0, 2.0)) if rng.random() < 0.4 else None,
        mark_mm=edge + lower * distance,
        mark_level=240.0 if sheet < 150.0 else 70.0,
        mark_width_mm=float(rng.uniform(0.5, 1.2)),
    )
    ridge = Ridge(**{**_fields(ridge), "rivets_mm": tuple(_rivets(ridge))})
    aim = ridge.mm([edge + lower * 10.0], [75.0])[0]
    tilt, towards, roll = (
        float(rng.uniform(*bounds)) for bounds in ((0.0, 38.0), (0.0, 360.0), (-12.0, 12.0))
    )
    return ridge, stand(aim, float(rng.uniform(620.0, 900.0)), tilt, towards, roll, CAMERA), distance


def _fields(ridge: Ridge):
    return {name: getattr(ridge, name) for name in ridge.__dataclass_fields__}


@pytest.fixture(scope="module")
def drawn_laps():
    """Return errors and standard uncertainties of 30 drawn laps, NaN where none was measured."""
    errors, us = [], []
    for seed in range(400, 430):
        ridge, view, distance = _random_lap(seed)
        lap = _find(ridge, view, seed)
        measured = isinstance(lap, LapSighting) and lap.lap_mm is not None
        errors.append(lap.lap_mm - (WITNESS_MM - distance) if measured else np.nan)
        us.append(lap.u_edge_to_witness_mm if measured else np.nan)
    return np.array(errors), np.array(us)


def test_drawn_laps_are_found(drawn_laps):
    # Wanted: 95 % of laps with a mark. With 30 drawn, a share of 0.95 has a standard deviation of 0.04.
    assert np.isfinite(drawn_laps[0]).mean() >= 0.95 - 2.0 * 0.04


def test_drawn_laps_are_right_within_their_interval(drawn_laps):
    # As above: 95 % within 1.96 u but for three standard deviations of the share; none is grossly wrong.
    errors, us = (values[np.isfinite(values)] for values in drawn_laps)
    assert np.mean(np.abs(errors) <= 1.96 * us) >= 0.95 - 3.0 * 0.04
    assert np.sqrt(np.mean(errors**2)) <= 0.7
    assert np.abs(errors).max() < 1.5


@pytest.mark.parametrize("name", CLOSE_UPS)
def test_lap_of_rendered_close_up_is_measured_or_absent(rendered_photos, name):
    truth, image, view = load_close_up(rendered_photos, name)
    flange = find_flange(image, view, z_mm=SHEET_Z_MM, outline_mm=CARD_MM)
    rivets = [rivet["px"] for rivet in truth["rivets"] if rivet["role"] == "lap"]
    columns = []
    if rivets:
        mm = to_mm(view, rivets, SHEET_Z_MM).mm
        stations = mm @ flange.along
        near = stations < (stations.min() + stations.max()) / 2.0
        columns = [mm[near], mm[~near]]
    lap = find_lap(
        image,
        _flatten(image, view, flange),
        flange,
        target_mm=CARD_OUTLINE_MM,
        columns_mm=columns,
        witness_mm=WITNESS_MM,
    )
    if truth["lap"] is None:
        assert lap == NoLap(WhyNoLap.NO_LINE)
        return
    assert isinstance(lap, LapSighting)
    assert lap.upper == pytest.approx(truth["lap"]["upper_piece_direction_mm"], abs=2e-3)
    assert lap.edge_mm @ flange.along == pytest.approx(
        np.array(truth["lap"]["edge_mm"]) @ flange.along, abs=0.7
    )
    # The rows' truth is their mean distance from the edge; their uncertainty is stated.
    for row, true_mm in zip(lap.rows, truth["lap"]["row_from_edge_mm"], strict=True):
        assert row.mm == pytest.approx(true_mm, abs=3.0 * row.u_mm)
    if truth["lap"]["edge_to_witness_mm"] is None:
        assert lap.lap_mm is None
    else:
        assert lap.lap_mm == pytest.approx(truth["lap"]["lap_mm"], abs=min(1.5, 1.5 * lap.u95_mm))


def _plain_lap(**changes) -> Ridge:
    return Ridge(**{"card": False, "edge_mm": 330.0, "mark_mm": 372.0, **changes})


def _square_view():
    return stand((340.0, 75.0), 720.0, 14.0, 25.0, 3.0, CAMERA)


def test_lap_is_witness_distance_less_visible_distance():
    lap = _find(_plain_lap(), _square_view(), 41)
    assert lap.lap_mm == pytest.approx(WITNESS_MM - lap.edge_to_witness_mm)
    assert lap.u95_mm == pytest.approx(1.96 * lap.u_edge_to_witness_mm)
    assert [row.mm for row in lap.rows] == pytest.approx(ROWS_MM, abs=0.6)
    assert lap.upper == pytest.approx([-1.0, 0.0])


def test_lap_without_the_plans_witness_distance_has_a_distance_but_no_length():
    lap = _find(_plain_lap(), _square_view(), 41, witness_mm=None)
    assert lap.edge_to_witness_mm == pytest.approx(42.0, abs=0.8)
    assert lap.lap_mm is None
    assert lap.u95_mm is None


def test_lap_without_a_mark_has_rows_but_no_length():
    lap = _find(_plain_lap(mark_mm=None), _square_view(), 42)
    assert lap.lap_mm is None
    assert lap.witness_mm is None
    assert any("no witness mark" in note for note in lap.notes)


def test_two_lines_that_may_be_the_mark_give_no_length():
    lap = _find(_plain_lap(lines=((355.0, 230.0, 0.8),)), _square_view(), 43)
    assert lap.lap_mm is None
    assert any("more than one line" in note for note in lap.notes)


def test_two_lines_that_may_be_the_edge_give_no_lap():
    # A scratch as clear as the edge, between edge and rivets and as near to the usual place.
    lap = _find(_plain_lap(lines=((317.0, 40.0, 1.0),)), _square_view(), 44)
    assert lap == NoLap(WhyNoLap.UNCLEAR)


def test_line_without_lap_rivets_beside_it_gives_no_lap():
    lap = _find(_plain_lap(mark_mm=None), _square_view(), 45, columns=False)
    assert lap == NoLap(WhyNoLap.NO_RIVETS)


def test_lap_rivets_without_an_edge_give_no_lap():
    # The mark alone stands 68 mm from the nearest row: too far for an edge.
    ridge = _plain_lap()
    bare = Ridge(**{**_fields(ridge), "edge_mm": None, "mark_mm": 372.0})
    image, flange = draw(bare, _square_view(), 46), known_flange(bare, _square_view())
    stations, offsets = np.array(_rivets(ridge)).T
    mm = ridge.mm(stations, offsets)
    picture = _flatten(image, _square_view(), flange)
    lap = find_lap(image, picture, flange, target_mm=CARD_OUTLINE_MM, columns_mm=[mm[:4], mm[4:]])
    assert lap == NoLap(WhyNoLap.NO_EDGE)


def test_bright_mark_of_an_edge_that_does_not_show_gives_no_lap():
    # The mark stands 36 mm from the nearest row, near enough for an edge, but nothing dark lies beside it.
    ridge = _plain_lap()
    bare = Ridge(**{**_fields(ridge), "edge_mm": None, "mark_mm": 340.0})
    image, flange = draw(bare, _square_view(), 49), known_flange(bare, _square_view())
    stations, offsets = np.array(_rivets(ridge)).T
    mm = ridge.mm(stations, offsets)
    picture = _flatten(image, _square_view(), flange)
    lap = find_lap(image, picture, flange, target_mm=CARD_OUTLINE_MM, columns_mm=[mm[:4], mm[4:]])
    assert lap == NoLap(WhyNoLap.NO_EDGE)


def test_flange_without_its_borders_gives_no_lap():
    view, ridge = _square_view(), _plain_lap()
    image, flange = draw(ridge, view, 47), known_flange(ridge, view)
    open_flange = type(flange)(flange.along, 0.01, None, flange.hem, flange.polygon_mm, 0.3, ())
    picture = _flatten(image, view, flange)
    lap = find_lap(image, picture, open_flange, target_mm=CARD_OUTLINE_MM)
    assert lap == NoLap(WhyNoLap.NO_FLANGE)


def test_target_across_the_edge_is_named():
    across = np.array([(300.0, 200.0), (360.0, 200.0), (360.0, 230.0), (300.0, 230.0)])
    lap = _find(_plain_lap(), _square_view(), 48, target_mm=across)
    assert any("lies across" in note for note in lap.notes)


def _lone_line(ridge: Ridge, seed: int, witness_mm=WITNESS_MM):
    """Look for the lap of a cap on which but one line is drawn, the rivets known."""
    view = _square_view()
    image, flange = draw(ridge, view, seed), known_flange(ridge, view)
    stations, offsets = np.array(_rivets(_plain_lap())).T
    mm = ridge.mm(stations, offsets)
    return find_lap(
        image,
        _flatten(image, view, flange),
        flange,
        target_mm=CARD_OUTLINE_MM,
        columns_mm=[mm[:4], mm[4:]],
        witness_mm=witness_mm,
    )


def test_dark_line_that_stands_alone_may_be_the_mark():
    # A pencil line 36 mm from the nearest row: the edge, between the two, does not show.
    ridge = Ridge(**{**_fields(_plain_lap()), "edge_mm": None, "mark_mm": 340.0, "mark_level": 50.0})
    lap = _lone_line(ridge, 52)
    assert isinstance(lap, LapSighting)
    assert lap.may_be_mark
    judged = [verdict.judgement for verdict in judge_lap_rows(lap, Plan(witness_mm=WITNESS_MM))]
    assert [str(each.verdict) for each in judged] == ["cannot tell", "cannot tell"]
    assert "may be either" in judged[0].why


def test_dark_line_of_a_job_without_marks_is_the_edge():
    ridge = Ridge(**{**_fields(_plain_lap()), "edge_mm": None, "mark_mm": 340.0, "mark_level": 50.0})
    assert not _lone_line(ridge, 52, witness_mm=None).may_be_mark


def test_edge_that_stands_alone_is_told_by_its_step():
    assert not _lone_line(_plain_lap(mark_mm=None), 53).may_be_mark
