"""The edge within its line: profiles reckoned ray by ray, and the interval's coverage."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from vision.stepedge import RISE_MM, SHEET_MM, U_RISE_MM, locate_edge

STEP_MM = 0.2
DISTANCES_MM = STEP_MM * (np.arange(101) - 50.0)


def _profile(rng, *, edge_mm, rise_mm, view_slope, face, gap=0.15, shadow_mm=0.0, lower=1.0, blur_mm=0.33):
    """Return grey levels across a step, every ray followed to the sheet, face, gap or lower sheet."""
    fine = np.arange(-14.0, 14.0, 0.02)
    beyond = fine - edge_mm
    # Where the ray that passes the upper plane at `beyond` meets the lower one, and its depth at the face.
    on_lower = beyond - rise_mm * view_slope
    depth = beyond / view_slope if view_slope > 0.0 else np.full_like(fine, np.inf)
    sky = (1.0 + np.cos(np.arctan2(rise_mm, np.maximum(on_lower, 1e-9)))) / 2.0
    level = np.where(on_lower > 0.0, lower * sky * np.where(on_lower < shadow_mm, 0.5, 1.0), gap)
    level = np.where((depth < SHEET_MM) & (on_lower <= 0.0), face, level)
    level = 110.0 * np.where(beyond <= 0.0, 1.0, level)
    blurred = np.interp(DISTANCES_MM, fine, gaussian_filter1d(level, blur_mm / 0.02))
    return blurred[:, None] + rng.normal(0.0, 0.3, (len(blurred), 3))


@pytest.mark.parametrize("view_slope", [-0.5, -0.1, 0.0, 0.2, 0.6])
@pytest.mark.parametrize("face", [0.4, 1.0, 1.4])
def test_edge_is_found_from_either_side_with_dark_and_bright_faces(view_slope, face):
    rng = np.random.default_rng(21)
    levels = _profile(rng, edge_mm=-0.3, rise_mm=1.15, view_slope=view_slope, face=face)
    place = locate_edge(DISTANCES_MM, levels, 0.2, view_slope=view_slope, blur_mm=0.33)
    assert abs(place.distance_mm + 0.3) < 3.0 * place.u_distance_mm
    assert place.u_distance_mm < 0.4


def test_shadow_of_the_sun_beside_the_step_does_not_move_the_edge():
    rng = np.random.default_rng(22)
    levels = _profile(rng, edge_mm=-0.8, rise_mm=1.0, view_slope=0.1, face=0.8, shadow_mm=1.6)
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
        levels = _profile(
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
