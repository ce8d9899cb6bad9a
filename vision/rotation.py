"""Small rotations: vectors to matrices, for poses that are improved step by step."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from calib.camera import Array


def from_vector(vector_rad: ArrayLike) -> Array:
    """Return the matrices exp([w]x), shape (..., 3, 3), of rotation vectors, shape (..., 3), rad."""
    vectors = np.asarray(vector_rad, dtype=float)
    matrices = Rotation.from_rotvec(vectors.reshape(-1, 3)).as_matrix()
    return np.asarray(matrices, dtype=float).reshape(*vectors.shape, 3)


def cross_matrix(vectors: ArrayLike) -> Array:
    """Return the matrices [v]x with [v]x a = v x a, shape (..., 3, 3), of vectors, shape (..., 3)."""
    x, y, z = np.moveaxis(np.asarray(vectors, dtype=float), -1, 0)
    matrices = np.zeros((*x.shape, 3, 3))
    matrices[..., 0, 1], matrices[..., 0, 2], matrices[..., 1, 2] = -z, y, -x
    matrices[..., 1, 0], matrices[..., 2, 0], matrices[..., 2, 1] = z, -y, x
    return matrices


def quarter_turn_matrix(quarter_turns: int) -> Array:
    """Return the turn of camera axes that goes with clockwise quarter turns of the picture, shape (3, 3)."""
    once = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    return np.linalg.matrix_power(once, quarter_turns % 4)
