"""The two ridge ends solved from picks in many photos; picks that cannot be right are left out and named.

Points 0 and 1 of a network with ends are A and B; tie points follow. Frames: see vision/network.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from calib.camera import Array
from calib.errors import GeometryError
from vision.adjust import Solution, adjust
from vision.equations import point_label
from vision.network import Network, PointSighting, SetBack
from vision.picks import ENDS, far_picks, triangulate

# A pick that lowers the sum of squares by more than this when it is left out is a blunder: for a pick of
# normal noise the drop is chi-square of two degrees of freedom, and this has a chance of 1 in 25,000
# (W. Baarda, "A testing procedure for use in geodetic networks", 1968, from memory).
_BLUNDER = 20.25
# Two picks that disagree by more than this are not taken for noise (10 standard deviations).
_CONTRADICTION = 100.0
# More blunders than this part of all picks, or than both ends of one photo, are no blunders but noise.
_MOST_BLUNDERS = 0.25
# Part of a pick's place that others must check for its residual to tell anything.
_LEAST_REDUNDANCY = 1e-4
# Picks that scatter more than chance gives once in a hundred times are taken to be as noisy as they scatter.
_CHANCE = 0.01


@dataclass(frozen=True, eq=False)
class SolvedEnds:
    """Ridge ends in space.

    Attributes
    ----------
    solution : Solution
        The adjusted network with the picks that fit.
    noise_factor : float
        How much more the picks scatter than they were said to; 1 where chance explains it.
    left_out : tuple of PointSighting
        Picks that do not.
    kept : tuple of PointSighting
        Picks that do.
    """

    solution: Solution
    noise_factor: float
    left_out: tuple[PointSighting, ...]
    kept: tuple[PointSighting, ...]


def with_ends(
    network: Network, points_mm: Array, picks: Sequence[PointSighting], set_back: SetBack | None = None
) -> Network:
    """Return a network of photos and tie points with the ridge ends added before the tie points.

    Parameters
    ----------
    network : Network
        Its points are tie points only.
    points_mm : ndarray of shape (2, 3)
        Where A and B are about, world mm.
    picks : sequence of PointSighting
        Sightings of point 0 (A) and point 1 (B).
    set_back : SetBack, optional
        A plane that they lie on.
    """
    moved = (replace(s, point=s.point + len(ENDS)) for s in network.point_sightings)
    return replace(
        network,
        points_mm=np.concatenate([points_mm, network.points_mm]),
        point_sightings=(*picks, *moved),
        set_back=set_back,
        set_back_depth_mm=0.0 if set_back is None else set_back.depth_mm,
    )


def solve_ends(network: Network, picks: Sequence[PointSighting]) -> SolvedEnds:
    """Solve the ridge ends free in space, each seen in two photos or more.

    Parameters
    ----------
    network : Network
        Photos, adjusted, with their tie points.
    picks : sequence of PointSighting
        Sightings of point 0 (A) and point 1 (B).

    Returns
    -------
    SolvedEnds
        The solution without the picks that cannot be right.

    Raises
    ------
    GeometryError
        If the lines of sight do not meet, or contradict each other with nothing to tell which is wrong.
    """
    far = far_picks(network, picks)
    near = [pick for pick in picks if pick not in far]
    kept, left_out = list(near), list(far)
    while True:
        solution = _solve(network, kept)
        drops = cost_drops(solution, kept)
        worst = kept[int(np.argmax(drops))]
        if drops.max() < _BLUNDER:
            break
        others = [pick for pick in kept if pick.point == worst.point]
        if len(others) < 3:
            if drops.max() > _CONTRADICTION:
                raise GeometryError(_contradiction(network, others))
            break
        if len(near) - len(kept) >= max(len(ENDS), _MOST_BLUNDERS * len(near)):
            # So many do not slip: all of them are worse than they were said to be.
            solution, kept, left_out = _solve(network, near), near, list(far)
            break
        left_out.append(worst)
        kept.remove(worst)
    return SolvedEnds(*_with_honest_noise(solution, kept), tuple(left_out), tuple(kept))


def _contradiction(network: Network, picks: Sequence[PointSighting]) -> str:
    names = " and ".join(sorted(network.stations[pick.station].name for pick in picks))
    return (
        f"the picks of end {ENDS[picks[0].point].upper()} in {names} contradict each other, and nothing "
        "tells which is wrong: are the ends swapped in one of them, or was the target moved? check both, or "
        "pick that end in a third photo"
    )


def _solve(network: Network, picks: Sequence[PointSighting]) -> Solution:
    for i, end in enumerate(ENDS):
        if sum(pick.point == i for pick in picks) < 2:
            msg = f"end {end.upper()} is left with too few picks that fit: pick it in one more photo"
            raise GeometryError(msg)
    points = [triangulate(network, [pick for pick in picks if pick.point == i]) for i in range(len(ENDS))]
    return adjust(with_ends(network, np.array(points), picks))


def length_of(solution: Solution) -> tuple[float, Array]:
    """Return the ridge length, mm, and its derivative by the unknowns, shape (N,)."""
    step = solution.network.points_mm[1] - solution.network.points_mm[0]
    length_mm = float(np.linalg.norm(step))
    gradient = np.zeros(solution.layout.size)
    gradient[solution.layout.point(0)] = -step / length_mm
    gradient[solution.layout.point(1)] = step / length_mm
    return length_mm, gradient


def cost_drops(solution: Solution, picks: Sequence[PointSighting]) -> Array:
    """Return by how much the sum of squares would drop without each pick, shape (N,).

    Notes
    -----
    With the residuals r of a pick's rows J and the normal matrix N, the drop is
    ``r^T (1 - J N^-1 J^T)^-1 r``. In a direction that nothing else checks both factors vanish; it counts
    for nothing.
    """
    residuals, unchecked = _pick_rows(solution, picks)
    drops = np.zeros(len(picks))
    for i, (residual, hat) in enumerate(zip(residuals, unchecked, strict=True)):
        values, vectors = np.linalg.eigh(np.eye(2) - hat)
        is_checked = values > _LEAST_REDUNDANCY
        drops[i] = np.sum((vectors.T @ residual)[is_checked] ** 2 / values[is_checked])
    return drops


def _pick_rows(solution: Solution, picks: Sequence[PointSighting]) -> tuple[Array, Array]:
    """Return residuals of picks, shape (N, 2), and their own part in their computed places, (N, 2, 2)."""
    labels = np.array(solution.equations.labels)
    rows = [np.flatnonzero(labels == point_label(solution.network, pick)) for pick in picks]
    jacobian = solution.equations.jacobian[np.concatenate(rows)].toarray()
    hat = solution.covariance(jacobian) / solution.variance_factor
    own = np.stack([hat[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(len(picks))])
    return solution.equations.residuals[np.stack(rows)], own


def _with_honest_noise(solution: Solution, picks: Sequence[PointSighting]) -> tuple[Solution, float]:
    """Enlarge the picks' noise where they scatter more than they should; return also by which factor."""
    residuals, own = _pick_rows(solution, picks)
    squares = float(np.square(residuals).sum())
    freedom = 2.0 * len(picks) - float(np.trace(own, axis1=1, axis2=2).sum())
    if freedom < 1.0 or special.chdtrc(freedom, squares) > _CHANCE:
        return solution, 1.0
    factor = float(np.sqrt(squares / freedom))
    noisier = tuple(
        s if s.is_tie else replace(s, sigma_px=s.sigma_px * factor) for s in solution.network.point_sightings
    )
    return adjust(replace(solution.network, point_sightings=noisier)), factor
