"""All photos of a job tied together: by targets first, then by the natural features that they share.

A photo whose features contradict the pose that its target gives is taken out and joined anew, its target at a
place and its lens at values of their own; what differs then is named. Frames: see vision/network.py.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.camera import Array, Camera
from calib.errors import GeometryError
from vision.adjust import Solution, adjust
from vision.facing import LEVEL, level_plane, level_plane_unseen, planes_to_face, vertical
from vision.features import Facing
from vision.joining import PlacedFeatures, join_photo
from vision.network import Network
from vision.other_lens import breathes_too_much, is_other_lens, name_other_lens, with_own_lens
from vision.pose import SightedPhoto, Start
from vision.shoot import TapeMeasure
from vision.survey import FeatureStore, Shot, Survey, survey_photos
from vision.tie import Tied, pose_from_network, tie_photos, with_photo, with_tapes
from vision.tie_points import Tie, adjust_ties, place_ties, with_tie_points
from vision.tracks import Track, chain_matches, spread_tracks

AS_TAKEN = "as taken"
# Relative standard uncertainty of the focal length of a photo whose lens is not what it says.
_RELATIVE_U_OTHER_LENS = 0.3
# A target that is found farther away than this from its place was moved, mm and degrees (no source).
_MOVED_MM, _MOVED_DEG = 15.0, 1.0

_NO_COMMON_TARGET = (
    "{0} shares no target with the other photos, and too little of what it shows is found in them; it was "
    "left out: add a photo that shows both targets, or tape distances between tags of both"
)
_NO_TARGET = (
    "{0} shows no target, and too little of what it shows is found in the other photos; it was left out: add "
    "photos from places between, or put a target where it sees it"
)
_CONTRADICTS = (
    "{0} contradicts the other photos and was left out: was the target moved before or after it was taken, "
    "or was it taken with another lens or zoom?"
)


@dataclass(frozen=True, eq=False)
class Bound:
    """Photos tied together.

    Attributes
    ----------
    tied : Tied
        The network, adjusted, with its tie points.
    left_out : Mapping
        Photo to why it could not be tied in.
    notes : tuple of str
        Blunders found and named.
    """

    tied: Tied
    left_out: Mapping[str, str]
    notes: tuple[str, ...] = ()


def tie_by_targets(starts: Sequence[Start], tapes: Sequence[TapeMeasure] = ()) -> Bound:
    """Tie photos through the targets that they share, and adjust them."""
    tied, _ = _by_targets(starts, tapes)
    return Bound(tied, {name: _NO_COMMON_TARGET.format(name) for name in tied.left_out})


def _by_targets(starts: Sequence[Start], tapes: Sequence[TapeMeasure]) -> tuple[Tied, Solution]:
    tied = tie_photos(starts, tapes)
    solution = adjust(tied.network)
    return replace(tied, network=solution.network), solution


def tie_by_features(
    starts: Sequence[Start], shots: Mapping[str, Shot], tapes: Sequence[TapeMeasure] = ()
) -> Bound:
    """Tie photos through targets and natural features.

    Parameters
    ----------
    starts : sequence of Start
        Photos solved alone on their targets, one at least.
    shots : Mapping
        All photos by name, those without a target too.
    tapes : sequence of TapeMeasure
        Taped distances.

    Returns
    -------
    Bound
        The network with tie points, the photos left out, the blunders named.

    Raises
    ------
    GeometryError
        If the photos cannot be adjusted together, or nothing tells which of two photos is wrong.
    """
    store = FeatureStore(shots)
    tied, solution = _by_targets(starts, tapes)
    _find_facing(tied, store)
    survey = survey_photos(tied.network, store, solution)
    apart = _outsiders(tied.network, survey)
    if apart:
        tied, solution = _by_targets([start for start in starts if start.photo.name not in apart], tapes)
        survey = survey_photos(tied.network, store, solution)
    tied, points = _with_ties(tied, survey, store)
    own = {s.photo.name: _apart(s) if s.photo.name in apart else s for s in starts}
    waiting = [name for name in sorted(shots) if name not in tied.stations]
    while waiting:
        _find_level(tied, store, {name: shots[name].sighted for name in waiting})
        joined = _join_one(
            tied, [_Waiting(shots[n].sighted, own.get(n), n in apart) for n in waiting], store, points
        )
        if joined is None:
            break
        _find_facing(joined, store)
        tied, points = _with_ties(with_tapes(joined, tapes), survey_photos(joined.network, store), store)
        waiting = [name for name in waiting if name not in tied.stations]
    notes = [note for name in sorted(tied.stations) if (note := _what_differs(tied, shots[name].sighted))]
    return Bound(tied, {name: _why_left_out(name, own, apart) for name in waiting}, tuple(notes))


def _facing(tied: Tied, name: str, axes: Array, *, is_upright: bool = True) -> Facing:
    """Return how a placed photo is turned to face a plane of the world."""
    index = tied.stations[name]
    camera = tied.network.camera_of(index).turned(tied.quarter_turns[index])
    return Facing(camera, tied.upright_rotation(index) @ axes, is_upright)


def _find_facing(tied: Tied, store: FeatureStore) -> None:
    """Find the features of all placed photos, as taken and facing the planes of the house."""
    planes = planes_to_face(tied.network, vertical(tied))
    names = sorted(tied.stations)
    store.find([(name, AS_TAKEN, None) for name in names])
    store.find([(n, plane, _facing(tied, n, axes)) for n in names for plane, axes in planes.items()])


def _find_level(tied: Tied, store: FeatureStore, waiting: Mapping[str, SightedPhoto]) -> None:
    """Find the features of waiting photos, and those of all photos facing the ground."""
    store.find([(name, AS_TAKEN, None) for name in waiting])
    up = vertical(tied)
    if up is None:
        return
    axes = level_plane(up)
    store.find([(n, LEVEL, _facing(tied, n, axes, is_upright=False)) for n in sorted(tied.stations)])
    for name, sighted in waiting.items():
        camera = _camera(tied, sighted).turned(sighted.quarter_turns)
        store.find([(name, LEVEL, Facing(camera, level_plane_unseen(), is_upright=False))])


def _camera(tied: Tied, sighted: SightedPhoto) -> Camera:
    """Return what is known of the lens of a photo that is not placed yet, sensor frame."""
    if sighted.lens_key in tied.lens_keys:
        return tied.network.cameras[tied.lens_keys.index(sighted.lens_key)]
    return sighted.lens


def _outsiders(network: Network, survey: Survey) -> frozenset[str]:
    """Return the photos that contradict the largest group of photos that agree with each other.

    Photos that contradict each other, but both agree with a third, do so by little; they are left to the
    adjustment.
    """
    if not survey.contradictions:
        return frozenset()
    groups = {i: frozenset([i]) for i in range(len(network.stations))}
    for first, second in survey.matches:
        both = groups[first] | groups[second]
        groups |= dict.fromkeys(both, both)
    contrary = sorted({i for pair in survey.contradictions for i in pair})
    main = max((groups[i] for i in contrary), key=len)
    if len(main) == 1:
        one, other = sorted(network.stations[i].name for i in min(survey.contradictions))
        msg = (
            f"{one} and {other} contradict each other: the target was moved between them, or one was "
            "taken with another lens or zoom; nothing tells which is right, so add a photo or take both anew"
        )
        raise GeometryError(msg)
    return frozenset(network.stations[i].name for i in contrary if i not in main)


def _with_ties(tied: Tied, survey: Survey, store: FeatureStore) -> tuple[Tied, dict[int, PlacedFeatures]]:
    """Adjust photos with fresh tie points; return also where every tracked feature lies in the world."""
    bare = replace(tied.network, points_mm=np.zeros((0, 3)), point_sightings=())
    px = {i: store.px(station.name) for i, station in enumerate(bare.stations)}
    sizes = {i: (c.width, c.height) for i, c in enumerate(map(bare.camera_of, range(len(bare.stations))))}
    tracks = chain_matches(survey.matches)
    chosen = spread_tracks(tracks, px, sizes)
    network = adjust_ties(with_tie_points(bare, [_tie(track, px) for track in chosen])).network
    odd = breathes_too_much(network)
    if odd is not None:
        keys = (*tied.lens_keys, f"{network.stations[odd].name} alone")
        return _with_ties(replace(tied, network=with_own_lens(network, odd), lens_keys=keys), survey, store)
    places = place_ties(network, [_tie(track, px) for track in tracks])
    found: dict[int, list[tuple[Array, Array]]] = {}
    for track, point in zip(tracks, places, strict=True):
        if point is not None:
            for station, feature in track.places:
                found.setdefault(station, []).append((px[station][feature], point))
    points = {
        station: PlacedFeatures(*(np.array(part) for part in zip(*pairs, strict=True)))
        for station, pairs in found.items()
    }
    return replace(tied, network=network), points


def _tie(track: Track, px: Mapping[int, Array]) -> Tie:
    stations = tuple(station for station, _ in track.places)
    return Tie(stations, np.array([px[station][feature] for station, feature in track.places]))


@dataclass(frozen=True, eq=False)
class _Waiting:
    """A photo that is not placed yet; `is_apart` when its own target or lens is not believed."""

    sighted: SightedPhoto
    start: Start | None
    is_apart: bool


def _join_one(
    tied: Tied, waiting: Sequence[_Waiting], store: FeatureStore, points: Mapping[int, PlacedFeatures]
) -> Tied | None:
    """Place one more photo: by a target that is placed by now, or the one with most points in common."""
    best = None
    for item in waiting:
        if item.start is not None and (pose := pose_from_network(item.start, tied.network)) is not None:
            return with_photo(tied, item.sighted, pose, item.start)
        doubt = float(np.sqrt(item.sighted.lens.cov[0, 0])) / item.sighted.lens.fx
        camera = item.sighted.lens if item.is_apart else _camera(tied, item.sighted)
        is_doubtful = item.is_apart or (item.sighted.lens_key not in tied.lens_keys and doubt > 0.1)
        join = join_photo(
            item.sighted.name, camera, tied.network, store, points, is_lens_doubtful=is_doubtful
        )
        if join is not None and (best is None or join.count > best[1].count):
            best = (item, join)
    if best is None:
        return None
    item, join = best
    sighted = _with_own_lens(item.sighted, join.camera) if item.is_apart else item.sighted
    return with_photo(tied, sighted, join.pose, item.start, join.camera)


def _with_own_lens(sighted: SightedPhoto, camera: Camera) -> SightedPhoto:
    """Return a photo that shares its lens with no other, the focal length hardly known."""
    cov = sighted.lens.cov.copy()
    cov[:2, :2] += (_RELATIVE_U_OTHER_LENS * camera.fx) ** 2
    return replace(sighted, lens=replace(camera, cov=cov), lens_key=None)


def _apart(start: Start) -> Start:
    """Return a photo solved alone whose targets have names of their own, so that they may stand elsewhere."""
    network = start.solution.network
    placements = tuple(replace(p, name=_own_name(p.name, start.photo.name)) for p in network.placements)
    return replace(start, solution=replace(start.solution, network=replace(network, placements=placements)))


def _own_name(target: str, photo: str) -> str:
    return f"{target} in {photo}"


def _what_differs(tied: Tied, sighted: SightedPhoto) -> str:
    """Say what a photo's lens or target turned out to be that it should not be; empty when nothing."""
    name, network = sighted.name, tied.network
    station = tied.stations[name]
    if sighted.lens_key in tied.lens_keys:
        lens = tied.lens_keys.index(sighted.lens_key)
        if network.stations[station].lens != lens and is_other_lens(network, station, lens):
            return name_other_lens(network, station, lens)
    placed = {p.name: p for p in network.placements}
    for target, there in placed.items():
        here = placed.get(_own_name(target, name))
        if here is None:
            continue
        moved_mm = float(np.linalg.norm(here.translation_mm - there.translation_mm))
        cosine = (np.trace(here.rotation.T @ there.rotation) - 1.0) / 2.0
        turned_deg = float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
        if moved_mm > _MOVED_MM or turned_deg > _MOVED_DEG:
            return (
                f"target {target} was moved: in {name} it stands {moved_mm:.0f} mm from where the other "
                f"photos show it, turned by {turned_deg:.0f} degrees; {name} is used with the target there"
            )
    return ""


def _why_left_out(name: str, own: Mapping[str, Start], apart: frozenset[str]) -> str:
    if name in apart:
        return _CONTRADICTS.format(name)
    return (_NO_COMMON_TARGET if name in own else _NO_TARGET).format(name)
