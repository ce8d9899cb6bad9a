"""A ridge measured from accepted proposals: photos without picks get the ends proposed in them.

Proposals are made from the photos tied by their targets alone, which is quick, and then measured like picks.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from calib.errors import GeometryError
from vision.adjust import adjust
from vision.look import LoosePhoto, PhotoResult, ReadyPhoto, look_at
from vision.photo import load_photo
from vision.plane import View
from vision.pose import view_of
from vision.proposals import ProposedEnds, ShootPicture, propose_for_shoot
from vision.ridge import NotMeasured, RidgeMeasurement, measure_ready
from vision.shoot import Shoot
from vision.tying import tie_by_targets

# A proposal is as good as a pick when it is known to this many times a pick's standard uncertainty.
_AS_GOOD_AS_A_PICK = 1.5


def measure_with_proposals(
    shoot: Shoot, progress: Callable[[int, int], None] | None = None
) -> RidgeMeasurement | NotMeasured:
    """Measure the ridge of a shoot, its photos without picks getting the ends that are proposed in them.

    Parameters
    ----------
    shoot : Shoot
        Photos with or without picks, targets, tapes and lens.
    progress : callable, optional
        Called with (photos looked at, photos in all).

    Returns
    -------
    RidgeMeasurement or NotMeasured
        As `vision.ridge.measure_ridge`; its notes say what was proposed where. Ends that a photo does not
        show clearly are not used, nor those of a photo that the others do not place.

    Raises
    ------
    FileError, PhotoError
        If the only photo of a shoot cannot be read; among many it is left out and named.
    LensError
        If the lens profile does not belong to a photo.
    """
    looks = _look_at_all(shoot, progress)
    ready = [look for look in looks if isinstance(look, ReadyPhoto)]
    loose = [look for look in looks if isinstance(look, LoosePhoto)]
    unused = {
        photo.name: look
        for photo, look in zip(shoot.photos, looks, strict=True)
        if isinstance(look, PhotoResult)
    }
    proposed = propose_for_shoot(_pictures(shoot, ready))
    chosen, notes = _chosen(shoot, ready, proposed)
    accepted = [_with_ends(item, chosen.get(item.photo.name, {})) for item in ready]
    found = measure_ready(shoot, accepted, unused, loose)
    if isinstance(found, NotMeasured):
        return replace(found, why="; ".join([*notes, found.why]))
    return replace(found, notes=(*notes, *found.notes))


def propose_in_shoot(
    shoot: Shoot, progress: Callable[[int, int], None] | None = None
) -> dict[str, ProposedEnds]:
    """Propose ridge ends in the photos of a shoot that have no picks, for a person to look at.

    Parameters
    ----------
    shoot : Shoot
        Photos with or without picks, targets, tapes and lens.
    progress : callable, optional
        Called with (photos looked at, photos in all).

    Returns
    -------
    dict
        As `vision.proposals.propose_for_shoot`; a photo that shows no target is left out.

    Raises
    ------
    FileError, PhotoError, LensError
        As `measure_with_proposals`.
    """
    looks = _look_at_all(shoot, progress)
    return propose_for_shoot(_pictures(shoot, [look for look in looks if isinstance(look, ReadyPhoto)]))


def _look_at_all(
    shoot: Shoot, progress: Callable[[int, int], None] | None
) -> list[ReadyPhoto | LoosePhoto | PhotoResult]:
    is_one_of_many = len(shoot.photos) > 1
    looks = []
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for look in pool.map(lambda photo: look_at(photo, shoot, keep_picture=is_one_of_many), shoot.photos):
            looks.append(look)
            if progress is not None:
                progress(len(looks), len(shoot.photos))
    return looks


def _pictures(shoot: Shoot, ready: Sequence[ReadyPhoto]) -> list[ShootPicture]:
    views = _views(shoot, ready)
    return [
        ShootPicture(
            item.photo.name,
            load_photo(item.photo.path).image,
            views.get(item.photo.name),
            item.photo.ends,
        )
        for item in ready
    ]


def _views(shoot: Shoot, ready: Sequence[ReadyPhoto]) -> Mapping[str, View]:
    """Return the views of the photos that their targets tie together, in one frame."""
    if len(ready) < 2:
        return {}
    try:
        tied = tie_by_targets([item.start for item in ready], shoot.tapes).tied
        solution = adjust(tied.network)
    except GeometryError:
        return {}
    world = next(i for i, placement in enumerate(solution.network.placements) if placement.is_fixed)
    return {
        name: view_of(solution, station, world, tied.quarter_turns[station])
        for name, station in tied.stations.items()
    }


_Ends = dict[str, tuple[float, float]]


def _chosen(
    shoot: Shoot, ready: Sequence[ReadyPhoto], proposed: Mapping[str, ProposedEnds]
) -> tuple[dict[str, _Ends], list[str]]:
    """Return the proposals that can be used, and what to say of them."""
    chosen: dict[str, _Ends] = {}
    notes = []
    for item in ready:
        name = item.photo.name
        if item.photo.ends:
            continue
        own = proposed.get(name)
        ends = {} if own is None or not (own.is_placed or len(shoot.photos) == 1) else _usable(shoot, own)
        if ends:
            chosen[name] = ends
            letters = " and ".join(end.upper() for end in sorted(ends))
            notes.append(
                f"{name}: end{'s' if len(ends) > 1 else ''} {letters} as proposed; look at the picture"
            )
        else:
            notes.append(f"{name}: no ridge end could be proposed with certainty; pick it by hand")
    return chosen, notes


def _usable(shoot: Shoot, own: ProposedEnds) -> _Ends:
    limit_px = _AS_GOOD_AS_A_PICK * shoot.pick_sigma_px
    return {
        end: (float(snap.px[0]), float(snap.px[1]))
        for end, snap in own.ends.items()
        if snap.kind != "predicted" and snap.sigma_px <= limit_px
    }


def _with_ends(item: ReadyPhoto, ends: _Ends) -> ReadyPhoto:
    return replace(item, photo=replace(item.photo, ends=ends)) if ends else item
