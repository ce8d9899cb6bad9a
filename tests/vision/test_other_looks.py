"""Heads in close-ups of other looks: 20 path-traced photos that nothing was chosen or trained on.

They and their exact truth came of `tests/renderings/render.py tests/renderings/close_ups 7200 7220`.
"""

from pathlib import Path

import numpy as np
import pytest

from tests.measure_rivets import OURS, Case, Score, load_cases, scored

CLOSE_UPS = Path(__file__).resolve().parents[1] / "renderings" / "close_ups"


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    return list(load_cases(CLOSE_UPS))


@pytest.fixture(scope="module")
def ours(cases: list[Case]) -> list[Score]:
    return [scored(case, OURS) for case in cases]


def _errors(scores: list[Score]) -> int:
    return sum(len(score.missed) + len(score.false_px) for score in scores)


def test_most_heads_of_other_looks_are_found_and_little_else(ours: list[Score]) -> None:
    hit, missed = sum(len(score.hit) for score in ours), sum(len(score.missed) for score in ours)
    false = sum(len(score.false_px) for score in ours)
    assert hit + missed == 173
    assert hit / (hit + missed) >= 0.96
    assert hit / (hit + false) >= 0.92


def test_centres_of_heads_of_other_looks_agree_with_their_truth(ours: list[Score]) -> None:
    errors = np.array([error for score in ours for error in score.error_px.values()])
    assert np.sqrt((errors**2).sum(axis=1).mean()) <= 0.6
    chi2 = np.array([value for score in ours for value in score.chi2])
    # 95 % of a chi-squared variable of two degrees of freedom lie below 5.99 (NIST handbook, 1.3.6.7.4).
    assert 0.93 <= np.mean(chi2 < 5.99) <= 0.98


def test_best_plain_detector_errs_four_times_as_often(cases: list[Case], ours: list[Score]) -> None:
    assert _errors([scored(case, "HoughCircles") for case in cases]) >= 4 * _errors(ours)
