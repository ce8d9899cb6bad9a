"""Photos taken with another lens or zoom than their data say, found by the focal length that they need.

Photos of one lens share its focal length but for focus breathing. Where a photo only fits with a focal length
of its own, it gets a lens of its own, and is named.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.camera import Array, Camera
from calib.errors import GeometryError
from vision.adjust import adjust
from vision.blunders import name_doubtful_photo
from vision.ends import SolvedEnds, solve_ends
from vision.network import Lens, Network, PointSighting
from vision.picks import ENDS

# A focal length that breathes by more than this many standard deviations does not breathe: it is another one.
_MOST_BREATHING = 5.0
# A focal length that differs by more than this is another lens or zoom (no source).
_OTHER_LENS = 0.02
# Standard uncertainty of ln(focal length) of such a lens.
_U_LN_FOCAL = 0.3
# Where picks are to be explained by a focal length, the lens's other parameters are held this much closer to
# the shared lens than the prior says: else its centre could be moved to explain any two picks.
_LIKE_LENS_COV = 0.1
# Picks that an explanation leaves this much larger than chance (sum of squares) are not explained.
_EXPLAINED = 20.0


def with_own_lens(network: Network, station: int) -> Network:
    """Return the network with a lens of its own for one photo; its focal length is hardly known."""
    prior = network.lenses[network.stations[station].lens].prior
    return _with_lens(network, station, prior, prior.cov)


def _with_like_lens(network: Network, station: int) -> Network:
    """Return the network with a lens for one photo that may differ in focal length, hardly in aught else."""
    place = network.stations[station]
    cov = _LIKE_LENS_COV * network.lenses[place.lens].prior.cov
    return _with_lens(network, station, network.camera_of(station), cov)


def _with_lens(network: Network, station: int, prior: Camera, cov: Array) -> Network:
    place, camera = network.stations[station], network.camera_of(station)
    wide = cov.copy()
    wide[:2, :2] += (_U_LN_FOCAL * camera.fx) ** 2
    own = Lens(replace(prior, fx=camera.fx, fy=camera.fy, cov=wide), network.lenses[place.lens].u_breathing)
    stations = list(network.stations)
    stations[station] = replace(place, lens=len(network.lenses), ln_focal=0.0)
    return replace(
        network,
        lenses=(*network.lenses, own),
        cameras=(*network.cameras, camera),
        stations=tuple(stations),
    )


def breathes_too_much(network: Network) -> int | None:
    """Return the photo whose focal length is pulled farthest from its lens's, if it is too far for focus."""
    shared = Counter(station.lens for station in network.stations)
    pulls = [
        abs(station.ln_focal) / network.lenses[station.lens].u_breathing if shared[station.lens] > 2 else 0.0
        for station in network.stations
    ]
    worst = int(np.argmax(pulls))
    return worst if pulls[worst] > _MOST_BREATHING else None


def solve_with_lenses(network: Network, picks: Sequence[PointSighting]) -> tuple[SolvedEnds, list[str]]:
    """Solve the ridge ends, with a lens of its own for a photo whose picks only fit so.

    Parameters
    ----------
    network : Network
        Photos, adjusted, with their tie points.
    picks : sequence of PointSighting
        Sightings of point 0 (A) and point 1 (B).

    Returns
    -------
    tuple
        The ends, and what is to be said about lenses.

    Raises
    ------
    GeometryError
        If the lines of sight do not meet, or contradict each other.

    Notes
    -----
    Two picks that were left out hardly fit a focal length by chance; one may. Where only one does, nothing of
    that photo is used.
    """
    own: dict[int, int] = {}
    doubtful_ones: set[int] = set()
    notes = []
    while True:
        solved = solve_ends(network, picks)
        # A photo gets a lens of its own once: what still does not fit then is wrong in another way.
        tried = own.keys() | doubtful_ones
        fitting = {i: count for i, count in _fitting_left_out(solved).items() if i not in tried}
        whole = [station for station, count in fitting.items() if count == len(ENDS)]
        station = whole[0] if whole else None
        if station is None and fitting:
            doubtful = min(fitting)
            doubtful_ones.add(doubtful)
            notes.append(name_doubtful_photo(solved, doubtful))
            picks = [pick for pick in picks if pick.station != doubtful]
            network = adjust(with_own_lens(network, doubtful)).network
            continue
        if station is None and solved.noise_factor > 1.0:
            station = _quieting(network, picks)
        if station is None:
            named = [name_other_lens(solved.solution.network, i, lens) for i, lens in own.items()]
            return solved, named + notes
        own[station] = network.stations[station].lens
        network = adjust(with_own_lens(network, station)).network


def _fitting_left_out(solved: SolvedEnds) -> dict[int, int]:
    """Return photos whose left-out picks fit with a focal length of their own, and how many those are."""
    found = {}
    for station in sorted({pick.station for pick in solved.left_out}):
        own = [pick for pick in solved.left_out if pick.station == station]
        if _fits_with_own_lens(solved, station, own):
            found[station] = len(own)
    return found


def _fits_with_own_lens(solved: SolvedEnds, station: int, picks: Sequence[PointSighting]) -> bool:
    network = solved.solution.network
    split = _with_like_lens(network, station)
    split = replace(split, point_sightings=(*picks, *network.point_sightings))
    try:
        tried = adjust(split)
    except GeometryError:
        return False
    more = tried.equations.cost - solved.solution.equations.cost
    return more < _EXPLAINED and is_other_lens(tried.network, station, network.stations[station].lens)


def _quieting(network: Network, picks: Sequence[PointSighting]) -> int | None:
    """Return the photo with whose own focal length all picks scatter no more than they should."""
    best: tuple[float, int] | None = None
    for station in sorted({pick.station for pick in picks}):
        lens = network.stations[station].lens
        if sum(other.lens == lens for other in network.stations) < 3:
            continue
        try:
            tried = solve_ends(adjust(with_own_lens(network, station)).network, picks)
        except GeometryError:
            continue
        is_quiet = tried.noise_factor == 1.0 and not tried.left_out
        cost = tried.solution.equations.cost
        is_other = is_other_lens(tried.solution.network, station, lens)
        if is_quiet and is_other and (best is None or cost < best[0]):
            best = (cost, station)
    return None if best is None else best[1]


def is_other_lens(network: Network, station: int, lens: int) -> bool:
    """Say whether a photo's focal length is not that of a lens."""
    return bool(abs(np.log(network.camera_of(station).fx / network.cameras[lens].fx)) > _OTHER_LENS)


def name_other_lens(network: Network, station: int, lens: int) -> str:
    """Say that a photo has a lens of its own, against the lens that it should share."""
    own_px, shared_px = network.camera_of(station).fx, network.cameras[lens].fx
    name = network.stations[station].name
    return (
        f"{name} was taken with another lens or zoom than its data say (focal length "
        f"{own_px:.0f} px, the others {shared_px:.0f} px): it was solved with a lens of its own"
    )
