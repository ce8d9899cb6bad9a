"""Propagation of uncertainty: from the covariance of inputs to that of outputs, and its expansion to 95 %.

One place for the law that every length rests on.
"""

import numpy as np
from numpy.typing import ArrayLike

from calib.camera import Array

# Factor of an expanded uncertainty that holds 95 % of a normal law (k = 2 would hold 95.45 %).
COVERAGE_FACTOR_95 = 1.96


def propagate(jacobian: ArrayLike, cov: ArrayLike) -> Array:
    """Return the covariance of outputs, first order.

    Parameters
    ----------
    jacobian : array_like of shape (Q, N)
        Sensitivity coefficients: derivative of each output by each input.
    cov : array_like of shape (N, N)
        Covariance of the inputs.

    Returns
    -------
    ndarray of shape (Q, Q)
        Covariance of the outputs.

    References
    ----------
    JCGM 100:2008, 5.2.2, Eq. (13); JCGM 102:2011, 6.2.1.3, Eq. (3).
    """
    sensitivity = np.asarray(jacobian, dtype=float)
    result: Array = sensitivity @ np.asarray(cov, dtype=float) @ sensitivity.T
    return result


def standard_uncertainty(gradient: ArrayLike, cov: ArrayLike) -> float:
    """Return the standard uncertainty of one output, gradient of shape (N,), covariance of shape (N, N)."""
    return float(np.sqrt(propagate(np.asarray(gradient, dtype=float)[None, :], cov)[0, 0]))
