"""The planes of a house that its photos are turned to face, so that features look alike from all sides.

Frames: world axes, see vision/network.py. A plane's axes are the columns of a rotation: x and y in the plane,
z away from whoever looks at it.
"""

from collections import Counter

import numpy as np

from calib.camera import Array
from vision.network import Network
from vision.tie import Tied

# Planes that differ by less than this show the same features, degrees.
_SAME_PLANE_DEG = 25.0
# More planes cost more time than they add tie points.
_MOST_PLANES = 2
# Whoever takes photos holds the camera level: the vertical is square to all pictures' rows. It is known when
# these point in ways that differ enough (part of the largest eigenvalue).
_LEAST_SPREAD = 0.005
# Depression of the line of sight that a photo of a house from above is taken to have when nothing else is
# known, degrees (common practice, no source).
_DEPRESSION_DEG = 25.0

LEVEL = "level ground"
_FRONT = "upright wall"


def vertical(tied: Tied) -> Array | None:
    """Return the direction that points up in the world.

    Parameters
    ----------
    tied : Tied
        Photos with poses.

    Returns
    -------
    ndarray of shape (3,) or None
        The unit vector most nearly square to all pictures' rows; None where that does not fix it.
    """
    rotations = np.stack([tied.upright_rotation(i) for i in range(len(tied.network.stations))])
    rows = rotations[:, 0]
    values, vectors = np.linalg.eigh(rows.T @ rows)
    if values[1] < _LEAST_SPREAD * values[2]:
        return None
    up = vectors[:, 0]
    return up if float((rotations[:, 1] @ up).sum()) < 0.0 else -up


def planes_to_face(network: Network, up: Array | None) -> dict[str, Array]:
    """Return the axes of the planes that most features are expected on, by name.

    Parameters
    ----------
    network : Network
        With the targets placed.
    up : ndarray of shape (3,) or None
        The vertical.

    Returns
    -------
    dict
        The planes of the targets, most seen first, then the upright wall below the first one; none twice.
    """
    counts = Counter(network.patterns[s.pattern].placement for s in network.pattern_sightings)
    order = sorted(counts, key=lambda i: (-counts[i], network.placements[i].name))
    planes = {network.placements[i].name: network.placements[i].rotation for i in order}
    if up is not None and order:
        across = network.placements[order[0]].rotation[:, 2]
        across = across - up * (across @ up)
        if np.linalg.norm(across) > 0.3:
            planes[_FRONT] = _axes(across, -up)
    kept: dict[str, Array] = {}
    for name, axes in planes.items():
        cosines = [abs(axes[:, 2] @ other[:, 2]) for other in kept.values()]
        if max(cosines, default=0.0) < np.cos(np.radians(_SAME_PLANE_DEG)) and len(kept) < _MOST_PLANES:
            kept[name] = axes
    return kept


def level_plane(up: Array) -> Array:
    """Return the axes of the level ground in the world."""
    helper = np.eye(3)[np.argmin(np.abs(up))]
    return _axes(-up, helper)


def level_plane_unseen(depression_deg: float = _DEPRESSION_DEG) -> Array:
    """Return the level ground's axes in the upright camera axes of a photo of which nothing is known."""
    angle = np.radians(depression_deg)
    down = np.array([0.0, np.cos(angle), np.sin(angle)])
    return _axes(down, np.array([0.0, 0.0, -1.0]))


def _axes(away: Array, along_y: Array) -> Array:
    """Return axes with z along `away` and y as near to `along_y` as can be."""
    z = away / np.linalg.norm(away)
    y = along_y - z * (along_y @ z)
    y /= np.linalg.norm(y)
    return np.column_stack([np.cross(y, z), y, z])
