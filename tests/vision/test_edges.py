"""Straight edges against drawn ones: where they are, and whether their covariance is that of real scatter."""

import cv2
import numpy as np

from vision.edges import Edgels, find_edgels, find_edges, fit_edge


def _half_plane(normal_deg: float, offset_px: float, seed: int, *, noise: float = 2.0) -> np.ndarray:
    """Draw a picture, 80 by 60 px, dark where x cos + y sin < offset (64 rays a pixel, blur 0.8 px)."""
    sub = 8
    x, y = np.meshgrid((np.arange(80 * sub) + 0.5) / sub - 0.5, (np.arange(60 * sub) + 0.5) / sub - 0.5)
    angle = np.radians(normal_deg)
    grey = np.where(x * np.cos(angle) + y * np.sin(angle) < offset_px, 70.0, 150.0)
    grey = cv2.GaussianBlur(grey.reshape(60, sub, 80, sub).mean(axis=(1, 3)), (0, 0), 0.8)
    noisy = grey + np.random.default_rng(seed).normal(0.0, noise, grey.shape)
    return np.repeat(np.clip(noisy, 0, 255).round().astype(np.uint8)[:, :, None], 3, axis=2)


def _strongest(picture: np.ndarray):
    return find_edges(find_edgels(picture, (0, 0), (80, 60)))[0]


def test_edge_lies_where_it_was_drawn_within_its_covariance():
    pulls = []
    for seed in range(30):
        angle_deg, offset_px = 7.0 + 11.3 * seed, 20.0 + 0.37 * seed
        middle = np.array([39.6, 29.7])
        angle = np.radians(angle_deg)
        across = np.array([np.cos(angle), np.sin(angle)])
        offset_px = float(across @ middle) + 0.9 * np.sin(seed)
        edge = _strongest(_half_plane(angle_deg, offset_px, seed))
        pulls.append((across @ edge.middle_px - offset_px) / np.sqrt(edge.cov[0, 0]))
        turn = np.arcsin(np.clip(across[0] * edge.across[1] - across[1] * edge.across[0], -1.0, 1.0))
        turn = (turn + np.pi / 2.0) % np.pi - np.pi / 2.0
        pulls.append(turn / np.sqrt(edge.cov[1, 1]))
    # 60 pulls; the covariance has a floor (0.1 px per fact), so that it may be generous on drawings, not
    # stingy.
    assert 0.3 < np.sqrt(np.mean(np.square(pulls))) < 1.0 + 4.0 / np.sqrt(2.0 * 60.0)


def test_two_crossing_edges_are_told_apart():
    one, other = _half_plane(10.0, 35.0, 1), _half_plane(80.0, 30.0, 2)
    edges = find_edges(find_edgels(np.minimum(one, other), (0, 0), (80, 60)))[:2]
    angles = sorted(np.degrees(np.arctan2(edge.across[1], edge.across[0])) % 180.0 for edge in edges)
    np.testing.assert_allclose(angles, [10.0, 80.0], atol=1.5)


def test_edge_of_colour_alone_is_an_edge():
    # Red against green of the same lightness: grey pictures would not show it.
    picture = np.zeros((60, 80, 3), np.uint8)
    picture[:, :40] = cv2.cvtColor(np.uint8([[[128, 170, 128]]]), cv2.COLOR_LAB2BGR)[0, 0]
    picture[:, 40:] = cv2.cvtColor(np.uint8([[[128, 86, 128]]]), cv2.COLOR_LAB2BGR)[0, 0]
    edge = _strongest(picture)
    assert abs(edge.middle_px[0] - 39.5) < 0.1


def test_flat_picture_has_no_edges():
    assert find_edges(find_edgels(np.full((60, 80, 3), 90, np.uint8), (0, 0), (80, 60))) == []


def test_line_through_exact_points_is_exact():
    stations = np.linspace(-10.0, 10.0, 21)
    along = np.array([0.8, 0.6])
    px = np.array([12.0, 7.0]) + stations[:, None] * along
    edge = fit_edge(Edgels(px, np.tile([-0.6, 0.8], (21, 1)), np.ones(21)))
    np.testing.assert_allclose(edge.middle_px, [12.0, 7.0], atol=1e-9)
    assert abs(edge.across @ along) < 1e-9
