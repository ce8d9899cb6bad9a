"""The shoot: which photos, picks, targets and tapes a ridge is measured from, as the shoot file gives them.

Picks and rectangle corners are in upright pixels; see the contract's shoot file.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calib.camera import Array
from calib.errors import RecordError
from calib.profile import LensProfile, load_profile
from calib.records import check_keys, number, point, read_json
from calib.targets import Target, check_targets, load_target

Pick = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A known rectangle picked by hand: corners clockwise from its top left as seen, and its true size."""

    corners_px: tuple[Pick, Pick, Pick, Pick]
    width_mm: float
    height_mm: float
    u_mm: float

    def corners_mm(self) -> Array:
        """Return the corners in the rectangle's own frame, shape (4, 2)."""
        return np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]) * (self.width_mm, self.height_mm)


@dataclass(frozen=True, slots=True)
class ShootPhoto:
    """One photo of a shoot; `name` is how the shoot file calls it."""

    name: str
    path: Path
    ends: Mapping[str, Pick]
    rectangle: Rectangle | None = None


@dataclass(frozen=True, slots=True)
class TapeMeasure:
    """A taped distance between the centres of two tags, mm."""

    tag_from: int
    tag_to: int
    length_mm: float
    u_mm: float


@dataclass(frozen=True, eq=False)
class Shoot:
    """Everything that `measure` works on."""

    targets: tuple[Target, ...]
    photos: tuple[ShootPhoto, ...]
    tapes: tuple[TapeMeasure, ...] = ()
    setback_mm: float = 0.0
    setback_u_mm: float = 0.0
    profile: LensProfile | None = None
    pick_sigma_px: float = 1.0


_OPTIONAL = ("tape", "setback_mm", "setback_u_mm", "lens", "pick_sigma_px")


def load_shoot(path: Path) -> Shoot:
    """Load a shoot file; paths in it are relative to it.

    Parameters
    ----------
    path : Path
        The shoot file.

    Returns
    -------
    Shoot
        Photos, picks, targets, tapes and lens.

    Raises
    ------
    FileError, RecordError, TargetError
        If a file is missing or breaks the contract.
    """
    record = check_keys(read_json(path), ("targets", "photos"), _OPTIONAL, str(path))
    folder = path.parent
    if not isinstance(record["targets"], list) or not all(isinstance(t, str) for t in record["targets"]):
        msg = f"{path} targets: a list of target files was expected"
        raise RecordError(msg)
    if not isinstance(record["photos"], Mapping) or not record["photos"]:
        msg = f"{path} photos: an object with at least one photo was expected"
        raise RecordError(msg)
    targets = tuple(load_target(folder / name) for name in record["targets"])
    check_targets(targets)
    photos = tuple(
        _photo_from_record(name, item, folder, f"{path} photo {name!r}")
        for name, item in record["photos"].items()
    )
    if not targets and not any(photo.rectangle for photo in photos):
        msg = f"{path}: neither a target nor a known rectangle is given, so nothing gives the scale"
        raise RecordError(msg)
    return Shoot(
        targets,
        photos,
        tapes_from_record(record.get("tape", []), targets, f"{path} tape"),
        number(record.get("setback_mm", 0.0), f"{path} setback_mm"),
        number(record.get("setback_u_mm", 0.0), f"{path} setback_u_mm", at_least=0.0),
        _profile(record.get("lens"), folder, str(path)),
        number(record.get("pick_sigma_px", 1.0), f"{path} pick_sigma_px", above=0.0),
    )


def shoot_for_one_photo(
    photo: Path,
    target: Path,
    a: Pick,
    b: Pick,
    *,
    lens: Path | None = None,
    setback_mm: float = 0.0,
    setback_u_mm: float = 0.0,
    pick_sigma_px: float = 1.0,
) -> Shoot:
    """Return the shoot of one photo with both ends picked, without a shoot file."""
    return Shoot(
        (load_target(target),),
        (ShootPhoto(photo.name, photo, {"a": a, "b": b}),),
        (),
        setback_mm,
        setback_u_mm,
        None if lens is None else load_profile(lens),
        pick_sigma_px,
    )


def _photo_from_record(name: str, record: object, folder: Path, where: str) -> ShootPhoto:
    item = check_keys(record, (), ("a", "b", "rectangle"), where)
    ends = {end: point(item[end], f"{where} {end}") for end in ("a", "b") if item.get(end) is not None}
    rectangle = item.get("rectangle")
    return ShootPhoto(
        name,
        folder / name,
        ends,
        None if rectangle is None else rectangle_from_record(rectangle, f"{where} rectangle"),
    )


def rectangle_from_record(record: object, where: str) -> Rectangle:
    """Return the known rectangle of a JSON object of the shoot file.

    Raises
    ------
    RecordError
        If a key is missing or unknown, or the corners do not run clockwise.
    """
    item = check_keys(record, ("corners", "width_mm", "height_mm", "u_mm"), (), where)
    corners = item["corners"]
    if not isinstance(corners, list) or len(corners) != 4:
        msg = f"{where} corners: four points were expected, clockwise from the top left"
        raise RecordError(msg)
    points = [point(corner, f"{where} corner {i + 1}") for i, corner in enumerate(corners)]
    first, second, third, fourth = points
    steps = np.diff(np.array([*points, first, second]), axis=0)
    turns = steps[:-1, 0] * steps[1:, 1] - steps[:-1, 1] * steps[1:, 0]
    if not np.all(turns > 0.0):
        msg = f"{where} corners: pick them clockwise: top left, top right, bottom right, bottom left"
        raise RecordError(msg)
    return Rectangle(
        (first, second, third, fourth),
        number(item["width_mm"], f"{where} width_mm", above=0.0),
        number(item["height_mm"], f"{where} height_mm", above=0.0),
        number(item["u_mm"], f"{where} u_mm", above=0.0),
    )


def tapes_from_record(record: object, targets: tuple[Target, ...], where: str) -> tuple[TapeMeasure, ...]:
    """Return the taped distances of a JSON list of the shoot file.

    Raises
    ------
    RecordError
        If a key is missing or unknown, or a tag is on none of the targets.
    """
    if not isinstance(record, list):
        msg = f"{where}: a list was expected"
        raise RecordError(msg)
    ids = {tag.id for target in targets for tag in target.tags}
    tapes = []
    for i, entry in enumerate(record):
        here = f"{where} {i + 1}"
        item = check_keys(entry, ("from", "to", "mm", "u_mm"), (), here)
        ends = [round(number(item[key], f"{here} {key}", at_least=0.0)) for key in ("from", "to")]
        for end in ends:
            if end not in ids:
                msg = f"{here}: tag {end} is on none of the targets"
                raise RecordError(msg)
        if ends[0] == ends[1]:
            msg = f"{here}: from and to are the same tag"
            raise RecordError(msg)
        length = number(item["mm"], f"{here} mm", above=0.0)
        tapes.append(TapeMeasure(ends[0], ends[1], length, number(item["u_mm"], f"{here} u_mm", above=0.0)))
    return tuple(tapes)


def _profile(name: Any, folder: Path, where: str) -> LensProfile | None:
    if name is None:
        return None
    if not isinstance(name, str):
        msg = f"{where} lens: the name of a lens file was expected"
        raise RecordError(msg)
    return load_profile(folder / name)
