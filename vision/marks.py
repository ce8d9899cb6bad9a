"""What a person marked in a close-up: rivets added, moved or taken away, and lines that the eye sees better.

Frame: px of the upright picture, (0, 0) at the centre of the top-left pixel. Every mark has its own standard
uncertainty, and stands in the record as what it is: a person's.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from calib.errors import RecordError
from calib.records import check_keys, number, point

# A careful click on a screen, per axis; common practice, no source. No hand is better than what a click snaps
# to: an edge that is found stands for the edge that is meant within this (see vision/snap.py).
DEFAULT_SIGMA_PX, LEAST_SIGMA_PX = 1.0, 0.35
# A line's ends lie at least this far apart: from a shorter one no direction follows.
_LEAST_LENGTH_PX = 4.0
# A flange in a photo has tens of rivets; beyond this somebody's program runs wild.
_MOST = 400

Px = tuple[float, float]
Part = TypeVar("Part")


@dataclass(frozen=True, slots=True)
class MarkedPoint:
    """A point marked by hand, and its standard uncertainty per axis, px."""

    px: Px
    sigma_px: float = DEFAULT_SIGMA_PX


@dataclass(frozen=True, slots=True)
class MarkedMove:
    """A rivet that was found at one place and belongs at another."""

    start_px: Px
    to: MarkedPoint


@dataclass(frozen=True, slots=True)
class MarkedLine:
    """A line marked by its two ends, and the standard uncertainty of either, per axis, px."""

    ends_px: tuple[Px, Px]
    sigma_px: float = DEFAULT_SIGMA_PX


@dataclass(frozen=True, slots=True)
class Marks:
    """What a person marked in one close-up.

    Attributes
    ----------
    added : tuple of MarkedPoint
        Rivet heads that were not found: centres of their base circles.
    moved : tuple of MarkedMove
        Rivet heads that were found at the wrong place.
    removed : tuple of (float, float)
        Where something was taken for a rivet head that is none.
    edge, witness : MarkedLine or None
        The upper sheet's end, and the witness mark on the lower sheet.
    lower_end : MarkedLine or None
        The lower piece's end, in the photo of a lap that is still open.
    sealant : tuple of MarkedLine
        Rows of sealant on the lower piece of an open lap.
    z_closure, ridge : MarkedLine or None
        The line of the z-closure or vent strip, and the ridge line that it is measured from.
    """

    added: tuple[MarkedPoint, ...] = ()
    moved: tuple[MarkedMove, ...] = ()
    removed: tuple[Px, ...] = ()
    edge: MarkedLine | None = None
    witness: MarkedLine | None = None
    lower_end: MarkedLine | None = None
    sealant: tuple[MarkedLine, ...] = ()
    z_closure: MarkedLine | None = None
    ridge: MarkedLine | None = None

    def __bool__(self) -> bool:
        """Say whether anything was marked."""
        return self != _NOTHING

    def record(self) -> dict[str, Any]:
        """Return the marks as their JSON object: the parts that hold something."""
        record: dict[str, Any] = {
            "add": [_point_record(each.px, each.sigma_px) for each in self.added],
            "move": [_move_record(each) for each in self.moved],
            "remove": [list(px) for px in self.removed],
            "sealant": [_line_record(line) for line in self.sealant],
        }
        lines = {key: getattr(self, key) for key in _SINGLE_LINES}
        record |= {key: _line_record(line) for key, line in lines.items() if line is not None}
        return {key: record[key] for key in MARK_KEYS if record.get(key)}


_SINGLE_LINES = ("edge", "witness", "lower_end", "z_closure", "ridge")
MARK_KEYS = ("add", "move", "remove", "edge", "witness", "lower_end", "sealant", "z_closure", "ridge")
_NOTHING = Marks()


def marks_from_record(record: object, where: str) -> Marks:
    """Return the marks of a JSON object.

    Parameters
    ----------
    record : object
        The object; every key may be left out, a single line may be null. A point is ``[x, y]`` or ``{"px":
        [x, y], "sigma_px": s}``, a line ``[[x, y], [x, y]]`` or ``{"px": [[x, y], [x, y]], "sigma_px": s}``,
        a move ``{"from": [x, y], "to": point}``.
    where : str
        File or place, for the messages.

    Returns
    -------
    Marks
        The marks.

    Raises
    ------
    RecordError
        If a key is unknown, something is no point or line, a line has no length, or an uncertainty is less
        than that of a click that snaps.
    """
    entries = check_keys(record, (), MARK_KEYS, where)

    def several(key: str, read: Callable[[object, str], Part]) -> tuple[Part, ...]:
        values = entries.get(key, [])
        if not isinstance(values, list | tuple):
            msg = f"{where}: {key}: a list was expected, got {values!r:.60}"
            raise RecordError(msg)
        if len(values) > _MOST:
            msg = f"{where}: {key}: {len(values)} marks are more than a photo can need ({_MOST})"
            raise RecordError(msg)
        return tuple(read(value, f"{where}: {key} {i}") for i, value in enumerate(values, 1))

    lines = {
        key: _line(entries[key], f"{where}: {key}") for key in _SINGLE_LINES if entries.get(key) is not None
    }
    return Marks(
        added=several("add", _point),
        moved=several("move", _move),
        removed=several("remove", point),
        sealant=several("sealant", _line),
        **lines,
    )


def check_within(marks: Marks, width_px: int, height_px: int, where: str) -> None:
    """Refuse marks that lie outside a picture of a size, whichever way up it is.

    Raises
    ------
    RecordError
        If a mark lies where no upright picture of that size shows anything.
    """
    longest = max(width_px, height_px)
    for x, y in _places(marks):
        if not (-0.5 <= x < longest - 0.5 and -0.5 <= y < longest - 0.5):
            msg = (
                f"{where}: the mark at ({x:g}, {y:g}) px lies outside the photo ({width_px} x {height_px} px)"
            )
            raise RecordError(msg)


def _places(marks: Marks) -> list[Px]:
    singles = [getattr(marks, key) for key in _SINGLE_LINES]
    lines = [line for line in (*singles, *marks.sealant) if line is not None]
    return [
        *(each.px for each in marks.added),
        *(px for each in marks.moved for px in (each.start_px, each.to.px)),
        *marks.removed,
        *(px for line in lines for px in line.ends_px),
    ]


def _with_sigma(value: object, where: str) -> tuple[object, float]:
    """Return a mark's place as it stands in the record, and its uncertainty."""
    if not isinstance(value, Mapping):
        return value, DEFAULT_SIGMA_PX
    entry = check_keys(value, ("px",), ("sigma_px",), where)
    sigma = number(entry.get("sigma_px", DEFAULT_SIGMA_PX), f"{where}: sigma_px", at_least=LEAST_SIGMA_PX)
    return entry["px"], sigma


def _point(value: object, where: str) -> MarkedPoint:
    px, sigma_px = _with_sigma(value, where)
    return MarkedPoint(point(px, where), sigma_px)


def _move(value: object, where: str) -> MarkedMove:
    entry = check_keys(value, ("from", "to"), (), where)
    return MarkedMove(point(entry["from"], f"{where}: from"), _point(entry["to"], f"{where}: to"))


def _line(value: object, where: str) -> MarkedLine:
    px, sigma_px = _with_sigma(value, where)
    if not isinstance(px, list | tuple) or len(px) != 2:
        msg = f"{where}: a line of two ends [[x, y], [x, y]] was expected, got {px!r:.60}"
        raise RecordError(msg)
    ends = point(px[0], f"{where}: first end"), point(px[1], f"{where}: second end")
    if math.dist(*ends) < _LEAST_LENGTH_PX:
        msg = f"{where}: the line's ends must lie at least {_LEAST_LENGTH_PX:g} px apart; mark it longer"
        raise RecordError(msg)
    return MarkedLine(ends, sigma_px)


def _point_record(px: Px, sigma_px: float) -> Any:
    return list(px) if sigma_px == DEFAULT_SIGMA_PX else {"px": list(px), "sigma_px": sigma_px}


def _move_record(move: MarkedMove) -> dict[str, Any]:
    return {"from": list(move.start_px), "to": _point_record(move.to.px, move.to.sigma_px)}


def _line_record(line: MarkedLine) -> Any:
    ends = [list(px) for px in line.ends_px]
    return ends if line.sigma_px == DEFAULT_SIGMA_PX else {"px": ends, "sigma_px": line.sigma_px}
