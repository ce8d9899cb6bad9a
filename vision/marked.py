"""A person's marks brought onto the flange that they belong to: rivets put right, lines with uncertainty.

Frames: upright px of the photo; plane mm of the target's frame. Stations run along the ridge, offsets square
to it (a clockwise quarter turn).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import ArrayLike

from calib.camera import Array
from calib.errors import GeometryError
from calib.uncertainty import standard_uncertainty
from vision.marks import MarkedLine, MarkedPoint, Marks, Px
from vision.plane import View, covariance_mm2, to_mm, to_px
from vision.rivets import RivetSighting, spots_at

# A mark means the rivet whose centre lies within this many head diameters of it.
_MEANT_HEADS = 1.0
# Seen aslant a head's middle stands off the middle of its base circle by up to half its height, a fifth of
# its diameter for a domed head; an eye allows for half of that. Common practice, no source.
_LEAN_SHARE = 0.1
# A head marked by hand is one: nobody marks what is only likely.
_SCORE_BY_HAND = 1.0
# Lines run across the ridge, or along it, within this (rise over run: 15 degrees).
_SLANT_MAX = 0.27

Mark = TypeVar("Mark")


@dataclass(frozen=True, slots=True)
class MarkedRivets:
    """Rivet heads after a person's marks.

    Attributes
    ----------
    rivets : tuple of RivetSighting
        Those found that were left, in their order, moved where they were moved; then those added.
    by_hand : tuple of bool
        Which of them stand where a person put them.
    notes : tuple of str
        Marks that meant nothing.
    """

    rivets: tuple[RivetSighting, ...]
    by_hand: tuple[bool, ...]
    notes: tuple[str, ...]


def mark_rivets(
    found: Sequence[RivetSighting], marks: Marks, view: View, *, z_mm: float, head_mm: float
) -> MarkedRivets:
    """Put rivet heads right by a person's marks.

    Parameters
    ----------
    found : sequence of RivetSighting
        Heads as found.
    marks : Marks
        The marks on this flange.
    view : View
        The photo.
    z_mm : float
        Depth of the sheet in the target's frame.
    head_mm : float
        Diameter of a head.

    Returns
    -------
    MarkedRivets
        The heads; one marked by hand has the mark's uncertainty, and what an eye leaves of the head's lean.
    """
    heads = _Heads(found, view, z_mm, head_mm)
    for move in marks.moved:
        index = heads.meant(move.start_px)
        if index is None:
            heads.note(f"no rivet was found at {_at(move.start_px)} to be moved; its new place is taken")
        heads.put(move.to, index)
    for px in marks.removed:
        index = heads.meant(px)
        if index is None:
            heads.note(f"no rivet was found at {_at(px)} to be taken away")
        else:
            heads.drop(index)
    for mark in marks.added:
        # A mark on a head that was found says where it is, not that there are two.
        heads.put(mark, heads.meant(mark.px))
    return heads.settled()


class _Heads:
    """Rivet heads while a person's marks are brought in; those found keep their numbers."""

    def __init__(self, found: Sequence[RivetSighting], view: View, z_mm: float, head_mm: float) -> None:
        self._view, self._z_mm, self._head_mm = view, z_mm, head_mm
        self._places = _plane_mm(view, [rivet.px for rivet in found], z_mm)
        self._rivets = dict(enumerate(found))
        self._next = len(found)
        self._by_hand: set[int] = set()
        self._notes: list[str] = []

    def note(self, note: str) -> None:
        self._notes.append(note)

    def meant(self, px: Px) -> int | None:
        """Return the found rivet that a mark is at, unless a mark has settled that one already."""
        off = np.hypot(*(self._places - _plane_mm(self._view, [px], self._z_mm)).T)
        near = [i for i in np.argsort(off, kind="stable").tolist() if off[i] <= _MEANT_HEADS * self._head_mm]
        return next((i for i in near if i in self._rivets and i not in self._by_hand), None)

    def put(self, mark: MarkedPoint, index: int | None) -> None:
        head = _marked_head(mark, self._view, self._z_mm, self._head_mm)
        if head is None:
            self.note(f"the rivet marked at {_at(mark.px)} does not lie on this flange; it is left out")
            return
        key = self._next if index is None else index
        self._next += index is None
        self._rivets[key] = head
        self._by_hand.add(key)

    def drop(self, index: int) -> None:
        del self._rivets[index]

    def settled(self) -> MarkedRivets:
        order = sorted(self._rivets)
        return MarkedRivets(
            tuple(self._rivets[i] for i in order),
            tuple(i in self._by_hand for i in order),
            tuple(dict.fromkeys(self._notes)),
        )


def _marked_head(mark: MarkedPoint, view: View, z_mm: float, head_mm: float) -> RivetSighting | None:
    place = _plane_mm(view, [mark.px], z_mm)
    if not np.isfinite(place).all():
        return None
    spot = spots_at(view, z_mm, head_mm, place)
    px, by_head = np.array(mark.px), spot.px_by_head[0]
    # The patch's second axis leads towards the camera: a head leans along it.
    tilt = float(spot.sin_tilt[0])
    lean = _LEAN_SHARE * tilt / np.sqrt(max(1.0 - tilt**2, 1e-3)) * by_head[:, 1]
    reach = np.sqrt((by_head**2).sum(axis=1)) / 2.0
    limit = np.array([view.camera.width - 1.0, view.camera.height - 1.0])
    is_cut = bool(((px - reach < 0.0) | (px + reach > limit)).any())
    cov = mark.sigma_px**2 * np.eye(2) + np.outer(lean, lean)
    return RivetSighting(px, cov, _SCORE_BY_HAND, is_cut)


@dataclass(frozen=True, eq=False, slots=True)
class HandLine:
    """A line marked by hand, as it seems to lie on a plane.

    Attributes
    ----------
    ends_px : ndarray of shape (2, 2)
        Its ends in the photo, as marked.
    sigma_px : float
        Their standard uncertainty per axis.
    station_mm, offset_mm : float
        Its middle.
    slope : float
        Change of station per millimetre of offset.
    u_station_mm, u_slope : float
        Standard uncertainties by the mark alone (uncorrelated at the middle).
    """

    ends_px: Array
    sigma_px: float
    station_mm: float
    offset_mm: float
    slope: float
    u_station_mm: float
    u_slope: float

    def __post_init__(self) -> None:
        ends = np.array(self.ends_px, dtype=float)
        ends.setflags(write=False)
        object.__setattr__(self, "ends_px", ends)


def line_across(line: MarkedLine, view: View, z_mm: float, along: Array) -> HandLine | None:
    """Bring a line that crosses the ridge direction onto a plane.

    Parameters
    ----------
    line : MarkedLine
        The mark.
    view : View
        The photo.
    z_mm : float
        Depth of the plane in the target's frame.
    along : ndarray of shape (2,)
        Unit direction of the ridge.

    Returns
    -------
    HandLine or None
        None where the photo does not show the plane there, or the line does not cross the ridge direction.
    """
    try:
        points = to_mm(view, line.ends_px, z_mm)
    except GeometryError:
        return None
    across = np.array([-along[1], along[0]])
    stations, offsets = points.mm @ along, points.mm @ across
    width = float(offsets[1] - offsets[0])
    if abs(float(stations[1] - stations[0])) > _SLANT_MAX * abs(width):
        return None
    # At a fixed offset the station moves by what the end moves along the ridge, less the line's own slope.
    slope = float(stations[1] - stations[0]) / width
    by_px = (along - slope * across) @ points.by_px
    u_ends = line.sigma_px * np.hypot(by_px[:, 0], by_px[:, 1])
    return HandLine(
        ends_px=np.array(line.ends_px),
        sigma_px=line.sigma_px,
        station_mm=float(stations.mean()),
        offset_mm=float(offsets.mean()),
        slope=slope,
        u_station_mm=float(np.hypot(*u_ends)) / 2.0,
        u_slope=float(np.hypot(*u_ends)) / abs(width),
    )


def gap_between(
    view: View,
    z_mm: float,
    normal: ArrayLike,
    first: tuple[ArrayLike, float],
    second: tuple[ArrayLike, float],
    u_z_mm: float,
) -> tuple[float, float] | None:
    """Measure how far two nearly parallel lines of one plane lie apart.

    Parameters
    ----------
    view : View
        The photo.
    z_mm : float
        Depth of the plane.
    normal : array_like of shape (2,)
        Unit direction on the plane that the distance is taken along, nearly square to both lines.
    first, second : tuple of array_like of shape (2, 2) and float
        Ends of a line, px, and their standard uncertainty per axis.
    u_z_mm : float
        Standard uncertainty of an end's height over the plane.

    Returns
    -------
    tuple of float or None
        Distance from the first to the second along the normal, in the middle of what they have in common, and
        its standard uncertainty; None where the plane does not show there or a line runs along the normal.

    Notes
    -----
    First-order propagation, JCGM 100:2008, 5.1.2, with the derivatives by differences of 0.01 mm.
    """
    across = np.asarray(normal, dtype=float)
    ends_px = np.concatenate([np.asarray(line[0], dtype=float).reshape(2, 2) for line in (first, second)])
    try:
        points = to_mm(view, ends_px, z_mm)
    except GeometryError:
        return None
    axes = np.array([across, (-across[1], across[0])])
    ends = points.mm @ axes.T
    for line in (ends[:2], ends[2:]):
        if abs(line[1, 0] - line[0, 0]) > _SLANT_MAX * abs(line[1, 1] - line[0, 1]):
            return None
    spans = np.sort([ends[:2, 1], ends[2:, 1]], axis=1)
    middle = float(spans[:, 0].max() + spans[:, 1].min()) / 2.0

    def gap(mm: Array) -> float:
        here = mm.reshape(4, 2) @ axes.T
        places = [
            line[0, 0] + (line[1, 0] - line[0, 0]) * (middle - line[0, 1]) / (line[1, 1] - line[0, 1])
            for line in (here[:2], here[2:])
        ]
        return float(places[1] - places[0])

    sigma = np.repeat([first[1], second[1]], 2)
    cov = covariance_mm2(points, view, sigma[:, None, None] ** 2 * np.eye(2), u_z_mm)
    flat, step = points.mm.ravel(), 0.01
    gradient = np.array(
        [(gap(flat + step * unit) - gap(flat - step * unit)) / (2.0 * step) for unit in np.eye(8)]
    )
    return gap(flat), standard_uncertainty(gradient, cov)


def share_out(marks: Marks, outlines_px: Sequence[Array]) -> tuple[Marks, ...]:
    """Give every mark to the flange that it lies on, or nearest to.

    Parameters
    ----------
    marks : Marks
        All marks of a photo.
    outlines_px : sequence of ndarray of shape (K, 2)
        The flanges as the photo shows them.

    Returns
    -------
    tuple of Marks
        One for each flange.
    """
    contours = [np.asarray(outline, dtype=np.float32).reshape(-1, 1, 2) for outline in outlines_px]

    def home(px: Px) -> int:
        depths = [cv2.pointPolygonTest(contour, px, measureDist=True) for contour in contours]
        return int(np.argmax(depths))

    def own(line: MarkedLine | None, index: int) -> MarkedLine | None:
        return line if line is not None and home(_middle(line)) == index else None

    return tuple(
        replace(
            marks,
            added=tuple(each for each in marks.added if home(each.px) == index),
            moved=tuple(each for each in marks.moved if home(each.to.px) == index),
            removed=tuple(px for px in marks.removed if home(px) == index),
            sealant=tuple(line for line in marks.sealant if own(line, index)),
            **{
                key: own(getattr(marks, key), index)
                for key in ("edge", "witness", "lower_end", "z_closure", "ridge")
            },
        )
        for index in range(len(contours))
    )


def outline_px(view: View, polygon_mm: Array, z_mm: float) -> Array:
    """Return a region of a plane as the photo shows it; points behind the camera are left out."""
    px = to_px(view, polygon_mm, z_mm)
    return px[np.isfinite(px).all(axis=1)]


def _middle(line: MarkedLine) -> Px:
    (x0, y0), (x1, y1) = line.ends_px
    return (x0 + x1) / 2.0, (y0 + y1) / 2.0


def _plane_mm(view: View, px: Sequence[ArrayLike], z_mm: float) -> Array:
    """Return plane points of pixels, shape (N, 2); NaN where a line of sight does not meet the plane."""
    places = np.full((len(px), 2), np.nan)
    for i, each in enumerate(px):
        try:
            places[i] = to_mm(view, each, z_mm).mm[0]
        except GeometryError:
            continue
    return places


def _at(px: Px) -> str:
    return f"({px[0]:.0f}, {px[1]:.0f}) px"
