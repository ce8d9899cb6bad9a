"""Coverage of the picture, against rectangles whose share can be worked out by hand."""

import numpy as np

from calib.coverage import frame_coverage


def _rectangle(left: float, top: float, right: float, bottom: float) -> np.ndarray:
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])


def test_coverage_of_the_whole_picture_misses_nothing():
    coverage = frame_coverage([_rectangle(-0.5, -0.5, 1199.5, 899.5)], 1200, 900)
    assert (coverage.fraction, coverage.missing) == (1.0, ())


def test_coverage_of_the_left_half_misses_the_right_third():
    # The middle third is reached by half: two of its four columns of cells.
    coverage = frame_coverage([_rectangle(-0.5, -0.5, 599.5, 899.5)], 1200, 900)
    assert (coverage.fraction, coverage.missing) == (0.5, ("top right", "right", "bottom right"))


def test_coverage_adds_charts_that_overlap_once():
    charts = [_rectangle(-0.5, -0.5, 799.5, 299.5), _rectangle(399.5, -0.5, 1199.5, 299.5)]
    coverage = frame_coverage(charts, 1200, 900)
    assert coverage.fraction == 1.0 / 3.0
    assert coverage.missing == ("left", "middle", "right", "bottom left", "bottom", "bottom right")
