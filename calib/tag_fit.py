"""Corners of one tag to a small part of a pixel: its known cells, blurred and toned, fitted to the picture.

All edges between its cells take part, so that the bias that bloom and tone curve give to every edge (black
seems smaller) is told from the tag's size. Frames: px of the full picture; cells as in `calib.tag_cells`.
Samples are the last two axes of an array, (..., Q, M), as in `calib.tag_pixels`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from math import exp, pi

import numpy as np
from numpy.typing import NDArray

from calib.tag_cells import LINES, TAG_CORNERS
from calib.tag_levels import MeshLevels, ProfileLevels, median, summed_products
from calib.tag_look import LOOK_UNKNOWNS, Look, Picture, show, show_plain
from calib.tag_map import HOMOGRAPHY_UNKNOWNS, CellMap, map_from_corners
from calib.tag_pixels import Samples, patch_px, sample_patch, sample_profiles

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
Flags = NDArray[np.bool_]
Labels = NDArray[np.intp]

# Blurs tried before anything moves; one wider than this part of a cell leaves nothing to read.
_BLUR_STARTS_PX, _MOST_BLUR_CELLS = (0.5, 1.0, 1.8, 3.0), 0.45
# Below this cell width, or above this blur in cells, all pixels of a tag are fitted at once, since the blur
# reaches from edge to edge; else profiles across the edges.
_WHOLE_BELOW_PX, _MINGLING_CELLS = 4.0, 0.25
# A fit starts at a level where the corners are off by this at most, unless its cells get too small.
_START_PX, _START_CELL_PX = 2.0, 4.5
# A level shows all there is when the blur is above the first value; below the second a finer one shows more.
_BLUNT_PX, _SHARP_PX, _LEAST_BLUNT_CELL_PX = 1.25, 0.6, 4.0
# Bends are left out when a lens would hardly bow the edges by more than this.
_BEND_SAG_PX = 0.1
_MOST_ITERATIONS = 12
# Solutions of one step, each weighted by the last one; fewer while the corners are far off.
_REWEIGHTINGS, _ROUGH_REWEIGHTINGS = 3, 2
# Every fourth profile will do until the corners move by less than this; the fit ends when they stand still.
_FAR_STRIDE, _NEAR_PX = 4, 0.5
_STILL_PX = 0.03
# A border line is taken for that of something else when without it the corners move by more than so many
# standard deviations, and by more than this; at most so many of the four are left out.
_BORDER_LINES, _MOST_COVERED_SIDES = (0, LINES - 1, LINES, 2 * LINES - 1), 2
_COVERED_SIGMA, _COVERED_PX = 6.0, 0.2
# A step by more than this part of half a side has lost the tag.
_FARTHEST_STEP = 0.5
# Pixels that have to take part; a tenth of them would already outnumber the unknowns.
_LEAST_SAMPLES = 120
# Tukey's biweight at 95 % efficiency (Huber & Ronchetti, Robust Statistics, 2nd ed. 2009, section 4.8), for
# places of edges; wider for grey values, which are not normal; for the unlikeness of a profile, by trial.
_BIWEIGHT, _BIWEIGHT_PIXEL, _BIWEIGHT_PROFILE = 4.685, 6.0, 4.0
# Median absolute deviation of a normal law to its standard deviation.
_MAD_TO_SIGMA = 1.4826
# An edge with less weight than this is not where the fit says.
_LEAST_WEIGHT = 0.1
# Variance of a grey value at least: half a level.
_LEAST_VARIANCE = 0.25
# A profile counts when its step from black to white is within these factors of the tag's own.
_CONTRAST_RANGE = (0.35, 2.5)
# Sampling by pixels leaves a sharp edge's place doubtful: amplitude times the strength of the alias of a
# Gaussian blur at one cycle per pixel. The amplitude is fitted on the rendered photos.
_ALIAS_PX, _U_FLOOR_PX = 0.15, 0.005
# Part of the blur by which uneven light may move an edge; found by trial on shades and glare.
_LIGHT_PART = 0.15


@dataclass(frozen=True, eq=False)
class TagFit:
    """A tag's corners after the fit, and how well its cells agree with the picture.

    Attributes
    ----------
    corners_px : ndarray of shape (4, 2)
        Corners of the black square, px.
    cov_px2 : ndarray of shape (8, 8)
        Their covariance, px^2.
    edge_bias_px, u_edge_bias_px : float
        How far black edges lay inside, already taken out, and its standard uncertainty.
    bias_direction : ndarray of shape (4, 2)
        Derivative of the corners by an edge bias that is left, px per px.
    blur_px : float
        Standard deviation of the blur, px.
    agreement : float
        Correlation of the picture with the fitted cells, at most 1.
    seen_fraction : float
        Part of the edges that the fit could use.
    inner_fraction : float
        Part of the edges between cells, the border left out, that lie where the fit says.
    """

    corners_px: Array
    cov_px2: Array
    edge_bias_px: float
    u_edge_bias_px: float
    bias_direction: Array
    blur_px: float
    agreement: float
    seen_fraction: float
    inner_fraction: float


@dataclass(frozen=True, eq=False)
class _Equations:
    """Residuals and derivatives in grey levels, with the local black and white taken out."""

    residual: Array  # (Q, M)
    jacobian: Array  # (P, Q, M)
    across: Array  # (Q, M)
    used: Flags  # (Q, M)
    levels: ProfileLevels | MeshLevels


@dataclass(frozen=True, eq=False)
class _Solution:
    """One weighted step and what its covariance needs."""

    step: Array  # (P,)
    residual: Array  # (Q, M)
    weight: Array  # (Q, M)
    information: Array  # (P, P), of the data alone, in grey levels squared
    variance: float
    prior_weight: Array  # (P,)


@dataclass(frozen=True, eq=False)
class _State:
    """Where the fit of one level stands."""

    cell_map: CellMap
    look: Look
    samples: Samples
    shown: Picture
    equations: _Equations
    solution: _Solution


def fit_tag(
    pyramid: Sequence[Grey], tag_id: int, corners_px: Array, u_corners_px: float = 1.0
) -> TagFit | None:
    """Fit the cells of a tag to the picture.

    Parameters
    ----------
    pyramid : sequence of ndarray of shape (H / 2^n, W / 2^n)
        The picture, then each time half of it.
    tag_id : int
        Which tag it is.
    corners_px : ndarray of shape (4, 2)
        Rough corners in the full picture.
    u_corners_px : float
        How good they are, px; the fit starts where that is a pixel or so, and the cells are still large.

    Returns
    -------
    TagFit or None
        None if nothing like the tag is there.

    Notes
    -----
    Least squares over grey levels by Gauss-Newton steps: homography (and bends when the tag is large), edge
    bias, blur and halo of sharpening for the tag; black and white levels for each profile across an edge, so
    that shade and glare do not move it. Biweight on what disagrees. The covariance is enlarged by the scatter
    of whole edges and whole lines of edges, since neighbouring pixels err together; it holds the doubt of the
    tone curve and of the sampling by pixels.
    """
    height, width = pyramid[0].shape
    try:
        # A fit that runs away may overflow or divide by zero; it is then found out by its numbers.
        with np.errstate(all="ignore"):
            cell_map = map_from_corners(corners_px, width, height, _BEND_SAG_PX)
            return _fit_pyramid(pyramid, tag_id, cell_map, u_corners_px)
    except np.linalg.LinAlgError:
        return None


def _fit_pyramid(
    pyramid: Sequence[Grey], tag_id: int, cell_map: CellMap, u_corners_px: float
) -> TagFit | None:
    """Start where the corners are good to a pixel or so, go on to the level that shows all there is."""
    level = _start_level(cell_map.cell_px, u_corners_px, len(pyramid))
    cell_map, look, step = cell_map.enlarged(0.5**level), None, 0
    while True:
        # Once it went to a finer level it does not come back.
        coarsest = level if step < 0 else len(pyramid) - 1
        leave = partial(_better_level, level=level, coarsest=coarsest)
        state = _fit_level(pyramid[level], tag_id, cell_map, look, leave)
        if state is None:
            return None
        if not (step := leave(state)):
            break
        level += step
        cell_map, look = state.cell_map.enlarged(0.5**step), state.look.enlarged(0.5**step)
    if not state.samples.is_whole and _edges_mingle(state):
        state = _fit_level(pyramid[level], tag_id, state.cell_map, is_whole=True)
    return None if state is None else _result(state, 2.0**level)


def _start_level(cell_px: float, u_corners_px: float, levels: int) -> int:
    level = 0
    while level + 1 < levels and u_corners_px > _START_PX and cell_px >= 2.0 * _START_CELL_PX:
        u_corners_px *= 0.5
        cell_px *= 0.5
        level += 1
    return level


def _better_level(state: _State, level: int, coarsest: int) -> int:
    """Return the step to a level that shows the tag better: 1 coarser, -1 finer, 0 if this one is best.

    Half the picture will do where it shows all there is, at cells still large enough to be told apart.
    """
    if level < coarsest and state.look.blur_px > _BLUNT_PX and state.cell_map.cell_px > _LEAST_BLUNT_CELL_PX:
        return 1
    return -1 if level > 0 and state.look.blur_px < _SHARP_PX else 0


def _edges_mingle(state: _State) -> bool:
    """Say whether the blur reaches from edge to edge, so that profiles across single edges do not do."""
    return state.look.blur_px > _MINGLING_CELLS * state.cell_map.cell_px


def _fit_level(
    picture: Grey,
    tag_id: int,
    cell_map: CellMap,
    start: Look | None = None,
    leave: Callable[[_State], int] = lambda _: 0,
    is_whole: bool = False,
) -> _State | None:
    """Iterate on one level of the pyramid; None when the tag leaves the picture or the fit runs away.

    It ends early where the corners are good enough to go on at the other level that `leave` asks for.
    """
    cell_px = cell_map.cell_px
    is_whole = is_whole or cell_px < _WHOLE_BELOW_PX
    patch = patch_px(cell_map, picture.shape) if is_whole else None
    look, prior, weight = start or Look(), None, None
    # A look is given by another level, which left the corners near enough.
    moved_px = 0.0 if start else np.inf
    covered: list[int] = []
    for _ in range(_MOST_ITERATIONS):
        is_rough = moved_px > _NEAR_PX and not is_whole
        samples = _take(picture, tag_id, cell_map, cell_px, patch, is_rough).without(covered)
        if samples.usable.sum() < _LEAST_SAMPLES:
            return None
        if prior is None:
            look = start or look.with_blur(_start_blur(samples, tag_id, cell_map, look))
            prior = _prior(cell_map, look)
        state = _stepped(samples, tag_id, cell_map, look, prior, weight, is_rough)
        if state is None:
            return None
        moved_px = float(np.abs(state.cell_map.corners_px - cell_map.corners_px).max())
        if not moved_px < _FARTHEST_STEP * cell_map.scale_px:  # also when it is not a number
            return None
        cell_map, look = state.cell_map, state.look
        weight = state.solution.weight if is_whole else None
        if is_rough and moved_px < _NEAR_PX and leave(state):
            break
        if moved_px < _STILL_PX and not is_rough:
            side = _covered_side(state)
            if side is None or len(covered) == _MOST_COVERED_SIDES:
                break
            covered.append(side)
    return state


def _take(
    picture: Grey, tag_id: int, cell_map: CellMap, cell_px: float, patch: Array | None, is_rough: bool
) -> Samples:
    """Take the pixels of the whole tag where a patch is given, else those of profiles across its edges."""
    if patch is None:
        return sample_profiles(picture, tag_id, cell_map, cell_px, _FAR_STRIDE if is_rough else 1)
    return sample_patch(picture, patch, cell_map, cell_px)


def _stepped(
    samples: Samples,
    tag_id: int,
    cell_map: CellMap,
    look: Look,
    prior: tuple[Array, Array],
    weight: Array | None,
    is_rough: bool,
) -> _State | None:
    """Return map and look after a step of Gauss and Newton, with what led to it; None with too few pixels."""
    shown = show(samples, tag_id, cell_map, look)
    equations = _equations(samples, shown, cell_map, look, weight)
    if equations.used.sum() < _LEAST_SAMPLES:
        return None
    reweightings = _ROUGH_REWEIGHTINGS if is_rough else _REWEIGHTINGS
    solution = _solve(samples, equations, *_prior_terms(prior, cell_map, look), reweightings)
    return _State(
        cell_map.moved(solution.step[:-LOOK_UNKNOWNS]),
        look.stepped(
            solution.step[-LOOK_UNKNOWNS:], equations.levels.black / max(equations.levels.white, 1.0)
        ),
        samples,
        shown,
        equations,
        solution,
    )


def _covered_side(state: _State) -> int | None:
    """Return the border line whose edges tell of another place than all the others do, if there is one.

    Something that covers a whole side has a straight edge of its own, which the fit would take for the tag's.
    """
    samples, solution = state.samples, state.solution
    stiff = solution.information + solution.variance * np.diag(solution.prior_weight)
    whole_cov = np.linalg.inv(stiff)
    by_unknowns = _corners_by_unknowns(state.cell_map)
    worst, worst_line = 1.0, None
    for line in _BORDER_LINES:
        near = np.any(samples.line == line, axis=0)  # groups that tell of this line
        jacobian = state.equations.jacobian[..., near]
        weighted = jacobian * (solution.weight * (samples.line == line))[:, near]
        own = summed_products(weighted, jacobian)
        pull = summed_products(weighted, solution.residual[None, :, near])[:, 0]
        cov = np.linalg.inv(stiff - own)
        shift_px = by_unknowns @ (cov @ pull)
        variance = solution.variance * np.einsum("cp,pq,cq->c", by_unknowns, cov - whole_cov, by_unknowns)
        limit_px = np.maximum(_COVERED_SIGMA * np.sqrt(np.maximum(variance, 0.0)), _COVERED_PX)
        excess = float(np.max(np.abs(shift_px) / limit_px))
        if excess > worst:
            worst, worst_line = excess, line
    return worst_line


def _start_blur(samples: Samples, tag_id: int, cell_map: CellMap, look: Look) -> float:
    """Return the blur that fits best before anything moves, px."""
    cells = cell_map.to_cells(samples.px)

    def misfit(start: Look) -> float:
        levels, used = _levels(samples, show_plain(samples, tag_id, cells, start), cell_map, start, None)
        return float(np.sum((levels.without(samples.grey[None])[0] * used) ** 2))

    best_px, least = _BLUR_STARTS_PX[0], np.inf
    for start_px in _BLUR_STARTS_PX:
        most_px = _MOST_BLUR_CELLS * samples.cell_px
        if start_px > most_px or (now := misfit(look.with_blur(start_px))) > least:
            break
        best_px, least = start_px, now
    return best_px


def _equations(
    samples: Samples, shown: Picture, cell_map: CellMap, look: Look, weight: Array | None
) -> _Equations:
    """Take the levels of black and white out of grey values and model."""
    levels, used = _levels(samples, shown.value, cell_map, look, weight)
    columns = levels.without(shown.columns * levels.contrast)
    residual = levels.without(samples.grey[None])[0] * used
    return _Equations(residual, columns[:-1], columns[-1], used, levels)


def _levels(
    samples: Samples, value: Array, cell_map: CellMap, look: Look, weight: Array | None
) -> tuple[ProfileLevels | MeshLevels, Flags]:
    """Return black and white, by profile or over a coarse mesh, and the pixels where they are likely."""
    if samples.is_whole:
        usable = samples.usable.astype(float) if weight is None else samples.usable * weight
        mesh = MeshLevels.fitted(samples, value, cell_map, look.blur_px, usable)
        return mesh, samples.usable & (mesh.contrast > 0.0)
    levels = ProfileLevels.fitted(samples, value)
    contrast = levels.contrast
    lowest, highest = (part * median(contrast[:, samples.usable[0]]) for part in _CONTRAST_RANGE)
    return levels, samples.usable & (contrast > max(lowest, 0.0)) & (contrast < highest)


def _prior(cell_map: CellMap, look: Look) -> tuple[Array, Array]:
    """Return what is known of the unknowns before the fit: mean and standard deviation, shape (P,)."""
    look_mean, look_sigma = look.prior()
    mean = np.concatenate([np.zeros(cell_map.unknowns), look_mean])
    sigma = np.concatenate([np.full(HOMOGRAPHY_UNKNOWNS, np.inf), cell_map.bend_sigmas(), look_sigma])
    return mean, sigma


def _solve(
    samples: Samples, equations: _Equations, prior_weight: Array, prior_gap: Array, reweightings: int
) -> _Solution:
    """Solve for one step; give less weight to what disagrees, be it whole profiles or single pixels."""
    jacobian, used = equations.jacobian, equations.used
    weight = used.astype(float)
    variance = _typical_variance(samples, equations, equations.residual)
    for _ in range(reweightings):
        weighted = jacobian * weight
        information = summed_products(weighted, jacobian)
        pull = summed_products(weighted, equations.residual[None])[:, 0]
        pull += variance * prior_weight * prior_gap
        step = _solve_scaled(information + variance * np.diag(prior_weight), pull)
        residual = equations.residual - step @ np.swapaxes(jacobian, 0, 1)
        variance = _typical_variance(samples, equations, residual)
        if samples.is_whole:
            weight = used * _biweight(residual / np.sqrt(variance), _BIWEIGHT_PIXEL)
        else:
            weight = used * _profile_weight(equations, residual, variance)
    return _Solution(step, residual, weight, information, variance, prior_weight)


def _solve_scaled(matrix: Array, right: Array) -> Array:
    """Solve with all unknowns brought to one scale, since theirs differ by powers of ten."""
    scale = 1.0 / np.sqrt(np.diag(matrix) + 1e-12)
    return np.asarray(scale * np.linalg.solve(matrix * scale * scale[:, None], scale * right))


def _typical_variance(samples: Samples, equations: _Equations, residual: Array) -> float:
    """Return the variance of a grey value, not misled by a few that disagree."""
    if samples.is_whole:
        return (_MAD_TO_SIGMA * median(np.abs(residual[equations.used]))) ** 2 + _LEAST_VARIANCE
    degrees = len(residual) - equations.levels.count
    squares = _over_profile(residual, residual)[equations.used[0]]
    # The median of chi-square is about its degrees of freedom less 2/3 (Wilson and Hilferty, 1931).
    return median(squares) / (degrees - 2.0 / 3.0) + _LEAST_VARIANCE


def _profile_weight(equations: _Equations, residual: Array, variance: float) -> Array:
    """Weight profiles by how far their own edge lies off the fit, and by how unlike an edge they are."""
    across, kept = equations.across, equations.used[0]
    strength = _over_profile(across, across) + 1e-9
    offset_px = -_over_profile(across, residual) / strength
    deviate = offset_px / np.sqrt(variance / strength + 1e-4)
    spread = max(_MAD_TO_SIGMA * median(np.abs(deviate[kept])), 0.3)
    unlike = _over_profile(residual, residual) / (len(residual) - equations.levels.count) / variance
    return _biweight(deviate / spread, _BIWEIGHT) * _biweight(np.sqrt(unlike), _BIWEIGHT_PROFILE)


def _over_profile(left: Array, right: Array) -> Array:
    """Return the sums of products, (M,), over the pixels of each profile."""
    return np.asarray(np.einsum("qm,qm->m", left, right))


def _biweight(deviate: Array, limit: float) -> Array:
    square = (deviate / limit) ** 2
    return np.where(square < 1.0, (1.0 - square) ** 2, 0.0)


def _result(state: _State, px_per_px: float) -> TagFit:
    """Bring one level's fit into px of the full picture, with covariance and bias direction."""
    corners = state.cell_map.corners_px
    by_unknowns = _corners_by_unknowns(state.cell_map)
    cov, by_tone = _unknowns_cov(state)
    cov_px2 = by_unknowns @ (cov + np.outer(by_tone, by_tone)) @ by_unknowns.T
    agreement = _agreement(state)
    cov_px2 += (_sampling_variance_px2(state.look) + _light_variance_px2(state.look, agreement)) * np.eye(8)
    return TagFit(
        (corners + 0.5) * px_per_px - 0.5,
        cov_px2 * px_per_px**2,
        state.look.apparent_bias_px() * px_per_px,
        float(np.sqrt(cov[-3, -3])) * px_per_px,
        _bias_direction(state.cell_map.corner_slopes),
        state.look.blur_px * px_per_px,
        agreement,
        float(state.solution.weight[state.samples.usable].mean()),
        _inner_fraction(state),
    )


def _inner_fraction(state: _State) -> float:
    inner = state.samples.usable & ~np.isin(state.samples.line, _BORDER_LINES)
    return float(np.mean(state.solution.weight[inner] > _LEAST_WEIGHT))


def _corners_by_unknowns(cell_map: CellMap) -> Array:
    """Return the derivative of the corners by all unknowns, shape (8, P); the look does not move them."""
    return np.pad(cell_map.corners_by_unknowns, ((0, 0), (0, LOOK_UNKNOWNS)))


def _prior_terms(prior: tuple[Array, Array], cell_map: CellMap, look: Look) -> tuple[Array, Array]:
    """Return the weights of the prior, and how far the unknowns stand below its mean, shape (P,) each."""
    mean, sigma = prior
    now = np.concatenate([np.zeros(HOMOGRAPHY_UNKNOWNS), cell_map.bends, look.unknowns()])
    return 1.0 / sigma**2, mean - now


def _unknowns_cov(state: _State) -> tuple[Array, Array]:
    """Return the covariance of the unknowns, (P, P), and their change, (P,), for a tone curve off by its u.

    The covariance is enlarged by how whole edges and whole lines of edges scatter together.
    """
    solution, equations = state.solution, state.equations
    count = len(solution.step)
    prior_weight = solution.prior_weight
    inverse = np.linalg.inv(solution.information + solution.variance * np.diag(prior_weight))
    by_data = inverse @ solution.information @ inverse
    by_prior = solution.variance**2 * (inverse * prior_weight) @ inverse
    weight = solution.weight
    groups = 1 if state.samples.is_whole else int(np.count_nonzero(weight[0]))
    degrees = float(weight.sum()) - groups * equations.levels.count - count
    variance = float(np.sum(weight * solution.residual**2)) / max(degrees, 1.0)
    scores = equations.jacobian * (weight * solution.residual)
    shape = slice(None, HOMOGRAPHY_UNKNOWNS)
    plain = variance * np.sum(solution.information[shape, shape] * by_data[shape, shape])
    enlarged = 1.0
    for label in (state.samples.block, state.samples.line):
        sums = _sums_by_label(scores, label)
        seen = int(np.count_nonzero(np.any(sums != 0.0, axis=0)))
        scattered = inverse @ (sums @ sums.T) @ inverse * (seen / max(seen - HOMOGRAPHY_UNKNOWNS - 1, 1))
        enlarged = max(
            enlarged, float(np.sum(solution.information[shape, shape] * scattered[shape, shape]) / plain)
        )
    by_tone = equations.levels.without((state.shown.by_tone() * equations.levels.contrast)[None])
    pull = summed_products(equations.jacobian * weight, by_tone)[:, 0]
    return enlarged * variance * by_data + by_prior, inverse @ pull


def _sums_by_label(scores: Array, label: Labels) -> Array:
    """Return the sums, (P, labels), of scores, (P, Q, M), over the samples of each label."""
    if len(label) == 1:  # the same for all pixels of a profile
        scores = scores.sum(axis=1, keepdims=True)
    flat = label.ravel()
    return np.stack([np.bincount(flat, weights=score.ravel()) for score in scores])


def _sampling_variance_px2(look: Look) -> float:
    """Return what sampling leaves in doubt, px^2: the alias of a Gaussian blur at one cycle per pixel."""
    alias_px = _ALIAS_PX * exp(-2.0 * (pi * look.blur_px) ** 2)
    return alias_px**2 + _U_FLOOR_PX**2


def _light_variance_px2(look: Look, agreement: float) -> float:
    """Return what light that changes across an edge leaves in doubt, px^2.

    Light that grows by g per px moves an edge of blur b by about b^2 g; what uneven light takes from the
    agreement is about its relative change over the tag, taken here to happen within the blur of some edges.
    """
    return (_LIGHT_PART * look.blur_px) ** 2 * (1.0 - agreement * agreement)


def _bias_direction(slopes: Array) -> Array:
    """Return how the corners, shape (4, 2), move when every border line moves inwards by one px.

    Each corner moves so that its two border lines, with outward unit normals n, get n . d = -1.
    """
    outward = np.sign(TAG_CORNERS - TAG_CORNERS.mean(axis=0))[..., None] * slopes
    outward /= np.linalg.norm(outward, axis=-1, keepdims=True)
    return np.linalg.solve(outward, -np.ones((4, 2, 1)))[..., 0]


def _agreement(state: _State) -> float:
    """Return the correlation between grey values and model, each about the mean of its own group."""
    usable = state.samples.usable.astype(float)
    count = np.maximum(usable.sum(axis=0), 1.0)
    centred = [
        (values - np.sum(values * usable, axis=0) / count) * usable
        for values in (state.samples.grey, state.shown.value)
    ]
    spread = np.sqrt(np.sum(centred[0] ** 2) * np.sum(centred[1] ** 2))
    return float(np.sum(centred[0] * centred[1]) / max(spread, 1e-9))
