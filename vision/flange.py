"""The flange that a target lies on: the band between ridge fold and hem, found in the photo itself.

Frames: plane mm of the target's frame, at the depth of the sheet. Within the module a point has a station
along the ridge and an offset square to it (a clockwise quarter turn), both from the target's middle.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from calib.camera import Array, undistort
from vision.plane import Floats, Rectified, View, rectify

# Widths that a flange may have, mm; common practice, no source.
WIDTH_MIN_MM, WIDTH_MAX_MM = 100.0, 250.0

# The numbers below are settings of ours, chosen on drawn pictures; no source.
# How far aslant the target may lie, and the steps of the search for the ridge's direction (rise over run).
_SKEW_MAX, _COARSE_STEP, _FINE_STEP = 0.27, 0.01, 0.001
# Half lengths of the region looked at, around the target's middle; how far apart the rows of the two looks
# lie, and by how much further the columns, of which only means over chunks are used.
_REACH_ALONG_MM, _REACH_ACROSS_MM = 600.0, 290.0
_COARSE_MM_PER_ROW, _FINE_MM_PER_ROW, _ASPECT = 2.0, 1.0, 2.0
# Length along the ridge that is averaged before robust statistics over such chunks.
_CHUNK_MM = 20.0
# Margin round the target left out, for its edge and shadow, and how far its corners may jut over a border.
_TARGET_MARGIN_MM, _JUT_MM = 10.0, 10.0
# A border's step stands out of its standard uncertainty by the first factor; a lesser one down to the second
# casts doubt. The floor, in grey levels, is what eight bits and a texture along the ridge leave in a mean.
_CONTRAST_MIN, _CONTRAST_DOUBTFUL, _GREY_FLOOR = 5.0, 3.5, 0.3
# Beyond this a clearer border is no better a border.
_CONTRAST_ENOUGH = 12.0
# Steps of one border lie this near each other: a highlight on the fold, a shadow under the hem.
_BORDER_DEPTH_MM = 6.0
# Least part of the chunks that must show a row before its step is judged.
_SHOWN_SHARE = 0.25
# Sheet metal is not flat, so that its borders are not quite parallel in the picture.
_U_PARALLEL_RAD = 0.001
# Width of the flank of a rib.
_RIB_FLANK_MM = 6.0
# Weight of the dark under a hem beside the ribs of the panels, and by how much the hem is more like one.
_GROOVE_SHARE, _CLEARLY_MORE = 0.3, 1.5


@dataclass(frozen=True, eq=False, slots=True)
class Border:
    """One border line of a flange.

    Attributes
    ----------
    ends_mm : ndarray of shape (2, 2)
        Where it begins and ends in the photo, on the plane.
    u_mm : float
        Standard uncertainty of its place, square to the ridge.
    contrast : float
        Its step over the step's standard uncertainty.
    """

    ends_mm: Array
    u_mm: float
    contrast: float

    def __post_init__(self) -> None:
        _freeze(self, "ends_mm")


@dataclass(frozen=True, eq=False, slots=True)
class Flange:
    """The band of sheet that a target lies on.

    Attributes
    ----------
    along : ndarray of shape (2,)
        Unit direction of the ridge on the plane.
    u_along_rad : float
        Its standard uncertainty.
    fold, hem : Border or None
        The border at the ridge and the one at the hem; None where it was not found.
    polygon_mm : ndarray of shape (K, 2)
        What the photo shows of the band, a convex outline. Where a border was not found the band ends at the
        target's own edge, because what lies further may be another plane.
    confidence : float
        0 .. 1; below one half the band is a guess.
    notes : tuple of str
        What a person should know.
    """

    along: Array
    u_along_rad: float
    fold: Border | None
    hem: Border | None
    polygon_mm: Array
    confidence: float
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        _freeze(self, "along", "polygon_mm")

    @property
    def across(self) -> Array:
        """Unit direction square to the ridge, a clockwise quarter turn from `along`."""
        return _square_to(self.along)

    def holds(self, mm: ArrayLike) -> NDArray[np.bool_]:
        """Say which points of the plane, shape (N, 2), lie on the band."""
        outline = self.polygon_mm.astype(np.float32).reshape(-1, 1, 2)
        points = np.asarray(mm, dtype=float).reshape(-1, 2).tolist()
        inside = [cv2.pointPolygonTest(outline, (x, y), measureDist=False) >= 0.0 for x, y in points]
        return np.array(inside, dtype=bool)


def find_flange(image: NDArray[np.uint8], view: View, *, z_mm: float, outline_mm: ArrayLike) -> Flange:
    """Find the flange that a target lies on.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3)
        The upright photo, BGR.
    view : View
        Its camera and pose relative to the target.
    z_mm : float
        Depth of the sheet in the target's frame.
    outline_mm : array_like of shape (2,)
        The target's width and height; its long side lies roughly along the ridge.

    Returns
    -------
    Flange
        The band; what could not be found is None, with a note and a low confidence.

    Notes
    -----
    A line parallel to the ridge, on whatever plane, stays parallel to it in the rectified picture. So the
    direction is the one in which step edges, clipped so that none rules alone, add up best; a border is the
    first row beyond the target where the median step over many columns stands out of its spread.
    """
    target = _Sheet.of(outline_mm)
    photo = _Photo(image, view, z_mm, target, _shown_outline(view, z_mm))
    coarse = _look(photo, target.long_side, _COARSE_MM_PER_ROW)
    along = _turned(coarse.along, _best_slope(coarse, _SKEW_MAX, _COARSE_STEP))
    band = _look(photo, along, _FINE_MM_PER_ROW)
    slope = _best_slope(band, 2.0 * _COARSE_STEP, _FINE_STEP)
    rows = _contrasts(band, slope)
    reach = float(target.half.min()) - _JUT_MM
    pair = _pick_pair(band, rows, _candidates(band, rows, -reach, -1), _candidates(band, rows, reach, 1))
    fits = [_fit_border(band, rows, slope, row) if row is not None else None for row in pair]
    return _assemble(band, photo, rows, slope, fits)


@dataclass(frozen=True, eq=False, slots=True)
class _Sheet:
    """The target's sheet: its middle and half sides, mm."""

    middle: Array
    half: Array

    @classmethod
    def of(cls, outline_mm: ArrayLike) -> Self:
        half = np.asarray(outline_mm, dtype=float) / 2.0
        return cls(half, half)

    @property
    def long_side(self) -> Array:
        return np.array([1.0, 0.0]) if self.half[0] >= self.half[1] else np.array([0.0, 1.0])

    def corners_mm(self, margin_mm: float) -> Array:
        """Return the outline, moved outwards by a margin."""
        corners: Array = self.middle + (self.half + margin_mm) * [(-1, -1), (1, -1), (1, 1), (-1, 1)]
        return corners

    def half_extent(self, direction: Array) -> float:
        """Return how far it reaches from its middle in a direction."""
        return float(np.abs(direction) @ self.half)


@dataclass(frozen=True, eq=False, slots=True)
class _Photo:
    """What is looked at: the photo, its view, the sheet's depth, the target and the outline of what shows."""

    image: NDArray[np.uint8]
    view: View
    z_mm: float
    target: _Sheet
    shown_mm: Array


@dataclass(frozen=True, eq=False, slots=True)
class _Look:
    """A rectified picture around the target and the steps across its rows.

    Attributes
    ----------
    picture : ndarray of shape (H, W, 3)
        Grey levels.
    ground : ndarray of shape (H, W)
        True where the plane is shown and no target lies.
    steps : ndarray of shape (6, K, H)
        Step from above to below each row, a mean over each of K chunks of columns, for three colours; then by
        how much each row is brighter than the rows on both sides of it. NaN where not all shows.
    stations, offsets : ndarray of shape (K,), (H,)
        Middles of the chunks, and rows.
    middle, along : ndarray of shape (2,)
        Zero of both on the plane, and the direction of the rows.
    mm_per_row, mm_per_column : float
        Scale.
    """

    picture: Floats
    ground: NDArray[np.bool_]
    steps: Floats
    stations: Array
    offsets: Array
    middle: Array
    along: Array
    mm_per_row: float
    mm_per_column: float

    def to_mm(self, station: ArrayLike, offset: ArrayLike) -> Array:
        """Return plane points, shape (..., 2)."""
        points: Array = (
            self.middle
            + np.multiply.outer(np.asarray(station, dtype=float), self.along)
            + np.multiply.outer(np.asarray(offset, dtype=float), _square_to(self.along))
        )
        return points


@dataclass(frozen=True, eq=False, slots=True)
class _Rows:
    """How clearly (signed) and how high each row of a look is a step, in the channel where it is clearest."""

    contrast: Array
    height: Array
    channel: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class _Fit:
    """A border's line, offset + slope * station, with standard uncertainties, and its contrast."""

    offset: float
    slope: float
    u_offset: float
    u_slope: float
    contrast: float


def _look(photo: _Photo, along: Array, mm_per_row: float) -> _Look:
    axes = np.stack([along, _square_to(along)])
    middle = photo.target.middle
    reach = np.array([_REACH_ALONG_MM, _REACH_ACROSS_MM])
    outline = (photo.shown_mm - middle) @ axes.T
    low, high = np.maximum(outline.min(axis=0), -reach), np.minimum(outline.max(axis=0), reach)
    rectified = rectify(
        photo.image,
        photo.view,
        z_mm=photo.z_mm,
        corner_mm=middle + low @ axes,
        size_mm=(float(high[0] - low[0]), float(high[1] - low[1])),
        mm_per_px=_ASPECT * mm_per_row,
        along=along,
        aspect=_ASPECT,
    )
    picture = rectified.image.astype(np.float32)
    ground = _open_ground(rectified, photo)
    mm_per_column = rectified.mm_per_px
    chunk_px = round(_CHUNK_MM / mm_per_column)
    chunks = picture.shape[1] // chunk_px
    stations = low[0] + mm_per_column * (chunk_px * np.arange(chunks) + (chunk_px - 1) / 2.0)
    offsets = low[1] + mm_per_row * np.arange(picture.shape[0])
    steps = _chunk_steps(picture, ground, chunks, chunk_px)
    return _Look(picture, ground, steps, stations, offsets, middle, along, mm_per_row, mm_per_column)


def _open_ground(rectified: Rectified, photo: _Photo) -> NDArray[np.bool_]:
    """Return where the picture shows the plane and no target lies."""
    ground = np.zeros(rectified.seen.shape, dtype=np.uint8)
    for outline_mm, value in ((photo.shown_mm, 1), (photo.target.corners_mm(_TARGET_MARGIN_MM), 0)):
        corners = rectified.from_plane_mm(outline_mm).round().astype(np.int32)
        cv2.fillConvexPoly(ground, corners, value)
    return (ground > 0) & rectified.seen


def _chunk_steps(picture: Floats, ground: NDArray[np.bool_], chunks: int, chunk_px: int) -> Floats:
    """Average steps and thin lines across the rows over chunks of columns, shape (6, K, H)."""
    size, used = (chunks, picture.shape[0]), chunks * chunk_px
    level = cv2.resize(picture[:, :used], size, interpolation=cv2.INTER_AREA)
    open_share = cv2.resize(ground[:, :used].astype(np.float32), size, interpolation=cv2.INTER_AREA)
    level[open_share < 1.0] = np.nan
    level = np.ascontiguousarray(level.transpose(2, 1, 0))
    steps = np.full((6, *level.shape[1:]), np.nan, dtype=np.float32)
    steps[:3, :, 2:-2] = (level[..., 3:-1] + level[..., 4:] - level[..., 1:-3] - level[..., :-4]) / 2.0
    steps[3:, :, 3:-3] = level[..., 3:-3] - (level[..., :-6] + level[..., 6:]) / 2.0
    # A line response needs more rows than a step, and all colours show alike.
    steps[:, np.isnan(steps[3])] = np.nan
    return steps


def _best_slope(band: _Look, reach: float, step: float) -> float:
    """Return the slope of the rows along which clipped steps add up best."""
    grey = band.steps[:3].mean(axis=0)
    known = np.isfinite(grey)
    if not known.any():
        return 0.0
    clip = 8.0 * np.median(np.abs(grey[known])) + _GREY_FLOOR
    clipped = np.clip(np.nan_to_num(grey), -clip, clip)
    slopes = np.arange(-round(reach / step), round(reach / step) + 1) * step
    shifts = np.array([_shifts(band, slope) for slope in slopes.tolist()])
    furthest, count = int(np.abs(shifts).max()), len(band.offsets)
    both = np.pad(np.stack([clipped, known]).astype(np.float32), [(0, 0), (0, 0), (furthest, furthest)])
    windows = sliding_window_view(both, count, axis=2)
    # Chunk by chunk is added to the sums of all slopes, each of which takes it from a row of its own on.
    sums = np.zeros((2, len(slopes), count), dtype=np.float32)
    for chunk, first in enumerate((shifts + furthest).T):
        sums += windows[:, chunk][:, first]
    total, shown = sums
    mean = np.divide(total, shown, out=np.zeros_like(total), where=shown > _SHOWN_SHARE * len(band.stations))
    return float(slopes[int(np.argmax(np.square(np.square(mean)).sum(axis=1)))])


def _shifts(band: _Look, slope: float) -> NDArray[np.intp]:
    """Return by how many rows each chunk's line of a slope lies below its middle."""
    return np.rint(slope * band.stations / band.mm_per_row).astype(np.intp)


def _aligned(band: _Look, slope: float) -> Floats:
    """Return the steps, every chunk's rows moved onto those along a slope; NaN where there is none."""
    count = len(band.offsets)
    rows = np.arange(count) + _shifts(band, slope)[:, None]
    taken = np.take_along_axis(band.steps, np.clip(rows, 0, count - 1)[None], axis=2)
    taken[:, (rows < 0) | (rows >= count)] = np.nan
    return taken


def _contrasts(band: _Look, slope: float) -> _Rows:
    """Return each row's median step over its standard uncertainty, in the channel where it is clearest."""
    aligned = _aligned(band, slope)
    count = np.isfinite(aligned[0]).sum(axis=0)
    enough = count > max(_SHOWN_SHARE * len(band.stations), 3)
    aligned, count = aligned[:, :, enough], count[enough]
    median = _median(aligned)
    spread = 1.4826 * _median(np.abs(aligned - median[:, None]))
    contrast = np.full((6, len(enough)), np.nan)
    contrast[:, enough] = median / (spread / np.sqrt(count) + _GREY_FLOOR)
    height = np.zeros_like(contrast)
    height[:, enough] = np.abs(median)
    channel = np.abs(np.nan_to_num(contrast)).argmax(axis=0)
    of_row = channel, np.arange(len(channel))
    return _Rows(contrast[of_row], height[of_row], channel)


def _median(values: Floats) -> Floats:
    """Return the median over the middle axis, NaN left out; much faster than numpy's for short columns."""
    ordered = np.sort(values, axis=1)  # NaN comes last
    count = np.isfinite(ordered).sum(axis=1, keepdims=True)
    low, high = (np.take_along_axis(ordered, place, axis=1)[:, 0] for place in ((count - 1) // 2, count // 2))
    return np.asarray((low + high) / 2.0, dtype=np.float32)


def _candidates(band: _Look, rows: _Rows, start_mm: float, side: int) -> list[int]:
    """Return the rows of clear steps beyond the target on one side, the nearest first, one a border."""
    order = np.arange(len(band.offsets))[::side]
    beyond = [row for row in order.tolist() if side * (band.offsets[row] - start_mm) > 0.0]
    strength = np.abs(np.nan_to_num(rows.contrast))
    depth = round(_BORDER_DEPTH_MM / band.mm_per_row)
    found: list[int] = []
    while beyond:
        row = beyond.pop(0)
        if strength[row] < _CONTRAST_MIN:
            continue
        near = [row, *beyond[:depth]]
        beyond = beyond[depth:]
        found.append(max(near, key=lambda i: float(rows.height[i])))
    return found


def _pick_pair(
    band: _Look, rows: _Rows, before: list[int], after: list[int]
) -> tuple[int | None, int | None]:
    """Choose the two borders: clear themselves, little of the like between them, and a width that exists."""
    strength = np.minimum(np.abs(np.nan_to_num(rows.contrast)), _CONTRAST_ENOUGH)
    best, pair = -math.inf, (before[0] if before else None, after[0] if after else None)
    for (i, above), (j, below) in itertools.product(enumerate(before), enumerate(after)):
        if not WIDTH_MIN_MM <= band.offsets[below] - band.offsets[above] <= WIDTH_MAX_MM:
            continue
        skipped = sum(strength[row] for row in [*before[:i], *after[:j]])
        score = strength[above] + strength[below] - skipped
        if score > best:
            best, pair = score, (above, below)
    return pair


def _fit_border(band: _Look, rows: _Rows, slope: float, row: int) -> _Fit | None:
    """Fit a border's line to its place in every chunk, outliers weighted down."""
    reach = round(_BORDER_DEPTH_MM / band.mm_per_row)
    near = row + _shifts(band, slope)[:, None] + np.arange(-reach, reach + 1)
    inside = np.flatnonzero((near[:, 0] >= 0) & (near[:, -1] < len(band.offsets)))
    window = np.sign(rows.contrast[row]) * band.steps[rows.channel[row], inside[:, None], near[inside]]
    top = window.max(axis=1)
    clear = top > 0.0  # NaN is not
    if clear.sum() < 3:
        return None
    weight = np.maximum(window - 0.5 * top[:, None], 0.0)[clear]
    offsets = band.offsets[near[inside[clear]]]
    places = (weight * offsets).sum(axis=1) / weight.sum(axis=1)
    return _fit_line(band.stations[inside[clear]], places, float(abs(rows.contrast[row])))


def _fit_line(stations: Array, places: Array, contrast: float) -> _Fit:
    """Fit a line by least squares with Tukey's weights, scaled by the median absolute deviation."""
    design = np.column_stack([np.ones(len(stations)), stations])
    weight = np.ones(len(stations))
    for _ in range(5):
        normal = design.T @ (weight[:, None] * design)
        line = np.linalg.solve(normal, design.T @ (weight * places))
        residual = places - design @ line
        sigma = max(1.4826 * float(np.median(np.abs(residual))), 0.05)
        weight = np.maximum(1.0 - (residual / (4.685 * sigma)) ** 2, 1e-3) ** 2
    cov = sigma**2 * np.linalg.inv(normal)
    u_offset, u_slope = np.sqrt(np.diag(cov)).tolist()
    return _Fit(float(line[0]), float(line[1]), u_offset, u_slope, contrast)


def _assemble(band: _Look, photo: _Photo, rows: _Rows, slope: float, fits: Sequence[_Fit | None]) -> Flange:
    found = [fit for fit in fits if fit is not None]
    slope, u_slope = _mean_slope(found, slope)
    along = _turned(band.along, slope)
    extent = photo.target.half_extent(_square_to(along))
    lines = [
        (fit.offset, fit.slope) if fit else (side * extent, slope)
        for fit, side in zip(fits, (-1, 1), strict=True)
    ]
    polygon = _cut(band, lines, photo.shown_mm)
    borders = [
        None if fit is None else Border(_ends_mm(band, polygon, fit), fit.u_offset, fit.contrast)
        for fit in fits
    ]
    hem_is_after, notes = _which_is_hem(band, fits)
    confidence = _confidence(fits)
    if len(found) < 2:
        notes.append(_MISSING_BORDER[len(found)])
    if _doubtful_rows(band, rows, lines, extent):
        confidence *= 0.8
        notes.append("a faint line along the ridge lies within the flange as found")
    fold, hem = borders if hem_is_after else borders[::-1]
    return Flange(along, u_slope, fold, hem, polygon, confidence, tuple(notes))


_MISSING_BORDER = (
    "neither border of the flange was found: only what lies level with the target is looked at; "
    "shoot again with ridge and hem in the picture",
    "one border of the flange was not found: on that side only what lies level with the target is looked at; "
    "shoot again with ridge and hem in the picture",
)


def _mean_slope(found: Sequence[_Fit], slope: float) -> tuple[float, float]:
    """Return the weighted mean slope of the borders, or the direction of all lines where there is none."""
    if not found:
        return slope, 10.0 * _U_PARALLEL_RAD
    weight = np.array([1.0 / (fit.u_slope**2 + _U_PARALLEL_RAD**2) for fit in found])
    mean = float(weight @ [fit.slope for fit in found] / weight.sum())
    return mean, float(1.0 / math.sqrt(weight.sum()))


def _cut(band: _Look, lines: Sequence[tuple[float, float]], shown_mm: Array) -> Array:
    """Return the part of the photo's outline on the plane between two lines."""
    far = 10.0 * _REACH_ALONG_MM
    (above, slope_above), (below, slope_below) = lines
    stations = np.array([-far, far, far, -far])
    offsets = np.array([above, above, below, below]) + stations * np.repeat([slope_above, slope_below], 2)
    strip = band.to_mm(stations, offsets)
    _, outline = cv2.intersectConvexConvex(strip.astype(np.float32), shown_mm.astype(np.float32))
    return np.asarray(outline, dtype=float).reshape(-1, 2)


def _ends_mm(band: _Look, polygon: Array, fit: _Fit) -> Array:
    """Return where a border enters and leaves the outline of the band."""
    relative = polygon - band.middle
    stations, offsets = relative @ band.along, relative @ _square_to(band.along)
    on_line = np.abs(offsets - fit.offset - fit.slope * stations) < 0.5
    ends = np.array([stations[on_line].min(), stations[on_line].max()]) if on_line.any() else np.zeros(2)
    return band.to_mm(ends, fit.offset + fit.slope * ends)


def _which_is_hem(band: _Look, fits: Sequence[_Fit | None]) -> tuple[bool, list[str]]:
    """Say whether the second border is the hem."""
    before, after = (_like_a_hem(band, fit, side) for fit, side in zip(fits, (-1, 1), strict=True))
    notes = []
    if max(before, after) < _CLEARLY_MORE * min(before, after) or before == after:
        notes.append("which border is the fold and which the hem is not clear")
    return after >= before, notes


def _like_a_hem(band: _Look, fit: _Fit | None, side: int) -> float:
    """Return how much what lies beyond a border looks like panels under a hem, not like smooth sheet.

    Ribs change the grey level along the ridge, and the hem keeps light from the panels next to it.
    """
    if fit is None:
        return 0.0
    beyond = side * (band.offsets - fit.offset)
    rows = (beyond > 8.0) & (beyond < 60.0)
    shown = band.ground[rows].all(axis=0)
    if not rows.any() or shown.sum() * band.mm_per_column < 4.0 * _CHUNK_MM:
        return 0.0
    strip = band.picture[rows][:, shown]
    profile = strip.mean(axis=0).mean(axis=1)
    level = max(float(profile.mean()), 1.0)
    flank = round(_RIB_FLANK_MM / band.mm_per_column)
    ribs = float(np.std(profile[flank:] - profile[:-flank])) / level
    near = strip[np.argsort(beyond[rows])[:6]].mean()
    return ribs + _GROOVE_SHARE * max(0.0, 1.0 - float(near) / level)


def _doubtful_rows(band: _Look, rows: _Rows, lines: Sequence[tuple[float, float]], extent: float) -> bool:
    """Say whether a step that is nearly clear lies between the target and a border."""
    (above, _), (below, _) = lines
    depth = 2.0 * _BORDER_DEPTH_MM
    inside = (band.offsets > above + depth) & (band.offsets < below - depth) & (np.abs(band.offsets) > extent)
    return bool((np.abs(np.nan_to_num(rows.contrast[inside])) > _CONTRAST_DOUBTFUL).any())


def _confidence(fits: Sequence[_Fit | None]) -> float:
    """Return 0 .. 1 by the fainter border, below one half where one was not found."""
    clear = [fit.contrast / (fit.contrast + 4.0) for fit in fits if fit is not None]
    return {0: 0.1, 1: 0.4}.get(len(clear), 1.0) * min(clear, default=1.0)


def _shown_outline(view: View, z_mm: float) -> Array:
    """Return the convex outline, mm, of what the photo shows of a plane, shape (K, 2)."""
    width, height = view.camera.width, view.camera.height
    side = np.linspace(0.0, 1.0, 41)
    border = np.concatenate(
        [np.column_stack([side, np.full(41, end)]) for end in (0.0, 1.0)]
        + [np.column_stack([np.full(41, end), side]) for end in (0.0, 1.0)]
    ) * (width - 1, height - 1)
    rays = np.pad(undistort(view.camera, border), ((0, 0), (0, 1)), constant_values=1.0) @ view.rotation
    origin = view.position_mm
    with np.errstate(divide="ignore"):
        distance = (z_mm - origin[2]) / rays[:, 2]
    # Towards the horizon the plane is shown too small to be read.
    met = np.isfinite(distance) & (distance > 0.0) & (distance < 10.0 * abs(z_mm - origin[2]))
    points = (origin + distance[met, None] * rays[met])[:, :2]
    return np.asarray(cv2.convexHull(points.astype(np.float32)), dtype=float).reshape(-1, 2)


def _square_to(direction: Array) -> Array:
    return np.array([-direction[1], direction[0]])


def _turned(direction: Array, slope: float) -> Array:
    """Turn a direction towards its clockwise normal by a rise over run."""
    turned = direction + slope * _square_to(direction)
    unit: Array = turned / np.hypot(*turned)
    return unit


def _freeze(record: object, *names: str) -> None:
    for name in names:
        array = np.array(getattr(record, name), dtype=float)
        array.setflags(write=False)
        object.__setattr__(record, name, array)


def flatten_flange(
    image: NDArray[np.uint8],
    view: View,
    flange: Flange,
    *,
    z_mm: float,
    mm_per_px: float,
    aspect: float = 1.0,
) -> Rectified:
    """Return a whole flange straight from above, the ridge along its x axis; see `plane.rectify`."""
    axes = np.array([flange.along, flange.across])
    places = flange.polygon_mm @ axes.T
    low, extent = places.min(axis=0), np.ptp(places, axis=0)
    return rectify(
        image,
        view,
        z_mm=z_mm,
        corner_mm=low @ axes,
        size_mm=(float(extent[0]), float(extent[1])),
        mm_per_px=mm_per_px,
        along=flange.along,
        aspect=aspect,
    )
