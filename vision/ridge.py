"""Ridge length from photos: one photo with the ridge in a known plane, or many photos tied by their targets.

Both are one adjustment (vision/network.py): the ridge ends are points, seen where they were picked. In one
photo they lie on a plane parallel to the target's face; seen from two photos or more they need no plane.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calib.camera import PARAMETERS, Array, Camera
from calib.errors import GeometryError, LensError, PhotoError
from calib.uncertainty import COVERAGE_FACTOR_95
from vision.adjust import Solution, adjust
from vision.network import SHAPE_UNKNOWNS, Network, PointSighting, SetBack
from vision.picks import ENDS, triangulate, without_outliers, worst_pick
from vision.plane import to_mm
from vision.pose import (
    SCENE_BREATHING,
    SightedPattern,
    SightedPhoto,
    Start,
    rms_px,
    sensor_px,
    start_alone,
    view_of,
)
from vision.shoot import Rectangle, Shoot, ShootPhoto
from vision.sight import sight_photo
from vision.tie import Tied, tie_photos

# A pick this many standard deviations off its place is named a blunder: 1 in 30,000 by chance (Rayleigh law).
_BLUNDER_SIGMA = 4.5
# A set-back stated without its uncertainty is taken to be known to a millimetre.
_LEAST_SETBACK_U_MM = 1.0
# Above this expanded uncertainty, relative to the length, the record says what would help most.
_ADVISE_ABOVE = 0.003

_ADVICE = {
    "picks": "pick the ends again with more magnification, or photograph the ridge from closer",
    "target corners": "use a larger target, bring it nearer to the ridge, or photograph it from closer",
    "target tolerance": "check the target's print with a tape and give the tape-checked length",
    "lens": "calibrate the lens (command lens) or add photos of the same camera from other sides",
    "focus breathing": "add photos of the same camera from other sides",
    "edge bias": "use a larger target or photograph it from closer",
    "set-back": "measure the set-back of the ridge behind the target more exactly, or add photos",
    "tape": "measure the taped distance more exactly",
    "tie points": "add a target, or photos that see one",
}


@dataclass(frozen=True, eq=False)
class PhotoResult:
    """What became of one photo.

    Attributes
    ----------
    tags : tuple of int
        Tags used.
    rms_px : float or None
        Root mean square residual of the target corners; None when the photo was not used.
    is_used : bool
        Whether it took part in the adjustment.
    notes : tuple of str
        What a person should know.
    """

    tags: tuple[int, ...]
    rms_px: float | None
    is_used: bool
    notes: tuple[str, ...]

    def record(self) -> dict[str, Any]:
        """Return the contract's entry of one photo."""
        return {
            "tags": list(self.tags),
            "rms_px": self.rms_px,
            "used": self.is_used,
            "notes": list(self.notes),
        }


@dataclass(frozen=True, eq=False)
class RidgeMeasurement:
    """A measured ridge.

    Attributes
    ----------
    length_mm, u95_mm : float
        Length and expanded uncertainty (1.96 u, 95 %).
    method : str
        "one photo" or "many photos".
    budget : tuple of (str, float)
        Source and its standard uncertainty in mm, largest first; the squares add up to u squared.
    photos : Mapping
        Photo name to what became of it.
    camera : Camera
        The lens of the first photo used, sensor frame.
    notes, advice : tuple of str
        What a person should know, and what would shrink the uncertainty most.
    """

    length_mm: float
    u95_mm: float
    method: str
    budget: tuple[tuple[str, float], ...]
    photos: Mapping[str, PhotoResult]
    camera: Camera
    notes: tuple[str, ...]
    advice: tuple[str, ...]

    def record(self) -> dict[str, Any]:
        """Return the contract's output of `measure --json`."""
        values = zip(PARAMETERS, self.camera.parameters.tolist(), strict=True)
        return {
            "ridge": {"length_mm": self.length_mm, "u95_mm": self.u95_mm, "method": self.method},
            "budget": [{"source": source, "u_mm": u_mm} for source, u_mm in self.budget],
            "photos": {name: photo.record() for name, photo in self.photos.items()},
            "camera": {name: value for name, value in values if name != "k3"},
            "notes": [*self.notes, *self.advice],
        }


@dataclass(frozen=True, eq=False)
class NotMeasured:
    """A ridge that could not be measured, and why."""

    why: str
    photos: Mapping[str, PhotoResult]

    def record(self) -> dict[str, Any]:
        """Return the contract's output of `measure --json` with no ridge in it."""
        return {
            "ridge": None,
            "budget": [],
            "photos": {name: photo.record() for name, photo in self.photos.items()},
            "camera": None,
            "notes": [self.why],
        }


@dataclass(frozen=True, eq=False)
class ReadyPhoto:
    """A photo of a shoot, solved alone, with the picks of the ridge ends."""

    photo: ShootPhoto
    start: Start
    notes: tuple[str, ...]


def measure_ridge(
    shoot: Shoot, progress: Callable[[int, int], None] | None = None
) -> RidgeMeasurement | NotMeasured:
    """Measure the ridge length of a shoot.

    Parameters
    ----------
    shoot : Shoot
        Photos with picks, targets, tapes and lens.
    progress : callable, optional
        Called with (photos looked at, photos in all).

    Returns
    -------
    RidgeMeasurement or NotMeasured
        The length with its uncertainty and budget, or why there is none.

    Raises
    ------
    FileError, PhotoError
        If the only photo of a shoot cannot be read; among many it is left out and named.
    LensError
        If the lens profile does not belong to a photo.
    """
    ready: list[ReadyPhoto] = []
    unused: dict[str, PhotoResult] = {}
    for count, photo in enumerate(shoot.photos, 1):
        found = look_at(photo, shoot)
        if isinstance(found, ReadyPhoto):
            ready.append(found)
        else:
            unused[photo.name] = found
        if progress is not None:
            progress(count, len(shoot.photos))
    return measure_ready(shoot, ready, unused)


def look_at(photo: ShootPhoto, shoot: Shoot) -> ReadyPhoto | PhotoResult:
    """Load one photo of a shoot and solve it alone; a PhotoResult says why it cannot be used."""
    try:
        sight = sight_photo(photo.path, photo.name, shoot.targets, shoot.profile)
    except (PhotoError, LensError) as error:
        if len(shoot.photos) == 1:
            raise
        return PhotoResult((), None, False, (str(error),))
    sighted, problem = sight.sighted, sight.problem
    if photo.rectangle is not None:
        sighted = _with_rectangle(sighted, photo.rectangle, photo.name, shoot.pick_sigma_px)
        problem = ""
    height, width = sight.photo.image.shape[:2]
    outside = [end for end, (x, y) in photo.ends.items() if not (-0.5 <= x < width and -0.5 <= y < height)]
    if outside:
        problem = f"pick {outside[0].upper()} lies outside the picture ({width} x {height} px)"
    if problem:
        return PhotoResult((), None, False, (*sight.notes, problem))
    try:
        return ReadyPhoto(photo, start_alone(sighted, SCENE_BREATHING), sight.notes)
    except GeometryError as error:
        return PhotoResult((), None, False, (*sight.notes, str(error)))


def _with_rectangle(sighted: SightedPhoto, rectangle: Rectangle, name: str, sigma_px: float) -> SightedPhoto:
    tolerance = np.zeros((4, 2, SHAPE_UNKNOWNS))
    tolerance[1:3, 0, 0] = rectangle.u_mm  # width
    tolerance[2:4, 1, 1] = rectangle.u_mm  # height
    tolerance[2:4, 0, 2] = rectangle.u_mm  # out of square
    pattern = SightedPattern(
        f"rectangle in {name}",
        "rectangle",
        rectangle.corners_mm(),
        tolerance,
        np.array(rectangle.corners_px),
        sigma_px**2 * np.eye(8),
        np.zeros((4, 2)),
    )
    return replace(sighted, patterns=(*sighted.patterns, pattern))


def measure_ready(
    shoot: Shoot, ready: Sequence[ReadyPhoto], unused: Mapping[str, PhotoResult]
) -> RidgeMeasurement | NotMeasured:
    """Measure the ridge from photos that were already looked at (see `measure_ridge`)."""
    if not ready:
        reasons = "; ".join(f"{name}: {result.notes[-1]}" for name, result in unused.items())
        return NotMeasured(f"no photo could be used: {reasons}", unused)
    tied = tie_photos([item.start for item in ready], shoot.tapes)
    lost = {name: _left_out(name) for name in tied.left_out}
    others = {**unused, **lost}
    picked = [item for item in ready if item.photo.name in tied.stations]
    counts = {end: sum(end in item.photo.ends for item in picked) for end in ENDS}
    whole = [item for item in picked if all(end in item.photo.ends for end in ENDS)]
    try:
        if min(counts.values()) >= 2:
            return _from_many(shoot, picked, tied, others)
        if whole:
            return _from_one(shoot, whole[0], picked, tied, others)
    except GeometryError as error:
        return NotMeasured(str(error), others)
    missing = " and ".join(end.upper() for end in ENDS if counts[end] == 0) or "A and B"
    return NotMeasured(
        f"ridge end {missing} is not picked in enough usable photos: pick both ends in one photo, "
        "or each end in two photos or more",
        others,
    )


def _left_out(name: str) -> PhotoResult:
    why = (
        f"{name} shares no target with the other photos and was left out; add a photo that shows both targets"
    )
    return PhotoResult((), None, False, (why,))


def _from_one(
    shoot: Shoot,
    item: ReadyPhoto,
    picked: Sequence[ReadyPhoto],
    tied: Tied,
    others: Mapping[str, PhotoResult],
) -> RidgeMeasurement:
    """Measure on the plane of the photo's own target, the other photos helping with the lens."""
    station = tied.stations[item.photo.name]
    placement = _plane_placement(shoot, item, tied.network)
    view = view_of(adjust(tied.network), station, placement, item.start.photo.quarter_turns)
    ends = np.array([item.photo.ends[end] for end in ENDS])
    flat = to_mm(view, ends, shoot.setback_mm).mm
    stand = tied.network.placements[placement]
    points = np.column_stack([flat, np.full(2, shoot.setback_mm)]) @ stand.rotation.T + stand.translation_mm
    u_setback = max(shoot.setback_u_mm, _LEAST_SETBACK_U_MM)
    network = replace(
        tied.network,
        points_mm=points,
        point_sightings=tuple(_sighting(item, tied, i, shoot) for i in range(2)),
        set_back=SetBack(placement, shoot.setback_mm, u_setback, (0, 1)),
        set_back_depth_mm=shoot.setback_mm,
    )
    return _measurement("one photo", adjust(network), picked, tied, others, ())


def _plane_placement(shoot: Shoot, item: ReadyPhoto, network: Network) -> int:
    """Return the placement that the ridge's plane is parallel to: a rectangle's, or the first target's."""
    seen = {placement.name for placement in item.start.solution.network.placements}
    wanted = [f"rectangle in {item.photo.name}", *(target.name for target in shoot.targets)]
    names = [placement.name for placement in network.placements]
    return names.index(next(name for name in wanted if name in seen))


def _sighting(item: ReadyPhoto, tied: Tied, end: int, shoot: Shoot) -> PointSighting:
    photo = item.start.photo
    px = sensor_px(np.array([item.photo.ends[ENDS[end]]]), photo.lens, photo.quarter_turns)[0]
    return PointSighting(tied.stations[item.photo.name], end, px, shoot.pick_sigma_px)


def _from_many(
    shoot: Shoot, picked: Sequence[ReadyPhoto], tied: Tied, others: Mapping[str, PhotoResult]
) -> RidgeMeasurement:
    """Measure with the ends free in space, dropping and naming picks that do not fit."""
    sightings = [
        _sighting(item, tied, i, shoot)
        for item in picked
        for i, end in enumerate(ENDS)
        if end in item.photo.ends
    ]
    base = adjust(tied.network).network
    sightings, notes = without_outliers(base, sightings)
    if shoot.setback_mm:
        notes.append("the set-back is not used: the ends are seen from more than one photo")
    while True:
        points = np.array([triangulate(base, [s for s in sightings if s.point == i]) for i in range(2)])
        solution = adjust(replace(base, points_mm=points, point_sightings=tuple(sightings)))
        worst, size, off_px = worst_pick(solution)
        if size < _BLUNDER_SIGMA:
            break
        pick = sightings[worst]
        name = solution.network.stations[pick.station].name
        told = f"end {ENDS[pick.point].upper()} in {name} is {off_px:.0f} px off"
        if sum(s.point == pick.point for s in sightings) < 3:
            notes.append(
                f"{told}, and too few photos show that end to tell which pick is wrong: check the picks"
            )
            break
        notes.append(f"{told} and was left out: picked on the wrong corner, or the ends swapped?")
        sightings.pop(worst)
    return _measurement("many photos", solution, picked, tied, others, tuple(notes))


def _measurement(
    method: str,
    solution: Solution,
    picked: Sequence[ReadyPhoto],
    tied: Tied,
    others: Mapping[str, PhotoResult],
    notes: tuple[str, ...],
) -> RidgeMeasurement:
    length, gradient = _length(solution)
    u_mm = float(np.sqrt(solution.covariance(gradient[None])[0, 0]))
    shares = sorted(solution.budget(gradient).items(), key=lambda item: (-item[1], item[0]))
    budget = tuple((source, u) for source, u in shares if u > 1e-6 * u_mm)
    photos = {item.photo.name: _photo_result(item, solution, tied) for item in picked}
    u95_mm = COVERAGE_FACTOR_95 * u_mm
    advice: tuple[str, ...] = ()
    if u95_mm > _ADVISE_ABOVE * length:
        advice = (f"most of the doubt comes from {budget[0][0]}: {_ADVICE[budget[0][0]]}",)
    return RidgeMeasurement(
        length,
        u95_mm,
        method,
        budget,
        {**photos, **others},
        solution.network.camera_of(0),
        notes,
        advice,
    )


def _length(solution: Solution) -> tuple[float, Array]:
    step = solution.network.points_mm[1] - solution.network.points_mm[0]
    length = float(np.linalg.norm(step))
    gradient = np.zeros(solution.layout.size)
    gradient[solution.layout.point(0)] = -step / length
    gradient[solution.layout.point(1)] = step / length
    return length, gradient


def _photo_result(item: ReadyPhoto, solution: Solution, tied: Tied) -> PhotoResult:
    station = tied.stations[item.photo.name]
    network = solution.network
    seen = [s for s in network.pattern_sightings if s.station == station]
    labels = [network.patterns[s.pattern].label for s in seen]
    tags = sorted(int(label.removeprefix("tag ")) for label in labels if label.startswith("tag "))
    return PhotoResult(tuple(tags), rms_px(network, seen), True, (*item.notes, *item.start.notes))
