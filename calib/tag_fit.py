"""Corners of one tag to a small part of a pixel: its known cells, blurred and toned, fitted to the picture.

All edges between its cells take part, so that the bias that bloom and tone curve give to every edge (black
seems smaller) is told from the tag's size. Frames: px of the full picture; cells as in `calib.tag_cells`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, hypot, log, pi

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from calib.tag_cells import LINES, TAG_CORNERS, CellEdges, blur_cells, cell_edges, tag_cells
from calib.tag_map import HOMOGRAPHY_UNKNOWNS, CellMap, map_from_corners

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
Flags = NDArray[np.bool_]
Labels = NDArray[np.intp]

# Unknowns of the look, after those of the map: edge bias in px, ln of the blur in px, halo of sharpening.
_LOOK_UNKNOWNS = 3
_U_BIAS_PX = 0.25
_U_LN_BLUR = 0.5
_HALO, _U_HALO, _HALO_RANGE = 0.3, 0.5, (0.0, 1.5)
_BLUR_RANGE_PX = (0.3, 4.0)
_BLUR_STARTS_PX = (0.5, 1.0, 1.8, 3.0)
# Radius of the blur that sharpening takes away; common practice in cameras, no source.
_HALO_RADIUS_PX = 1.0
# Display value = (linear light)^0.6 between black and white: sRGB alone is about 1/2.2 (IEC 61966-2-1), a
# camera's curve flatter in the lights. The edge bias takes up what this misses, unless cells are very small.
_TONE_POWER, _U_TONE_POWER = 0.6, 0.12
# Below this cell width the pixels of the whole tag are fitted at once, above it profiles across the edges.
_WHOLE_BELOW_PX = 4.0
_MINGLING = 0.25
_MOST_BLUR_CELLS = 0.45
_HALF_PROFILE_PX = 4
# Pixels of a whole tag are handled in groups; they start this far around it, so that it may move.
_PATCH_GROUP, _PATCH_MARGIN_PX = 64, 2.0
# Black and white of a tag fitted at once vary over a mesh so fine (px, or as many blurs if that is more), of
# so many nodes along a side.
_MESH_PX, _MESH_NODES = 8.0, (2, 6)
_MOST_PROFILES_PER_EDGE = 3
_BEND_SAG_PX = 0.1
_MOST_ITERATIONS = 8
_REWEIGHTINGS = 3
# Every fourth profile will do until the corners move by less than this; the fit ends when they stand still.
_FAR_STRIDE, _NEAR_PX = 4, 0.5
_STILL_PX = 0.03
# A step by more than this part of half a side has lost the tag.
_FARTHEST_STEP = 0.5
# Pixels that have to take part; a tenth of them would already outnumber the unknowns.
_LEAST_SAMPLES = 120
# Tukey's biweight at 95 % efficiency (Huber & Ronchetti, Robust Statistics, 2nd ed. 2009, section 4.8).
_BIWEIGHT = 4.685
_BIWEIGHT_PIXEL, _BIWEIGHT_PROFILE = 6.0, 4.0
_MAD_TO_SIGMA = 1.4826
# A profile counts when its step from black to white is within these factors of the tag's own.
_CONTRAST_RANGE = (0.35, 2.5)
# Sampling by pixels leaves a sharp edge's place doubtful: amplitude times the strength of the alias of a
# Gaussian blur at one cycle per pixel. The amplitude is fitted on the rendered photos.
_ALIAS_PX = 0.15
_U_FLOOR_PX = 0.005
# Part of the blur by which uneven light may move an edge; found by trial on shades and glare.
_LIGHT_PART = 0.15
_SHARP_PX, _BLUNT_PX = 0.6, 1.25
_START_CELL_PX, _LEAST_BLUNT_CELL_PX = 8.0, 4.0


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
    """

    corners_px: Array
    cov_px2: Array
    edge_bias_px: float
    u_edge_bias_px: float
    bias_direction: Array
    blur_px: float
    agreement: float
    seen_fraction: float


@dataclass(frozen=True, slots=True)
class _Look:
    """How the tag looks: edge bias, blur, halo, brightness of black as a part of white, tone curve."""

    bias_px: float = 0.0
    ln_blur: float = 0.0
    halo: float = _HALO
    black_part: float = 0.25
    tone_power: float = _TONE_POWER


@dataclass(frozen=True, eq=False)
class _Samples:
    """Pixels that take part: M groups (profiles, or parts of the whole tag) of Q pixels each."""

    px: Array  # (M, Q, 2)
    foot_px: Array  # (M, 1, 2): where the slopes of the map are taken
    grey: Array  # (M, Q)
    usable: Flags  # (M, Q)
    normal: Array  # (M, 2): across a profile's edge towards white, in the tag frame
    line: Labels  # (M, Q): line of the nearest edge
    block: Labels  # (M, Q): edge or cell that the pixel belongs to
    is_whole: bool
    cell_px: float

    def part(self, stride: int) -> "_Samples":
        """Return every so many-th profile."""
        return replace(
            self,
            px=self.px[::stride],
            foot_px=self.foot_px[::stride],
            grey=self.grey[::stride],
            usable=self.usable[::stride],
            normal=self.normal[::stride],
            line=self.line[::stride],
            block=self.block[::stride],
        )


@dataclass(frozen=True, eq=False)
class _Picture:
    """The model at the samples, 0 for black and 1 for white, with what changes it."""

    value: Array  # (M, Q)
    by_unknowns: Array  # (M, Q, P)
    across: Array  # (M, Q): per px across the edge towards white
    by_tone: Array  # (M, Q): for a tone curve off by its standard uncertainty


@dataclass(frozen=True, eq=False)
class _Equations:
    """Residuals and derivatives in grey levels, with the local black and white taken out."""

    residual: Array  # (M, Q)
    jacobian: Array  # (M, Q, P)
    across: Array  # (M, Q)
    by_tone: Array  # (M, Q)
    used: Flags  # (M, Q)
    level_count: int
    black: float
    white: float


@dataclass(frozen=True, eq=False)
class _Solution:
    """One weighted step and what its covariance needs."""

    step: Array  # (P,)
    residual: Array  # (M, Q)
    weight: Array  # (M, Q)
    information: Array  # (P, P), of the data alone, in grey levels squared
    variance: float


@dataclass(frozen=True, eq=False)
class _State:
    """Where the fit of one level stands."""

    tag_id: int
    cell_map: CellMap
    look: _Look
    samples: _Samples
    picture: _Picture
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
    cell_map = map_from_corners(corners_px, width, height, _BEND_SAG_PX)
    level = _start_level(cell_map.cell_px(), u_corners_px, len(pyramid))
    state = _fit_level(pyramid[level], tag_id, cell_map.enlarged(0.5**level))
    while state is not None and level + 1 < len(pyramid) and _is_blunt(state):
        level += 1
        state = _fit_level(pyramid[level], tag_id, state.cell_map.enlarged(0.5))
    while state is not None and level > 0 and exp(state.look.ln_blur) < _SHARP_PX:
        level -= 1
        state = _fit_level(pyramid[level], tag_id, state.cell_map.enlarged(2.0))
    if state is not None and not state.samples.is_whole and _edges_mingle(state):
        state = _fit_level(pyramid[level], tag_id, state.cell_map, is_whole=True)
    return None if state is None else _result(state, 2.0**level)


def _start_level(cell_px: float, u_corners_px: float, levels: int) -> int:
    level = 0
    while level + 1 < levels and u_corners_px > 2.0 and cell_px >= 2.0 * _START_CELL_PX:
        u_corners_px *= 0.5
        cell_px *= 0.5
        level += 1
    return level


def _is_blunt(state: _State) -> bool:
    """Say whether half the picture would show all there is, at cells still large enough to be told apart."""
    return exp(state.look.ln_blur) > _BLUNT_PX and state.cell_map.cell_px() > _LEAST_BLUNT_CELL_PX


def _edges_mingle(state: _State) -> bool:
    """Say whether the blur reaches from edge to edge, so that profiles across single edges do not do."""
    return exp(state.look.ln_blur) > _MINGLING * state.cell_map.cell_px()


def _fit_level(picture: Grey, tag_id: int, cell_map: CellMap, is_whole: bool = False) -> _State | None:
    """Iterate on one level of the pyramid; None when the tag leaves the picture or the fit runs away."""
    edges = cell_edges(tag_id)
    cell_px = cell_map.cell_px()
    is_whole = is_whole or cell_px < _WHOLE_BELOW_PX
    patch = _patch_px(cell_map, picture.shape) if is_whole else None
    look, prior, weight, moved_px = _Look(), None, None, np.inf
    for _ in range(_MOST_ITERATIONS):
        is_rough = moved_px > _NEAR_PX and not is_whole
        samples = _sample(picture, cell_map, cell_px, edges, patch)
        if is_rough:
            samples = samples.part(_FAR_STRIDE)
        if samples.usable.sum() < _LEAST_SAMPLES:
            return None
        if prior is None:
            look = replace(look, ln_blur=log(_start_blur(samples, tag_id, cell_map, look)))
            prior = _prior(cell_map, look)
        picture_model = _model(samples, tag_id, cell_map, look)
        equations = _equations(samples, picture_model, cell_map, look, weight)
        solution = _solve(samples, equations, *_prior_terms(prior, cell_map, look))
        state = _State(tag_id, cell_map, look, samples, picture_model, equations, solution)
        cell_map, look = _stepped(cell_map, look, solution.step, equations)
        weight = solution.weight if is_whole else None
        moved_px = float(np.abs(cell_map.corners_px() - state.cell_map.corners_px()).max())
        if not moved_px < _FARTHEST_STEP * cell_map.scale_px:  # also when it is not a number
            return None
        if moved_px < _STILL_PX and not is_rough:
            break
    return replace(state, cell_map=cell_map, look=look)


def _sample(
    picture: Grey, cell_map: CellMap, cell_px: float, edges: CellEdges, patch: Array | None
) -> _Samples:
    if patch is None:
        px, foot_px, normal, line, block = _profiles(cell_map, cell_px, edges)
        usable = np.ones(px.shape[:2], dtype=bool)
    else:
        px, foot_px, normal = patch, patch, np.zeros((len(patch), 2))
        usable, line, block = _within_patch(cell_map, patch)
    height, width = picture.shape
    column, row = px[..., 0].astype(np.intp), px[..., 1].astype(np.intp)
    usable &= (column >= 0) & (column < width) & (row >= 0) & (row < height)
    if patch is None:
        usable &= usable.all(axis=1, keepdims=True)
    grey = picture[row.clip(0, height - 1), column.clip(0, width - 1)].astype(float)
    return _Samples(px, foot_px, grey, usable, normal, line, block, patch is not None, cell_px)


def _profiles(
    cell_map: CellMap, cell_px: float, edges: CellEdges
) -> tuple[Array, Array, Array, Labels, Labels]:
    """Rows or columns of whole pixels, whichever cross their edge more squarely: nothing is interpolated."""
    count = int(np.clip(round(0.8 * cell_px), 1, _MOST_PROFILES_PER_EDGE))
    along = np.stack([-edges.normal[:, 1], edges.normal[:, 0]], axis=1)
    places = (np.arange(count) + 0.5) / count - 0.5
    cells = (edges.middle[:, None] + along[:, None] * places[:, None]).reshape(-1, 2)
    ahead = cells + 0.01 * np.repeat(along, count, axis=0)
    foot, tangent = cell_map.to_px(np.stack([cells, ahead]))
    tangent -= foot
    main = (np.abs(tangent[:, 0]) < np.abs(tangent[:, 1])).astype(np.intp)  # 0: edge runs along x
    each = np.arange(len(foot))
    snapped = np.rint(foot[each, main])
    across = foot[each, 1 - main] + tangent[each, 1 - main] / tangent[each, main] * (
        snapped - foot[each, main]
    )
    offsets = np.arange(-_HALF_PROFILE_PX, _HALF_PROFILE_PX + 1)
    px = np.empty((len(foot), len(offsets), 2))
    px[each, :, main] = snapped[:, None]
    px[each, :, 1 - main] = np.rint(across)[:, None] + offsets
    foot[each, main], foot[each, 1 - main] = snapped, across
    shape = px.shape[:2]
    line = np.broadcast_to(np.repeat(edges.line, count)[:, None], shape)
    block = np.broadcast_to(np.repeat(np.arange(len(edges.line)), count)[:, None], shape)
    return px, foot[:, None], np.repeat(edges.normal, count, axis=0), line, block


def _patch_px(cell_map: CellMap, shape: tuple[int, ...]) -> Array:
    """Return all pixels of the tag and some margin, in groups, shape (M, Q, 2)."""
    margin = 1.0 + _PATCH_MARGIN_PX / cell_map.cell_px()
    corners = cell_map.to_px(TAG_CORNERS + margin * np.sign(TAG_CORNERS - TAG_CORNERS.mean(axis=0)))
    first = np.maximum(np.floor(corners.min(axis=0)), 0.0)
    last = np.minimum(np.ceil(corners.max(axis=0)), [shape[1] - 1.0, shape[0] - 1.0])
    columns, rows = np.meshgrid(np.arange(first[0], last[0] + 1.0), np.arange(first[1], last[1] + 1.0))
    px = np.stack([columns.ravel(), rows.ravel()], axis=-1)
    cells = cell_map.to_cells(px)
    px = px[np.all((cells > -margin) & (cells < LINES - 1 + margin), axis=-1)]
    groups = -(-len(px) // _PATCH_GROUP)
    # The last group is filled up with a pixel outside the picture, which never counts.
    return np.concatenate([px, np.full((groups * _PATCH_GROUP - len(px), 2), -1.0)]).reshape(
        groups, _PATCH_GROUP, 2
    )


def _within_patch(cell_map: CellMap, patch: Array) -> tuple[Flags, Labels, Labels]:
    """Which pixels of the patch count (the quiet margin only so far as nothing else blurs into it)."""
    cells = cell_map.to_cells(patch)
    margin = float(np.clip(1.0 - 2.0 / cell_map.cell_px(), 0.3, 1.0))
    usable = np.all((cells > -margin) & (cells < LINES - 1 + margin), axis=-1)
    nearest = np.rint(cells).clip(0, LINES - 1)
    is_u = np.abs(cells[..., 0] - nearest[..., 0]) < np.abs(cells[..., 1] - nearest[..., 1])
    line = np.where(is_u, nearest[..., 0], nearest[..., 1] + LINES).astype(np.intp)
    floor = np.floor(cells).clip(-1, LINES - 1).astype(np.intp) + 1
    return usable, line, floor[..., 0] * (LINES + 1) + floor[..., 1]


def _start_blur(samples: _Samples, tag_id: int, cell_map: CellMap, look: _Look) -> float:
    """Return the blur that fits best before anything moves, px."""

    def misfit(blur_px: float) -> float:
        blurred = replace(look, ln_blur=log(blur_px))
        model = _model(samples, tag_id, cell_map, blurred)
        return float(np.sum(_equations(samples, model, cell_map, blurred, None).residual ** 2))

    best_px, least = _BLUR_STARTS_PX[0], np.inf
    for start_px in _BLUR_STARTS_PX:
        if start_px > _MOST_BLUR_CELLS * samples.cell_px or (now := misfit(start_px)) > least:
            break
        best_px, least = start_px, now
    return best_px


def _model(samples: _Samples, tag_id: int, cell_map: CellMap, look: _Look) -> _Picture:
    """Blur the cells, apply the tone curve, then sharpen: the order in which a camera does it."""
    cells, by_map = cell_map.to_cells_with_derivatives(samples.px)
    slopes = cell_map.slopes(samples.foot_px)
    slope_u, slope_v = np.moveaxis(np.linalg.norm(slopes, axis=-1), -1, 0)
    skew = np.sum(slopes[..., 0, :] * slopes[..., 1, :], axis=-1) / (slope_u * slope_v)
    blur_px = exp(look.ln_blur)
    wide_px = hypot(blur_px, _HALO_RADIUS_PX)
    reach_px = np.inf if samples.is_whole else _HALF_PROFILE_PX + 1.0 + 3.0 * wide_px
    colours, from_u, from_v = _window(tag_id, cells, reach_px / samples.cell_px)
    blurs_px = np.array([blur_px, wide_px])
    blurred = blur_cells(colours, from_u, from_v, slope_u, slope_v, skew, blurs_px)
    brightness = blurred.value + look.bias_px * blurred.by_bias
    toned, tone_slope = _tone(brightness, look)
    toned_else, _ = _tone(brightness, replace(look, tone_power=look.tone_power + _U_TONE_POWER))
    # Sharpening: the picture, and a part of what it differs from itself blurred once more.
    share = np.array([1.0 + look.halo, -look.halo])[:, None, None]
    gain = share * tone_slope
    by_u, by_v = (gain * blurred.by_u).sum(axis=0), (gain * blurred.by_v).sum(axis=0)
    by_blur = (gain * blurred.by_ln_blur * ((blur_px / blurs_px) ** 2)[:, None, None]).sum(axis=0)
    by_unknowns = np.empty((*cells.shape[:2], cell_map.unknowns + _LOOK_UNKNOWNS))
    by_unknowns[..., :-_LOOK_UNKNOWNS] = (
        by_u[..., None] * by_map[..., 0, :] + by_v[..., None] * by_map[..., 1, :]
    )
    by_unknowns[..., -3] = (gain * blurred.by_bias).sum(axis=0)
    by_unknowns[..., -2] = by_blur
    by_unknowns[..., -1] = toned[0] - toned[1]
    shift = np.einsum("mi,mqij->mqj", samples.normal, slopes)
    shift /= np.maximum(np.linalg.norm(shift, axis=-1, keepdims=True), 1e-12)
    by_shift = np.einsum("mqij,mqj->imq", slopes, shift)
    return _Picture(
        (share * toned).sum(axis=0),
        by_unknowns,
        by_u * by_shift[0] + by_v * by_shift[1],
        (share * (toned_else - toned)).sum(axis=0),
    )


def _window(tag_id: int, cells: Array, reach: float) -> tuple[Array, Array, Array]:
    """Return the colours of the cells near each group of points, and the points' distances from lines."""
    colours = tag_cells(tag_id)
    count = LINES if reach > LINES else min(LINES, 2 * int(np.ceil(reach)) + 1)
    if count == LINES:
        first = np.zeros((len(cells), 2), dtype=np.intp)
    else:
        first = np.rint(cells[:, cells.shape[1] // 2]).astype(np.intp) - count // 2
        first = first.clip(0, LINES - count)
    lines = first[:, None, :, None] + np.arange(count)  # (M, 1, 2, L)
    beside = first[:, :, None] + np.arange(count + 1)  # (M, 2, L + 1)
    from_lines = cells[..., None] - lines
    return colours[beside[:, 0, :, None], beside[:, 1, None, :]], from_lines[..., 0, :], from_lines[..., 1, :]


def _tone(brightness: Array, look: _Look) -> tuple[Array, Array]:
    """Return display value between black and white, 0 to 1, and its slope by linear brightness."""
    black = look.black_part ** (1.0 / look.tone_power)
    light = black + (1.0 - black) * brightness.clip(0.0, 1.0)
    shown = light**look.tone_power
    slope = look.tone_power * shown / light * ((1.0 - black) / (1.0 - look.black_part))
    return (shown - look.black_part) / (1.0 - look.black_part), slope


def _equations(
    samples: _Samples, picture: _Picture, cell_map: CellMap, look: _Look, weight: Array | None
) -> _Equations:
    """Take the levels of black and white out of grey values and model, by profile or over a coarse mesh."""
    share = _mesh(samples, cell_map, look)
    levels = np.concatenate([share, share * picture.value[..., None]], axis=-1)
    weights = samples.usable.astype(float) if weight is None else samples.usable * weight
    weighted = np.swapaxes(levels * weights[..., None], 1, 2)
    normal = _pooled(samples, weighted @ levels) + 1e-9 * np.eye(levels.shape[-1])
    found = np.linalg.solve(normal, _pooled(samples, weighted @ samples.grey[..., None]))
    nodes = share.shape[-1]
    contrast = (share @ found[:, nodes:])[..., 0]
    used = samples.usable & (contrast > 0.0)
    if not samples.is_whole:
        typical = _median(contrast[samples.usable])
        used &= (contrast > _CONTRAST_RANGE[0] * typical) & (contrast < _CONTRAST_RANGE[1] * typical)
    others = np.stack([picture.across, picture.by_tone], axis=-1)
    columns = np.concatenate([picture.by_unknowns, others], axis=-1) * contrast[..., None]
    columns -= levels @ np.linalg.solve(normal, _pooled(samples, weighted @ columns))
    columns *= used[..., None]
    residual = (samples.grey - (levels @ found)[..., 0]) * used
    black = _median(found[:, :nodes])
    white = black + _median(found[:, nodes:])
    return _Equations(
        residual, columns[..., :-2], columns[..., -2], columns[..., -1], used, levels.shape[-1], black, white
    )


def _pooled(samples: _Samples, sums: Array) -> Array:
    """Return the sums, (M, A, B), of every group that has its own levels: one for the whole tag."""
    return sums.sum(axis=0, keepdims=True) if samples.is_whole else sums


def _mesh(samples: _Samples, cell_map: CellMap, look: _Look) -> Array:
    """Return the share, (M, Q, G), of each pixel in the levels of G nodes: one node for a profile."""
    if not samples.is_whole:
        return np.ones((*samples.grey.shape, 1))
    spacing_px = _MESH_PX * max(1.0, exp(look.ln_blur))
    count = int(np.clip(round(2.0 * cell_map.scale_px / spacing_px) + 1, *_MESH_NODES))
    place = (cell_map.to_cells(samples.px) / (LINES - 1) * (count - 1)).clip(0.0, count - 1.0)
    hats = (1.0 - np.abs(place[..., None] - np.arange(count))).clip(0.0, 1.0)  # (M, Q, 2, count)
    product = hats[..., 0, :, None] * hats[..., 1, None, :]
    return np.asarray(product.reshape(*product.shape[:2], -1))


def _prior(cell_map: CellMap, look: _Look) -> tuple[Array, Array]:
    """Return what is known of the unknowns before the fit: mean and standard deviation, shape (P,)."""
    mean = np.zeros(cell_map.unknowns + _LOOK_UNKNOWNS)
    mean[-2:] = look.ln_blur, _HALO
    look_sigmas = [_U_BIAS_PX, _U_LN_BLUR, _U_HALO]
    sigma = np.concatenate([np.full(HOMOGRAPHY_UNKNOWNS, np.inf), cell_map.bend_sigmas(), look_sigmas])
    return mean, sigma


def _solve(samples: _Samples, equations: _Equations, prior_weight: Array, prior_gap: Array) -> _Solution:
    """Solve for one step; give less weight to what disagrees, be it whole profiles or single pixels."""
    jacobian, used = equations.jacobian, equations.used
    scale = 1.0 / np.sqrt(np.einsum("mqp,mqp->p", jacobian, jacobian) + 1e-12)
    scaled = jacobian * scale
    weight = used.astype(float)
    variance = _typical_variance(samples, equations.residual, used, equations.level_count)
    for _ in range(_REWEIGHTINGS):
        # Group by group: large products would wake the threads of the linear algebra, which costs more.
        weighted = np.swapaxes(scaled * weight[..., None], 1, 2)
        information = (weighted @ scaled).sum(axis=0)
        pull = (weighted @ equations.residual[..., None])[..., 0].sum(axis=0)
        pull += variance * scale * prior_weight * prior_gap
        stiff = information + np.diag(variance * scale * scale * prior_weight)
        step = scale * np.linalg.solve(stiff, pull)
        residual = equations.residual - jacobian @ step
        variance = _typical_variance(samples, residual, used, equations.level_count)
        if samples.is_whole:
            weight = used * _biweight(residual / np.sqrt(variance), _BIWEIGHT_PIXEL)
        else:
            weight = used * _profile_weight(equations, residual, variance)[:, None]
    information /= scale * scale[:, None]
    return _Solution(step, residual, weight, information, variance)


def _typical_variance(samples: _Samples, residual: Array, used: Flags, level_count: int) -> float:
    """Return the variance of a grey value, not misled by a few that disagree; half a grey level at least."""
    if samples.is_whole:
        return float((_MAD_TO_SIGMA * _median(np.abs(residual[used]))) ** 2 + 0.25)
    kept = residual[used[:, 0]]
    degrees = kept.shape[1] - level_count
    # The median of chi-square is about its degrees of freedom less 2/3 (Wilson and Hilferty, 1931).
    return _median(np.sum(kept * kept, axis=1)) / (degrees - 2.0 / 3.0) + 0.25


def _profile_weight(equations: _Equations, residual: Array, variance: float) -> Array:
    """Weight profiles by how far their own edge lies off the fit, and by how unlike an edge they are."""
    across, kept = equations.across, equations.used[:, 0]
    strength = np.sum(across * across, axis=1) + 1e-9
    offset_px = -np.sum(across * residual, axis=1) / strength
    deviate = offset_px / np.sqrt(variance / strength + 1e-4)
    spread = max(_MAD_TO_SIGMA * _median(np.abs(deviate[kept])), 0.3)
    unlike = np.sum(residual * residual, axis=1) / (residual.shape[1] - equations.level_count) / variance
    return _biweight(deviate / spread, _BIWEIGHT) * _biweight(np.sqrt(unlike), _BIWEIGHT_PROFILE)


def _median(values: ArrayLike) -> float:
    """Return the upper median; on arrays as small as ours several times faster than numpy's."""
    flat = np.asarray(values, dtype=float).ravel()
    return float(np.partition(flat, flat.size // 2)[flat.size // 2])


def _biweight(deviate: Array, limit: float) -> Array:
    square = (deviate / limit) ** 2
    return np.where(square < 1.0, (1.0 - square) ** 2, 0.0)


def _stepped(cell_map: CellMap, look: _Look, step: Array, equations: _Equations) -> tuple[CellMap, _Look]:
    bias_step, blur_step, halo_step = step[-_LOOK_UNKNOWNS:]
    lowest, highest = (log(limit) for limit in _BLUR_RANGE_PX)
    return cell_map.moved(step[:-_LOOK_UNKNOWNS]), _Look(
        float(np.clip(look.bias_px + bias_step, -1.5, 1.5)),
        float(np.clip(look.ln_blur + np.clip(blur_step, -0.5, 0.5), lowest, highest)),
        float(np.clip(look.halo + np.clip(halo_step, -0.4, 0.4), *_HALO_RANGE)),
        float(np.clip(equations.black / max(equations.white, 1.0), 0.02, 0.9)),
    )


def _result(state: _State, px_per_px: float) -> TagFit:
    """Bring one level's fit into px of the full picture, with covariance and bias direction."""
    corners = state.cell_map.corners_px()
    slopes = state.cell_map.slopes(corners)
    _, by_map = state.cell_map.to_cells_with_derivatives(corners)
    by_unknowns = np.zeros((8, len(state.solution.step)))
    by_unknowns[:, :-_LOOK_UNKNOWNS] = -np.linalg.solve(slopes, by_map).reshape(8, -1)
    cov, by_tone = _unknowns_cov(state)
    cov_px2 = by_unknowns @ (cov + np.outer(by_tone, by_tone)) @ by_unknowns.T
    agreement = _agreement(state)
    cov_px2 += (_sampling_variance_px2(state.look) + _light_variance_px2(state.look, agreement)) * np.eye(8)
    apparent_px = state.look.bias_px - exp(state.look.ln_blur) * float(ndtri(_tone_middle(state.look)))
    return TagFit(
        (corners + 0.5) * px_per_px - 0.5,
        cov_px2 * px_per_px**2,
        apparent_px * px_per_px,
        float(np.sqrt(cov[-3, -3])) * px_per_px,
        _bias_direction(slopes),
        exp(state.look.ln_blur) * px_per_px,
        agreement,
        float(state.solution.weight[state.samples.usable].mean()),
    )


def _prior_terms(prior: tuple[Array, Array], cell_map: CellMap, look: _Look) -> tuple[Array, Array]:
    """Return the weights of the prior, and how far the unknowns stand below its mean, shape (P,) each."""
    mean, sigma = prior
    now = np.concatenate(
        [np.zeros(HOMOGRAPHY_UNKNOWNS), cell_map.bends, [look.bias_px, look.ln_blur, look.halo]]
    )
    return 1.0 / sigma**2, mean - now


def _unknowns_cov(state: _State) -> tuple[Array, Array]:
    """Return the covariance of the unknowns, (P, P), and their change, (P,), for a tone curve off by its u.

    The covariance is enlarged by how whole edges and whole lines of edges scatter together.
    """
    solution, equations = state.solution, state.equations
    count = len(solution.step)
    prior_weight = 1.0 / _prior(state.cell_map, state.look)[1] ** 2
    inverse = np.linalg.inv(solution.information + solution.variance * np.diag(prior_weight))
    by_data = inverse @ solution.information @ inverse
    by_prior = solution.variance**2 * (inverse * prior_weight) @ inverse
    weight = solution.weight
    groups = 1 if state.samples.is_whole else int(np.count_nonzero(weight[:, 0]))
    degrees = float(weight.sum()) - groups * equations.level_count - count
    variance = float(np.sum(weight * solution.residual**2)) / max(degrees, 1.0)
    scores = equations.jacobian * (weight * solution.residual)[..., None]
    shape = slice(None, HOMOGRAPHY_UNKNOWNS)
    plain = variance * np.sum(solution.information[shape, shape] * by_data[shape, shape])
    enlarged = 1.0
    for label in (state.samples.block, state.samples.line):
        sums = np.zeros((int(label.max()) + 1, count))
        np.add.at(sums, label.ravel(), scores.reshape(-1, count))
        seen = int(np.count_nonzero(np.any(sums != 0.0, axis=1)))
        scattered = inverse @ (sums.T @ sums) @ inverse * (seen / max(seen - HOMOGRAPHY_UNKNOWNS - 1, 1))
        enlarged = max(
            enlarged, float(np.sum(solution.information[shape, shape] * scattered[shape, shape]) / plain)
        )
    pull = np.einsum("mqp,mq->p", equations.jacobian, weight * equations.by_tone)
    return enlarged * variance * by_data + by_prior, inverse @ pull


def _sampling_variance_px2(look: _Look) -> float:
    """Return what sampling leaves in doubt, px^2: the alias of a Gaussian blur at one cycle per pixel."""
    alias_px = _ALIAS_PX * exp(-2.0 * (pi * exp(look.ln_blur)) ** 2)
    return alias_px**2 + _U_FLOOR_PX**2


def _light_variance_px2(look: _Look, agreement: float) -> float:
    """Return what light that changes across an edge leaves in doubt, px^2.

    Light that grows by g per px moves an edge of blur b by about b^2 g; what uneven light takes from the
    agreement is about its relative change over the tag, taken here to happen within the blur of some edges.
    """
    return (_LIGHT_PART * exp(look.ln_blur)) ** 2 * (1.0 - agreement * agreement)


def _tone_middle(look: _Look) -> float:
    """Return the linear brightness, 0 to 1, that is shown half way between black and white."""
    black = look.black_part ** (1.0 / look.tone_power)
    middle = (0.5 * (1.0 + look.black_part)) ** (1.0 / look.tone_power)
    return float((middle - black) / (1.0 - black))


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
    count = np.maximum(usable.sum(axis=1, keepdims=True), 1.0)
    centred = [
        (values - np.sum(values * usable, axis=1, keepdims=True) / count) * usable
        for values in (state.samples.grey, state.picture.value)
    ]
    spread = np.sqrt(np.sum(centred[0] ** 2) * np.sum(centred[1] ** 2))
    return float(np.sum(centred[0] * centred[1]) / max(spread, 1e-9))
