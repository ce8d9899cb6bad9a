"""Reference targets: flat sheets that carry square tags of known size at known places.

Target frame: mm, x right and y down facing the printed face, z into the sheet, origin at the top-left
corner of the outline. A tag's size is the outer edge of its black square; its turn is clockwise.
"""

import itertools
import json
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError, RecordError, TargetError
from calib.records import check_keys, number, point, read_json

Array = NDArray[np.float64]

FAMILY = "tag36h11"
# Number of codes in the family; the built-in table of OpenCV has the same 587.
FAMILY_CODES = 587
# Cells along one side of a tag's black square: six of code within a border of one.
FAMILY_CELLS = 8

_KEYS = ("name", "family", "unit", "outline", "sigma", "tags")
_TAG_KEYS = ("id", "size", "center", "turn")
_NAME_LIMIT = 60
# Nobody carries a larger sheet to a roof; beyond it a file is in other units, or damaged.
_LARGEST_OUTLINE_MM = 10_000.0
# Two tags may touch and a tag may touch the outline; this only forgives the rounding of typed decimals.
_TOUCH_MM = 1e-6
# Corners of an unturned tag of size 2, in the order that cv2.aruco returns: from the top left, clockwise.
_UNIT_CORNERS = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])


@dataclass(frozen=True, slots=True)
class Tag:
    """One square tag of a target.

    Attributes
    ----------
    id : int
        Number of its code in the family, 0 to 586.
    size_mm : float
        Outer edge of the black square, mm.
    center_mm : tuple of float
        Centre in the target frame, mm.
    turn_deg : float
        Clockwise turn of the tag's own picture, facing the printed face, degrees.
    """

    id: int
    size_mm: float
    center_mm: tuple[float, float]
    turn_deg: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.id < FAMILY_CODES:
            msg = f"tag id {self.id} is not in {FAMILY}; ids run from 0 to {FAMILY_CODES - 1}"
            raise TargetError(msg)
        if not 0.0 < self.size_mm < math.inf:
            msg = f"tag {self.id}: its size must be > 0 mm, got {self.size_mm:g} mm"
            raise TargetError(msg)
        if not all(map(math.isfinite, (*self.center_mm, self.turn_deg))):
            msg = f"tag {self.id}: its centre and turn must be finite numbers"
            raise TargetError(msg)

    @property
    def cell_mm(self) -> float:
        """Side of one cell of the code, mm: also the white that must be left around the tag."""
        return self.size_mm / FAMILY_CELLS

    def corners_mm(self) -> Array:
        """Return the outer corners of the black square in the target frame.

        Returns
        -------
        ndarray of shape (4, 2)
            Top-left, top-right, bottom-right, bottom-left of the tag's own picture, mm.

        Notes
        -----
        With y down, (x, y) -> (x cos t - y sin t, x sin t + y cos t) is a clockwise turn by t.
        """
        turn_rad = math.radians(self.turn_deg)
        cos, sin = math.cos(turn_rad), math.sin(turn_rad)
        half = 0.5 * self.size_mm * _UNIT_CORNERS
        return np.asarray(half @ np.array([[cos, sin], [-sin, cos]]) + self.center_mm)


@dataclass(frozen=True, slots=True)
class Target:
    """A flat sheet with tags.

    Attributes
    ----------
    name : str
        Name of the sheet, printed on it.
    family : str
        Tag family by its standard name; tag36h11.
    outline_mm : tuple of float
        Width and height of the sheet, mm.
    sigma_mm : float
        Standard uncertainty of a printed corner's position, per axis, mm.
    tags : tuple of Tag
        The tags, with different ids, inside the outline and apart from each other.
    thickness_mm : float
        From the printed face to the surface that the target lies on, mm.
    """

    name: str
    family: str
    outline_mm: tuple[float, float]
    sigma_mm: float
    tags: tuple[Tag, ...]
    thickness_mm: float = 0.0

    def __post_init__(self) -> None:
        try:
            self._check_numbers()
            _check_ids(self.tags)
            for tag in self.tags:
                _check_inside(tag, self.outline_mm)
            for first, second in itertools.combinations(self.tags, 2):
                _check_apart(first, second)
        except TargetError as error:
            msg = f"target {self.name!r:.80}: {error}"
            raise TargetError(msg) from error

    def _check_numbers(self) -> None:
        if not (self.name.strip() and self.name.isprintable() and len(self.name) <= _NAME_LIMIT):
            msg = f"a name must be one line of 1 to {_NAME_LIMIT} printable characters"
            raise TargetError(msg)
        if self.family != FAMILY:
            msg = f"tag family {self.family!r:.40} is not supported; the family must be {FAMILY}"
            raise TargetError(msg)
        if not all(0.0 < side <= _LARGEST_OUTLINE_MM for side in self.outline_mm):
            width, height = self.outline_mm
            msg = (
                f"the outline must be > 0 mm and at most {_LARGEST_OUTLINE_MM:g} mm both ways, "
                f"got {width:g} x {height:g} mm"
            )
            raise TargetError(msg)
        if self.sigma_mm > max((tag.size_mm for tag in self.tags), default=math.inf):
            msg = f"sigma is {self.sigma_mm:g} mm, more than a tag's size; it is how far a corner may be off"
            raise TargetError(msg)
        if not 0.0 < self.sigma_mm < math.inf:
            msg = (
                f"sigma must be > 0 mm, got {self.sigma_mm:g} mm; no print is exact "
                "(0.1 mm suits a small sheet whose scale was checked)"
            )
            raise TargetError(msg)
        if not 0.0 <= self.thickness_mm < math.inf:
            msg = f"the thickness must be at least 0 mm, got {self.thickness_mm:g} mm"
            raise TargetError(msg)

    @property
    def ids(self) -> tuple[int, ...]:
        """The tags' ids in the order of `tags`."""
        return tuple(tag.id for tag in self.tags)

    def tag(self, tag_id: int) -> Tag:
        """Return the tag with an id.

        Raises
        ------
        TargetError
            If the target does not carry it.
        """
        for tag in self.tags:
            if tag.id == tag_id:
                return tag
        msg = f"target {self.name!r} has no tag {tag_id}; it carries {', '.join(map(str, self.ids))}"
        raise TargetError(msg)

    def corners_mm(self) -> Array:
        """Return the corners of all tags, shape (4 x number of tags, 2), mm, in the order of `tags`."""
        return np.concatenate([tag.corners_mm() for tag in self.tags])


def _check_ids(tags: tuple[Tag, ...]) -> None:
    if not tags:
        msg = "it carries no tag; at least one is needed"
        raise TargetError(msg)
    ids = [tag.id for tag in tags]
    repeated = sorted({tag_id for tag_id in ids if ids.count(tag_id) > 1})
    if repeated:
        msg = f"tag id {', '.join(map(str, repeated))} is used more than once; give every tag its own"
        raise TargetError(msg)


def _check_inside(tag: Tag, outline_mm: tuple[float, float]) -> None:
    corners = tag.corners_mm()
    if np.all(corners >= -_TOUCH_MM) and np.all(corners <= np.array(outline_mm) + _TOUCH_MM):
        return
    width, height = outline_mm
    msg = f"tag {tag.id} reaches beyond the outline of {width:g} x {height:g} mm; check its centre and size"
    raise TargetError(msg)


def _check_apart(first: Tag, second: Tag) -> None:
    # Squares whose circumscribed circles are apart are apart; this spares the longer test for most pairs.
    reach_mm = (first.size_mm + second.size_mm) / math.sqrt(2.0)
    if math.dist(first.center_mm, second.center_mm) < reach_mm and gap_mm(first, second) < -_TOUCH_MM:
        msg = f"tags {first.id} and {second.id} overlap; move them apart"
        raise TargetError(msg)


def gap_mm(first: Tag, second: Tag) -> float:
    """Return the white gap between two tags along the best of their four side directions, mm.

    Parameters
    ----------
    first, second : Tag
        Two tags of one target.

    Returns
    -------
    float
        Positive when a straight band of that width separates them, negative when they overlap.

    Notes
    -----
    Separating axes: two convex shapes are apart exactly when their shadows are apart along the normal of a
    side of one of them. Between two corners that face each other the true distance can be larger.
    """
    corners = first.corners_mm(), second.corners_mm()
    gaps = []
    for turn_deg in (first.turn_deg, second.turn_deg):
        turn_rad = math.radians(turn_deg)
        for axis in ((math.cos(turn_rad), math.sin(turn_rad)), (-math.sin(turn_rad), math.cos(turn_rad))):
            a, b = corners[0] @ axis, corners[1] @ axis
            gaps.append(float(max(b.min() - a.max(), a.min() - b.max())))
    return max(gaps)


def check_targets(targets: Iterable[Target]) -> None:
    """Check that no tag id occurs twice among the targets of one job.

    Parameters
    ----------
    targets : iterable of Target
        All targets of the job.

    Raises
    ------
    TargetError
        If two of them share an id: a photo could not tell which of them it shows.
    """
    for first, second in itertools.combinations(tuple(targets), 2):
        shared = sorted(set(first.ids) & set(second.ids))
        if shared:
            msg = (
                f"targets {first.name!r} and {second.name!r} both carry tag {', '.join(map(str, shared))}; "
                "ids must be unique within a job: print one of them with other ids"
            )
            raise TargetError(msg)


def load_target(path: Path) -> Target:
    """Read a target file.

    Parameters
    ----------
    path : Path
        JSON file as the contract describes it.

    Returns
    -------
    Target
        The target.

    Raises
    ------
    FileError
        If the file is missing or cannot be read.
    RecordError
        If it is not JSON, a key is missing or unknown, or a value has the wrong type.
    TargetError
        If its values cannot be a target.
    """
    return target_from_record(read_json(path), str(path))


def save_target(target: Target, path: Path) -> None:
    """Write a target file that `load_target` reads back as the same target.

    Parameters
    ----------
    target : Target
        What to write.
    path : Path
        File to write; one that is there is replaced.

    Raises
    ------
    FileError
        If the file cannot be written.
    """
    try:
        path.write_text(json.dumps(record_from_target(target), indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror})"
        raise FileError(msg) from error


def target_from_record(record: object, where: str) -> Target:
    """Return the target that a JSON object describes.

    Parameters
    ----------
    record : object
        The object of a target file.
    where : str
        File and place, for messages.

    Returns
    -------
    Target
        The target.

    Raises
    ------
    RecordError
        If a key is missing or unknown, or a value has the wrong type.
    TargetError
        If its values cannot be a target.
    """
    fields = check_keys(record, _KEYS, ("thickness",), where)
    if fields["unit"] != "mm":
        msg = f'{where}: unit must be "mm", got {fields["unit"]!r:.40}; 1 in = 25.4 mm'
        raise RecordError(msg)
    tags = fields["tags"]
    if not isinstance(tags, list):
        msg = f"{where}: tags must be a list of tags, got {tags!r:.60}"
        raise RecordError(msg)
    try:
        return Target(
            name=_text(fields["name"], f"{where}: name"),
            family=_text(fields["family"], f"{where}: family"),
            outline_mm=point(fields["outline"], f"{where}: outline"),
            sigma_mm=number(fields["sigma"], f"{where}: sigma"),
            tags=tuple(_tag_from_record(tag, f"{where}: tags[{index}]") for index, tag in enumerate(tags)),
            thickness_mm=number(fields.get("thickness", 0.0), f"{where}: thickness"),
        )
    except TargetError as error:
        msg = f"{where}: {error}"
        raise TargetError(msg) from error


def _tag_from_record(record: object, where: str) -> Tag:
    fields = check_keys(record, _TAG_KEYS, (), where)
    tag_id = fields["id"]
    if isinstance(tag_id, bool) or not isinstance(tag_id, int):
        msg = f"{where}: id must be a whole number, got {tag_id!r:.60}"
        raise RecordError(msg)
    return Tag(
        id=tag_id,
        size_mm=number(fields["size"], f"{where} size"),
        center_mm=point(fields["center"], f"{where} center"),
        turn_deg=number(fields["turn"], f"{where} turn"),
    )


def _text(value: object, where: str) -> str:
    if not isinstance(value, str):
        msg = f"{where}: a text was expected, got {value!r:.60}"
        raise RecordError(msg)
    return value


def record_from_target(target: Target) -> dict[str, Any]:
    """Return the JSON object of a target file."""
    record: dict[str, Any] = {
        "name": target.name,
        "family": target.family,
        "unit": "mm",
        "outline": list(target.outline_mm),
        "sigma": target.sigma_mm,
        "tags": [
            {"id": tag.id, "size": tag.size_mm, "center": list(tag.center_mm), "turn": tag.turn_deg}
            for tag in target.tags
        ],
    }
    if target.thickness_mm:
        record["thickness"] = target.thickness_mm
    return record


def built_in_target(name: str) -> Target:
    """Return one of the targets that the project prints itself.

    Parameters
    ----------
    name : str
        ``card`` for close-ups, ``strip`` for long runs, ``panel`` and ``panel-b`` for whole ridges.

    Returns
    -------
    Target
        The target as drawn. Its sigma is that of a print whose scale is exact; a real print has to be
        tape-checked (`calib.scale_check`).

    Raises
    ------
    TargetError
        If there is none of that name.
    """
    try:
        return _BUILT_IN[name]()
    except KeyError:
        msg = f"no built-in target {name!r:.40}; there are {', '.join(_BUILT_IN)}"
        raise TargetError(msg) from None


def built_in_names() -> tuple[str, ...]:
    """Return the names that `built_in_target` knows."""
    return tuple(_BUILT_IN)


def _grid_of_tags(
    first_id: int, size_mm: float, columns_mm: Iterable[float], rows_mm: Iterable[float]
) -> tuple[Tag, ...]:
    places = [(x, y) for y, x in itertools.product(rows_mm, columns_mm)]
    return tuple(Tag(first_id + index, size_mm, place) for index, place in enumerate(places))


def _card() -> Target:
    # Four tags far apart on a sheet that fits on one flange and on office paper.
    tags = _grid_of_tags(0, 45.0, (35.0, 155.0), (33.0, 97.0))
    return Target("card", FAMILY, (190.0, 130.0), 0.1, tags)


def _strip() -> Target:
    # Long enough to lie beside two rivets 12 in apart, so that their spacing is bridged and not extrapolated;
    # the bands above and below the tags leave room for an inch and a millimetre scale.
    tags = _grid_of_tags(30, 45.0, [30.0 + 60.0 * index for index in range(10)], (50.0,))
    return Target("strip", FAMILY, (600.0, 100.0), 0.15, tags)


def _panel(name: str, first_id: int) -> Target:
    # Tags that a photo of a whole house still shows some 40 px large, on one 24 x 36 in sheet.
    tags = _grid_of_tags(first_id, 220.0, (150.0, 450.0, 750.0), (155.0, 445.0))
    return Target(name, FAMILY, (900.0, 600.0), 0.5, tags)


_BUILT_IN: dict[str, Callable[[], Target]] = {
    "card": _card,
    "strip": _strip,
    "panel": lambda: _panel("panel", 10),
    "panel-b": lambda: _panel("panel-b", 20),
}
