"""The observation equations of a network: whitened residuals and their analytic derivatives.

One row per observation, priors included. A pose changes by R' = exp([w]x) R, so that dY/dw = -[R X]x for
Y = R X + t. Tie points have a robust loss.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from calib.camera import Array, project, project_with_jacobians
from calib.errors import GeometryError
from vision.network import (
    CORNERS,
    LENS_UNKNOWNS,
    PHOTO_UNKNOWNS,
    SHAPE_UNKNOWNS,
    Layout,
    Network,
    PatternSighting,
    PointSighting,
    Sighting,
    corners_world_mm,
)
from vision.rotation import cross_matrix

Columns = NDArray[np.intp]

# How exactly a point lies on its plane, mm: only there to make the constraint an observation.
_ON_PLANE_MM = 1e-3
# Where the robust loss of a tie point (P. J. Huber, "Robust Statistics", 1981) turns from square to linear,
# in standard deviations: 95 % of good sightings lie nearer, chi-square of two degrees of freedom.
_HUBER = 2.448

TIE_POINTS = "tie points"


@dataclass(frozen=True, eq=False)
class Equations:
    """Whitened residuals and their derivatives: one row per observation, priors included.

    Attributes
    ----------
    residuals : ndarray of shape (M,)
        (observed - computed) / sigma; those of tie points are times the root of Huber's weight.
    jacobian : sparse array of shape (M, N)
        Derivative of the computed value over sigma, by the unknowns, weighted likewise.
    sources : tuple of str
        The source of uncertainty of each row: the lines of the budget.
    labels : tuple of str
        What each row is about, for messages.
    cost : float
        What the adjustment makes least: squared residuals, Huber's loss for tie points.
    """

    residuals: Array
    jacobian: Any
    sources: tuple[str, ...]
    labels: tuple[str, ...]
    cost: float


class _Rows:
    """Collects dense blocks of rows into one sparse system, row by row as it is stored."""

    def __init__(self) -> None:
        self._widths: list[Columns] = []
        self._column: list[Columns] = []
        self._value: list[Array] = []
        self._residuals: list[Array] = []
        self._sources: list[str] = []
        self._labels: list[str] = []
        self.extra_cost = 0.0

    def add(
        self, residuals: Array, blocks: Sequence[tuple[Columns, Array]], source: str, labels: Sequence[str]
    ) -> None:
        """Add rows.

        Each block is (columns, values): values of shape (rows, C), columns of shape (C,) or (rows, C), where
        -1 stands for something that is not unknown. The labels are shared out evenly over the rows.
        """
        count = residuals.size
        width = sum(columns.shape[-1] for columns, _ in blocks)
        column, value = np.empty((count, width), dtype=np.intp), np.empty((count, width))
        first = 0
        for columns, values in blocks:
            block = np.s_[:, first : first + columns.shape[-1]]
            column[block], value[block] = columns, values.reshape(count, -1)
            first += columns.shape[-1]
        is_free = column >= 0
        self._widths.append(is_free.sum(axis=1))
        self._column.append(column[is_free])
        self._value.append(value[is_free])
        self._residuals.append(residuals.reshape(-1))
        self._sources += [source] * count
        self._labels += [label for label in labels for _ in range(count // len(labels))]

    def equations(self, size: int) -> Equations:
        """Return all rows as one system."""
        first = np.concatenate([[0], np.cumsum(np.concatenate(self._widths))])
        parts = (np.concatenate(self._value), np.concatenate(self._column), first)
        jacobian = sparse.csr_array(parts, shape=(len(first) - 1, size))
        residuals = np.concatenate(self._residuals)
        cost = float(residuals @ residuals) + self.extra_cost
        return Equations(residuals, jacobian, tuple(self._sources), tuple(self._labels), cost)


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

    Raises
    ------
    GeometryError
        If a point lies behind a camera that saw it.
    """
    rows = _Rows()
    for station, patterns in _by_station(network.pattern_sightings).items():
        _add_patterns(rows, network, layout, station, patterns)
    for station, points in _by_station(network.point_sightings).items():
        for is_tie in (False, True):
            group = [sighting for sighting in points if sighting.is_tie == is_tie]
            if group:
                _add_points(rows, network, layout, station, group)
    _add_tapes(rows, network, layout)
    _add_set_back(rows, network, layout)
    _add_lens_priors(rows, network, layout)
    _add_station_priors(rows, network, layout)
    _add_shape_priors(rows, network, layout)
    return rows.equations(layout.size)


def point_label(network: Network, sighting: PointSighting) -> str:
    """Return the label that the rows of a point sighting carry."""
    return f"{network.stations[sighting.station].name}: point {sighting.point}"


def point_residuals_px(network: Network, sightings: Sequence[PointSighting]) -> Array:
    """Return seen minus computed pixels of point sightings, shape (N, 2); infinite behind the camera."""
    residuals = np.full((len(sightings), 2), np.inf)
    where: dict[int, list[int]] = {}
    for i, sighting in enumerate(sightings):
        where.setdefault(sighting.station, []).append(i)
    for index, group in where.items():
        station = network.stations[index]
        points = network.points_mm[[sightings[i].point for i in group]]
        in_camera = points @ station.rotation.T + station.translation_mm
        ahead = in_camera[:, 2] > 0.0
        seen = np.array([sightings[i].px for i in group])[ahead]
        residuals[np.array(group)[ahead]] = seen - project(network.camera_of(index), in_camera[ahead])
    return residuals


def _by_station(sightings: Sequence[Sighting]) -> Mapping[int, list[Sighting]]:
    groups: dict[int, list[Sighting]] = {}
    for sighting in sightings:
        groups.setdefault(sighting.station, []).append(sighting)
    return groups


def _columns(where: slice) -> Columns:
    return np.arange(where.start, where.stop)


def _add_patterns(
    rows: _Rows, network: Network, layout: Layout, index: int, sightings: Sequence[PatternSighting]
) -> None:
    station, count = network.stations[index], len(sightings)
    patterns = [network.patterns[sighting.pattern] for sighting in sightings]
    stands = [network.placements[pattern.placement] for pattern in patterns]
    corners = np.stack([corners_world_mm(network, sighting.pattern) for sighting in sightings])
    seen = _seen_from(network, index, corners.reshape(-1, 3))
    directions = np.stack([sighting.bias_direction for sighting in sightings])
    seen.by_station[:, :, 7] = directions.reshape(-1, 2)
    computed = seen.px.reshape((*corners.shape[:2], 2)) + station.edge_bias_px * directions
    residuals = np.stack([sighting.corners_px for sighting in sightings]) - computed
    by_world = seen.by_world.reshape(count, CORNERS, 2, 3)
    origins = np.stack([stand.translation_mm for stand in stands])[:, None]
    by_placement = np.concatenate([-by_world @ cross_matrix(corners - origins), by_world], axis=3)
    across = np.stack([stand.rotation[:, :2] for stand in stands])[:, None]
    by_shape = by_world @ across @ np.stack([pattern.tolerance_mm for pattern in patterns])
    # Inverse Cholesky factors make the covariance of every sighting's eight coordinates the unit matrix.
    factors = np.linalg.cholesky(np.stack([sighting.cov_px2 for sighting in sightings]))
    whiten = np.asarray(np.linalg.inv(factors), dtype=float)
    each = np.repeat(np.arange(count), SHAPE_UNKNOWNS)
    placements = np.stack([layout.placement_columns(pattern.placement) for pattern in patterns])
    shapes = np.stack([_columns(layout.pattern(sighting.pattern)) for sighting in sightings])
    blocks = [
        (_columns(layout.lens(station.lens)), seen.by_lens),
        (_columns(layout.station(index)), seen.by_station),
        (placements[each], by_placement),
        (shapes[each], by_shape),
    ]
    rows.add(
        (whiten @ residuals.reshape(count, SHAPE_UNKNOWNS, 1)).ravel(),
        [(columns, whiten @ values.reshape(count, SHAPE_UNKNOWNS, -1)) for columns, values in blocks],
        "target corners",
        [f"{station.name}: {pattern.label}" for pattern in patterns],
    )


def _add_points(
    rows: _Rows, network: Network, layout: Layout, index: int, sightings: Sequence[PointSighting]
) -> None:
    """Add the points seen in one photo, all picks or all tie points."""
    seen = _seen_from(network, index, network.points_mm[[sighting.point for sighting in sightings]])
    sigma = np.array([sighting.sigma_px for sighting in sightings])[:, None]
    residuals = (np.stack([sighting.px for sighting in sightings]) - seen.px) / sigma
    scale = 1.0 / sigma
    is_tie = sightings[0].is_tie
    if is_tie:
        roots, loss = _huber(residuals)
        residuals, scale = roots * residuals, roots * scale
        rows.extra_cost += loss - float(np.square(residuals).sum())
    points = layout.point_columns([sighting.point for sighting in sightings])
    rows.add(
        residuals,
        [
            (_columns(layout.lens(network.stations[index].lens)), scale[:, :, None] * seen.by_lens),
            (_columns(layout.station(index)), scale[:, :, None] * seen.by_station),
            (np.repeat(points, 2, axis=0), scale[:, :, None] * seen.by_world),
        ],
        TIE_POINTS if is_tie else "picks",
        (TIE_POINTS,) if is_tie else [point_label(network, sighting) for sighting in sightings],
    )


def _huber(residuals: Array) -> tuple[Array, float]:
    """Return the square roots of Huber's weights, shape (N, 1), and the loss of residuals, shape (N, 2).

    The loss of a residual of size s (in standard deviations) is s^2 up to k and 2 k s - k^2 beyond.
    """
    size = np.hypot(residuals[:, :1], residuals[:, 1:])
    beyond = np.maximum(size, _HUBER)
    loss = np.where(size > _HUBER, 2.0 * _HUBER * size - _HUBER**2, size**2)
    return np.sqrt(_HUBER / beyond), float(loss.sum())


def _add_tapes(rows: _Rows, network: Network, layout: Layout) -> None:
    for tape in network.tapes:
        indices = (tape.pattern_from, tape.pattern_to)
        ends = [corners_world_mm(network, index).mean(axis=0) for index in indices]
        distance = float(np.linalg.norm(ends[1] - ends[0]))
        direction = (ends[1] - ends[0])[None] / distance
        blocks: list[tuple[Columns, Array]] = []
        for sign, index, end in zip((-1.0, 1.0), indices, ends, strict=True):
            pattern = network.patterns[index]
            placement = network.placements[pattern.placement]
            by_end = sign * direction / tape.u_mm
            turn = -by_end @ cross_matrix(end - placement.translation_mm)
            blocks.append((layout.placement_columns(pattern.placement), np.hstack([turn, by_end])))
            by_shape = by_end @ placement.rotation[:, :2] @ pattern.tolerance_mm.mean(axis=0)
            blocks.append((_columns(layout.pattern(index)), by_shape))
        labels = [network.patterns[index].label for index in indices]
        residual = np.array([(tape.length_mm - distance) / tape.u_mm])
        rows.add(residual, blocks, "tape", [f"tape from {labels[0]} to {labels[1]}"])


def _add_set_back(rows: _Rows, network: Network, layout: Layout) -> None:
    plane = network.set_back
    depth_mm, u_mm = (0.0, 1.0) if plane is None else (plane.depth_mm, plane.u_mm)
    depth_column = np.array([layout.set_back])
    residual = np.array([(depth_mm - network.set_back_depth_mm) / u_mm])
    rows.add(residual, [(depth_column, np.array([[1.0 / u_mm]]))], "set-back", ["set-back"])
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
                (_columns(layout.point(point)), normal[None, :] / _ON_PLANE_MM),
                (layout.placement_columns(plane.placement), by_placement / _ON_PLANE_MM),
                (depth_column, np.array([[-1.0 / _ON_PLANE_MM]])),
            ],
            "set-back",
            ["plane of the ridge"],
        )


def _add_lens_priors(rows: _Rows, network: Network, layout: Layout) -> None:
    for i, (lens, camera) in enumerate(zip(network.lenses, network.cameras, strict=True)):
        whiten = np.linalg.inv(np.linalg.cholesky(lens.prior.cov))
        residual = whiten @ (lens.prior.parameters - camera.parameters)
        rows.add(residual, [(_columns(layout.lens(i)), whiten)], "lens", [f"lens {i}"])


def _add_station_priors(rows: _Rows, network: Network, layout: Layout) -> None:
    starts = np.array([[layout.station(i).start] for i in range(len(network.stations))])
    names = [station.name for station in network.stations]
    u_focal = np.array([network.lenses[station.lens].u_breathing for station in network.stations])
    focal = np.array([station.ln_focal for station in network.stations])
    rows.add(-focal / u_focal, [(starts + 6, 1.0 / u_focal)], "focus breathing", names)
    u_bias = np.array([station.u_edge_bias_px for station in network.stations])
    bias = np.array([station.edge_bias_px for station in network.stations])
    rows.add(-bias / u_bias, [(starts + 7, 1.0 / u_bias)], "edge bias", names)


def _add_shape_priors(rows: _Rows, network: Network, layout: Layout) -> None:
    if not network.patterns:
        return
    first = layout.pattern(0).start
    columns = first + np.arange(SHAPE_UNKNOWNS * len(network.patterns))[:, None]
    shapes = np.concatenate([pattern.shape for pattern in network.patterns])
    labels = [
        f"{network.placements[pattern.placement].name}: {pattern.label}" for pattern in network.patterns
    ]
    rows.add(-shapes, [(columns, np.ones(len(columns)))], "target tolerance", labels)


@dataclass(frozen=True, eq=False)
class _Seen:
    """World points as one photo sees them, with derivatives by lens, station and world point."""

    px: Array
    by_lens: Array
    by_station: Array
    by_world: Array


def _seen_from(network: Network, index: int, world_mm: Array) -> _Seen:
    station = network.stations[index]
    camera = network.camera_of(index)
    turned = world_mm @ station.rotation.T
    in_camera = turned + station.translation_mm
    if not np.all(in_camera[:, 2] > 0.0):
        msg = f"{station.name}: a point has moved behind the camera"
        raise GeometryError(msg)
    projection = project_with_jacobians(camera, in_camera)
    by_station = np.zeros((len(world_mm), 2, PHOTO_UNKNOWNS))
    by_station[:, :, :3] = -projection.by_point @ cross_matrix(turned)
    by_station[:, :, 3:6] = projection.by_point
    by_station[:, :, 6] = projection.by_parameters[:, :, :2] @ (camera.fx, camera.fy)
    by_lens = projection.by_parameters.reshape(-1, 2, LENS_UNKNOWNS).copy()
    by_lens[:, :, :2] *= np.exp(station.ln_focal)
    return _Seen(projection.px, by_lens, by_station, projection.by_point @ station.rotation)
