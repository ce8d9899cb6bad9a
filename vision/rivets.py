"""Blind-rivet heads in a close-up: where they are in the photo, how surely, and which holes are empty.

Marks of about a head's size are proposed on the flattened flange; then a small network looks at each mark as
the photo shows it. Frames: plane mm of a target's frame, pixels of the upright photo.
"""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from cv2.typing import MatLike
from numpy.typing import ArrayLike, NDArray

from calib.camera import Array, undistort
from calib.errors import GeometryError
from vision.plane import Rectified, View, rectify, to_mm, to_px
from vision.rivet_net.faces import are_blank
from vision.rivet_net.net import PATCH_HEAD_PX, PATCH_PX, Answers, Mark, answer, prepare
from vision.rivet_net.scenes import single

Floats = NDArray[np.float32]
Picture = NDArray[np.uint8]

# Scale of the search: a head is this many px across. Coarser loses faint heads, finer finds no more.
SEARCH_HEAD_PX = 10
# Marks of one photo that the network looks at, the strongest first.
MARKS_MAX = 200
# Energy, in that of the quietest neighbourhood, from which on a mark is looked at. The faintest heads of a
# dozen photos had 90, and none came after 122 stronger marks.
MARK_ENERGY_MIN = 25.0
# The energy's logarithm is smoothed by this much, px: a head's glint alone is no mark.
MARK_SMOOTHING_PX = 2.5
# Beside a strong mark a faint head is no peak of that. It is one of the energy smoothed by the first of these
# over its surroundings' by the second, px: of heads a fifth to two fifths of a head from a white smear, drawn
# into a dozen photos, 40 of 60 are then looked at, 16 without, for a twentieth more marks.
FINE_SMOOTHING_PX, SURROUNDINGS_PX = 0.8, 12.0
# What colour counts beside brightness: it is coarser, and lights of two colours make it everywhere.
COLOUR_WEIGHT = 0.3
# A mark whose energy goes on to this share on two opposite sides is part of a line, not a spot.
LINE_SHARE = 0.85
# Smaller heads carry no shape.
PHOTO_HEAD_PX_MIN = 5.0
# How far around the target's origin is searched when no region is given.
REACH_MM = 1500.0
# Two centres nearer than this share of a head's diameter belong to one head.
SAME_HEAD_SHARE = 0.6
# Probability from which on a mark is called what it looks like, and from which on it is doubtful.
SCORE_MIN = 0.6
DOUBTFUL_SCORE_MIN = 0.2
# A mark that at a glance is a head or a hole with less than this probability is not looked at again.
LIKELY_SCORE_MIN = 0.01
# What may be a head is looked at from its middle and from this far beside it on four sides, in heads: the
# mean of five looks errs less than one.
BESIDE_HEADS = 0.1


@dataclass(frozen=True, eq=False, slots=True)
class RivetSighting:
    """One rivet head, or one empty hole, seen in a photo.

    Attributes
    ----------
    px : ndarray of shape (2,)
        Centre of the base circle on the sheet, in the upright photo.
    cov_px2 : ndarray of shape (2, 2)
        Covariance of that point.
    score : float
        Probability that it is what it was found as, 0..1.
    partly_seen : bool
        True if the photo's border cuts the head.
    """

    px: Array
    cov_px2: Array
    score: float
    partly_seen: bool

    def __post_init__(self) -> None:
        for name in ("px", "cov_px2"):
            array = np.array(getattr(self, name), dtype=float)
            array.setflags(write=False)
            object.__setattr__(self, name, array)


@dataclass(frozen=True, slots=True)
class Fasteners:
    """What one search found, the surest first.

    Attributes
    ----------
    rivets : tuple of RivetSighting
        Heads of the plan's size.
    holes : tuple of RivetSighting
        Holes without a rivet.
    doubtful : tuple of RivetSighting
        What is no head more likely than not, yet might be: nobody can say that no rivet is there.
    """

    rivets: tuple[RivetSighting, ...]
    holes: tuple[RivetSighting, ...]
    doubtful: tuple[RivetSighting, ...] = ()


@dataclass(frozen=True, eq=False, slots=True)
class Spots:
    """Places on a plane with the photo's scale and direction at each.

    Attributes
    ----------
    mm : ndarray of shape (N, 2)
        Plane points.
    px : ndarray of shape (N, 2)
        The same in the photo.
    axes : ndarray of shape (N, 2, 2)
        Plane directions of the patch's x and y axes: y towards the camera, x a quarter turn before it.
    px_by_head : ndarray of shape (N, 2, 2)
        Pixels of one head diameter along the patch's x and y axes, one column each.
    sin_tilt : ndarray of shape (N,)
        Sine of the angle between the line of sight and the sheet's normal.
    """

    mm: Array
    px: Array
    axes: Array
    px_by_head: Array
    sin_tilt: Array

    @property
    def head_px(self) -> Array:
        """Diameter of a head in the photo, mean over directions, shape (N,)."""
        size: Array = np.sqrt(np.abs(np.linalg.det(self.px_by_head)))
        return size


def find_rivets(
    image: Picture,
    view: View,
    *,
    z_mm: float,
    head_mm: float,
    region_mm: ArrayLike | None = None,
    target_outline_mm: ArrayLike | None = None,
) -> tuple[RivetSighting, ...]:
    """Find the rivet heads on one plane: the rivets of `find_fasteners`, which see."""
    return find_fasteners(
        image, view, z_mm=z_mm, head_mm=head_mm, region_mm=region_mm, target_outline_mm=target_outline_mm
    ).rivets


def find_fasteners(
    image: Picture,
    view: View,
    *,
    z_mm: float,
    head_mm: float,
    region_mm: ArrayLike | None = None,
    target_outline_mm: ArrayLike | None = None,
) -> Fasteners:
    """Find the rivet heads, and the holes that miss theirs, on one plane.

    Parameters
    ----------
    image : ndarray of shape (H, W, 3)
        The upright photo, BGR.
    view : View
        Its camera and pose.
    z_mm : float
        Depth of the sheet's surface in the target's frame: the target's thickness.
    head_mm : float
        Diameter of a head; heads of clearly another size are other fasteners.
    region_mm : array_like of shape (K, 2), optional
        Convex outline of the flange on the plane; nothing outside counts. Without it the surroundings of
        the target are searched.
    target_outline_mm : array_like of shape (K, 2), optional
        Outline of what lies on the sheet; nothing inside counts.

    Returns
    -------
    Fasteners
        Rivets and empty holes; none where the photo shows nothing of the region.

    Raises
    ------
    GeometryError
        If the head diameter is not a positive length.
    """
    if not head_mm > 0.0:
        msg = f"the rivets' head diameter must be > 0 mm, got {head_mm:g} mm; check rivet_head_mm of the plan"
        raise GeometryError(msg)
    region = visible_region(view, z_mm, head_mm, region_mm)
    if len(region) < 3:
        return Fasteners((), ())
    marks_mm = propose_marks(image, view, z_mm, head_mm, region, target_outline_mm)
    if not len(marks_mm):
        return Fasteners((), ())
    spots, answers = _look(image, view, z_mm, head_mm, marks_mm)
    likely = answers.probability[:, Mark.OTHER] < 1.0 - LIKELY_SCORE_MIN
    if not likely.any():
        return Fasteners((), ())
    # A head seen off centre is doubtful at first: such marks are looked at again from their middles.
    spots, answers = _look(image, view, z_mm, head_mm, _centres(spots, answers, head_mm)[likely])
    heads, holes = (
        _settle(image, view, z_mm, head_mm, spots, answers, mark) for mark in (Mark.RIVET, Mark.HOLE)
    )
    blank = _blank_among(heads, image, view, z_mm, head_mm)
    rivets = tuple(head for head in heads if head.score >= SCORE_MIN and head not in blank)
    empty = tuple(hole for hole in holes if hole.score >= SCORE_MIN)
    rest = tuple(head for head in heads if head not in rivets)
    return Fasteners(rivets, empty, _away_from(rest, empty, view, z_mm, SAME_HEAD_SHARE * head_mm))


# ---- where to look -------------------------------------------------------------------------------------


def visible_region(view: View, z_mm: float, head_mm: float, region_mm: ArrayLike | None = None) -> Array:
    """Return the part of a convex region of the plane that the photo shows large enough.

    Parameters
    ----------
    view : View
        The photo.
    z_mm : float
        Depth of the plane.
    head_mm : float
        Head diameter; where the photo makes less than 5 px of it nothing is searched.
    region_mm : array_like of shape (K, 2), optional
        Convex outline on the plane; by default a square around the target.

    Returns
    -------
    ndarray of shape (M, 2)
        Outline of the visible part, fewer than 3 points if there is none.

    Notes
    -----
    Each side of the frame is a plane through the camera and cuts the region along a straight line. The sides
    are those of the undistorted picture, so that a strip behind a barrel-shaped border is kept too many.
    """
    if region_mm is None:
        reach = REACH_MM
        region = np.array([[-reach, -reach], [reach, -reach], [reach, reach], [-reach, reach]])
    else:
        region = np.asarray(region_mm, dtype=float).reshape(-1, 2)
    camera = view.camera
    along_x, along_y = np.linspace(-0.5, camera.width - 0.5, 9), np.linspace(-0.5, camera.height - 0.5, 9)
    border = [(x, y) for x in along_x for y in along_y[[0, -1]]]
    border += [(x, y) for x in along_x[[0, -1]] for y in along_y]
    ideal = undistort(camera, border)
    low, high = ideal.min(axis=0), ideal.max(axis=0)
    depth_max = head_mm * min(camera.fx, camera.fy) / PHOTO_HEAD_PX_MIN
    sides = [(1.0, 0.0, -low[0], 0.0), (-1.0, 0.0, high[0], 0.0)]
    sides += [(0.0, 1.0, -low[1], 0.0), (0.0, -1.0, high[1], 0.0)]
    sides += [(0.0, 0.0, 1.0, -1.0), (0.0, 0.0, -1.0, depth_max)]
    for *normal, offset in sides:
        if len(region):
            in_camera = view.to_camera(np.column_stack([region, np.full(len(region), z_mm)]))
            region = _clip(region, in_camera @ np.array(normal) + offset)
    return region


def _clip(outline: Array, inside: Array) -> Array:
    """Cut a convex outline along the line where ``inside``, linear on the plane, changes its sign."""
    kept: list[Array] = []
    for here, there, at_here, at_there in zip(
        outline, np.roll(outline, -1, axis=0), inside, np.roll(inside, -1), strict=True
    ):
        if at_here >= 0.0:
            kept.append(here)
        if (at_here >= 0.0) != (at_there >= 0.0):
            kept.append(here + (there - here) * at_here / (at_here - at_there))
    return np.array(kept).reshape(-1, 2)


def propose_marks(
    image: Picture,
    view: View,
    z_mm: float,
    head_mm: float,
    region_mm: Array,
    target_outline_mm: ArrayLike | None = None,
) -> Array:
    """Return the places of a region that stand out at a head's size.

    Parameters
    ----------
    image, view, z_mm, head_mm
        As for `find_fasteners`.
    region_mm : ndarray of shape (K, 2)
        Visible part of the region.
    target_outline_mm : array_like of shape (K, 2), optional
        Outline of what lies on the sheet.

    Returns
    -------
    ndarray of shape (N, 2)
        Plane points, the strongest first.

    Notes
    -----
    The flattened picture is correlated with a few patterns as large as a head: disc, light from one side,
    rim, spot in the middle. A mark's energy is the sum of their squares over that of the quietest
    neighbourhood near it: the same for a faint head on smooth paint as for a bright one on grained metal,
    and for a head beside an edge. Marks are its peaks, and the peaks of what rises over its surroundings.
    """
    flat = _flatten(image, view, z_mm, head_mm, region_mm)
    level = _mark_level(_filled(flat))
    energy = single(cv2.exp(_smoothed(level, MARK_SMOOTHING_PX)))
    relief = _smoothed(level, FINE_SMOOTHING_PX) - _surroundings(level)
    inside = np.zeros(energy.shape, dtype=np.uint8)
    cv2.fillPoly(inside, [np.round(flat.from_plane_mm(region_mm)).astype(np.int32)], 1)
    if target_outline_mm is not None:
        cv2.fillPoly(inside, [np.round(flat.from_plane_mm(target_outline_mm)).astype(np.int32)], 0)
    outside = (inside == 0) | ~flat.seen
    energy[outside], relief[outside] = 0.0, -np.inf
    peaks = _peaks(energy, 0.7)
    peaks |= _peaks(relief, 0.5) & (cv2.dilate(peaks.astype(np.uint8), _square(1.0)) == 0)
    rows, columns = np.nonzero(peaks & (energy > MARK_ENERGY_MIN))
    spots = ~_on_line(energy, rows, columns)
    rows, columns = rows[spots], columns[spots]
    strongest = np.argsort(-energy[rows, columns], kind="stable")[:MARKS_MAX]
    return flat.to_plane_mm(np.column_stack([columns, rows])[strongest])


def _smoothed(picture: Floats, sigma_px: float) -> Floats:
    return single(cv2.GaussianBlur(picture, (0, 0), sigma_px))


def _surroundings(level: Floats) -> Floats:
    """Return a picture smoothed widely; on a quarter of its width and height, where it costs little."""
    height, width = level.shape
    small = cv2.resize(level, (max(1, width // 4), max(1, height // 4)), interpolation=cv2.INTER_AREA)
    return single(cv2.resize(_smoothed(single(small), SURROUNDINGS_PX / 4.0), (width, height)))


def _peaks(height: Floats, side_heads: float) -> NDArray[np.bool_]:
    """Tell where a picture is greatest in a square about the place."""
    return np.asarray(height == cv2.dilate(height, _square(side_heads)))


def _square(heads: float, head_px: int = SEARCH_HEAD_PX) -> NDArray[np.uint8]:
    side = round(heads * head_px) | 1
    return np.ones((side, side), dtype=np.uint8)


def _on_line(energy: Floats, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Tell which marks are parts of edges: most of their energy goes on on two opposite sides."""
    away = 0.9 * SEARCH_HEAD_PX
    padded = np.pad(energy, SEARCH_HEAD_PX)
    result = np.zeros(len(rows), dtype=bool)
    for angle in np.arange(8) * np.pi / 8.0:
        across, down = round(away * np.cos(angle)), round(away * np.sin(angle))
        sides = [
            padded[rows + SEARCH_HEAD_PX + sign * down, columns + SEARCH_HEAD_PX + sign * across]
            for sign in (1, -1)
        ]
        result |= np.minimum(*sides) >= LINE_SHARE * energy[rows, columns]
    return result


def _flatten(image: Picture, view: View, z_mm: float, head_mm: float, region_mm: Array) -> Rectified:
    """Resample a region's bounding rectangle, its longest side along x, a margin of one head around."""
    sides = np.roll(region_mm, -1, axis=0) - region_mm
    longest = sides[np.argmax(np.hypot(*sides.T))]
    along = longest / np.hypot(*longest)
    axes = np.array([along, (-along[1], along[0])])
    placed = region_mm @ axes.T
    low, high = placed.min(axis=0) - head_mm, placed.max(axis=0) + head_mm
    return rectify(
        image,
        view,
        z_mm=z_mm,
        corner_mm=low @ axes,
        size_mm=(float(high[0] - low[0]), float(high[1] - low[1])),
        mm_per_px=head_mm / SEARCH_HEAD_PX,
        along=along,
    )


def _filled(flat: Rectified) -> list[Floats]:
    """Return the colours with what the photo does not show filled from beside it: its border is no mark."""
    levels = [np.asarray(plane, np.float32) for plane in cv2.split(flat.image)]
    if flat.seen.all():
        return levels
    window = (25 * SEARCH_HEAD_PX // 10, 25 * SEARCH_HEAD_PX // 10)
    seen = flat.seen.astype(np.float32)
    share = np.maximum(single(cv2.blur(seen, window)), 1e-6)
    return [np.where(flat.seen, plane, single(cv2.blur(plane * seen, window)) / share) for plane in levels]


def _mark_level(levels: list[Floats]) -> Floats:
    """Return the logarithm of the energy."""
    blue, green, red = levels
    energy = _standing_out((blue + green + red) / 3.0, _patterns(SEARCH_HEAD_PX), SEARCH_HEAD_PX)
    # Photos are stored with colours at half their size.
    half = (max(1, len(blue) // 2), max(1, blue.shape[1] // 2))
    for colour in (blue - green, red - green):
        small = single(cv2.resize(colour, half[::-1], interpolation=cv2.INTER_AREA))
        disc, *_ = _patterns(SEARCH_HEAD_PX // 2)
        # A pixel of four has a quarter of their noise.
        stands_out = _standing_out(2.0 * small, (disc,), SEARCH_HEAD_PX // 2)
        energy += np.float32(COLOUR_WEIGHT) * single(cv2.resize(stands_out, blue.shape[::-1]))
    return single(cv2.log(energy + 1.0))


def _standing_out(channel: Floats, patterns: tuple[Floats, ...], head_px: int) -> Floats:
    """Return the squared correlations with patterns in those of the quietest neighbourhood."""
    total = np.zeros_like(channel)
    for answer_px in _correlations(channel, patterns):
        total += answer_px * answer_px
    local = cv2.GaussianBlur(total, (0, 0), 0.08 * head_px)
    # The geometric mean, which a strong mark hardly raises, where it is least; 1 and 4 squared grey levels
    # are the noise of 8-bit pictures.
    around = (25 * head_px // 10, 25 * head_px // 10)
    quietest = cv2.erode(cv2.blur(cv2.log(local + 1.0), around), _square(3.0, head_px))
    return single(local) / (single(cv2.exp(quietest)) + np.float32(4.0))


def _correlations(channel: Floats, patterns: tuple[Floats, ...]) -> Iterator[Floats]:
    """Yield the correlation with each pattern; by Fourier transform, which the channel needs but once."""
    height, width = channel.shape
    reach = len(patterns[0]) // 2
    padded = cv2.copyMakeBorder(channel, reach, reach, reach, reach, cv2.BORDER_REFLECT_101)
    size = [cv2.getOptimalDFTSize(length) for length in padded.shape]
    spectrum = cv2.dft(_enlarged(padded, size))
    for pattern in patterns:
        own = cv2.dft(_enlarged(pattern, size), nonzeroRows=len(pattern))
        back = cv2.idft(cv2.mulSpectrums(spectrum, own, 0, conjB=True), flags=cv2.DFT_SCALE)
        yield single(back)[:height, :width]


def _enlarged(picture: MatLike, size: Sequence[int]) -> MatLike:
    """Return a picture with zeros below and to the right of it."""
    down, right = size[0] - picture.shape[0], size[1] - picture.shape[1]
    return cv2.copyMakeBorder(picture, 0, down, 0, right, cv2.BORDER_CONSTANT, value=0.0)


@lru_cache(maxsize=2)
def _patterns(head_px: int) -> tuple[Floats, ...]:
    """Return orthonormal patterns of zero mean: disc, light from the side, light from above, rim, spot."""
    half = head_px / 2.0
    reach = int(np.ceil(1.45 * half))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(float)
    radius = np.hypot(x, y) / half

    def within(share: float) -> Array:
        return np.asarray(1.0 / (1.0 + np.exp((radius - share) * half / 0.5)))

    disc, all_ = within(1.0), within(1.45)
    rim, spot, top = within(1.15) - within(0.75), within(0.35), within(0.8)
    raw = [_against(disc, all_ - disc), x * disc, y * disc]
    raw += [_against(rim, all_ - rim), _against(spot, top - spot)]
    patterns: list[Array] = []
    for pattern in raw:
        for earlier in patterns:
            pattern = pattern - (pattern * earlier).sum() * earlier
        pattern = pattern - pattern.mean()
        patterns.append(pattern / np.linalg.norm(pattern))
    return tuple(pattern.astype(np.float32) for pattern in patterns)


def _against(one: Array, other: Array) -> Array:
    return np.asarray(one / one.sum() - other / other.sum())


# ---- what is there -------------------------------------------------------------------------------------


def spots_at(view: View, z_mm: float, head_mm: float, mm: Array) -> Spots:
    """Return the photo's scale and direction at places of a plane, shape (N, 2)."""
    places = np.asarray(mm, dtype=float).reshape(-1, 2)
    sight = view.position_mm - np.column_stack([places, np.full(len(places), z_mm)])
    level = np.hypot(sight[:, 0], sight[:, 1])
    # Straight from above every direction is as good: the plane's own.
    down = np.where(level[:, None] > 1e-6, sight[:, :2] / np.maximum(level, 1e-6)[:, None], (0.0, 1.0))
    axes = np.stack([np.column_stack([down[:, 1], -down[:, 0]]), down], axis=1)
    half = head_mm / 2.0
    ends = [to_px(view, places + sign * half * axes[:, i], z_mm) for i in (0, 1) for sign in (1.0, -1.0)]
    px_by_head = np.stack([ends[0] - ends[1], ends[2] - ends[3]], axis=2)
    return Spots(places, to_px(view, places, z_mm), axes, px_by_head, level / np.linalg.norm(sight, axis=1))


def cut_patches(image: Picture, spots: Spots) -> NDArray[np.uint8]:
    """Return the surroundings of places as the network looks at them, shape (N, 32, 32, 3), BGR.

    Where the photo is finer than the patch it is averaged down first, so that no detail is skipped.
    """
    steps = (np.arange(PATCH_PX, dtype=float) - (PATCH_PX - 1) / 2.0) / PATCH_HEAD_PX
    grid = np.stack(np.meshgrid(steps, steps)).reshape(2, -1)
    where = spots.px[:, :, None] + spots.px_by_head @ grid
    halvings = np.clip(np.floor(np.log2(spots.head_px / PATCH_HEAD_PX + 0.25)), 0, 5).astype(int)
    patches = [_cut_patch(image, place, int(level)) for place, level in zip(where, halvings, strict=True)]
    return np.array(patches, dtype=np.uint8).reshape(-1, PATCH_PX, PATCH_PX, 3)


def _cut_patch(image: Picture, where: Array, halvings: int) -> NDArray[np.uint8]:
    """Sample a photo, halved so often, at the places of one patch, shape (2, PATCH_PX^2)."""
    # Pixel centres move by half a pixel where the corner of the picture stays where it is.
    places = (where + 0.5) / 2**halvings - 0.5
    limit = np.array([image.shape[1] >> halvings, image.shape[0] >> halvings])
    first = np.clip(np.floor(places.min(axis=1)).astype(int), 0, limit - 1)
    end = np.clip(np.floor(places.max(axis=1)).astype(int) + 2, first + 1, limit)
    (left, top), (right, bottom) = first << halvings, end << halvings
    part = image[top:bottom, left:right]
    if halvings:
        part = np.asarray(cv2.resize(part, end - first, interpolation=cv2.INTER_AREA), np.uint8)
    x, y = (places - first[:, None]).astype(np.float32).reshape(2, PATCH_PX, PATCH_PX)
    sampled = cv2.remap(part, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(sampled, np.uint8)


def _look(
    image: Picture,
    view: View,
    z_mm: float,
    head_mm: float,
    mm: Array,
    mirrored: NDArray[np.bool_] | None = None,
) -> tuple[Spots, Answers]:
    spots = spots_at(view, z_mm, head_mm, mm)
    patches = prepare(cut_patches(image, spots), single(spots.sin_tilt), single(spots.head_px))
    return spots, answer(patches, mirrored)


def _look_around(image: Picture, view: View, z_mm: float, head_mm: float, mm: Array) -> tuple[Spots, Answers]:
    """Look from each place and from beside it; the answers are the means, as seen from the place."""
    spots = spots_at(view, z_mm, head_mm, mm)
    steps = BESIDE_HEADS * np.array([[0.0, 0.0], [1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    # Some in the mirror: what the network sees otherwise there is its own error.
    mirrored = np.repeat([True, False, False, True, False], len(mm))
    beside = mm[None] + head_mm * np.einsum("si,nij->snj", steps, spots.axes)
    _, answers = _look(image, view, z_mm, head_mm, beside.reshape(-1, 2), mirrored)
    by_step = (len(steps), len(mm))
    offset = answers.offset.reshape(*by_step, 2) + single(steps)[:, None]
    mean = Answers(
        answers.probability.reshape(*by_step, -1).mean(axis=0),
        offset.mean(axis=0),
        answers.cov.reshape(*by_step, 2, 2).mean(axis=0),
    )
    return spots, mean


def _centres(spots: Spots, answers: Answers, head_mm: float) -> Array:
    """Return the plane points of the base circles' centres, shape (N, 2)."""
    centres: Array = spots.mm + head_mm * np.einsum("ni,nij->nj", answers.offset.astype(float), spots.axes)
    return centres


def _settle(
    image: Picture, view: View, z_mm: float, head_mm: float, spots: Spots, answers: Answers, mark: Mark
) -> tuple[RivetSighting, ...]:
    """Look once more at what may be a mark, from its middle; keep one sighting for each, doubtful or not."""
    apart_mm = SAME_HEAD_SHARE * head_mm
    centres_mm = _centres(spots, answers, head_mm)
    kept = _apart(centres_mm, answers.probability[:, mark], apart_mm, DOUBTFUL_SCORE_MIN)
    if not kept:
        return ()
    spots, answers = _look_around(image, view, z_mm, head_mm, centres_mm[kept])
    centres_mm = _centres(spots, answers, head_mm)
    kept = _apart(centres_mm, answers.probability[:, mark], apart_mm, DOUBTFUL_SCORE_MIN)
    px = spots.px + np.einsum("nij,nj->ni", spots.px_by_head, answers.offset.astype(float))
    cov_px2 = spots.px_by_head @ answers.cov.astype(float) @ spots.px_by_head.transpose(0, 2, 1)
    reach = np.sqrt((spots.px_by_head**2).sum(axis=2)) / 2.0
    limit = np.array([view.camera.width - 1.0, view.camera.height - 1.0])
    cut = ((px - reach < 0.0) | (px + reach > limit)).any(axis=1)
    return tuple(
        RivetSighting(px[i], cov_px2[i], float(answers.probability[i, mark]), bool(cut[i])) for i in kept
    )


def _away_from(
    some: tuple[RivetSighting, ...],
    others: tuple[RivetSighting, ...],
    view: View,
    z_mm: float,
    distance_mm: float,
) -> tuple[RivetSighting, ...]:
    """Return those that lie farther than a distance from all the others."""
    if not some or not others:
        return some
    at, away = (to_mm(view, [sighting.px for sighting in group], z_mm).mm for group in (some, others))
    apart = np.linalg.norm(at[:, None] - away[None], axis=2).min(axis=1) > distance_mm
    return tuple(itertools.compress(some, apart))


def _blank_among(
    heads: tuple[RivetSighting, ...], image: Picture, view: View, z_mm: float, head_mm: float
) -> tuple[RivetSighting, ...]:
    """Return the blank discs among heads that show a mandrel: dabs of sealant, chalk, mud."""
    if not heads:
        return ()
    centres = to_mm(view, [head.px for head in heads], z_mm).mm
    blank = are_blank(
        cut_patches(image, spots_at(view, z_mm, head_mm, centres)), [head.score for head in heads]
    )
    return tuple(itertools.compress(heads, blank))


def _apart(mm: Array, score: Floats, distance_mm: float, score_min: float) -> list[int]:
    """Return the indices of the best scores that stand apart from better ones, best first."""
    kept: list[int] = []
    for i in np.argsort(-score, kind="stable").tolist():
        if score[i] < score_min:
            break
        if all(np.hypot(*(mm[i] - mm[k])) > distance_mm for k in kept):
            kept.append(i)
    return kept
