"""The adjustment: analytic derivatives, Monte Carlo agreement, order independence, refusals."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize

from calib.errors import GeometryError
from tests.vision.simulated import ENDS_MM, STANDS, lens_prior, sight
from vision.adjust import adjust
from vision.equations import build_equations
from vision.network import Layout, Network, PointSighting, SetBack
from vision.pose import SCENE_BREATHING, start_alone
from vision.shoot import TapeMeasure
from vision.tie import tie_photos


def _network(seed: int, sigma_px: float = 0.1, pick_px: float = 1.0) -> Network:
    rng = np.random.default_rng(seed)
    starts = [
        start_alone(sight(where, f"p{i}", rng, sigma_px=sigma_px, prior=lens_prior(0.01)), SCENE_BREATHING)
        for i, where in enumerate(STANDS)
    ]
    tied = tie_photos(starts, [TapeMeasure(10, 15, 667.0, 1.0)])
    sightings = tuple(
        PointSighting(
            tied.stations[f"p{i}"], end, where.px(ENDS_MM[[end]])[0] + rng.normal(0.0, pick_px, 2), pick_px
        )
        for i, where in enumerate(STANDS)
        for end in (0, 1)
    )
    return replace(tied.network, points_mm=ENDS_MM + 20.0, point_sightings=sightings)


def test_jacobian_of_all_rows_agrees_with_central_differences():
    network = _network(1)
    network = replace(network, set_back=SetBack(0, 2480.0, 10.0, (0, 1)), set_back_depth_mm=2480.0)
    layout = Layout(network)
    equations = build_equations(network, layout)
    analytic = equations.jacobian.toarray()
    rng = np.random.default_rng(5)
    for _ in range(12):
        # Random directions reach every block; each unknown moves by 1e-4 of its own natural size.
        direction = rng.normal(size=layout.size) / np.sqrt((analytic**2).sum(axis=0))
        ahead = build_equations(network.moved(layout, 1e-4 * direction), layout).residuals
        behind = build_equations(network.moved(layout, -1e-4 * direction), layout).residuals
        numeric = -(ahead - behind) / 2e-4
        scale = np.abs(analytic) @ np.abs(direction) + 1.0
        assert np.max(np.abs(analytic @ direction - numeric) / scale) < 1e-5


def test_adjust_reaches_the_minimum_that_scipy_finds():
    network = _network(2)
    layout = Layout(network)
    solution = adjust(network)

    def residuals(step):
        return build_equations(solution.network.moved(layout, step), layout).residuals

    scale = 1.0 / np.sqrt((solution.equations.jacobian.toarray() ** 2).sum(axis=0))
    outside = optimize.least_squares(residuals, np.zeros(layout.size), x_scale=scale, xtol=1e-12, ftol=1e-14)
    assert 2.0 * outside.cost == pytest.approx(solution.equations.cost, rel=1e-9)


def test_length_does_not_depend_on_the_order_of_the_photos():
    network = _network(3)
    shuffled = replace(
        network,
        pattern_sightings=network.pattern_sightings[::-1],
        point_sightings=network.point_sightings[::-1],
    )
    lengths = [
        np.linalg.norm(np.diff(adjust(item).network.points_mm, axis=0)) for item in (network, shuffled)
    ]
    assert lengths[0] == pytest.approx(lengths[1], abs=1e-4)


def test_covariance_of_the_length_agrees_with_monte_carlo():
    # JCGM 101: 40 simulated shoots. The ratio of the simulated to the stated deviation has a standard
    # deviation of 1 / sqrt(2 n); four of them are allowed.
    draws = 40
    errors, stated = [], []
    for seed in range(draws):
        solution = adjust(_network(1000 + seed))
        layout = solution.layout
        step = np.diff(solution.network.points_mm, axis=0)[0]
        length = np.linalg.norm(step)
        gradient = np.zeros((1, layout.size))
        gradient[0, layout.point(0)], gradient[0, layout.point(1)] = -step / length, step / length
        errors.append(length - np.linalg.norm(ENDS_MM[1] - ENDS_MM[0]))
        stated.append(np.sqrt(solution.covariance(gradient)[0, 0]))
    # The lens prior's error is the same 1 % in all draws: taken out with the mean.
    assert np.std(errors) <= np.mean(stated) * (1.0 + 4.0 / np.sqrt(2.0 * draws))
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(np.mean(stated), rel=0.3)


def test_budget_squares_add_up_to_the_variance():
    solution = adjust(_network(4))
    gradient = np.zeros(solution.layout.size)
    gradient[solution.layout.point(0)] = (1.0, 0.0, 0.0)
    variance = solution.covariance(gradient[None])[0, 0]
    assert sum(u**2 for u in solution.budget(gradient).values()) == pytest.approx(variance, rel=1e-6)


def test_points_seen_once_are_refused():
    network = _network(6)
    with pytest.raises(GeometryError, match="too few sightings"):
        adjust(replace(network, point_sightings=network.point_sightings[:2]))


def test_network_without_a_fixed_target_is_refused():
    network = _network(7)
    placements = tuple(replace(placement, is_fixed=False) for placement in network.placements)
    with pytest.raises(GeometryError, match="must define the world"):
        replace(network, placements=placements)
