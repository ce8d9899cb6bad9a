"""The map from pixels to cells against differences, itself inverted, and a lens that bows the edges."""

import numpy as np
import pytest

from calib.tag_cells import TAG_CORNERS
from calib.tag_map import CellMap, map_from_corners

_CORNERS = np.array([[420.0, 310.0], [690.5, 352.0], [655.0, 640.0], [402.0, 570.5]])


@pytest.fixture
def bent() -> CellMap:
    """A large tag near the corner of its picture, bent by all eight terms."""
    plain = map_from_corners(_CORNERS, 1200, 900, 0.1)
    assert plain.unknowns == 16
    bends = np.array([0.004, -0.003, 0.002, -0.001, 0.005, 0.003, 0.04, -0.02])
    return plain.moved(np.concatenate([np.zeros(8), bends]))


def test_map_takes_the_corners_to_the_corners_of_the_tag() -> None:
    # OpenCV solves in single precision for points of about +-1.4: 1e-7 of 8 cells.
    assert (
        np.abs(map_from_corners(_CORNERS, 1200, 900, 0.1).to_cells(_CORNERS.T) - TAG_CORNERS.T).max() < 1e-5
    )


def test_map_of_a_small_tag_has_no_bends() -> None:
    small = (_CORNERS - _CORNERS.mean(axis=0)) / 10 + 450.0
    assert map_from_corners(small, 1200, 900, 0.1).unknowns == 8


def test_map_inverted_comes_back(bent: CellMap) -> None:
    rng = np.random.default_rng(1)
    cells = rng.uniform(-1.0, 9.0, (2, 50))
    assert np.abs(bent.to_cells(bent.to_px(cells)) - cells).max() < 1e-5


def test_map_derivatives_against_differences(bent: CellMap) -> None:
    px = np.random.default_rng(2).uniform(400.0, 650.0, (2, 30))
    mapped = bent.mapped(px)
    ones, zeros = np.ones(30), np.zeros(30)
    by_unknowns = [bent.by_unknowns(mapped, np.stack(unit)) for unit in ((ones, zeros), (zeros, ones))]
    derivatives = np.stack(by_unknowns, axis=1)  # (P, 2, 30)
    step = 1e-6
    for i in range(bent.unknowns):
        one = step * np.eye(bent.unknowns)[i]
        slope = (bent.moved(one).to_cells(px) - bent.moved(-one).to_cells(px)) / (2 * step)
        assert np.abs(derivatives[i] - slope).max() < 1e-6 * max(1.0, np.abs(slope).max())


def test_corner_derivatives_against_differences(bent: CellMap) -> None:
    step = 1e-6
    for i in range(bent.unknowns):
        one = step * np.eye(bent.unknowns)[i]
        slope = (bent.moved(one).corners_px - bent.moved(-one).corners_px).ravel() / (2 * step)
        # The inverse of the bends is iterated four times: 1e-5 of the step is left.
        assert np.abs(bent.corners_by_unknowns[:, i] - slope).max() < 1e-3 * max(1.0, np.abs(slope).max())


def test_map_slopes_against_differences(bent: CellMap) -> None:
    px = np.random.default_rng(3).uniform(400.0, 650.0, (2, 30))
    for axis in (0, 1):
        shift = 1e-3 * np.eye(2)[axis][:, None]
        slope = (bent.to_cells(px + shift) - bent.to_cells(px - shift)) / 2e-3
        assert np.abs(bent.slopes(px)[:, axis] - slope).max() < 1e-7


def test_map_enlarged_keeps_the_corner_of_the_picture_at_minus_a_half(bent: CellMap) -> None:
    # Pixel (0, 0) of half the picture covers pixels 0 and 1: its centre is at 0.5 in the full one.
    px = np.array([[30.0, 0.0], [40.0, 0.0]])
    assert np.allclose(bent.enlarged(2.0).to_cells(2.0 * px + 0.5), bent.to_cells(px), atol=1e-12)
