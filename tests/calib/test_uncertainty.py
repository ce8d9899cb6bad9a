"""Propagation against worked examples of JCGM 100 and against the `uncertainties` package."""

import math

import numpy as np
import pytest
import uncertainties
import uncertainties.umath

from calib.uncertainty import COVERAGE_FACTOR_95, propagate, standard_uncertainty

# JCGM 100:2008, H.2, Table H.2: five simultaneous readings of V (volt), I (mA) and phase (rad).
READINGS = np.array(
    [
        [5.007, 19.663, 1.0456],
        [4.994, 19.639, 1.0438],
        [5.005, 19.640, 1.0468],
        [4.990, 19.685, 1.0428],
        [4.999, 19.678, 1.0433],
    ]
) * (1.0, 1e-3, 1.0)


def _impedance() -> tuple[np.ndarray, np.ndarray]:
    volt, ampere, phase = READINGS.mean(axis=0)
    ratio = volt / ampere
    sine, cosine = math.sin(phase), math.cos(phase)
    values = np.array([ratio * cosine, ratio * sine, ratio])
    jacobian = np.array(
        [
            [cosine / ampere, -ratio * cosine / ampere, -ratio * sine],
            [sine / ampere, -ratio * sine / ampere, ratio * cosine],
            [1.0 / ampere, -ratio / ampere, 0.0],
        ]
    )
    return values, propagate(jacobian, np.cov(READINGS.T) / len(READINGS))


def test_propagate_correlated_inputs_gives_the_values_of_gum_h2():
    # JCGM 100:2008, Table H.4: R, X, Z and their standard uncertainties, ohm. The table was worked with
    # rounded inputs; unrounded, u(X) is 0.2956, so that its last digit is allowed to differ by one.
    values, cov = _impedance()
    assert np.round(values, 3) == pytest.approx([127.732, 219.847, 254.260])
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)


def test_propagate_correlated_inputs_gives_the_correlations_of_gum_h2():
    # JCGM 100:2008, Table H.4: r(R, X), r(R, Z), r(X, Z).
    _, cov = _impedance()
    u = np.sqrt(np.diag(cov))
    correlation = cov / np.outer(u, u)
    assert np.round(correlation[[0, 0, 1], [1, 2, 2]], 3) == pytest.approx([-0.588, -0.485, 0.993])


def test_standard_uncertainty_of_the_end_gauge_of_gum_h1():
    # JCGM 100:2008, H.1: contributions 25, 16.6 (temperature), 9.7 and 2.9 nm; u_c = 32 nm (31.7 unrounded).
    ls_nm, theta, u_dalpha, u_dtheta, alpha = 50_000_623.0, -0.1, 0.58e-6, 0.029, 11.5e-6
    gradient = [1.0, 1.0, -ls_nm * theta, -ls_nm * alpha]
    cov = np.diag([25.0**2, 9.7**2, u_dalpha**2, u_dtheta**2])
    assert standard_uncertainty(gradient, cov) == pytest.approx(31.7, abs=0.05)


def test_propagate_distance_agrees_with_the_uncertainties_package():
    rng = np.random.default_rng(3)
    root = rng.normal(size=(4, 4))
    cov, means = root @ root.T * 0.01, [1.5, -0.7, 4.1, 2.9]
    x0, y0, x1, y1 = uncertainties.correlated_values(means, cov)
    expected = uncertainties.umath.hypot(x1 - x0, y1 - y0)
    step = np.array([means[2] - means[0], means[3] - means[1]])
    direction = step / np.hypot(*step)
    got = standard_uncertainty(np.concatenate([-direction, direction]), cov)
    assert got == pytest.approx(expected.std_dev, rel=1e-9)


def test_coverage_factor_is_that_of_a_normal_law():
    # Standard normal law: P(|z| <= k) = erf(k / sqrt 2).
    assert math.erf(COVERAGE_FACTOR_95 / math.sqrt(2.0)) == pytest.approx(0.95, abs=5e-5)
