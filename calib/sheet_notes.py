"""The words beside a printed target: how to print, check and fix it, and how nobody gets hurt.

Cautions are the trade's usual ones; local rules, the maker's instructions and licensed practice govern.
"""

import enum
from dataclasses import dataclass

from calib.targets import Target


class SheetKind(enum.Enum):
    """What a target is used for, told by its shape."""

    CARD = "card"
    STRIP = "strip"
    PANEL = "panel"


# A sheet at least this many times as long as high is used as a strip; one at least this long as a panel.
_STRIP_ASPECT = 3.0
_PANEL_LENGTH_MM = 500.0


@dataclass(frozen=True, slots=True)
class Note:
    """One block of text on the sheet.

    Attributes
    ----------
    heading : str
        One or two words.
    text : str
        Plain sentences; a line break starts a new line where there is room.
    """

    heading: str
    text: str


@dataclass(frozen=True, slots=True)
class SheetNotes:
    """All text of a sheet that is not part of the target's face.

    Attributes
    ----------
    title : Note
        Name of the target, and what it is.
    caution : Note
        What can hurt someone.
    steps : tuple of Note
        What to do, in order.
    """

    title: Note
    caution: Note
    steps: tuple[Note, ...]


def sheet_kind(target: Target) -> SheetKind:
    """Return what a target is used for."""
    width_mm, height_mm = target.outline_mm
    if width_mm >= _STRIP_ASPECT * height_mm:
        return SheetKind.STRIP
    return SheetKind.PANEL if max(width_mm, height_mm) >= _PANEL_LENGTH_MM else SheetKind.CARD


def ids_in_words(target: Target) -> str:
    """Return the ids of a target, such as ``0 to 3`` or ``5, 9, 12``."""
    ids = sorted(target.ids)
    if len(ids) > 2 and ids == list(range(ids[0], ids[0] + len(ids))):
        return f"{ids[0]} to {ids[-1]}"
    return ", ".join(map(str, ids))


def size_in_words(target: Target) -> str:
    """Return the outline of a target, such as ``190 × 130 mm``."""
    width_mm, height_mm = target.outline_mm
    return f"{width_mm:g} × {height_mm:g} mm"


def sheet_notes(
    target: Target, paper_name: str, paper_title: str, bars_mm: tuple[float, float]
) -> SheetNotes:
    """Return the text for one print.

    Parameters
    ----------
    target : Target
        The target as drawn.
    paper_name, paper_title : str
        What the user types, and what the trade calls it.
    bars_mm : tuple of float
        Lengths of the bars X and Y, mm.

    Returns
    -------
    SheetNotes
        The text.
    """
    kind = sheet_kind(target)
    sizes = " and ".join(f"{size_mm:g} mm" for size_mm in sorted({tag.size_mm for tag in target.tags}))
    title = Note(
        target.name,
        f"{size_in_words(target)}\n"
        f"{target.family}, ids {ids_in_words(target)}, tags of {sizes}\n"
        f"on {paper_title}",
    )
    steps = (_PRINT, _check_note(target, paper_name, bars_mm), _MOUNT[kind])
    return SheetNotes(title, Note("Caution", _CAUTION[kind]), steps)


def _check_note(target: Target, paper_name: str, bars_mm: tuple[float, float]) -> Note:
    across_mm, up_mm = bars_mm
    return Note(
        "2 Check the scale",
        "Printers are seldom true, and differ along and across. Measure both bars with a steel rule or tape, "
        "from the middle of one end line to the middle of the other; start at a mark of the rule, not at its "
        "end.\n"
        f"X, drawn {across_mm:g} mm: _____________ mm\n"
        f"Y, drawn {up_mm:g} mm: _____________ mm\n"
        f"Then type both in: ridgewitness target {target.name} --paper {paper_name} --bar-x … --bar-y …",
    )


_PRINT = Note(
    "1 Print",
    "At 100 % (“actual size”), never “fit to page”. On matt white paper or film: gloss mirrors the sky. The "
    "black must be even, without streaks.",
)

_TRIM = "Trim along the grey line; the white around the tags must stay. "
_LAY = (
    " Enter its thickness (mm) as “thickness” in the definition file. Lay it flat on the flange to be "
    "measured, clear of rivets; the other flange is another plane."
)
_MOUNT = {
    SheetKind.CARD: Note(
        "3 Mount and lay",
        f"{_TRIM}Glue it flat to a stiff plate: a bent card measures wrong.{_LAY}",
    ),
    SheetKind.STRIP: Note(
        "3 Mount and lay",
        f"{_TRIM}Glue it to a straight, stiff batten: a bent strip measures wrong.{_LAY}",
    ),
    SheetKind.PANEL: Note(
        "3 Mount",
        "Glue it all over to a flat, stiff board; a bowed panel measures wrong. Fix it flat to a wall or "
        "on the ground, within reach; it need not be on the roof. It must not move until the last photo "
        "is taken. Two panels in one job need different ids: panel and panel-b.",
    ),
}

_FALL = (
    "A picture is not worth a fall. Work from the ground, a platform, a pole or a drone where you can; "
    "near an edge use the fall protection that local rules demand. Set ladders on firm ground, tie them "
    "off, do not lean out. Keep ladders, poles and drones well away from power lines. Not on a wet, icy "
    "or windy roof. "
)
_CAUTION = {
    SheetKind.CARD: f"{_FALL}Sheet metal cuts: wear gloves. Secure the card; nobody may stand below.",
    SheetKind.STRIP: (
        f"{_FALL}Carry nothing long up a ladder by hand. Sheet metal cuts: wear gloves. Secure the strip; "
        "nobody may stand below."
    ),
    SheetKind.PANEL: (
        "This sheet is a sail: two people carry it, never in gusts, never on a ladder or a roof; fasten "
        f"it so that wind cannot take it. {_FALL}"
    ),
}
