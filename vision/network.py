"""Photos, targets and points solved together; every prior is written as an observation.

Frames: the world is the frame of the fixed target placement, mm; each photo has a pose (world to camera,
sensor frame) and pixels in the sensor frame. Whatever is uncertain (lens, printing, edge bias, set-back) is
an unknown with a prior, so that the covariance of any length follows from one normal matrix.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Self, TypeVar

import numpy as np
from scipy import sparse

from calib.camera import PARAMETERS, Array, Camera, project_with_jacobians
from calib.errors import GeometryError
from vision.rotation import cross_matrix, from_vector

# Unknowns of one photo: small rotation, translation, ln of its focal factor, edge bias.
PHOTO_UNKNOWNS = 8
LENS_UNKNOWNS = len(PARAMETERS)
PLACEMENT_UNKNOWNS = 6
# A pattern is a rigid set of four corners; its own shape has at most two unknowns per corner.
CORNERS = 4
SHAPE_UNKNOWNS = 2 * CORNERS
# How exactly a point lies on its plane, mm: only there to make the constraint an observation.
_ON_PLANE_MM = 1e-3
# Where the robust loss of a tie point turns from square to linear, in standard deviations: 95 % efficiency,
# P. J. Huber, "Robust Statistics", 1981.
_HUBER = 1.345


@dataclass(frozen=True, eq=False)
class Lens:
    """A lens shared by photos: its prior, and how much its focal length breathes from photo to photo.

    Attributes
    ----------
    prior : Camera
        Mean and covariance in the sensor frame.
    u_breathing : float
        Standard uncertainty of ln(focal length) of one photo about the lens's own.
    """

    prior: Camera
    u_breathing: float


@dataclass(frozen=True, eq=False)
class Station:
    """One photo: its lens, its pose and its edge bias.

    Attributes
    ----------
    name : str
        Name of the photo, for messages.
    lens : int
        Index of its lens.
    rotation : ndarray of shape (3, 3)
        World axes to camera axes, sensor frame.
    translation_mm : ndarray of shape (3,)
        World origin in the camera frame.
    ln_focal : float
        ln of this photo's focal length over its lens's.
    edge_bias_px : float
        By how much black squares look smaller on each side.
    u_edge_bias_px : float
        Standard uncertainty of the edge bias about zero, before the adjustment.
    """

    name: str
    lens: int
    rotation: Array
    translation_mm: Array
    ln_focal: float = 0.0
    edge_bias_px: float = 0.0
    u_edge_bias_px: float = 0.5


@dataclass(frozen=True, eq=False)
class Placement:
    """Where a target stands in the world.

    Attributes
    ----------
    name : str
        Name of the target, for messages.
    rotation : ndarray of shape (3, 3)
        Target axes to world axes.
    translation_mm : ndarray of shape (3,)
        Target origin in the world.
    is_fixed : bool
        True for a placement that defines the world of the photos that see it.
    """

    name: str
    rotation: Array = field(default_factory=lambda: np.eye(3))
    translation_mm: Array = field(default_factory=lambda: np.zeros(3))
    is_fixed: bool = False


@dataclass(frozen=True, eq=False)
class Pattern:
    """Four corners of a target, rigid but for their tolerance.

    Attributes
    ----------
    label : str
        What it is, for messages ("tag 12").
    placement : int
        Index of its placement.
    corners_mm : ndarray of shape (4, 2)
        Nominal corners in the target's frame.
    tolerance_mm : ndarray of shape (4, 2, 8)
        Corner displacement per unit of each shape unknown; the unknowns have prior N(0, 1).
    shape : ndarray of shape (8,)
        The shape unknowns.
    """

    label: str
    placement: int
    corners_mm: Array
    tolerance_mm: Array
    shape: Array = field(default_factory=lambda: np.zeros(SHAPE_UNKNOWNS))


@dataclass(frozen=True, eq=False)
class PatternSighting:
    """A pattern seen in a photo.

    Attributes
    ----------
    station, pattern : int
        Indices.
    corners_px : ndarray of shape (4, 2)
        Corners in the sensor frame.
    cov_px2 : ndarray of shape (8, 8)
        Their covariance, without the edge bias.
    bias_direction : ndarray of shape (4, 2)
        Derivative of the corners by the edge bias.
    """

    station: int
    pattern: int
    corners_px: Array
    cov_px2: Array
    bias_direction: Array


@dataclass(frozen=True, eq=False)
class PointSighting:
    """A point of the world seen in a photo: a picked ridge end, or a natural tie point.

    Attributes
    ----------
    station, point : int
        Indices.
    px : ndarray of shape (2,)
        Where, sensor frame.
    sigma_px : float
        Standard uncertainty per axis.
    is_tie : bool
        True for a tie point, which gets a robust loss.
    """

    station: int
    point: int
    px: Array
    sigma_px: float
    is_tie: bool = False


Sighting = TypeVar("Sighting", PatternSighting, PointSighting)


@dataclass(frozen=True, slots=True)
class Tape:
    """A taped distance between the centres of two patterns, mm."""

    pattern_from: int
    pattern_to: int
    length_mm: float
    u_mm: float


@dataclass(frozen=True, slots=True)
class SetBack:
    """A plane parallel to a placement's face, at a depth with a prior, and the points that lie on it."""

    placement: int
    depth_mm: float
    u_mm: float
    points: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Network:
    """Everything that is adjusted together: unknowns with their present values, and observations."""

    lenses: tuple[Lens, ...]
    cameras: tuple[Camera, ...]
    stations: tuple[Station, ...]
    placements: tuple[Placement, ...]
    patterns: tuple[Pattern, ...]
    pattern_sightings: tuple[PatternSighting, ...]
    points_mm: Array = field(default_factory=lambda: np.zeros((0, 3)))
    point_sightings: tuple[PointSighting, ...] = ()
    tapes: tuple[Tape, ...] = ()
    set_back: SetBack | None = None
    set_back_depth_mm: float = 0.0

    def __post_init__(self) -> None:
        if not any(placement.is_fixed for placement in self.placements):
            msg = "a target placement must define the world"
            raise GeometryError(msg)

    def camera_of(self, station: int) -> Camera:
        """Return the intrinsics of one photo, its own focal factor included (sensor frame)."""
        place = self.stations[station]
        camera, factor = self.cameras[place.lens], float(np.exp(place.ln_focal))
        return replace(camera, fx=camera.fx * factor, fy=camera.fy * factor)

    def moved(self, layout: "Layout", step: Array) -> Self:
        """Return the network with its unknowns moved by a step, shape (layout.size,)."""
        cameras = tuple(
            camera.with_parameters(camera.parameters + step[layout.lens(i)])
            for i, camera in enumerate(self.cameras)
        )
        stations = tuple(_moved_station(s, step[layout.station(i)]) for i, s in enumerate(self.stations))
        placements = tuple(
            p if p.is_fixed else _moved_placement(p, step[layout.placement(i)])
            for i, p in enumerate(self.placements)
        )
        patterns = tuple(
            replace(pattern, shape=pattern.shape + step[layout.pattern(i)])
            for i, pattern in enumerate(self.patterns)
        )
        return replace(
            self,
            cameras=cameras,
            stations=stations,
            placements=placements,
            patterns=patterns,
            points_mm=self.points_mm + step[layout.points].reshape(-1, 3),
            set_back_depth_mm=self.set_back_depth_mm + float(step[layout.set_back]),
        )


def _moved_station(station: Station, step: Array) -> Station:
    return replace(
        station,
        rotation=from_vector(step[:3]) @ station.rotation,
        translation_mm=station.translation_mm + step[3:6],
        ln_focal=station.ln_focal + float(step[6]),
        edge_bias_px=station.edge_bias_px + float(step[7]),
    )


def _moved_placement(placement: Placement, step: Array) -> Placement:
    return replace(
        placement,
        rotation=from_vector(step[:3]) @ placement.rotation,
        translation_mm=placement.translation_mm + step[3:6],
    )


class Layout:
    """Where each unknown stands in the parameter vector; the points come last, to be eliminated."""

    def __init__(self, network: Network) -> None:
        self._stations = LENS_UNKNOWNS * len(network.lenses)
        self._patterns = self._stations + PHOTO_UNKNOWNS * len(network.stations)
        start = self._patterns + SHAPE_UNKNOWNS * len(network.patterns)
        self._placements: dict[int, int] = {}
        for i, placement in enumerate(network.placements):
            if not placement.is_fixed:
                self._placements[i] = start
                start += PLACEMENT_UNKNOWNS
        self.set_back = start
        self.first_point = start + 1
        self.size = self.first_point + 3 * len(network.points_mm)
        self.points = slice(self.first_point, self.size)

    def lens(self, i: int) -> slice:
        """Unknowns of a lens, in the order of `calib.camera.PARAMETERS`."""
        return slice(LENS_UNKNOWNS * i, LENS_UNKNOWNS * (i + 1))

    def station(self, i: int) -> slice:
        """Unknowns of a photo: small rotation, translation, ln focal, edge bias."""
        start = self._stations + PHOTO_UNKNOWNS * i
        return slice(start, start + PHOTO_UNKNOWNS)

    def pattern(self, i: int) -> slice:
        """Shape unknowns of a pattern."""
        start = self._patterns + SHAPE_UNKNOWNS * i
        return slice(start, start + SHAPE_UNKNOWNS)

    def placement(self, i: int) -> slice | None:
        """Small rotation and translation of a placement; None for a fixed one."""
        start = self._placements.get(i)
        return None if start is None else slice(start, start + PLACEMENT_UNKNOWNS)

    def point(self, i: int) -> slice:
        """Coordinates of a point."""
        return slice(self.first_point + 3 * i, self.first_point + 3 * (i + 1))


@dataclass(frozen=True, eq=False)
class Equations:
    """Whitened residuals and their derivatives: one row per observation, priors included.

    Attributes
    ----------
    residuals : ndarray of shape (M,)
        (observed - computed) / sigma.
    jacobian : sparse array of shape (M, N)
        Derivative of the computed value over sigma, by the unknowns.
    sources : tuple of str
        The source of uncertainty of each row: the lines of the budget.
    labels : tuple of str
        What each row is about, for messages.
    """

    residuals: Array
    jacobian: Any
    sources: tuple[str, ...]
    labels: tuple[str, ...]

    @property
    def cost(self) -> float:
        """Sum of squared whitened residuals."""
        return float(self.residuals @ self.residuals)


class _Rows:
    """Collects dense blocks of rows into one sparse system."""

    def __init__(self) -> None:
        self._row: list[Array] = []
        self._column: list[Array] = []
        self._value: list[Array] = []
        self._residuals: list[Array] = []
        self._sources: list[str] = []
        self._labels: list[str] = []
        self._count = 0

    def add(
        self, residual: Array, blocks: Sequence[tuple[slice | int | None, Array]], source: str, label: str
    ) -> None:
        """Add rows; each block is (columns, values of shape (rows, columns)); None columns are left out."""
        rows = np.arange(self._count, self._count + residual.size)
        for where, values in blocks:
            if where is None:
                continue
            columns = np.array([where]) if isinstance(where, int) else np.arange(where.start, where.stop)
            row, column = np.meshgrid(rows, columns, indexing="ij")
            self._row.append(row.ravel())
            self._column.append(column.ravel())
            self._value.append(np.asarray(values, dtype=float).ravel())
        self._residuals.append(residual)
        self._sources += [source] * residual.size
        self._labels += [label] * residual.size
        self._count += residual.size

    def equations(self, size: int) -> Equations:
        """Return all rows as one system."""
        values = (np.concatenate(self._value), (np.concatenate(self._row), np.concatenate(self._column)))
        jacobian = sparse.coo_array(values, shape=(self._count, size)).tocsr()
        return Equations(np.concatenate(self._residuals), jacobian, tuple(self._sources), tuple(self._labels))


def build_equations(network: Network, layout: Layout) -> Equations:
    """Return the whitened observation equations at the network's present values.

    Parameters
    ----------
    network : Network
        Unknowns and observations.
    layout : Layout
        Where the unknowns stand.

    Returns
    -------
    Equations
        One row per observation.

    Notes
    -----
    Derivatives are analytic; a pose changes by R' = exp([w]x) R, so dY/dw = -[R X]x for Y = R X + t.
    """
    rows = _Rows()
    _add_patterns(rows, network, layout)
    _add_points(rows, network, layout)
    _add_tapes(rows, network, layout)
    _add_set_back(rows, network, layout)
    _add_priors(rows, network, layout)
    return rows.equations(layout.size)


def corners_world_mm(network: Network, pattern: int) -> Array:
    """Return a pattern's corners in the world, its present shape included, shape (4, 3)."""
    item = network.patterns[pattern]
    placement = network.placements[item.placement]
    flat = item.corners_mm + item.tolerance_mm @ item.shape
    return flat @ placement.rotation[:, :2].T + placement.translation_mm


def _add_patterns(rows: _Rows, network: Network, layout: Layout) -> None:
    for station, sightings in _by_station(network.pattern_sightings).items():
        corners = np.concatenate([corners_world_mm(network, s.pattern) for s in sightings])
        seen = _seen_from(network, station, corners)
        for i, sighting in enumerate(sightings):
            part = slice(CORNERS * i, CORNERS * (i + 1))
            _add_pattern(rows, network, layout, sighting, seen.part(part), corners[part])


def _add_pattern(
    rows: _Rows, network: Network, layout: Layout, sighting: PatternSighting, seen: "_Seen", corners: Array
) -> None:
    pattern = network.patterns[sighting.pattern]
    placement = network.placements[pattern.placement]
    whiten = np.linalg.inv(np.linalg.cholesky(sighting.cov_px2))
    bias = network.stations[sighting.station].edge_bias_px
    computed = seen.px + bias * sighting.bias_direction
    by_placement = np.concatenate(
        [-seen.by_world @ cross_matrix(corners - placement.translation_mm), seen.by_world], axis=2
    )
    by_shape = seen.by_world @ placement.rotation[:, :2] @ pattern.tolerance_mm
    by_station = seen.by_station.copy()
    by_station[:, :, 7] = sighting.bias_direction
    blocks = [
        (layout.lens(network.stations[sighting.station].lens), seen.by_lens),
        (layout.station(sighting.station), by_station),
        (layout.placement(pattern.placement), by_placement),
        (layout.pattern(sighting.pattern), by_shape),
    ]
    rows.add(
        whiten @ (sighting.corners_px - computed).ravel(),
        [(where, whiten @ values.reshape(SHAPE_UNKNOWNS, -1)) for where, values in blocks],
        "target corners",
        f"{network.stations[sighting.station].name}: {pattern.label}",
    )


def _add_points(rows: _Rows, network: Network, layout: Layout) -> None:
    for station, sightings in _by_station(network.point_sightings).items():
        seen = _seen_from(network, station, network.points_mm[[s.point for s in sightings]])
        for i, sighting in enumerate(sightings):
            residual = (sighting.px - seen.px[i]) / sighting.sigma_px
            weight = _huber_weight(residual) if sighting.is_tie else 1.0
            scale = weight / sighting.sigma_px
            rows.add(
                weight * residual,
                [
                    (layout.lens(network.stations[station].lens), scale * seen.by_lens[i]),
                    (layout.station(station), scale * seen.by_station[i]),
                    (layout.point(sighting.point), scale * seen.by_world[i]),
                ],
                "tie points" if sighting.is_tie else "picks",
                point_label(network, sighting),
            )


def point_label(network: Network, sighting: PointSighting) -> str:
    """Return the label that the rows of a point sighting carry."""
    return f"{network.stations[sighting.station].name}: point {sighting.point}"


def _huber_weight(residual: Array) -> float:
    """Return the square root of Huber's weight for a residual in standard deviations, shape (2,)."""
    size = float(np.hypot(*residual))
    return 1.0 if size <= _HUBER else float(np.sqrt(_HUBER / size))


def _add_tapes(rows: _Rows, network: Network, layout: Layout) -> None:
    for tape in network.tapes:
        ends = [corners_world_mm(network, p).mean(axis=0) for p in (tape.pattern_from, tape.pattern_to)]
        distance = float(np.linalg.norm(ends[1] - ends[0]))
        direction = (ends[1] - ends[0]) / distance
        blocks: list[tuple[slice | int | None, Array]] = []
        for sign, index, end in ((-1.0, tape.pattern_from, ends[0]), (1.0, tape.pattern_to, ends[1])):
            pattern = network.patterns[index]
            placement = network.placements[pattern.placement]
            by_end = sign * direction[None, :] / tape.u_mm
            turn = -by_end @ cross_matrix(end - placement.translation_mm)
            blocks.append((layout.placement(pattern.placement), np.hstack([turn, by_end])))
            by_shape = by_end @ placement.rotation[:, :2] @ pattern.tolerance_mm.mean(axis=0)
            blocks.append((layout.pattern(index), by_shape))
        label = (
            f"tape {network.patterns[tape.pattern_from].label} to {network.patterns[tape.pattern_to].label}"
        )
        rows.add(np.array([(tape.length_mm - distance) / tape.u_mm]), blocks, "tape", label)


def _add_set_back(rows: _Rows, network: Network, layout: Layout) -> None:
    plane = network.set_back
    if plane is None:
        return
    placement = network.placements[plane.placement]
    normal = placement.rotation[:, 2]
    for point in plane.points:
        offset = network.points_mm[point] - placement.translation_mm
        by_placement = np.concatenate([np.cross(offset, normal), -normal])[None, :]
        rows.add(
            np.array([network.set_back_depth_mm - normal @ offset]) / _ON_PLANE_MM,
            [
                (layout.point(point), normal[None, :] / _ON_PLANE_MM),
                (layout.placement(plane.placement), by_placement / _ON_PLANE_MM),
                (layout.set_back, np.array([[-1.0 / _ON_PLANE_MM]])),
            ],
            "set-back",
            "plane of the ridge",
        )


def _add_priors(rows: _Rows, network: Network, layout: Layout) -> None:
    for i, (lens, camera) in enumerate(zip(network.lenses, network.cameras, strict=True)):
        whiten = np.linalg.inv(np.linalg.cholesky(lens.prior.cov))
        residual = whiten @ (lens.prior.parameters - camera.parameters)
        rows.add(residual, [(layout.lens(i), whiten)], "lens", "lens prior")
    for i, station in enumerate(network.stations):
        start = layout.station(i).start
        u_focal = network.lenses[station.lens].u_breathing
        rows.add(
            np.array([-station.ln_focal / u_focal]),
            [(start + 6, np.array([[1.0 / u_focal]]))],
            "focus breathing",
            station.name,
        )
        rows.add(
            np.array([-station.edge_bias_px / station.u_edge_bias_px]),
            [(start + 7, np.array([[1.0 / station.u_edge_bias_px]]))],
            "edge bias",
            station.name,
        )
    for i, pattern in enumerate(network.patterns):
        rows.add(
            -pattern.shape, [(layout.pattern(i), np.eye(SHAPE_UNKNOWNS))], "target tolerance", pattern.label
        )
    depth, u_depth = (
        (0.0, 1.0) if network.set_back is None else (network.set_back.depth_mm, network.set_back.u_mm)
    )
    rows.add(
        np.array([(depth - network.set_back_depth_mm) / u_depth]),
        [(layout.set_back, np.array([[1.0 / u_depth]]))],
        "set-back",
        "set-back",
    )


@dataclass(frozen=True, eq=False)
class _Seen:
    """World points as one photo sees them, with derivatives by lens, station and world point."""

    px: Array
    by_lens: Array
    by_station: Array
    by_world: Array

    def part(self, which: slice) -> "_Seen":
        return _Seen(self.px[which], self.by_lens[which], self.by_station[which], self.by_world[which])


def _seen_from(network: Network, index: int, world_mm: Array) -> _Seen:
    station = network.stations[index]
    camera = network.camera_of(index)
    turned = world_mm @ station.rotation.T
    in_camera = turned + station.translation_mm
    if not np.all(in_camera[:, 2] > 0.0):
        msg = f"{station.name}: a point has moved behind the camera"
        raise GeometryError(msg)
    projection = project_with_jacobians(camera, in_camera)
    focal_part = projection.by_parameters[:, :, 0] * camera.fx + projection.by_parameters[:, :, 1] * camera.fy
    by_station = np.concatenate(
        [
            -projection.by_point @ cross_matrix(turned),
            projection.by_point,
            focal_part[:, :, None],
            np.zeros((len(world_mm), 2, 1)),
        ],
        axis=2,
    )
    by_lens = projection.by_parameters.copy()
    by_lens[:, :, :2] *= np.exp(station.ln_focal)
    return _Seen(projection.px, by_lens, by_station, projection.by_point @ station.rotation)


def _by_station(sightings: Sequence[Sighting]) -> Mapping[int, list[Sighting]]:
    groups: dict[int, list[Sighting]] = {}
    for sighting in sightings:
        groups.setdefault(sighting.station, []).append(sighting)
    return groups
