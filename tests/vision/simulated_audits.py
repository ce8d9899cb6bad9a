"""Simulated close-ups for the tests: a cap with true rivets, laps and marks, and what a camera sees of them.

The pictures are left out; all that follows from them is ours: poses of photos that share a lens, places on
the sheet, rows, laps, verdicts. Corners, heads and lines have the noise that their covariances state; the
sheet is not flat, the card is printed within its tolerance, the upper sheet stands above the lower one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.camera import Array, Camera, project
from calib.sighting import TagSighting
from calib.targets import Target, built_in_target
from tests.vision.stepped import DISTANCES_MM, line_profile, step_profile
from vision.audit import FlangeAudit, audit_prepared
from vision.crosslines import CrossLine
from vision.flange import Border, Flange
from vision.network import SHAPE_UNKNOWNS
from vision.plan import Plan
from vision.plane import Rectified, View, to_mm, to_px
from vision.pose import (
    CLOSE_UP_BREATHING,
    PosedPhoto,
    SightedPattern,
    SightedPhoto,
    pose_photos,
    tag_patterns,
)
from vision.prepared import PreparedFlange, PreparedPhoto
from vision.rivets import Fasteners, RivetSighting, spots_at

LENS = Camera(4000, 3000, 3090.0, 3090.0, 2011.3, 1489.2, 0.031, -0.042, 4e-4, -3e-4)
WITNESS_MM, HEAD_MM = 203.2, 9.5
PLAN = Plan(witness_mm=WITNESS_MM, rivet_head_mm=HEAD_MM)
# Flange in the card's frame: offsets of fold, run row and hem, and of a lap's four rivets in a row.
_FOLD_MM, _ROW_MM, _HEM_MM = -24.0, 146.0, 165.0
_LAP_OFFSETS_MM = np.array([6.0, 52.0, 99.0, 146.0])
# How far a lap's rows stand from the edge, and by how much a crew is off; a head as a finder sees it.
_LAP_ROWS_MM, _U_SET_MM, _HEAD_SIGMA_PX = (28.0, 91.5), 1.5, 0.35
# Tangent of the widest angle that a picture shows.
_WIDEST = 0.85
# A corner as the tag finder states it, before the pose adds what its fit leaves out.
_CORNER_SIGMA_PX = 0.06
# The sheet's bow and slope along the ridge over 400 mm, and its dents; of the renderings' heights the rms is
# 0.5 mm within 450 mm of the card, and 1.1 mm beyond.
_BOW_MM, _LEAN_MM, _DENT_MM = 0.35, 0.25, 0.25


@dataclass(frozen=True, eq=False)
class TrueCap:
    """What one photo shows, exactly.

    Attributes
    ----------
    stations : ndarray of shape (N,)
        Run rivets along the ridge, mm in the card's frame.
    edge_mm, lower : float or None, int
        The upper sheet's end, if there is a lap, and on which side of it the lower sheet lies.
    lap_mm : float or None
        Length of the lap.
    rows_mm : tuple of float
        Distances of the lap's rows from the edge.
    missing : int
        Rivets that the lap lacks.
    """

    stations: Array
    edge_mm: float | None = None
    lower: int = 1
    lap_mm: float | None = None
    rows_mm: tuple[float, ...] = ()
    missing: int = 0


@dataclass(frozen=True, eq=False)
class Shot:
    """How one photo is taken: the true view of the card, and its distance and tilt."""

    view: View
    distance_mm: float
    tilt_deg: float


def draw_shot(rng: np.random.Generator, aim_mm: tuple[float, float], *, good: bool) -> Shot:
    """Return a camera that looks at a place of the flange: near and square if good, else as it comes."""
    distance = float(rng.uniform(600.0, 1000.0) if good else rng.uniform(550.0, 1250.0))
    tilt = float(np.radians(rng.uniform(3.0, 35.0 if good else 50.0)))
    towards, roll = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(-0.2, 0.2)
    forward = np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), np.cos(tilt)])
    right = np.array([np.cos(roll), np.sin(roll), 0.0])
    right -= right @ forward * forward
    right /= np.linalg.norm(right)
    rotation = np.array([right, np.cross(forward, right), forward])
    position = np.array([*aim_mm, 0.0]) - distance * forward
    breathed = float(np.exp(rng.normal(0.0, CLOSE_UP_BREATHING)))
    camera = replace(LENS, fx=LENS.fx * breathed, fy=LENS.fy * breathed)
    view = View(camera, rotation, -rotation @ position, np.zeros((15, 15)))
    return Shot(view, distance, float(np.degrees(tilt)))


def draw_prior(rng: np.random.Generator, *, has_profile: bool) -> Camera:
    """Return what is known of the lens beforehand, wrong by as much as it says: a profile, or little."""
    if has_profile:
        u = np.array([4.0, 4.0, 2.0, 2.0, 0.003, 0.01, 1e-4, 1e-4, 0.005])
        common = 0.999
    else:
        u = np.array([0.03 * LENS.fx] * 2 + [40.0, 30.0, 0.07, 0.1, 1e-3, 1e-3, 0.01])
        common = 1.0 - 0.5 * (0.002 / 0.03) ** 2
    cov = np.diag(u**2)
    cov[0, 1] = cov[1, 0] = common * cov[0, 0]
    start = LENS.parameters.copy()
    return LENS.with_parameters(start + np.linalg.cholesky(cov) @ rng.normal(size=9), cov)


def sight(
    rng: np.random.Generator, shot: Shot, name: str, prior: Camera, card: Target, print_mm: Array
) -> SightedPhoto:
    """Return what a photo sees of the card: corners with noise, an edge bias in common, a print's errors."""
    bias = rng.normal(0.0, 0.1)
    tags = []
    for tag in card.tags:
        px = _card_px(shot.view, tag.corners_mm())
        tags.append(TagSighting(tag.id, px, _CORNER_SIGMA_PX**2 * np.eye(8), _inward(px), 100.0))
    patterns = [
        _noisy(rng, pattern, _card_px(shot.view, pattern.corners_mm + error), bias)
        for pattern, error in zip(tag_patterns(tags, [card]), print_mm, strict=True)
    ]
    return SightedPhoto(name, prior, "one lens", 0, tuple(patterns))


def _noisy(rng: np.random.Generator, pattern: SightedPattern, true_px: Array, bias: float) -> SightedPattern:
    noise = np.linalg.cholesky(pattern.cov_px2) @ rng.normal(size=8)
    px = true_px + bias * pattern.bias_direction + noise.reshape(4, 2)
    return replace(pattern, corners_px=px)


def _card_px(view: View, mm: Array) -> Array:
    return project(view.camera, view.to_camera(np.column_stack([mm, np.zeros(len(mm))])))


def _inward(px: Array) -> Array:
    """Return how a square's corners move when its edges move inside by one pixel, shape (4, 2)."""
    sides = [np.roll(px, shift, axis=0) - px for shift in (-1, 1)]
    moved: Array = sum(side / np.linalg.norm(side, axis=1)[:, None] for side in sides)
    return moved


def draw_print(rng: np.random.Generator, card: Target) -> Array:
    """Return by how much a print's corners are off, shape (T, 4, 2), mm."""
    error: Array = card.sigma_mm * rng.normal(size=(len(card.tags), SHAPE_UNKNOWNS)).reshape(-1, 4, 2)
    return error


class _Sheet:
    """Depth of the sheet under the card's face: bowed along the ridge, dented, the upper sheet nearer."""

    def __init__(self, rng: np.random.Generator, cap: TrueCap) -> None:
        self._cap = cap
        self.rise_mm = float(np.clip(rng.normal(1.05, 0.25), 0.75, 1.6))
        self._bow, self._lean = rng.normal(0.0, _BOW_MM), rng.normal(0.0, _LEAN_MM)

    def depth_mm(self, station: Array, rng: np.random.Generator, *, dents: float = _DENT_MM) -> Array:
        """Return the depth of the sheet that lies on top at a station."""
        away = (np.asarray(station, dtype=float) - 95.0) / 400.0
        depth = self._bow * away**2 + self._lean * away + rng.normal(0.0, dents, np.shape(away))
        if self._cap.edge_mm is None:
            return depth
        card_on_upper = self.is_upper(np.array(95.0))
        other = self.is_upper(np.asarray(station)) != card_on_upper
        return depth + np.where(other, self.rise_mm if card_on_upper else -self.rise_mm, 0.0)

    def is_upper(self, station: Array) -> Array:
        """Say where the upper sheet lies on top."""
        assert self._cap.edge_mm is not None
        upper: Array = self._cap.lower * (station - self._cap.edge_mm) < 0.0
        return upper


def _px_at(view: View, stations: Array, offsets: Array, depths: Array) -> Array:
    return to_px(view, np.column_stack([stations, offsets]), depths)


def _inside(camera: Camera, px: Array, margin: float) -> Array:
    size = np.array([camera.width, camera.height])
    shown: Array = np.isfinite(px).all(axis=1) & (px > margin).all(axis=1) & (px < size - margin).all(axis=1)
    return shown


@dataclass(frozen=True, eq=False)
class Taken:
    """A photo of a cap before it is posed: what is true, and what its pixels show."""

    cap: TrueCap
    shot: Shot
    sighted: SightedPhoto
    sheet: _Sheet
    seed: int


def take(
    seed: int, cap: TrueCap, name: str, prior: Camera, card: Target, print_mm: Array, *, good: bool
) -> Taken:
    """Take one photo of a cap."""
    rng = np.random.default_rng(seed)
    middle = 95.0 if cap.edge_mm is None else (95.0 + cap.edge_mm) / 2.0
    shot = draw_shot(rng, (middle + rng.uniform(-40.0, 40.0), 75.0), good=good)
    return Taken(cap, shot, sight(rng, shot, name, prior, card, print_mm), _Sheet(rng, cap), seed)


def audit_job(photos: Sequence[Taken], card: Target) -> list[FlangeAudit]:
    """Pose the photos of one lens together, and audit every one."""
    poses = pose_photos([photo.sighted for photo in photos])
    audits: list[FlangeAudit] = []
    for photo in photos:
        pose = poses[photo.sighted.name]
        assert isinstance(pose, PosedPhoto), pose
        audits += audit_prepared(_prepared(photo, pose, card))
    return audits


def _prepared(photo: Taken, pose: PosedPhoto, card: Target) -> PreparedPhoto:
    rng = np.random.default_rng([photo.seed, 1])
    view = pose.views[card.name]
    found = _see_rivets(rng, photo)
    flange = _see_flange(photo, view)
    lines = () if photo.cap.edge_mm is None else _see_lines(rng, photo, view, flange)
    nothing = np.zeros((1, 1), dtype=bool)
    sheet = Rectified(
        np.zeros((1, 1, 3), np.uint8), nothing, view, card.thickness_mm, 1.0, np.zeros(2), flange.along
    )
    part = PreparedFlange(card, pose.labels[card.name], view, flange, Fasteners(found, ()), sheet, lines)
    return PreparedPhoto(photo.sighted.name, "0" * 64, PLAN, pose.rms_px, (), (part,))


def _see_rivets(rng: np.random.Generator, photo: Taken) -> tuple[RivetSighting, ...]:
    cap, view = photo.cap, photo.shot.view
    stations, offsets = [*cap.stations.tolist()], [_ROW_MM] * len(cap.stations)
    if cap.edge_mm is not None:
        places = [(cap.edge_mm - cap.lower * row, o) for row in cap.rows_mm for o in _LAP_OFFSETS_MM]
        # Those that are missing are never of the run's own row.
        kept = [place for i, place in enumerate(places) if i not in range(1, 1 + cap.missing)]
        stations += [s for s, _ in kept]
        offsets += [o + rng.normal(0.0, 1.0) for _, o in kept]
    low, high = _shown_span(photo)
    places = np.array([stations, offsets])
    places = places[:, (places[0] > low) & (places[0] < high)]
    px = _px_at(view, *places, photo.sheet.depth_mm(places[0], rng))
    size = spots_at(view, 0.0, HEAD_MM, places.T).head_px
    shown = _inside(view.camera, px, 0.0) & (size > 11.0)
    cov = _HEAD_SIGMA_PX**2 * np.eye(2)
    return tuple(
        RivetSighting(each + rng.normal(0.0, _HEAD_SIGMA_PX, 2), cov, 0.97, _is_cut(view, each, head_px))
        for each, head_px in zip(px[shown], size[shown], strict=True)
    )


def _is_cut(view: View, px: Array, head_px: float) -> bool:
    return not bool(_inside(view.camera, px[None], head_px / 2.0)[0])


def _shown_span(photo: Taken) -> tuple[float, float]:
    """Return the stations between which the photo shows the whole flange."""
    view, stations = photo.shot.view, np.arange(-900.0, 1100.0, 5.0)
    shown = np.ones(len(stations), dtype=bool)
    for offset in (_FOLD_MM, _HEM_MM):
        places = np.column_stack([stations, np.full(len(stations), offset), np.zeros(len(stations))])
        in_camera = view.to_camera(places)
        # Beyond the picture a lens's polynomial folds back into it.
        shown &= np.hypot(*(in_camera[:, :2] / in_camera[:, 2:]).T) < _WIDEST
        shown &= _inside(view.camera, to_px(view, places[:, :2], 0.0), 0.0)
    return float(stations[shown].min()), float(stations[shown].max())


def _see_flange(photo: Taken, view: View) -> Flange:
    """Return the band between fold and hem as far as the photo shows it whole."""
    low, high = _shown_span(photo)
    corners = [(low, _FOLD_MM), (high, _FOLD_MM), (high, _HEM_MM), (low, _HEM_MM)]
    polygon = to_mm(view, to_px(photo.shot.view, corners, 0.0), 0.0).mm
    along = polygon[1] - polygon[0]
    return Flange(
        along / np.hypot(*along),
        5e-4,
        Border(polygon[:2], 0.3, 20.0),
        Border(polygon[2:], 0.3, 20.0),
        polygon,
        0.9,
        (),
    )


def _see_lines(rng: np.random.Generator, photo: Taken, view: View, flange: Flange) -> tuple[CrossLine, ...]:
    """Return the upper sheet's end and the witness mark as lines, as far as they are in the picture."""
    cap, sheet, true = photo.cap, photo.sheet, photo.shot.view
    assert cap.edge_mm is not None
    assert cap.lap_mm is not None
    slope = _view_slope(true, cap)
    drawn_mm = WITNESS_MM + rng.normal(0.0, 0.5)
    mark_mm = cap.edge_mm + cap.lower * (drawn_mm - cap.lap_mm)
    depth = sheet.depth_mm(np.array([cap.edge_mm - 1e-3 * cap.lower, mark_mm]), rng, dents=0.15)
    # The line that an edge makes lies beside it, towards the lower sheet.
    beside = float(rng.uniform(0.1, 0.9))
    profile = step_profile(
        rng,
        edge_mm=-beside,
        rise_mm=sheet.rise_mm,
        view_slope=slope,
        face=float(rng.uniform(0.4, 1.4)),
        shadow_mm=float(rng.uniform(0.2, 2.0)) if rng.random() < 0.4 else 0.0,
        lower=float(rng.uniform(0.95, 1.05)),
    )
    edge = _seen_line(rng, true, view, flange, cap.edge_mm, float(depth[0]), profile[:: cap.lower])
    mark = _seen_line(rng, true, view, flange, mark_mm, float(depth[1]), line_profile(rng, ink=1.8))
    lines = []
    if edge is not None:
        lines.append(replace(edge, station_mm=edge.station_mm + cap.lower * beside))
    if mark is not None:
        lines.append(replace(mark, contrast=30.0))
    return tuple(sorted(lines, key=lambda line: line.station_mm))


def _view_slope(view: View, cap: TrueCap) -> float:
    assert cap.edge_mm is not None
    camera = view.position_mm
    return float(cap.lower * (camera[0] - cap.edge_mm) / -camera[2])


def _seen_line(
    rng: np.random.Generator,
    true: View,
    view: View,
    flange: Flange,
    station_mm: float,
    depth_mm: float,
    levels: Array,
) -> CrossLine | None:
    """Return a line at a true station and depth as it seems to lie on the plane of the solved view."""
    offsets = np.array([_FOLD_MM + 8.0, _HEM_MM - 8.0])
    px = _px_at(true, np.full(2, station_mm), offsets, np.full(2, depth_mm))
    if not _inside(true.camera, px, 20.0).all():
        return None
    mm = to_mm(view, px, 0.0).mm
    stations, seen = mm @ flange.along, mm @ flange.across
    u = 0.05
    return CrossLine(
        station_mm=float(stations.mean() + rng.normal(0.0, u)),
        offset_mm=float(seen.mean()),
        slope=float((stations[1] - stations[0]) / (seen[1] - seen[0])),
        u_station_mm=u,
        u_slope=3e-4,
        half_length_mm=float(abs(seen[1] - seen[0])) / 2.0,
        contrast=-20.0,
        coverage=1.0,
        rise=0.8,
        fall=0.8,
        blur_mm=0.33,
        distances_mm=DISTANCES_MM,
        levels=levels,
        u_level=0.2,
    )


def card() -> Target:
    """Return the card that lies on the flange."""
    return built_in_target("card")
