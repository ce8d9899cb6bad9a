"""A network: photos, targets and points that are solved together, and where its unknowns stand.

Frames: the world is the frame of the fixed target placement, mm; each photo has a pose (world to camera,
sensor frame) and pixels in the sensor frame. Whatever is uncertain (lens, printing, edge bias, set-back) is
an unknown with a prior, so that the covariance of any length follows from one normal matrix.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from calib.camera import PARAMETERS, Array, Camera
from calib.errors import GeometryError
from vision.rotation import from_vector

# Unknowns of one photo: small rotation, translation, ln of its focal factor, edge bias.
PHOTO_UNKNOWNS = 8
LENS_UNKNOWNS = len(PARAMETERS)
PLACEMENT_UNKNOWNS = 6
# A pattern is a rigid set of four corners; its own shape has at most two unknowns per corner.
CORNERS = 4
SHAPE_UNKNOWNS = 2 * CORNERS


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

    def placement_columns(self, i: int) -> NDArray[np.intp]:
        """Columns of a placement's unknowns; -1 throughout for a fixed one."""
        start = self._placements.get(i)
        return np.full(PLACEMENT_UNKNOWNS, -1) if start is None else start + np.arange(PLACEMENT_UNKNOWNS)

    def point(self, i: int) -> slice:
        """Coordinates of a point."""
        return slice(self.first_point + 3 * i, self.first_point + 3 * (i + 1))

    def point_columns(self, points: Sequence[int]) -> NDArray[np.intp]:
        """Columns of the coordinates of points, shape (N, 3)."""
        return self.first_point + 3 * np.asarray(points, dtype=np.intp)[:, None] + np.arange(3)


def corners_world_mm(network: Network, pattern: int) -> Array:
    """Return a pattern's corners in the world, its present shape included, shape (4, 3)."""
    item = network.patterns[pattern]
    placement = network.placements[item.placement]
    flat = item.corners_mm + item.tolerance_mm @ item.shape
    return flat @ placement.rotation[:, :2].T + placement.translation_mm
