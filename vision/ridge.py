"""Ridge length from photos: one photo with the ridge in a known plane, or many photos tied together.

Both are one adjustment (vision/network.py): the ridge ends are points, seen where they were picked. In one
photo they lie on a plane parallel to the target's face; seen from two photos or more they need no plane.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calib.camera import PARAMETERS, Array, Camera
from calib.errors import GeometryError
from calib.uncertainty import COVERAGE_FACTOR_95
from vision.adjust import Solution, adjust
from vision.advice import advise
from vision.blunders import name_pick_blunders, name_tape_faults, name_target_faults
from vision.ends import length_of, with_ends
from vision.facing import vertical
from vision.islands import join_islands
from vision.look import LoosePhoto, PhotoResult, ReadyPhoto, look_at_all
from vision.network import Network, PointSighting, SetBack
from vision.other_lens import solve_with_lenses
from vision.picks import ENDS
from vision.plane import to_mm
from vision.pose import rms_px, sensor_px, view_of
from vision.scene import Scene, scene_of
from vision.shoot import Shoot
from vision.survey import Shot
from vision.tie import Tied
from vision.tying import Bound, tie_by_features, tie_by_targets

# A set-back stated without its uncertainty is taken to be known to a millimetre.
_LEAST_SETBACK_U_MM = 1.0


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
    scene : Scene or None
        Where everything stands, for pictures.
    """

    length_mm: float
    u95_mm: float
    method: str
    budget: tuple[tuple[str, float], ...]
    photos: Mapping[str, PhotoResult]
    camera: Camera
    notes: tuple[str, ...]
    advice: tuple[str, ...]
    scene: Scene | None = None

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
    looks = look_at_all(shoot, progress)
    return measure_ready(shoot, looks.ready, looks.unused, looks.loose)


def measure_ready(
    shoot: Shoot,
    ready: Sequence[ReadyPhoto],
    unused: Mapping[str, PhotoResult],
    loose: Sequence[LoosePhoto] = (),
) -> RidgeMeasurement | NotMeasured:
    """Measure the ridge from photos that were already looked at (see `measure_ridge`)."""
    results = {**unused, **{item.photo.name: PhotoResult((), None, False, item.notes) for item in loose}}
    if not ready:
        return NotMeasured(f"no photo could be used: {_reasons(results)}", results)
    try:
        bound = _with_islands(shoot, ready, _bind(shoot, ready, loose))
    except GeometryError as error:
        return NotMeasured(str(error), results)
    for name, why in bound.left_out.items():
        notes = results[name].notes if name in results else ()
        results[name] = PhotoResult((), None, False, (*notes, why))
    try:
        return _measure_bound(shoot, [*ready, *loose], bound, results)
    except GeometryError as error:
        return NotMeasured("; ".join([*bound.notes, str(error)]), results)


def _reasons(results: Mapping[str, PhotoResult]) -> str:
    """Return why photos could not be used, each reason once."""
    names: dict[str, list[str]] = {}
    for name, result in results.items():
        names.setdefault(result.notes[-1], []).append(name)
    return "; ".join(f"{', '.join(group)}: {reason}" for reason, group in names.items())


def _bind(shoot: Shoot, ready: Sequence[ReadyPhoto], loose: Sequence[LoosePhoto]) -> Bound:
    """Tie photos together, by their features too where these can be found."""
    starts = [item.start for item in ready]
    shots = {
        item.photo.name: Shot(item.start.photo, item.source) for item in ready if item.source is not None
    }
    shots |= {item.photo.name: Shot(item.sighted, item.source) for item in loose}
    if len(shots) < max(2, len(ready) + len(loose)):
        return tie_by_targets(starts, shoot.tapes)
    return tie_by_features(starts, shots, shoot.tapes)


def _with_islands(shoot: Shoot, ready: Sequence[ReadyPhoto], bound: Bound) -> Bound:
    """Add groups of photos that only tapes and ridge ends tie to the others."""
    starts = [item.start for item in ready if item.photo.name in bound.left_out]
    picks = {item.photo.name: {end: _pick_px(item, end) for end in item.photo.ends} for item in ready}
    tied = join_islands(bound.tied, starts, shoot.tapes, picks)
    left_out = {name: why for name, why in bound.left_out.items() if name not in tied.stations}
    return replace(bound, tied=tied, left_out=left_out)


def _measure_bound(
    shoot: Shoot,
    looked_at: Sequence[ReadyPhoto | LoosePhoto],
    bound: Bound,
    results: Mapping[str, PhotoResult],
) -> RidgeMeasurement | NotMeasured:
    """Measure by the ends in space where each is picked in two tied photos, else in one photo's plane."""
    faults = name_target_faults(bound.tied.network)
    if faults:
        return NotMeasured("; ".join([*bound.notes, *faults]), results)
    used = [item for item in looked_at if item.photo.name in bound.tied.stations]
    picks = [
        _sighting(item, bound.tied, i, shoot)
        for item in sorted(used, key=lambda item: item.photo.name)
        for i, end in enumerate(ENDS)
        if end in item.photo.ends
    ]
    counts = [sum(pick.point == i for pick in picks) for i in range(len(ENDS))]
    if min(counts) >= 2:
        return _from_many(shoot, picks, used, bound, results)
    for item in used:
        if isinstance(item, ReadyPhoto) and all(end in item.photo.ends for end in ENDS):
            return _from_one(shoot, item, used, bound, results)
    missing = [end.upper() for end, count in zip(ENDS, counts, strict=True) if not count] or ["A", "B"]
    are_not = f"end {missing[0]} is not" if len(missing) == 1 else "ends A and B are not"
    why = (
        f"ridge {are_not} picked in enough usable photos: pick both ends in one photo, or each end in two "
        "photos or more"
    )
    return NotMeasured("; ".join([*bound.notes, why]), results)


def _sighting(item: ReadyPhoto | LoosePhoto, tied: Tied, end: int, shoot: Shoot) -> PointSighting:
    px = _pick_px(item, ENDS[end])
    return PointSighting(tied.stations[item.photo.name], end, px, shoot.pick_sigma_px)


def _pick_px(item: ReadyPhoto | LoosePhoto, end: str) -> Array:
    """Return a picked end, shape (2,), sensor frame."""
    upright = np.array([item.photo.ends[end]])
    px: Array = sensor_px(upright, item.sighted.lens, item.sighted.quarter_turns)[0]
    return px


def _from_one(
    shoot: Shoot,
    item: ReadyPhoto,
    used: Sequence[ReadyPhoto | LoosePhoto],
    bound: Bound,
    results: Mapping[str, PhotoResult],
) -> RidgeMeasurement:
    """Measure on the plane of the photo's own target, the other photos helping with the lens."""
    network, station = bound.tied.network, bound.tied.stations[item.photo.name]
    placement = _plane_placement(shoot, item, network, station)
    view = view_of(adjust(network), station, placement, item.sighted.quarter_turns)
    flat = to_mm(view, np.array([item.photo.ends[end] for end in ENDS]), shoot.setback_mm).mm
    stand = network.placements[placement]
    points = np.column_stack([flat, np.full(2, shoot.setback_mm)]) @ stand.rotation.T + stand.translation_mm
    u_setback_mm = max(shoot.setback_u_mm, _LEAST_SETBACK_U_MM)
    plane = SetBack(placement, shoot.setback_mm, u_setback_mm, (0, 1))
    picks = [_sighting(item, bound.tied, i, shoot) for i in range(len(ENDS))]
    solution = adjust(with_ends(network, points, picks, plane))
    return _measurement("one photo", solution, used, bound, results, [])


def _plane_placement(shoot: Shoot, item: ReadyPhoto, network: Network, station: int) -> int:
    """Return the placement that the ridge's plane is parallel to: a rectangle's, or the first target's."""
    seen = sorted(
        {network.patterns[s.pattern].placement for s in network.pattern_sightings if s.station == station}
    )
    wanted = [f"rectangle in {item.photo.name}", *(target.name for target in shoot.targets)]
    order = {name: i for i, name in enumerate(wanted)}
    return min(seen, key=lambda i: order.get(network.placements[i].name, len(order)))


def _from_many(
    shoot: Shoot,
    picks: Sequence[PointSighting],
    used: Sequence[ReadyPhoto | LoosePhoto],
    bound: Bound,
    results: Mapping[str, PhotoResult],
) -> RidgeMeasurement:
    """Measure with the ends free in space, dropping and naming picks that do not fit."""
    solved, notes = solve_with_lenses(bound.tied.network, picks)
    notes += name_pick_blunders(solved)
    if shoot.setback_mm:
        notes.append("the set-back is not used: the ends are seen from more than one photo")
    return _measurement("many photos", solved.solution, used, bound, results, notes)


def _measurement(
    method: str,
    solution: Solution,
    used: Sequence[ReadyPhoto | LoosePhoto],
    bound: Bound,
    results: Mapping[str, PhotoResult],
    notes: Sequence[str],
) -> RidgeMeasurement:
    photos = {**results, **{item.photo.name: _photo_result(item, solution, bound.tied) for item in used}}
    length_mm, gradient = length_of(solution)
    u95_mm = COVERAGE_FACTOR_95 * float(np.sqrt(solution.covariance(gradient[None])[0, 0]))
    shares = sorted(solution.budget(gradient).items(), key=lambda item: (-item[1], item[0]))
    budget = tuple((source, u_mm) for source, u_mm in shares if u_mm > 1e-6 * u95_mm)
    return RidgeMeasurement(
        length_mm,
        u95_mm,
        method,
        budget,
        photos,
        solution.network.camera_of(0),
        (*bound.notes, *notes, *name_tape_faults(solution)),
        advise(solution, vertical(bound.tied)),
        scene_of(solution, bound.tied),
    )


def _photo_result(item: ReadyPhoto | LoosePhoto, solution: Solution, tied: Tied) -> PhotoResult:
    network, station = solution.network, tied.stations[item.photo.name]
    seen = [s for s in network.pattern_sightings if s.station == station]
    labels = [network.patterns[s.pattern].label for s in seen]
    tags = sorted(int(label.removeprefix("tag ")) for label in labels if label.startswith("tag "))
    if isinstance(item, LoosePhoto):
        notes = (*item.notes, "it is tied to the others by what else it shows")
    else:
        notes = (*item.notes, *item.start.notes)
    return PhotoResult(tuple(tags), rms_px(network, seen) if seen else None, True, notes)
