"""Tie points: robust loss, noise learnt, wrong matches left out; the adjustment against pycolmap."""

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.by_pycolmap import length_by_pycolmap, plain
from tests.vision.simulated import ENDS_MM, STANDS
from tests.vision.simulated_job import TRUE_MM, draw_house, draw_job
from vision.adjust import adjust
from vision.ends import length_of, with_ends
from vision.equations import build_equations
from vision.network import Layout, Network, PointSighting
from vision.tie import tie_photos
from vision.tie_points import Tie, adjust_ties, with_tie_points


def _photos(seed: int) -> Network:
    starts = [item.start for item in draw_job(seed, with_features=False)]
    return adjust(tie_photos(starts).network).network


def _ties(rng: np.random.Generator, count: int, sigma_px: float, wrong: int = 0) -> list[Tie]:
    points = draw_house(rng, count).points_mm
    ties = []
    for i, point in enumerate(points):
        stations = tuple(sorted(rng.choice(5, size=int(rng.integers(2, 5)), replace=False).tolist()))
        px = np.concatenate([STANDS[k].px(point[None]) for k in stations]) + rng.normal(
            0.0, sigma_px, (len(stations), 2)
        )
        if i < wrong:
            px[0] += rng.uniform(6.0, 20.0) * np.array([0.6, -0.8])
        ties.append(Tie(stations, px))
    return ties


def test_gradient_of_the_robust_cost_agrees_with_central_differences():
    rng = np.random.default_rng(11)
    network = with_tie_points(_photos(1), _ties(rng, 60, 3.0))
    sightings = tuple(replace(s, sigma_px=1.0) for s in network.point_sightings)
    network = replace(network, point_sightings=sightings)
    layout = Layout(network)
    equations = build_equations(network, layout)
    # Some residuals lie beyond the bend of the loss, some within.
    assert equations.cost < 0.9 * sum(np.square(build_equations(_quadratic(network), layout).residuals))
    gradient = -2.0 * (equations.jacobian.T @ equations.residuals)
    scale = 1.0 / np.sqrt((equations.jacobian.toarray() ** 2).sum(axis=0))
    for _ in range(5):
        direction = scale * rng.normal(size=layout.size)
        ahead, behind = (
            build_equations(network.moved(layout, sign * 1e-4 * direction), layout).cost
            for sign in (1.0, -1.0)
        )
        assert (ahead - behind) / 2e-4 == pytest.approx(float(gradient @ direction), rel=1e-4)


def _quadratic(network: Network) -> Network:
    return replace(network, point_sightings=tuple(replace(s, is_tie=False) for s in network.point_sightings))


@pytest.mark.parametrize("sigma_px", [0.4, 1.0])
def test_noise_of_tie_points_is_learnt_from_their_residuals(sigma_px):
    rng = np.random.default_rng(12)
    network = adjust_ties(with_tie_points(_photos(2), _ties(rng, 150, sigma_px))).network
    learnt = {s.sigma_px for s in network.point_sightings}
    assert len(learnt) == 1
    # About 450 degrees of freedom: 4 / sqrt(2 n) is 13 %; poses are counted twice, which adds up to 4 %.
    assert learnt.pop() == pytest.approx(sigma_px, rel=0.17)


def test_wrong_matches_are_left_out():
    rng = np.random.default_rng(13)
    ties = _ties(rng, 150, 0.5, wrong=20)
    network = adjust_ties(with_tie_points(_photos(3), ties)).network
    used = {tuple(np.round(s.px, 6)) for s in network.point_sightings}
    wrong = {tuple(np.round(tie.px[0], 6)) for tie in ties[:20]}
    assert len(used & wrong) <= 2
    right = [tuple(np.round(px, 6)) for tie in ties[20:] for px in tie.px]
    assert sum(px in used for px in right) > 0.97 * len(right)


def test_points_seen_along_one_line_are_not_placed():
    far = Tie((0, 1), np.stack([STANDS[k].px(np.array([[0.0, -2e6, 6e6]]))[0] for k in (0, 1)]))
    assert len(with_tie_points(_photos(4), [far]).points_mm) == 0


def test_tie_points_shrink_the_uncertainty_and_keep_the_scale_to_the_target():
    rng = np.random.default_rng(14)
    photos = _photos(5)
    picks = tuple(
        PointSighting(k, i, STANDS[k].px(ENDS_MM[[i]])[0] + rng.normal(0.0, 1.0, 2), 1.0)
        for k in range(5)
        for i in range(2)
    )
    tied = adjust_ties(with_tie_points(photos, _ties(rng, 150, 0.5))).network
    results = []
    for network in (photos, tied):
        solution = adjust(with_ends(network, ENDS_MM + 10.0, picks))
        length_mm, gradient = length_of(solution)
        results.append((length_mm, float(np.sqrt(solution.covariance(gradient[None])[0, 0]))))
    assert results[1][1] < 0.6 * results[0][1]
    assert abs(results[1][0] - TRUE_MM) < 3.0 * results[1][1]


def test_length_agrees_with_pycolmap():
    # pycolmap 4 weighs all observations alike and knows no priors, so both get: one noise for tag corners,
    # tie points and picks, exact tag corners, no focus breathing, and a lens prior too wide to matter.
    rng = np.random.default_rng(15)
    network = plain(_photos(6))
    ties = with_tie_points(network, _ties(rng, 120, 0.5))
    picks = tuple(
        PointSighting(k, i, STANDS[k].px(ENDS_MM[[i]])[0] + rng.normal(0.0, 0.5, 2), 0.5)
        for k in range(5)
        for i in range(2)
    )
    whole = with_ends(ties, ENDS_MM + 10.0, picks)
    sightings = tuple(replace(s, sigma_px=0.5, is_tie=False) for s in whole.point_sightings)
    solution = adjust(replace(whole, point_sightings=sightings))
    length_mm, gradient = length_of(solution)
    u95_mm = 1.96 * float(np.sqrt(solution.covariance(gradient[None])[0, 0]))
    assert abs(length_by_pycolmap(solution.network) - length_mm) < 0.1 * u95_mm
