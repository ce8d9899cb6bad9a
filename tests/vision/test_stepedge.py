"""The edge within its line: profiles reckoned ray by ray, and the interval's coverage."""

import numpy as np
import pytest

from tests.vision.stepped import DISTANCES_MM, line_profile, step_profile
from vision.stepedge import RISE_MM, SHEET_MM, U_RISE_MM, locate_edge, log_odds_of_step


@pytest.mark.parametrize("view_slope", [-0.5, -0.1, 0.0, 0.2, 0.6])
@pytest.mark.parametrize("face", [0.4, 1.0, 1.4])
def test_edge_is_found_from_either_side_with_dark_and_bright_faces(view_slope, face):
    rng = np.random.default_rng(21)
    levels = step_profile(rng, edge_mm=-0.3, rise_mm=1.15, view_slope=view_slope, face=face)
    place = locate_edge(DISTANCES_MM, levels, 0.2, view_slope=view_slope, blur_mm=0.33)
    assert abs(place.distance_mm + 0.3) < 3.0 * place.u_distance_mm
    assert place.u_distance_mm < 0.4


def test_shadow_of_the_sun_beside_the_step_does_not_move_the_edge():
    rng = np.random.default_rng(22)
    levels = step_profile(rng, edge_mm=-0.8, rise_mm=1.0, view_slope=0.1, face=0.8, shadow_mm=1.6)
    place = locate_edge(DISTANCES_MM, levels, 0.2, view_slope=0.1, blur_mm=0.33)
    assert place.distance_mm == pytest.approx(-0.8, abs=0.2)


def test_interval_holds_the_edge_in_95_percent_of_simulated_steps():
    # 200 draws of steps as the constants describe them: the share inside 1.96 u has a standard deviation of
    # sqrt(0.05 * 0.95 / 200) = 0.0154; four of them are allowed below 0.95.
    rng = np.random.default_rng(23)
    errors, us = [], []
    for _ in range(200):
        rise = float(np.clip(rng.normal(RISE_MM, U_RISE_MM), SHEET_MM, 1.6))
        slope, edge = float(rng.uniform(-0.6, 0.7)), float(rng.uniform(-0.9, 0.1))
        shadow = float(rng.choice([0.0, 0.0, rng.uniform(0.2, 2.0)]))
        levels = step_profile(
            rng,
            edge_mm=edge,
            rise_mm=rise,
            view_slope=slope,
            face=float(np.clip(rng.normal(1.0, 0.35), 0.2, 2.0)),
            gap=float(rng.uniform(0.1, 0.6)),
            shadow_mm=shadow,
            lower=float(rng.uniform(0.93, 1.07)),
            blur_mm=float(rng.uniform(0.28, 0.38)),
        )
        place = locate_edge(DISTANCES_MM, levels, 0.2, view_slope=slope, blur_mm=0.33)
        errors.append(place.distance_mm - edge)
        us.append(place.u_distance_mm)
    inside = np.mean(np.abs(errors) <= 1.96 * np.array(us))
    assert inside > 0.95 - 4.0 * 0.0154
    # A doubt that is far too large would hold anything; these profiles lack the sharpening and the uneven
    # light that it also counts, so that it may be up to three times the scatter.
    assert np.sqrt(np.mean(np.square(us))) < 3.0 * np.sqrt(np.mean(np.square(errors)))


def test_height_of_the_step_keeps_its_prior_where_the_picture_says_nothing():
    rng = np.random.default_rng(24)
    flat = 90.0 + rng.normal(0.0, 0.3, (101, 3))
    place = locate_edge(DISTANCES_MM, flat, 0.3, view_slope=0.0, blur_mm=0.33)
    assert place.rise_mm == pytest.approx(RISE_MM, abs=0.5 * U_RISE_MM)
    assert place.u_distance_mm > 0.5


def test_sheets_end_and_drawn_line_are_told_apart_by_their_profiles():
    # Twenty of each, a step of any height and light and a line of any width and ink. On rendered photos the
    # odds are less certain, so that they only decide where a lone line may be either.
    rng, steps, lines = np.random.default_rng(24), [], []
    for _ in range(20):
        view = {"view_slope": float(rng.uniform(-0.5, 0.5)), "blur_mm": 0.33}
        rise = RISE_MM + U_RISE_MM * float(np.clip(rng.normal(), -1.5, 1.5))
        step = step_profile(rng, edge_mm=-0.6, rise_mm=rise, face=float(rng.uniform(0.5, 1.3)), **view)
        width, ink = float(rng.uniform(0.4, 1.2)), float(rng.choice([0.4, 0.6, 1.6]))
        line = line_profile(rng, width_mm=width, ink=ink)
        steps.append(log_odds_of_step(DISTANCES_MM, step, 0.2, **view))
        lines.append(log_odds_of_step(DISTANCES_MM, line, 0.2, **view))
    assert np.median(steps) > np.log(3.0) > np.median(lines)
    assert np.mean(np.array(steps) > np.log(3.0)) >= 0.7
    assert np.mean(np.array(lines) < np.log(3.0)) >= 0.9
