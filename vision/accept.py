"""A ridge measured with help: ends that nobody has picked are proposed, and used where a person accepts them.

Proposals are made from the photos tied by their targets alone, which is quick, and then measured like picks.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from vision.edges import Image
from vision.look import Looks, LoosePhoto, PhotoResult, ReadyPhoto, look_at_all
from vision.photo import load_photo
from vision.picking import predict_ends, tied_views
from vision.predict import PredictedPoint
from vision.proposals import ENDS, ProposedEnds, ShootPicture, propose_for_shoot
from vision.ridge import NotMeasured, RidgeMeasurement, measure_ready
from vision.shoot import Shoot
from vision.snap import Snap

# A proposal is as good as a pick when it is known to this many times a pick's standard uncertainty.
_AS_GOOD_AS_A_PICK = 1.5
_ENOUGH = 2


def measure_with_help(
    shoot: Shoot, progress: Callable[[int, int], None] | None = None, *, accept: bool = False
) -> RidgeMeasurement | NotMeasured:
    """Measure the ridge of a shoot, and say where the ends lie in photos that have no picks of them.

    Parameters
    ----------
    shoot : Shoot
        Photos with or without picks, targets, tapes and lens.
    progress : callable, optional
        Called with (photos looked at, photos in all).
    accept : bool
        Whether proposals are used like picks; else they are only told.

    Returns
    -------
    RidgeMeasurement or NotMeasured
        As `vision.ridge.measure_ridge`; the photos' notes say what is proposed or predicted where. Of
        accepted proposals, those are used that a photo shows clearly and other photos agree with.

    Raises
    ------
    FileError, PhotoError
        If the only photo of a shoot cannot be read; among many it is left out and named.
    LensError
        If the lens profile does not belong to a photo.
    """
    looks = look_at_all(shoot, progress)
    if accept:
        return _measure_accepted(shoot, looks)
    found = measure_ready(shoot, looks.ready, looks.unused, looks.loose)
    told = _predictions(shoot, looks.ready) if _are_enough(looks.ready) else _proposals(shoot, looks)
    return _with_photo_notes(found, told)


def _are_enough(ready: Sequence[ReadyPhoto]) -> bool:
    """Say whether the picks place both ends, so that nothing need be guessed."""
    return all(sum(end in item.photo.ends for item in ready) >= _ENOUGH for end in ENDS)


def _predictions(shoot: Shoot, ready: Sequence[ReadyPhoto]) -> dict[str, str]:
    """Return for each photo without a pick where the end should be by the picks in others."""
    wanting = [item.photo.name for item in ready if len(item.photo.ends) < len(ENDS)]
    if not wanting:
        return {}
    views = tied_views(ready, shoot.tapes)
    picks = {item.photo.name: item.photo.ends for item in ready}
    told = {}
    for name in wanting:
        predicted = predict_ends(views, picks, name, shoot.pick_sigma_px)
        points = {end: each for end, each in predicted.items() if isinstance(each, PredictedPoint)}
        if points:
            snaps = {end: Snap(each.px, each.cov_px2, "predicted", 0.0) for end, each in points.items()}
            told[name] = f"by the picks in other photos, {_in_words(snaps)}"
    return told


def _proposals(shoot: Shoot, looks: Looks) -> dict[str, str]:
    """Return for each photo without a pick what is proposed in it."""
    pictures = _pictures(shoot, looks)
    if not any(picture.missing for picture in pictures):
        return {}
    proposed = propose_for_shoot(pictures)
    return {
        name: f"proposed, to be looked at: {_in_words(own.ends)}{_unnamed(own, len(pictures))}"
        for name, own in proposed.items()
        if own.ends
    }


def _unnamed(own: ProposedEnds, count: int) -> str:
    """Return a warning where nothing tells which end is which."""
    return "" if own.is_placed or count == 1 else "; which is A and which is B is for you to say"


def _in_words(ends: Mapping[str, Snap]) -> str:
    """Return ends as a shoot file has them, with their uncertainties."""
    return ", ".join(
        f'"{end}": [{snap.px[0]:.1f}, {snap.px[1]:.1f}] (u {snap.sigma_px:.1f} px)'
        for end, snap in sorted(ends.items())
    )


def _with_photo_notes(
    found: RidgeMeasurement | NotMeasured, told: Mapping[str, str]
) -> RidgeMeasurement | NotMeasured:
    photos = dict(found.photos)
    for name, note in told.items():
        result = photos.get(name, PhotoResult((), None, False, ()))
        photos[name] = replace(result, notes=(*result.notes, note))
    return replace(found, photos=photos)


def _measure_accepted(shoot: Shoot, looks: Looks) -> RidgeMeasurement | NotMeasured:
    proposed = propose_for_shoot(_pictures(shoot, looks))
    chosen, notes = _chosen(shoot, looks.ready, proposed)
    accepted = [_with_ends(item, chosen.get(item.photo.name, {})) for item in looks.ready]
    found = measure_ready(shoot, accepted, looks.unused, looks.loose)
    if isinstance(found, NotMeasured):
        return replace(found, why="; ".join([*notes, found.why]))
    return replace(found, notes=(*notes, *found.notes))


def _pictures(shoot: Shoot, looks: Looks) -> list[ShootPicture]:
    views = tied_views(looks.ready, shoot.tapes)
    items: list[ReadyPhoto | LoosePhoto] = [*looks.ready, *looks.loose]
    return [
        ShootPicture(item.photo.name, _reader(item), views.get(item.photo.name), item.photo.ends)
        for item in items
    ]


def _reader(item: ReadyPhoto | LoosePhoto) -> Callable[[], Image]:
    return lambda: load_photo(item.photo.path).image


_Ends = dict[str, tuple[float, float]]


def _chosen(
    shoot: Shoot, ready: Sequence[ReadyPhoto], proposed: Mapping[str, ProposedEnds]
) -> tuple[dict[str, _Ends], list[str]]:
    """Return the proposals that can be used, and what to say of them."""
    chosen: dict[str, _Ends] = {}
    notes = []
    for item in ready:
        name = item.photo.name
        if len(item.photo.ends) == len(ENDS):
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
    return replace(item, photo=replace(item.photo, ends={**item.photo.ends, **ends})) if ends else item
