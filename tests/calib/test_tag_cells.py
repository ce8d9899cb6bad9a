"""Cells of the family; their blurred brightness against a finely drawn picture put through OpenCV's blur."""

import cv2
import numpy as np
import pytest

from calib.tag_cells import all_tag_cells, blur_cells, cell_edges, tag_cells
from tests.calib.drawn_tags import tag_picture

_FINE = 16  # points per px of the drawn picture


def test_family_has_587_codes_eleven_cells_apart_in_every_turn() -> None:
    # 587 codes, smallest Hamming distance 11 over all turns: the tag36h11 family's own definition.
    codes = all_tag_cells()[:, 1:7, 1:7] > 0
    assert len(codes) == 587
    flat = codes.reshape(587, -1).astype(np.int16)
    for turn in range(4):
        turned = np.rot90(codes, turn, axes=(1, 2)).reshape(587, -1).astype(np.int16)
        apart = flat.sum(axis=1)[:, None] + turned.sum(axis=1) - 2 * flat @ turned.T
        if turn == 0:
            np.fill_diagonal(apart, 36)
        assert apart.min() >= 11


def test_cells_are_indexed_by_column_then_row() -> None:
    assert np.array_equal(tag_cells(7).T, tag_picture(7))


def test_edges_point_from_black_to_white() -> None:
    cells = tag_cells(3)
    edges = cell_edges(3)
    for middle, normal in zip(edges.middle, edges.normal, strict=True):
        (beyond, before) = (np.floor(middle + side * 0.5 * normal + 1e-9).astype(int) + 1 for side in (1, -1))
        assert cells[tuple(beyond)] == 1
        assert cells[tuple(before)] == 0
    # The border alone has 32 edges.
    assert np.count_nonzero(np.isin(edges.line, (0, 8, 9, 17))) >= 32


def _brightness(slopes: np.ndarray, px: np.ndarray, middle: np.ndarray, blur_px: float):
    uv = px @ slopes.T + 4.0 - slopes @ middle
    lengths = np.linalg.norm(slopes, axis=1)
    skew = slopes[0] @ slopes[1] / lengths.prod()
    from_lines = uv.T[:, None, :, None] - np.arange(9)[:, None, None]
    return blur_cells(
        tag_cells(11)[..., None],
        from_lines,
        lengths[:, None, None],
        np.full((1, 1), skew),
        np.array([blur_px]),
    )


# Cells of about 3 px, square and skewed by 17 degrees; rows are the gradients of u and v, cells per px.
_SQUARE = np.array([[0.30, 0.12], [-0.12, 0.30]])
_SKEWED = np.array([[0.30, 0.12], [-0.02, 0.34]])


@pytest.mark.parametrize(
    ("slopes", "tolerance"),
    # The series in the skew s ends at s^2; its next term is at most s^3 / 6 x 0.16 per corner of four cells.
    [(_SQUARE, 2e-3), (_SKEWED, 4e-3)],
)
def test_blurred_cells_against_a_drawn_picture(slopes: np.ndarray, tolerance: float) -> None:
    size, blur_px = 44, 0.9
    middle = np.array([21.3, 20.6])
    place = (np.arange(size * _FINE) + 0.5) / _FINE - 0.5
    x, y = np.meshgrid(place, place)
    uv = np.stack([x - middle[0], y - middle[1]], axis=-1) @ slopes.T + 4.0
    index = np.clip(np.floor(uv).astype(int) + 1, 0, 9)
    drawn = cv2.GaussianBlur(tag_cells(11)[index[..., 0], index[..., 1]], (0, 0), blur_px * _FINE)
    columns, rows = np.meshgrid(np.arange(8, 36), np.arange(8, 36))
    px = np.stack([columns.ravel(), rows.ravel()], axis=1).astype(float)
    # A pixel's centre lies between the two middle points of its fine ones.
    fine = (px[:, ::-1] * _FINE + _FINE // 2).astype(int)
    expected = np.mean([drawn[fine[:, 0] - i, fine[:, 1] - j] for i in (0, 1) for j in (0, 1)], axis=0)
    value = _brightness(slopes, px, middle, blur_px).value[0, :, 0]
    # Points of 1/16 px place an edge to 1/32 px, of a slope of 0.44 per px: 0.014 at worst.
    assert np.abs(value - expected).max() < 0.02
    assert np.sqrt(np.mean((value - expected) ** 2)) < tolerance


def test_blurred_cells_derivatives_against_differences() -> None:
    rng = np.random.default_rng(5)
    px, middle, step = rng.uniform(8, 36, (200, 2)), np.array([21.3, 20.6]), 1e-4
    here = _brightness(_SKEWED, px, middle, 0.9)
    by_px = np.stack([here.by_u[0, :, 0], here.by_v[0, :, 0]], axis=1) @ _SKEWED
    for axis in (0, 1):
        shift = step * np.eye(2)[axis]
        ahead, behind = (_brightness(_SKEWED, px + sign * shift, middle, 0.9) for sign in (1, -1))
        slope = (ahead.value[0, :, 0] - behind.value[0, :, 0]) / (2 * step)
        assert np.abs(by_px[:, axis] - slope).max() < 1e-6
    wider, narrower = (_brightness(_SQUARE, px, middle, 0.9 * np.exp(sign * step)) for sign in (1, -1))
    slope = (wider.value[0, :, 0] - narrower.value[0, :, 0]) / (2 * step)
    assert np.abs(_brightness(_SQUARE, px, middle, 0.9).by_ln_blur[0, :, 0] - slope).max() < 1e-6


def test_windows_of_cells_group_by_group_show_what_the_whole_tag_does() -> None:
    # Two groups of points around different lines; all that is left out lies over 7 blurs away.
    first, points = np.array([[2, 5], [4, 1]]), np.random.default_rng(6).uniform(-0.5, 0.5, (2, 30, 2))
    beside = first[:, None] + np.arange(2)[:, None]
    seen = {}
    for name, colours, from_lines in (
        ("window", tag_cells(11)[beside[0][:, None], beside[1]], points[:, None]),
        ("whole", tag_cells(11)[..., None], (points + first[:, None])[:, None] - np.arange(9)[:, None, None]),
    ):
        seen[name] = blur_cells(
            colours, from_lines, np.full((2, 1, 1), 0.1), np.zeros((1, 1)), np.array([0.7])
        )
    for part in ("value", "by_u", "by_v", "by_ln_blur", "by_bias"):
        assert np.abs(getattr(seen["window"], part) - getattr(seen["whole"], part)).max() < 1e-9


def test_edge_bias_of_blurred_cells_is_the_growth_of_white() -> None:
    # Along a line across one straight border, white that grows by b shifts the blurred step by b.
    slopes, middle = np.array([[0.1, 0.0], [0.0, 0.1]]), np.array([40.0, 40.0])
    px = np.stack([np.linspace(-4.0, 4.0, 41), np.full(41, 38.0)], axis=1)
    at = _brightness(slopes, px, middle, 1.1)
    # The next edge is 6 px, 5.4 sigma, from the last point: a density of 2e-7 there.
    assert np.abs(at.by_bias[0, :, 0] - np.abs(at.by_u[0, :, 0]) * 0.1).max() < 1e-6
