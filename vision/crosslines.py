"""Lines across a flange, square to the ridge: sheet end edges, drawn marks, and what looks like them.

Frames: plane mm of the target's frame. A point's station is its place along the ridge (mm . along), its
offset the place square to it. A line's profile is its grey level along the ridge, averaged over its length.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from calib.errors import GeometryError
from vision.flange import Flange
from vision.plane import Floats, Rectified, rectify, to_px

# The numbers below are settings of ours, chosen on drawn pictures; no source.
# Fold and hem have highlights and shadows of their own.
_BORDER_MARGIN_MM = 8.0
# Edges and shadows of what lies on the sheet are left out by this margin.
_COVER_MARGIN_MM = 6.0
# The band is cut into strips along the ridge; a line is looked for in this many of them at least.
_STRIPS, _STRIPS_MIN = 12, 4
# Width of a thin line and of the ground that it is compared with on either side.
_LINE_MM, _GROUND_MM = 1.2, 2.0
# How far from square to the ridge a line may run (rise over run), and the step of the search.
_SLOPE_MAX, _SLOPE_STEP = 0.012, 0.002
# A strip says no more than this many of its standard deviations, so that a blot in one makes no line.
_CLIP = 4.0
# A line as first seen, and as fitted, stands out by this many; the floor of its noise is in grey levels.
_SEED_MIN, _CONTRAST_MIN, _GREY_FLOOR = 4.5, 5.0, 0.2
# What stands out less than this share of that before it is fitted is not fitted; most seeds are no lines.
_UNFITTED_SHARE = 0.7
# Lines nearer to each other than this are one, or its side lobes; the clearest are looked at closely.
_APART_MM, _MOST = 5.0, 8
# A line in most strips in sight, square enough, and straight: known this well at its middle.
_COVERAGE_MIN, _FITTED_SLOPE_MAX, _U_STATION_MAX_MM = 0.65, 0.015, 0.12
# Half width and step of a profile, half width of its part that strips are compared on, and distance of the
# rows that are averaged.
_REACH_MM, _STEP_MM, _CORE_MM, _ROW_MM = 10.0, 0.2, 3.0, 0.4
# A camera's blur (standard deviation, in its own pixels): lens, sensor and resampling together.
_BLUR_PX = 0.75
# A line's steepest flank, as a share of the flank that the blur would leave of a step of the line's height.
# Streaks of dirt and shadows with a penumbra are softer.
_SHARPNESS_MIN = 0.55
# What resampling leaves in a strip's shift.
_SHIFT_FLOOR_MM = 0.02
# A fitted line's flanks lie on both sides of it.
_ASIDE_MAX_MM = 0.8
# A strip further off than this does not show the same line.
_SHIFT_MAX_MM = 1.0
# A strip shows the line when its profile is like the typical one by this correlation.
_ALIKE = 0.5


@dataclass(frozen=True, eq=False, slots=True)
class CrossLine:
    """A line across the flange.

    Attributes
    ----------
    station_mm, offset_mm : float
        Its middle.
    slope : float
        Change of station per millimetre of offset.
    u_station_mm, u_slope : float
        Standard uncertainties of the fit (uncorrelated at the middle).
    half_length_mm : float
        Half of the length it was fitted on, square to the ridge.
    contrast : float
        Its line response over that response's standard uncertainty; negative when dark.
    coverage : float
        Share of the strips in sight that show it.
    rise, fall : float
        Steepest flanks towards brighter and darker along the ridge, as shares of a blurred step of the line's
        own height.
    blur_mm : float
        Blur expected there, along the ridge, standard deviation.
    distances_mm : ndarray of shape (M,)
        Places of the profile, along the ridge, from the line.
    levels : ndarray of shape (M, 3)
        Grey levels of the profile, one column a channel.
    u_level : float
        Standard uncertainty of those grey levels.
    """

    station_mm: float
    offset_mm: float
    slope: float
    u_station_mm: float
    u_slope: float
    half_length_mm: float
    contrast: float
    coverage: float
    rise: float
    fall: float
    blur_mm: float
    distances_mm: Array
    levels: Array
    u_level: float

    def __post_init__(self) -> None:
        for name in ("distances_mm", "levels"):
            array = np.array(getattr(self, name), dtype=float)
            array.setflags(write=False)
            object.__setattr__(self, name, array)


def find_cross_lines(
    image: NDArray[np.uint8], picture: Rectified, flange: Flange, covers_mm: Sequence[Array] = ()
) -> tuple[CrossLine, ...]:
    """Find the thin lines and sharp steps that cross a flange from fold to hem.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3)
        The upright photo that the picture was made of.
    picture : Rectified
        The flange flattened, its x axis along the ridge.
    flange : Flange
        Its borders and direction.
    covers_mm : sequence of ndarray of shape (K, 2)
        Outlines of what lies on the sheet: the target, a leaf.

    Returns
    -------
    tuple of CrossLine
        By station; empty when there are none, or when a border of the flange is not known.

    Raises
    ------
    GeometryError
        If the picture's x axis is not the ridge direction.

    Notes
    -----
    A line is found by its mean response over strips of the band, each clipped so that a blot in one strip
    makes no line, and is then fitted in the photo's own pixels: every strip's shift against the typical
    profile, by least squares, and a straight line through the shifts.
    """
    if abs(float(picture.along @ flange.across)) > _SLOPE_STEP:
        msg = "the flattened picture does not run along the ridge; flatten it along the flange's direction"
        raise GeometryError(msg)
    span = _span_mm(flange)
    if span is None:
        return ()
    band = _Band(image, picture, flange, span, covers_mm)
    lines: list[CrossLine] = []
    # The clearest first: two seeds may lead to one line.
    for seed in _find_seeds(band):
        line = _fit_line(band, seed)
        if line and all(abs(line.station_mm - other.station_mm) > _APART_MM for other in lines):
            lines.append(line)
    return tuple(sorted(lines, key=lambda line: line.station_mm))


@dataclass(frozen=True, eq=False, slots=True)
class _Band:
    """The photo, the flattened flange, the offsets looked at, and outlines of what lies on the sheet."""

    image: NDArray[np.uint8]
    picture: Rectified
    flange: Flange
    span: tuple[float, float]
    covers_mm: Sequence[Array]

    @property
    def middle_mm(self) -> float:
        return (self.span[0] + self.span[1]) / 2.0


def _span_mm(flange: Flange) -> tuple[float, float] | None:
    """Return the offsets between which lines are looked for."""
    if flange.fold is None or flange.hem is None:
        return None
    offsets = sorted(float((border.ends_mm @ flange.across).mean()) for border in (flange.fold, flange.hem))
    return offsets[0] + _BORDER_MARGIN_MM, offsets[1] - _BORDER_MARGIN_MM


@dataclass(frozen=True, eq=False, slots=True)
class _Strips:
    """The band averaged over strips along the ridge.

    ``levels`` and ``shown`` have shape (strips, columns); ``offsets`` (strips,) are the strips' middles.
    """

    levels: Floats
    shown: NDArray[np.bool_]
    offsets: Array


@dataclass(frozen=True, slots=True)
class _Seed:
    """A line as first seen: station at the band's middle, and slope."""

    station_mm: float
    slope: float


def _find_seeds(band: _Band) -> list[_Seed]:
    """Return the clearest lines, the clearest first."""
    strips, scale = _cut_strips(band), band.picture.mm_per_px
    response = _line_response(strips.levels, scale)
    clear = np.zeros_like(response)
    for row, values, shown in zip(clear, response, strips.shown, strict=True):
        if shown.any():
            ratio = values / (1.4826 * float(np.median(np.abs(values[shown]))) + _GREY_FLOOR)
            # The unclipped part only finds the middle of a line that every strip shows as clearly as can be.
            row[shown] = (np.clip(ratio, -_CLIP, _CLIP) + 0.01 * ratio)[shown]
    known = strips.shown.astype(np.float32)
    best, slope_of = np.zeros(response.shape[1]), np.zeros(response.shape[1])
    for slope in np.linspace(-_SLOPE_MAX, _SLOPE_MAX, 2 * round(_SLOPE_MAX / _SLOPE_STEP) + 1):
        shifts = np.round(slope * (strips.offsets - band.middle_mm) / scale).astype(int)
        total, count = _slanted_sum(clear, shifts), _slanted_sum(known, shifts)
        score = np.where(count >= _STRIPS_MIN, np.abs(total) / np.sqrt(np.maximum(count, 1.0)), 0.0)
        better = score > best
        best[better], slope_of[better] = score[better], slope
    start_mm = float(band.picture.origin_mm @ band.flange.along)
    columns = _peaks(best, math.floor(_APART_MM / scale))
    return [_Seed(start_mm + scale * column, float(slope_of[column])) for column in columns]


def _cut_strips(band: _Band) -> _Strips:
    picture = band.picture
    top = float(picture.origin_mm @ band.flange.across)
    low, high = (round((offset - top) / picture.mm_per_row) for offset in band.span)
    low, high = max(low, 0), min(high, picture.image.shape[0])
    grey = cv2.cvtColor(picture.image[low:high], cv2.COLOR_BGR2GRAY).astype(np.float32)
    shown = _uncovered(picture, band.covers_mm).astype(np.float32)
    size = (grey.shape[1], _STRIPS)
    share = _averaged(shown[low:high], size)
    reach = 2 * round((_LINE_MM / 2.0 + _GROUND_MM) / picture.mm_per_px) + 1
    known = cv2.erode((share > 0.99).astype(np.uint8), np.ones((1, reach), np.uint8), borderValue=0) > 0
    middles = top + picture.mm_per_row * (low + (np.arange(_STRIPS) + 0.5) * (high - low) / _STRIPS - 0.5)
    return _Strips(_averaged(grey, size), known, middles)


def _averaged(levels: Floats, size: tuple[int, int]) -> Floats:
    """Shrink a picture to a size (columns, rows), every pixel a mean."""
    return np.asarray(cv2.resize(levels, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _uncovered(picture: Rectified, covers_mm: Sequence[Array]) -> NDArray[np.bool_]:
    """Return where a picture shows the sheet itself."""
    shown = picture.seen.astype(np.uint8)
    for outline in covers_mm:
        corners = picture.from_plane_mm(_widened(np.asarray(outline, dtype=float)))
        cv2.fillPoly(shown, [corners.round().astype(np.int32)], 0)
    return shown > 0


def _widened(outline_mm: Array) -> Array:
    """Move an outline away from its middle by the margin of a cover."""
    away = outline_mm - outline_mm.mean(axis=0)
    away /= np.linalg.norm(away, axis=1, keepdims=True)
    # A corner moves by the margin along both of its sides.
    widened: Array = outline_mm + away * math.sqrt(2.0) * _COVER_MARGIN_MM
    return widened


def _line_response(levels: Floats, mm_per_px: float) -> Floats:
    """Return by how much each column is brighter than the ground on both sides of it."""
    core, ground = max(1, round(_LINE_MM / mm_per_px)), max(2, round(_GROUND_MM / mm_per_px))
    core += 1 - core % 2
    kernel = np.full(core + 2 * ground, -0.5 / ground, dtype=np.float32)
    kernel[ground:-ground] = 1.0 / core
    response = cv2.filter2D(levels, cv2.CV_32F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    return np.asarray(response, dtype=np.float32)


def _slanted_sum(rows: Floats, shifts: NDArray[np.int_]) -> Floats:
    """Add rows up along a slanted line: row k is taken ``shifts[k]`` columns further right."""
    width = rows.shape[1]
    total = np.zeros(width, dtype=np.float32)
    for row, shift in zip(rows, shifts.tolist(), strict=True):
        low, high = max(0, -shift), min(width, width - shift)
        total[low:high] += row[low + shift : high + shift]
    return total


def _peaks(score: Array, apart_px: int) -> list[int]:
    """Return the columns of the highest scores, each away from the higher ones."""
    columns: list[int] = []
    left = score.copy()
    while left.max(initial=0.0) >= _SEED_MIN and len(columns) < _MOST:
        column = int(left.argmax())
        left[max(column - apart_px, 0) : column + apart_px + 1] = 0.0
        columns.append(column)
    return columns


@dataclass(frozen=True, eq=False, slots=True)
class _Profiles:
    """Profiles of the strips along one line.

    ``levels`` has shape (3, strips, columns), NaN where the sheet is not shown; ``distances`` (columns,) are
    measured along the ridge from the line, ``offsets`` (strips,) from its middle, mm.
    """

    levels: Floats
    distances: Array
    offsets: Array

    @property
    def grey(self) -> Floats:
        """Means of the three channels, shape (strips, columns)."""
        return np.asarray(self.levels.mean(axis=0))

    @property
    def typical(self) -> Array:
        """Median grey profile, shape (columns,)."""
        return _median(self.grey)

    @property
    def core(self) -> NDArray[np.bool_]:
        """Columns near the line."""
        near: NDArray[np.bool_] = np.abs(self.distances) <= _CORE_MM
        return near

    def kept(self, strips: NDArray[np.bool_]) -> "_Profiles":
        """Return some of the strips."""
        return _Profiles(self.levels[:, strips], self.distances, self.offsets[strips])

    def shifted(self, line: Array) -> "_Profiles":
        """Move every strip so that what lies on the line a + b offset comes to lie at zero."""
        last = len(self.distances) - 1
        columns = np.arange(last + 1) + (line[0] + line[1] * self.offsets[:, None]) / _STEP_MM
        before = np.clip(np.floor(columns).astype(int), 0, last - 1)
        share = np.clip(columns - before, 0.0, 1.0).astype(np.float32)
        left, right = (np.take_along_axis(self.levels, (before + i)[None], axis=2) for i in (0, 1))
        return _Profiles(left + share * (right - left), self.distances, self.offsets)


def _profiles(band: _Band, seed: _Seed) -> _Profiles:
    """Sample the photo along a line."""
    flange, picture = band.flange, band.picture
    direction = flange.along - seed.slope * flange.across
    middle = seed.station_mm * flange.along + band.middle_mm * flange.across
    half = (band.span[1] - band.span[0]) / 2.0
    down = flange.across + seed.slope * flange.along
    flat = rectify(
        band.image,
        picture.view,
        z_mm=picture.z_mm,
        corner_mm=middle - _REACH_MM * direction - half * down,
        size_mm=(2.0 * _REACH_MM, 2.0 * half),
        mm_per_px=_STEP_MM,
        along=direction,
        aspect=_STEP_MM / _ROW_MM,
    )
    shown = _uncovered(flat, band.covers_mm).astype(np.float32)
    size = (flat.image.shape[1], _STRIPS)
    levels = _averaged(flat.image.astype(np.float32), size)
    levels[_averaged(shown, size) < 0.999] = np.nan
    distances = _STEP_MM * (np.arange(size[0]) - (size[0] - 1) / 2.0)
    offsets = 2.0 * half * ((np.arange(_STRIPS) + 0.5) / _STRIPS - 0.5)
    return _Profiles(np.ascontiguousarray(np.moveaxis(levels, 2, 0)), distances, offsets)


def _fit_line(band: _Band, seed: _Seed) -> CrossLine | None:
    """Fit a line in the photo's own pixels; None where too little of it shows."""
    profiles = _known_profiles(band, seed)
    aside = 0.0 if profiles is None else _middle_mm(profiles)
    if abs(aside) > _ASIDE_MAX_MM:
        # What was seen first is the flank of a line whose middle lies close to something on the sheet.
        seed = _Seed(seed.station_mm + aside, seed.slope)
        profiles = _known_profiles(band, seed)
    if profiles is None or abs(_middle_mm(profiles)) > _ASIDE_MAX_MM:
        return None
    if abs(_contrast(profiles)) < _UNFITTED_SHARE * _CONTRAST_MIN:
        return None
    alike = np.ones(len(profiles.offsets), dtype=bool)
    line, cov = np.zeros(2), np.zeros((2, 2))
    for _ in range(2):
        shifts, alike = _compare(profiles.shifted(line), alike)
        if alike.sum() < _STRIPS_MIN:
            return None
        shifts += line[0] + line[1] * profiles.offsets
        line, cov = _straight(profiles.offsets[alike], shifts[alike])
    moved = profiles.kept(alike).shifted(line)
    contrast, coverage = _contrast(moved), float(alike.mean())
    slope = abs(seed.slope + float(line[1]))
    if abs(contrast) < _CONTRAST_MIN or coverage < _COVERAGE_MIN or slope > _FITTED_SLOPE_MAX:
        return None
    found = _describe(band, seed, line, cov, moved, contrast, coverage)
    sharp = max(found.rise, found.fall) > _SHARPNESS_MIN
    return found if sharp and found.u_station_mm < _U_STATION_MAX_MM else None


def _known_profiles(band: _Band, seed: _Seed) -> _Profiles | None:
    """Return the profiles of the strips that show the sheet all about a line; None if they are too few."""
    profiles = _profiles(band, seed)
    # A strip may move by a millimetre twice, and is then still to be known all over the core.
    needed = np.abs(profiles.distances) <= _CORE_MM + 2.0 * _SHIFT_MAX_MM + _STEP_MM
    known = np.isfinite(profiles.levels[0][:, needed]).all(axis=1)
    return profiles.kept(known) if known.sum() >= _STRIPS_MIN else None


def _middle_mm(profiles: _Profiles) -> float:
    """Return where the flanks of the typical profile have their middle."""
    weight = np.gradient(profiles.typical)[profiles.core] ** 2
    return float(weight @ profiles.distances[profiles.core] / max(float(weight.sum()), 1e-9))


def _compare(profiles: _Profiles, alike: NDArray[np.bool_]) -> tuple[Array, NDArray[np.bool_]]:
    """Return every strip's shift against the typical profile of those alike so far, and which are like it.

    A strip is taken as a + b x + g T(x - shift), to first order in the shift.
    """
    core, x = profiles.core, profiles.distances[profiles.core]
    typical = profiles.kept(alike).typical
    strips = profiles.grey[:, core].T.astype(float)
    design = np.column_stack([np.ones(len(x)), x, typical[core], -np.gradient(typical, _STEP_MM)[core]])
    solution = np.linalg.lstsq(design, strips, rcond=None)[0]
    # The core is symmetric, so that level and trend are orthogonal.
    level = strips - strips.mean(axis=0)
    bare = level - np.outer(x, x @ level / (x @ x))
    left = strips - design @ solution
    explained = 1.0 - (left**2).sum(axis=0) / np.maximum((bare**2).sum(axis=0), 1e-9)
    gain = solution[2]
    shift = np.clip(solution[3] / np.where(np.abs(gain) > 1e-6, gain, 1e-6), -_SHIFT_MAX_MM, _SHIFT_MAX_MM)
    alike = (explained > _ALIKE**2) & (gain > 0.3) & (gain < 3.0) & (np.abs(shift) < _SHIFT_MAX_MM)
    return np.asarray(shift, dtype=float), alike


def _straight(offsets: Array, shifts: Array) -> tuple[Array, Array]:
    """Fit shift = a + b offset with Tukey's weights; return (a, b) and its covariance."""
    design = np.column_stack([np.ones(len(offsets)), offsets])
    weight = np.ones(len(offsets))
    for _ in range(5):
        normal = design.T @ (weight[:, None] * design)
        line = np.asarray(np.linalg.solve(normal, design.T @ (weight * shifts)), dtype=float)
        residual = shifts - design @ line
        sigma = max(1.4826 * float(_median(np.abs(residual))), _SHIFT_FLOOR_MM)
        weight = np.maximum(1.0 - (residual / (4.685 * sigma)) ** 2, 1e-3) ** 2
    # Two unknowns were taken from few strips.
    cov: Array = sigma**2 * np.linalg.inv(normal) * len(offsets) / (len(offsets) - 2)
    return line, cov


def _contrast(profiles: _Profiles) -> float:
    """Return the typical line response, or step if that is clearer, over its standard uncertainty."""
    x, levels = profiles.distances, profiles.grey
    near = np.abs(x) <= _LINE_MM / 2.0
    left, right = (
        levels[:, (side * x > _LINE_MM / 2.0) & (side * x <= _LINE_MM / 2.0 + _GROUND_MM)].mean(axis=1)
        for side in (-1, 1)
    )
    line = levels[:, near].mean(axis=1) - (left + right) / 2.0
    return max((_robust_ratio(values) for values in (line, right - left)), key=abs)


def _median(values: Floats | Array) -> Array:
    """Return the median over the first axis; for a dozen values numpy's own takes several times as long."""
    ordered = np.sort(values, axis=0)
    last = len(ordered) - 1
    return np.asarray((ordered[last // 2] + ordered[(last + 1) // 2]) / 2.0, dtype=float)


def _robust_ratio(values: Array) -> float:
    middle = float(_median(values))
    spread = 1.4826 * float(_median(np.abs(values - middle)))
    return middle / (spread / math.sqrt(len(values)) + _GREY_FLOOR)


def _describe(
    band: _Band, seed: _Seed, line: Array, cov: Array, moved: _Profiles, contrast: float, coverage: float
) -> CrossLine:
    shown = np.isfinite(moved.levels[0]).mean(axis=0) > 0.5
    levels, distances = moved.levels[:, :, shown], moved.distances[shown]
    count = np.isfinite(levels[0]).sum(axis=0)
    mean = np.nanmean(levels, axis=1).T
    spread = np.nanstd(levels - np.nanmean(levels, axis=2, keepdims=True), axis=1)
    station = seed.station_mm + float(line[0])
    blur_mm = _blur_mm(band, station)
    rise, fall = _flanks(distances, mean.mean(axis=1), blur_mm)
    return CrossLine(
        station_mm=station,
        offset_mm=band.middle_mm,
        slope=seed.slope + float(line[1]),
        u_station_mm=float(math.sqrt(cov[0, 0])),
        u_slope=float(math.sqrt(cov[1, 1])),
        half_length_mm=(band.span[1] - band.span[0]) / 2.0,
        contrast=contrast,
        coverage=coverage,
        rise=rise,
        fall=fall,
        blur_mm=blur_mm,
        distances_mm=distances,
        levels=mean,
        u_level=float(np.median(spread / np.sqrt(count))),
    )


def _blur_mm(band: _Band, station_mm: float) -> float:
    """Return the camera's blur along the ridge, on the sheet."""
    flange, picture = band.flange, band.picture
    middle = station_mm * flange.along + band.middle_mm * flange.across
    # A millimetre each way; the rows of the inverse are station and offset by the pixel.
    px = to_px(picture.view, middle + np.array([(0.0, 0.0), flange.along, flange.across]), picture.z_mm)
    mm_by_px = np.linalg.inv((px[1:] - px[0]).T)
    return _BLUR_PX * float(np.hypot(*mm_by_px[0]))


def _flanks(distances: Array, levels: Array, blur_mm: float) -> tuple[float, float]:
    """Return the steepest rise and fall near a line's middle, as shares of a blurred step of its height."""
    near = np.abs(distances) <= _CORE_MM
    slope = np.gradient(levels, distances)[near]
    height = max(float(np.ptp(levels[near])), 1e-3)
    blurred_step = height / (math.sqrt(2.0 * math.pi) * blur_mm)
    return float(max(slope.max(), 0.0)) / blurred_step, float(max(-slope.min(), 0.0)) / blurred_step
