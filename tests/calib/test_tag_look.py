"""What a camera shows of a tag: derivatives against differences, the apparent bias against a drawn edge."""

import numpy as np
import pytest

from calib.tag_look import Look, show, show_plain
from calib.tag_map import CellMap, map_from_corners
from calib.tag_pixels import patch_px, sample_patch, sample_profiles

_CORNERS = np.array([[22.0, 14.0], [98.5, 19.0], [90.0, 97.0], [15.0, 88.5]])
_LOOK = Look(bias_px=0.05, ln_blur=np.log(0.8), halo=0.6, black_part=0.3)


@pytest.fixture(params=[False, True], ids=["profiles", "whole"])
def samples(request: pytest.FixtureRequest) -> tuple:
    picture = np.zeros((110, 120), np.uint8)
    cell_map = map_from_corners(_CORNERS, 120, 110, 1e9)
    if request.param:
        patch = patch_px(cell_map, picture.shape)
        return sample_patch(picture, patch, cell_map, cell_map.cell_px), cell_map
    return sample_profiles(picture, 19, cell_map, cell_map.cell_px), cell_map


def _value(samples: object, cell_map: CellMap, look: Look) -> np.ndarray:
    return show(samples, 19, cell_map, look).value


def test_picture_derivatives_by_the_map_against_differences(samples: tuple) -> None:
    pixels, cell_map = samples
    # Without edge bias, whose own slope is left out of the derivatives on purpose (it is small and steep).
    look = Look(ln_blur=np.log(0.8), halo=0.6, black_part=0.3)
    columns = show(pixels, 19, cell_map, look).columns
    step = 1e-6
    for i in range(8):
        one = step * np.eye(8)[i]
        ahead, behind = (_value(pixels, cell_map.moved(sign * one), look) for sign in (1, -1))
        slope = (ahead - behind) / (2 * step)
        # The widths of the cells change with the map as well, to second order in the skew of the drawn tag.
        assert np.abs(columns[i] - slope).max() < 0.03 * np.abs(slope).max()


def test_picture_derivatives_by_the_look_against_differences(samples: tuple) -> None:
    pixels, cell_map = samples
    columns = show(pixels, 19, cell_map, _LOOK).columns
    step = 1e-5
    # The edge bias enters as a slope: its own change with the blur (bias 0.05 px of 0.8) is left out.
    for i, part in ((0, 1e-3), (1, 0.15), (2, 1e-3)):
        one = step * np.eye(3)[i]
        ahead, behind = (
            _value(pixels, cell_map, _LOOK.stepped(sign * one, _LOOK.black_part)) for sign in (1, -1)
        )
        slope = (ahead - behind) / (2 * step)
        assert np.abs(columns[8 + i] - slope).max() < part * np.abs(slope).max()


def test_profiles_run_over_whole_pixels_across_their_edge() -> None:
    cell_map = map_from_corners(_CORNERS, 120, 110, 1e9)
    pixels = sample_profiles(np.zeros((110, 120), np.uint8), 19, cell_map, cell_map.cell_px)
    assert np.array_equal(pixels.px, np.rint(pixels.px))
    steps = np.abs(np.diff(pixels.px, axis=1))
    assert np.all(np.sort(steps, axis=0) == np.array([0.0, 1.0])[:, None, None])
    # The middle pixel lies within half a pixel of the edge along the profile; slopes change by 1e-3 in that.
    along = steps[:, 0]
    from_lines = cell_map.to_cells(pixels.px[:, 4]) - pixels.line % 9
    is_u = pixels.line[0] < 9
    off_cells = np.where(is_u, from_lines[0], from_lines[1])
    cells_per_px = np.sum(np.where(is_u, pixels.slopes[0, :, 0], pixels.slopes[1, :, 0]) * along, axis=0)
    assert np.abs(off_cells / cells_per_px).max() <= 0.5 + 1e-3


def test_plain_value_is_that_of_the_fit(samples: tuple) -> None:
    pixels, cell_map = samples
    look = Look().with_blur(1.3)
    value = show_plain(pixels, 19, cell_map.to_cells(pixels.px), look)
    assert np.array_equal(value, show(pixels, 19, cell_map, look).value)


@pytest.mark.parametrize("tone_power", [1.0, 0.6, 0.45])
def test_apparent_bias_is_where_the_toned_edge_is_half_way(tone_power: float) -> None:
    look = Look(bias_px=0.1, ln_blur=np.log(0.9), black_part=0.3, tone_power=tone_power)
    distance = np.linspace(-6.0, 6.0, 120001)  # px towards white
    blurred = np.cumsum(np.exp(-0.5 * ((distance + 0.1) / 0.9) ** 2))
    light_black = 0.3 ** (1 / tone_power)
    shown = (light_black + (1 - light_black) * blurred / blurred[-1]) ** tone_power
    half_way = np.interp(0.65, shown, distance)  # black 0.3, white 1
    # White has grown by the bias: the drawn edge lies at -0.1; steps are 1e-4 px.
    assert look.apparent_bias_px() == pytest.approx(-half_way, abs=2e-4)
