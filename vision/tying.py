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
from vision.joining import Join, join_photo
from vision.network import Network
from vision.other_lens import is_other_lens, name_other_lens
from vision.pose import SightedPhoto, Start
from vision.shoot import TapeMeasure
from vision.survey import FeatureStore, Shot, Survey, survey_photos
from vision.tie import Tied, pose_from_network, tie_photos, with_photo, with_tapes
from vision.weaving import Woven, own_lens, weave

AS_TAKEN = "as taken"
# Relative standard uncertainty of the focal length of a photo whose lens is not what it says.
_RELATIVE_U_OTHER_LENS = 0.3
# A focal length that makes a photo agree with others is another one when it differs by more than this (half
# of the smallest step that is tried).
_OTHER_FOCAL = 0.05
# Other focal lengths are tried for a photo whose own is known worse than this.
_DOUBTFUL = 0.1
# Tie points this noisy tell of something wrong, px; what is right leaves less than this part of the noise.
_NOISY_PX, _MUCH_QUIETER = 1.5, 0.6
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
    binder = _Binder(starts, shots, tapes)
    woven = binder.weave_consistent()
    woven = binder.join_waiting(binder.refocus(woven))
    tied = woven.tied
    notes = [note for name in sorted(tied.stations) if (note := _what_differs(tied, shots[name].sighted))]
    left_out = {name: binder.why_left_out(name) for name in sorted(shots) if name not in tied.stations}
    return Bound(tied, left_out, tuple(notes))


class _Binder:
    """The photos of a job on their way into one network.

    `apart` are the photos whose targets or lenses are not believed: their features contradict the others.
    """

    def __init__(
        self, starts: Sequence[Start], shots: Mapping[str, Shot], tapes: Sequence[TapeMeasure]
    ) -> None:
        self._starts = {start.photo.name: start for start in starts}
        self._sighted = {name: shots[name].sighted for name in sorted(shots)}
        self._tapes = tapes
        self._store = FeatureStore(shots)
        self._apart: frozenset[str] = frozenset()

    def weave_consistent(self) -> Woven:
        """Weave the photos together that agree by targets and by features; put the others apart."""
        while True:
            believed = [start for name, start in self._starts.items() if name not in self._apart]
            tied, solution = _by_targets(believed, self._tapes)
            _find_facing(tied, self._store)
            survey = survey_photos(tied.network, self._store, solution)
            outside = _outsiders(tied.network, survey)
            if not outside:
                woven = weave(tied, survey, self._store)
                odd = woven.odd_one()
                if odd is None:
                    return self._quieter(tied, woven) if woven.sigma_px > _NOISY_PX else woven
                refocused = weave(own_lens(tied, odd), survey, self._store)
                if refocused.odd_one() != odd:
                    return refocused
                outside = frozenset([tied.network.stations[odd].name])
            if 2 * len(self._apart | outside) >= len(self._starts):
                # There is no majority left to judge by.
                return weave(tied, survey, self._store)
            self._apart |= outside

    def _quieter(self, tied: Tied, woven: Woven) -> Woven:
        """Give a lens of its own to the photo that makes the tie points fit so, if there is one."""
        tried = [woven]
        for station in range(len(tied.network.stations)):
            try:
                tried.append(weave(own_lens(tied, station), woven.survey, self._store))
            except GeometryError:
                continue
        best = min(tried, key=lambda item: item.sigma_px)
        return best if best.sigma_px < _MUCH_QUIETER * woven.sigma_px else woven

    def refocus(self, woven: Woven) -> Woven:
        """Give photos that agree with no other a focal length of their own where that makes them agree.

        Their targets place them as well as the wrong focal length allows, but nothing that they show fits.
        """
        tied = woven.tied
        linked = {i for pair in woven.survey.matches for i in pair}
        for index in sorted(set(range(len(tied.network.stations))) - linked) if linked else ():
            name, camera = tied.network.stations[index].name, tied.network.camera_of(index)
            join = join_photo(
                name, camera, woven.tied.network, self._store, woven.points, is_lens_doubtful=True
            )
            if join is not None and abs(np.log(join.camera.fx / camera.fx)) > _OTHER_FOCAL:
                tied = _moved(own_lens(tied, index), index, join)
        if tied is woven.tied:
            return woven
        return weave(tied, survey_photos(tied.network, self._store), self._store)

    def join_waiting(self, woven: Woven) -> Woven:
        """Join the photos that are not placed yet, one after the other."""
        while True:
            tied = woven.tied
            waiting = [name for name in self._sighted if name not in tied.stations]
            if not waiting:
                return woven
            _find_level(tied, self._store, {name: self._sighted[name] for name in waiting})
            joined = self._join_one(woven, waiting)
            if joined is None:
                return woven
            joined = with_tapes(joined, self._tapes)
            _find_facing(joined, self._store)
            woven = weave(joined, survey_photos(joined.network, self._store), self._store)

    def _join_one(self, woven: Woven, waiting: Sequence[str]) -> Tied | None:
        """Place one more photo: by a target that is placed by now, or the one with most points in common."""
        tied, best = woven.tied, None
        for name in waiting:
            sighted, start = self._sighted[name], self._starts.get(name)
            if start is not None and name not in self._apart:
                pose = pose_from_network(start, tied.network)
                if pose is not None:
                    return with_photo(tied, sighted, pose, start)
            join = self._join(name, woven)
            if join is not None and (best is None or join.count > best[1].count):
                best = (name, join)
        if best is None:
            return None
        name, join = best
        sighted, start = self._sighted[name], self._starts.get(name)
        if name in self._apart:
            sighted = _with_own_lens(sighted, join.camera)
            start = None if start is None else _with_own_targets(start)
        return with_photo(tied, sighted, join.pose, start, join.camera)

    def _join(self, name: str, woven: Woven) -> Join | None:
        sighted = self._sighted[name]
        is_apart, is_shared = name in self._apart, sighted.lens_key in woven.tied.lens_keys
        doubt = float(np.sqrt(sighted.lens.cov[0, 0])) / sighted.lens.fx
        camera = sighted.lens if is_apart else _camera(woven.tied, sighted)
        is_doubtful = is_apart or (not is_shared and doubt > _DOUBTFUL)
        return join_photo(
            name, camera, woven.tied.network, self._store, woven.points, is_lens_doubtful=is_doubtful
        )

    def why_left_out(self, name: str) -> str:
        """Say why a photo is not in the network."""
        if name in self._apart:
            return _CONTRADICTS.format(name)
        return (_NO_COMMON_TARGET if name in self._starts else _NO_TARGET).format(name)


def _moved(tied: Tied, station: int, join: Join) -> Tied:
    """Return the network with a photo where its features put it; its lens, the last one, as they want it."""
    stations = list(tied.network.stations)
    stations[station] = replace(stations[station], rotation=join.pose[0], translation_mm=join.pose[1])
    cameras = (*tied.network.cameras[:-1], join.camera)
    return replace(tied, network=replace(tied.network, stations=tuple(stations), cameras=cameras))


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


def _with_own_lens(sighted: SightedPhoto, camera: Camera) -> SightedPhoto:
    """Return a photo that shares its lens with no other, the focal length hardly known."""
    cov = sighted.lens.cov.copy()
    cov[:2, :2] += (_RELATIVE_U_OTHER_LENS * camera.fx) ** 2
    return replace(sighted, lens=replace(camera, cov=cov), lens_key=None)


def _with_own_targets(start: Start) -> Start:
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
