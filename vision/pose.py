"""Where each photo was taken from: poses and lens from the targets seen, maximum a posteriori.

Photos of one camera and focal length are solved together, so that each one's lens is known better than by its
own target alone. Frames: see vision/network.py; the views that come out are in upright pixels.
"""

from collections import Counter
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calib.camera import Array, Camera, project, turn_jacobian, undistort
from calib.errors import GeometryError
from calib.sighting import TagSighting
from calib.targets import Tag, Target
from calib.uncertainty import propagate
from vision.adjust import Solution, adjust
from vision.network import (
    SHAPE_UNKNOWNS,
    Lens,
    Network,
    Pattern,
    PatternSighting,
    Placement,
    Station,
    corners_world_mm,
)
from vision.photo import sensor_from_upright
from vision.plane import VIEW_PARAMETERS, View
from vision.rotation import cross_matrix, quarter_turn_matrix

# A phone's focal length moves by about 1 % with focus; common practice, no source.
CLOSE_UP_BREATHING = 0.007
# At ten metres and more the focus stands at infinity; what is left is the stabiliser's play. No source.
SCENE_BREATHING = 0.001
# What is left of the edge bias after the tag's own cells have been used to take it out.
_U_EDGE_BIAS_PX = 0.1
# What the fit of a tag leaves out, per corner and axis: grain of print and picture. On rendered photos the
# corners were 0.05 px off where their own covariance said 0.03.
U_CORNER_PX = 0.04
# A pattern whose corners miss by this many standard deviations (RMS) does not belong: bent, moved, covered.
_MISFIT_SIGMA = 5.0
_MANY_MISFIT = (
    "many tags do not fit the sizes and places that the target file gives them: is it the right target file, "
    "was it printed at one scale, and does the target lie flat?"
)
# The second pose of a flat target is tried when its reprojection error is within this factor of the first's.
_SECOND_POSE_FACTOR = 5.0
# Two poses cannot be told apart when their costs differ by less than this: 3 sigma, squared.
_AMBIGUOUS_COST = 9.0
# Photos solved together at most; a larger job is solved in such groups.
_MOST_TOGETHER = 60
# Factors tried on the focal length when the prior is too wide to start from its mean alone.
_FOCAL_STARTS = (1.0, 0.7, 1.4)
_WIDE_PRIOR = 0.1


@dataclass(frozen=True, eq=False)
class SightedPattern:
    """Four corners of a target (a tag, or a rectangle picked by hand) found in a photo.

    Attributes
    ----------
    target : str
        Name of the target it belongs to.
    label : str
        What it is, for messages ("tag 12").
    corners_mm : ndarray of shape (4, 2)
        Nominal corners in the target's frame.
    tolerance_mm : ndarray of shape (4, 2, 8)
        Displacement of the corners per unit of each shape unknown, prior N(0, 1).
    corners_px, cov_px2, bias_direction : ndarray of shape (4, 2), (8, 8), (4, 2)
        Where it was seen, in upright pixels.
    """

    target: str
    label: str
    corners_mm: Array
    tolerance_mm: Array
    corners_px: Array
    cov_px2: Array
    bias_direction: Array


@dataclass(frozen=True, eq=False)
class SightedPhoto:
    """What pose solving needs of one photo.

    Attributes
    ----------
    name : str
        The photo, for messages.
    lens : Camera
        Prior of the lens, sensor frame.
    lens_key : hashable or None
        Photos with the same key share a lens; None shares with nobody.
    quarter_turns : int
        Clockwise turns from the sensor frame to the upright picture.
    patterns : tuple of SightedPattern
        What was seen of the targets.
    """

    name: str
    lens: Camera
    lens_key: Hashable
    quarter_turns: int
    patterns: tuple[SightedPattern, ...]


@dataclass(frozen=True, eq=False)
class PosedPhoto:
    """A photo whose pose is known.

    Attributes
    ----------
    name : str
        The photo.
    views : Mapping
        Target name to the view relative to it; the target with most tags comes first.
    labels : Mapping
        Target name to the labels of the patterns used.
    rms_px : float
        Root mean square distance of seen corners from the adjusted ones, per axis.
    edge_bias_px, u_edge_bias_px : float
        How much black squares still looked smaller on each side.
    notes : tuple of str
        What a person should know.
    """

    name: str
    views: Mapping[str, View]
    labels: Mapping[str, tuple[str, ...]]
    rms_px: float
    edge_bias_px: float
    u_edge_bias_px: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class UnposedPhoto:
    """A photo whose pose could not be found, and why."""

    name: str
    why: str


def pose_photos(
    photos: Sequence[SightedPhoto], *, u_breathing: float = CLOSE_UP_BREATHING
) -> dict[str, PosedPhoto | UnposedPhoto]:
    """Find the pose of every photo relative to the targets that it sees.

    Parameters
    ----------
    photos : sequence of SightedPhoto
        Photos with what was seen in them; the result does not depend on their order.
    u_breathing : float
        Standard uncertainty of ln(focal length) from photo to photo.

    Returns
    -------
    dict
        Photo name to its pose, or to the reason why there is none.

    Notes
    -----
    Each photo is solved alone first, which also names patterns that do not fit; then the photos of one lens
    are solved together. Targets are taken to lie still within a photo only, never between photos.
    """
    results: dict[str, PosedPhoto | UnposedPhoto] = {}
    groups: dict[object, list[Start]] = {}
    for photo in sorted(photos, key=lambda item: item.name):
        try:
            start = start_alone(photo, u_breathing)
        except GeometryError as error:
            results[photo.name] = UnposedPhoto(photo.name, str(error))
            continue
        groups.setdefault(photo.name if photo.lens_key is None else photo.lens_key, []).append(start)
    for starts in groups.values():
        for first in range(0, len(starts), _MOST_TOGETHER):
            results |= _solve_together(starts[first : first + _MOST_TOGETHER])
    return results


@dataclass(frozen=True, eq=False)
class Start:
    """One photo solved alone: the base from which the photos of a lens are solved together."""

    photo: SightedPhoto
    solution: Solution
    notes: tuple[str, ...]


def tag_pattern(tag: Tag, target: Target, sighting: TagSighting) -> SightedPattern:
    """Return a tag seen as a pattern whose corners are independently uncertain by the target's sigma."""
    tolerance = target.sigma_mm * np.eye(SHAPE_UNKNOWNS).reshape(4, 2, SHAPE_UNKNOWNS)
    return SightedPattern(
        target.name,
        f"tag {tag.id}",
        tag.corners_mm(),
        tolerance,
        sighting.corners_px,
        sighting.cov_px2 + U_CORNER_PX**2 * np.eye(8),
        sighting.bias_direction,
    )


def tag_patterns(tags: Iterable[TagSighting], targets: Iterable[Target]) -> tuple[SightedPattern, ...]:
    """Return the tags seen that belong to the targets, in the order of targets and ids."""
    seen = {tag.tag_id: tag for tag in tags}
    return tuple(
        tag_pattern(tag, target, seen[tag.id]) for target in targets for tag in target.tags if tag.id in seen
    )


def sensor_px(upright_px: Array, lens: Camera, quarter_turns: int) -> Array:
    """Return sensor pixels of upright pixels, shape (N, 2); the lens tells the sensor frame's size."""
    width, height = (lens.height, lens.width) if quarter_turns % 2 else (lens.width, lens.height)
    return sensor_from_upright(upright_px, quarter_turns, width, height)


def start_poses(camera: Camera, px: Array, mm: Array) -> list[tuple[Array, Array, float]]:
    """Return the poses that explain a flat target, best first.

    Parameters
    ----------
    camera : Camera
        Intrinsics, taken as exact.
    px : ndarray of shape (N, 2)
        Corners seen.
    mm : ndarray of shape (N, 2)
        The same corners on the target.

    Returns
    -------
    list of tuple
        Rotation, translation and RMS reprojection error in px, at most two.

    Raises
    ------
    GeometryError
        If no pose puts the target in front of the camera.

    References
    ----------
    T. Collins, A. Bartoli, "Infinitesimal plane-based pose estimation", IJCV 109, 2014, pp. 252-286 (run
    by OpenCV).
    """
    ideal = undistort(camera, px)
    flat = np.column_stack([mm, np.zeros(len(mm))])
    _, turns, shifts, _ = cv2.solvePnPGeneric(flat, ideal, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
    poses = []
    for turn, shift in zip(turns, shifts, strict=True):
        rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=float)
        translation = np.asarray(shift, dtype=float).ravel()
        points = flat @ rotation.T + translation
        if np.all(np.isfinite(points)) and np.all(points[:, 2] > 0.0):
            error = float(np.sqrt(np.mean((project(camera, points) - px) ** 2)))
            poses.append((rotation, translation, error))
    if not poses:
        msg = "no pose puts the target in front of the camera; is it the right target file?"
        raise GeometryError(msg)
    return sorted(poses, key=lambda pose: pose[2])


def start_alone(photo: SightedPhoto, u_breathing: float) -> Start:
    """Solve one photo alone, on the target it sees best, then with its other targets.

    Parameters
    ----------
    photo : SightedPhoto
        The photo.
    u_breathing : float
        Standard uncertainty of ln(focal length) from photo to photo.

    Returns
    -------
    Start
        The solution, with notes on patterns that do not fit.

    Raises
    ------
    GeometryError
        If no pose explains what was seen.
    """
    counts = Counter(pattern.target for pattern in photo.patterns)
    if not counts:
        msg = "no tag of the target was found"
        raise GeometryError(msg)
    main, *others = sorted(counts, key=lambda name: (-counts[name], name))
    notes: list[str] = []
    best = _without_misfits(_best_solution(photo, main, u_breathing, notes), notes)
    for target in others:
        best = _with_target(best, photo, target, notes)
    return Start(photo, best, tuple(notes))


def _best_solution(photo: SightedPhoto, target: str, u_breathing: float, notes: list[str]) -> Solution:
    focal_doubt = float(np.sqrt(photo.lens.cov[0, 0])) / photo.lens.fx
    factors = _FOCAL_STARTS if focal_doubt > _WIDE_PRIOR else _FOCAL_STARTS[:1]
    solutions: list[Solution] = []
    for factor in factors:
        camera = replace(photo.lens, fx=photo.lens.fx * factor, fy=photo.lens.fy * factor)
        px, mm = _corners(photo, target)
        poses = start_poses(camera, px, mm)
        for rotation, translation, error in poses:
            if error > _SECOND_POSE_FACTOR * poses[0][2]:
                continue
            network = _alone(
                photo, target, Station(photo.name, 0, rotation, translation), u_breathing, camera
            )
            try:
                solutions.append(adjust(network))
            except GeometryError:
                continue
    if not solutions:
        msg = f"the tags seen do not fit target {target}: is it the right target file, and lay it flat?"
        raise GeometryError(msg)
    solutions.sort(key=lambda solution: solution.equations.cost)
    _note_ambiguity(solutions, notes)
    return solutions[0]


def _note_ambiguity(solutions: Sequence[Solution], notes: list[str]) -> None:
    best = solutions[0]
    for other in solutions[1:]:
        turn = best.network.stations[0].rotation @ other.network.stations[0].rotation.T
        differs = np.degrees(np.arccos(np.clip((np.trace(turn) - 1.0) / 2.0, -1.0, 1.0))) > 2.0
        if differs and other.equations.cost - best.equations.cost < _AMBIGUOUS_COST:
            notes.append(
                "two camera positions explain the target almost equally well; come closer or use a larger one"
            )
            return


def _corners(photo: SightedPhoto, target: str) -> tuple[Array, Array]:
    seen = [pattern for pattern in photo.patterns if pattern.target == target]
    px = sensor_px(np.concatenate([p.corners_px for p in seen]), photo.lens, photo.quarter_turns)
    return px, np.concatenate([p.corners_mm for p in seen])


def _alone(photo: SightedPhoto, target: str, station: Station, u_breathing: float, camera: Camera) -> Network:
    seen = [pattern for pattern in photo.patterns if pattern.target == target]
    return Network(
        lenses=(Lens(photo.lens, u_breathing),),
        cameras=(camera,),
        stations=(replace(station, u_edge_bias_px=_U_EDGE_BIAS_PX),),
        placements=(Placement(target, is_fixed=True),),
        patterns=tuple(Pattern(p.label, 0, p.corners_mm, p.tolerance_mm) for p in seen),
        pattern_sightings=tuple(_in_sensor(photo, pattern, i) for i, pattern in enumerate(seen)),
    )


def _in_sensor(photo: SightedPhoto, pattern: SightedPattern, index: int) -> PatternSighting:
    turn = quarter_turn_matrix(-photo.quarter_turns)[:2, :2]
    both = np.kron(np.eye(4), turn)
    return PatternSighting(
        0,
        index,
        sensor_px(pattern.corners_px, photo.lens, photo.quarter_turns),
        propagate(both, pattern.cov_px2),
        pattern.bias_direction @ turn.T,
    )


def misfit_sigma(solution: Solution) -> dict[str, float]:
    """Return, for every pattern sighting, the RMS of its whitened residuals, by its label."""
    squares: dict[str, list[float]] = {}
    rows = zip(
        solution.equations.sources, solution.equations.labels, solution.equations.residuals, strict=True
    )
    for source, label, residual in rows:
        if source == "target corners":
            squares.setdefault(label, []).append(float(residual) ** 2)
    return {label: float(np.sqrt(np.mean(values))) for label, values in squares.items()}


def _without_misfits(solution: Solution, notes: list[str]) -> Solution:
    """Drop the worst pattern sighting while one does not fit; refuse when more than a third do not."""
    count = len(misfit_sigma(solution))
    while True:
        misfits = misfit_sigma(solution)
        label, worst = max(misfits.items(), key=lambda item: item[1])
        if worst < _MISFIT_SIGMA:
            return solution
        if len(misfits) < count and 3 * (len(misfits) - 1) < 2 * count:
            raise GeometryError(_MANY_MISFIT)
        if len(misfits) < 3:
            notes.append(f"the target's corners miss by {worst:.0f} sigma: is it flat, and the right file?")
            return solution
        network = solution.network
        kept = tuple(
            s
            for s in network.pattern_sightings
            if f"{network.stations[s.station].name}: {network.patterns[s.pattern].label}" != label
        )
        notes.append(f"{label.split(': ')[-1]} does not fit and was left out: bent, moved or partly covered?")
        try:
            solution = adjust(replace(network, pattern_sightings=kept))
        except GeometryError as error:
            raise GeometryError(_MANY_MISFIT) from error


def _with_target(solution: Solution, photo: SightedPhoto, target: str, notes: list[str]) -> Solution:
    """Add a second target, with a placement of its own, to a photo solved on its main target."""
    network = solution.network
    px, mm = _corners(photo, target)
    station = network.stations[0]
    rotation, translation, _ = start_poses(network.camera_of(0), px, mm)[0]
    placement = Placement(
        target,
        station.rotation.T @ rotation,
        station.rotation.T @ (translation - station.translation_mm),
    )
    own = _alone(photo, target, station, 1.0, photo.lens)
    first, where = len(network.patterns), len(network.placements)
    wider = replace(
        network,
        placements=(*network.placements, placement),
        patterns=(*network.patterns, *(replace(p, placement=where) for p in own.patterns)),
        pattern_sightings=(
            *network.pattern_sightings,
            *(replace(s, pattern=first + s.pattern) for s in own.pattern_sightings),
        ),
    )
    try:
        return _without_misfits(adjust(wider), notes)
    except GeometryError:
        notes.append(f"target {target} is in the photo but could not be placed")
        return solution


def _solve_together(starts: Sequence[Start]) -> dict[str, PosedPhoto | UnposedPhoto]:
    if len(starts) == 1:
        return {starts[0].photo.name: _posed(starts[0], starts[0].solution, 0)}
    try:
        together = adjust(merged_by_lens([start.solution.network for start in starts]))
    except GeometryError as error:
        return {
            start.photo.name: _posed(
                replace(start, notes=(*start.notes, f"solved alone, not with the other photos: {error}")),
                start.solution,
                0,
            )
            for start in starts
        }
    return {start.photo.name: _posed(start, together, i) for i, start in enumerate(starts)}


def merged_by_lens(networks: Sequence[Network]) -> Network:
    """Put photos of one lens, each solved alone, into one network: lens and targets' printing shared."""
    first = networks[0]
    placements: list[Placement] = []
    fixed: dict[str, int] = {}
    patterns: list[Pattern] = []
    shared: dict[tuple[int, str], int] = {}
    stations: list[Station] = []
    sightings: list[PatternSighting] = []
    for network in networks:
        where: list[int] = []
        for placement in network.placements:
            if placement.is_fixed and placement.name in fixed:
                where.append(fixed[placement.name])
                continue
            where.append(len(placements))
            placements.append(placement)
            if placement.is_fixed:
                fixed[placement.name] = where[-1]
        for sighting in network.pattern_sightings:
            pattern = network.patterns[sighting.pattern]
            key = (where[pattern.placement], pattern.label)
            if key not in shared:
                shared[key] = len(patterns)
                patterns.append(
                    replace(pattern, placement=where[pattern.placement], shape=np.zeros(SHAPE_UNKNOWNS))
                )
            sightings.append(replace(sighting, station=len(stations), pattern=shared[key]))
        lens_change = float(np.log(network.cameras[0].fx / first.cameras[0].fx))
        stations.append(replace(network.stations[0], ln_focal=network.stations[0].ln_focal + lens_change))
    return replace(
        first,
        stations=tuple(stations),
        placements=tuple(placements),
        patterns=tuple(patterns),
        pattern_sightings=tuple(sightings),
    )


def _posed(start: Start, solution: Solution, station: int) -> PosedPhoto:
    network = solution.network
    sightings = [s for s in network.pattern_sightings if s.station == station]
    views: dict[str, View] = {}
    labels: dict[str, tuple[str, ...]] = {}
    by_placement: dict[int, list[str]] = {}
    for sighting in sightings:
        pattern = network.patterns[sighting.pattern]
        by_placement.setdefault(pattern.placement, []).append(pattern.label)
    for placement, seen in sorted(by_placement.items(), key=lambda item: (-len(item[1]), item[0])):
        name = network.placements[placement].name
        views[name] = view_of(solution, station, placement, start.photo.quarter_turns)
        labels[name] = tuple(seen)
    gradient = np.zeros((1, solution.layout.size))
    gradient[0, solution.layout.station(station).start + 7] = 1.0
    return PosedPhoto(
        start.photo.name,
        views,
        labels,
        rms_px(network, sightings),
        network.stations[station].edge_bias_px,
        float(np.sqrt(solution.covariance(gradient)[0, 0])),
        start.notes,
    )


def rms_px(network: Network, sightings: Sequence[PatternSighting]) -> float:
    """Return the root mean square distance of seen corners from adjusted ones, per axis, px."""
    residuals = []
    for sighting in sightings:
        station = network.stations[sighting.station]
        points = corners_world_mm(network, sighting.pattern) @ station.rotation.T + station.translation_mm
        computed = project(network.camera_of(sighting.station), points)
        residuals.append(sighting.corners_px - computed - station.edge_bias_px * sighting.bias_direction)
    return float(np.sqrt(np.mean(np.square(residuals))))


def view_of(solution: Solution, station: int, placement: int, quarter_turns: int) -> View:
    """Return one photo's view relative to one target placement, with its joint covariance.

    Parameters
    ----------
    solution : Solution
        The adjusted network.
    station, placement : int
        Indices of the photo and of the target placement.
    quarter_turns : int
        Clockwise turns from the sensor frame to the upright picture.

    Returns
    -------
    View
        Camera and pose in upright pixels.
    """
    network, layout = solution.network, solution.layout
    place, stand = network.stations[station], network.placements[placement]
    camera = network.camera_of(station)
    shifted = place.rotation @ stand.translation_mm
    gradient = np.zeros((VIEW_PARAMETERS, layout.size))
    lens, own = layout.lens(place.lens), layout.station(station)
    factor = np.exp(place.ln_focal)
    gradient[:9, lens] = np.diag([factor, factor, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    gradient[0, own.start + 6], gradient[1, own.start + 6] = camera.fx, camera.fy
    gradient[9:12, own.start : own.start + 3] = np.eye(3)
    gradient[12:15, own.start : own.start + 3] = -cross_matrix(shifted)
    gradient[12:15, own.start + 3 : own.start + 6] = np.eye(3)
    free = layout.placement(placement)
    if free is not None:
        gradient[9:12, free.start : free.start + 3] = place.rotation
        gradient[12:15, free.start + 3 : free.stop] = place.rotation
    cov = solution.covariance(gradient)
    turn = quarter_turn_matrix(quarter_turns)
    upright = camera.with_parameters(camera.parameters, cov[:9, :9]).turned(quarter_turns)
    both = np.zeros((VIEW_PARAMETERS, VIEW_PARAMETERS))
    both[:9, :9] = turn_jacobian(quarter_turns)
    both[9:12, 9:12] = both[12:15, 12:15] = turn
    return View(
        upright,
        turn @ place.rotation @ stand.rotation,
        turn @ (shifted + place.translation_mm),
        propagate(both, cov),
    )
