"""Photos with poses woven together: matches to tracks, tracks to tie points, adjusted with the photos.

Frames: world, see vision/network.py; places in the sensor frame.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from calib.camera import Array
from vision.joining import PlacedFeatures
from vision.network import Network
from vision.other_lens import breathes_too_much, with_own_lens
from vision.survey import FeatureStore, Survey
from vision.tie import Tied
from vision.tie_points import Tie, adjust_ties, place_ties, with_tie_points
from vision.tracks import Track, chain_matches, spread_tracks

# A photo that keeps a smaller part of its tie points than this part of what is usual does not fit the others,
# and at least so many points must speak against it.
_KEEPS_LEAST = 0.85
_LEAST_LOST = 10


@dataclass(frozen=True, eq=False)
class Woven:
    """Photos adjusted with tie points.

    Attributes
    ----------
    tied : Tied
        The network.
    survey : Survey
        The matches that it rests on.
    points : Mapping
        Station to its features whose points in the world are known.
    kept : Mapping
        Station to (tie points kept, tie points offered).
    """

    tied: Tied
    survey: Survey
    points: Mapping[int, PlacedFeatures]
    kept: Mapping[int, tuple[int, int]]

    @property
    def sigma_px(self) -> float:
        """Noise of the tie points, px; 0 without any."""
        return next((s.sigma_px for s in self.tied.network.point_sightings if s.is_tie), 0.0)

    def odd_one(self) -> int | None:
        """Return the photo most of whose tie points do not fit the others, None where all are alike."""
        parts = {i: kept / offered for i, (kept, offered) in self.kept.items() if offered}
        if len(parts) < 3:
            return None
        worst = min(parts, key=lambda i: (parts[i], i))
        kept, offered = self.kept[worst]
        is_odd = parts[worst] < _KEEPS_LEAST * float(np.median(list(parts.values())))
        return worst if is_odd and offered - kept >= _LEAST_LOST else None


def weave(tied: Tied, survey: Survey, store: FeatureStore) -> Woven:
    """Adjust photos with fresh tie points.

    Parameters
    ----------
    tied : Tied
        Photos at good start poses; tie points it has are replaced.
    survey : Survey
        Matches between the photos.
    store : FeatureStore
        Their features.

    Returns
    -------
    Woven
        The adjusted network. A photo whose focal length is pulled too far from its lens's has got its own.

    Raises
    ------
    GeometryError
        If the adjustment does not settle.
    """
    bare = replace(tied.network, points_mm=np.zeros((0, 3)), point_sightings=())
    px = {i: store.px(station.name) for i, station in enumerate(bare.stations)}
    cameras = [bare.camera_of(i) for i in px]
    tracks = chain_matches(survey.matches)
    chosen = spread_tracks(tracks, px, {i: (c.width, c.height) for i, c in enumerate(cameras)})
    network = adjust_ties(with_tie_points(bare, [_tie(track, px) for track in chosen])).network
    odd = breathes_too_much(network)
    if odd is not None:
        return weave(own_lens(replace(tied, network=network), odd), survey, store)
    points = _placed(network, tracks, px)
    return Woven(replace(tied, network=network), survey, points, _kept(network, chosen))


def own_lens(tied: Tied, station: int) -> Tied:
    """Return the network with a lens of its own for one photo."""
    keys = (*tied.lens_keys, f"{tied.network.stations[station].name} alone")
    return replace(tied, network=with_own_lens(tied.network, station), lens_keys=keys)


def _tie(track: Track, px: Mapping[int, Array]) -> Tie:
    stations = tuple(station for station, _ in track.places)
    return Tie(stations, np.array([px[station][feature] for station, feature in track.places]))


def _placed(network: Network, tracks: list[Track], px: Mapping[int, Array]) -> dict[int, PlacedFeatures]:
    """Return, for every photo, its tracked features with their points in the world."""
    found: dict[int, list[tuple[Array, Array]]] = {}
    for track, point in zip(tracks, place_ties(network, [_tie(t, px) for t in tracks]), strict=True):
        if point is not None:
            for station, feature in track.places:
                found.setdefault(station, []).append((px[station][feature], point))
    return {
        station: PlacedFeatures(*(np.array(part) for part in zip(*pairs, strict=True)))
        for station, pairs in found.items()
    }


def _kept(network: Network, offered: list[Track]) -> dict[int, tuple[int, int]]:
    wanted = [station for track in offered for station, _ in track.places]
    there = [sighting.station for sighting in network.point_sightings]
    return {i: (there.count(i), wanted.count(i)) for i in range(len(network.stations))}
