"""Results as a person reads them in a terminal: the ridge with its budget, close-ups with their verdicts.

Close-ups are shown in mm, which their limits are in, with the tape's reading beside them.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from calib.lengths import Units, format_feet_inches, format_length, format_metric, format_uncertainty
from calib.scale_check import UNCHECKED_U_SCALE, BarCheck

if TYPE_CHECKING:
    from calib.printing import PrintedSheet
    from vision.ridge import PhotoResult, RidgeMeasurement

_SIGNS = {
    "meets": ("✓ meets", "green"),
    "does not meet": ("✗ does not meet", "bold red"),
    "cannot tell": ("? cannot tell", "yellow"),
}
_MAIN, _ASIDE = "bold", "dim"
_SHARE_WIDTH = 24


def target_view(sheet: "PrintedSheet", checks: Sequence[BarCheck]) -> RenderableType:
    """Return where a target was written and what its scale is known to be."""
    if checks:
        scale = sum(check.scale for check in checks) / len(checks)
        state = f"tape-checked: {scale:.2%} of its drawn size"
    else:
        bars = " and ".join(f"{bar.name} ({bar.length_mm:g} mm)" for bar in sheet.bars)
        state = (
            f"nobody has measured this print, so its scale carries a standard uncertainty of "
            f"{UNCHECKED_U_SCALE:.1%}: measure bars {bars} on it and run this again with --bar-x and --bar-y"
        )
    return Group(
        Text(str(sheet.pdf_path), style=_MAIN).append("  the print, at 100 %", style=_ASIDE),
        Text(str(sheet.definition_path), style=_MAIN).append("  the target file, for --target", style=_ASIDE),
        _item("·", state, _ASIDE),
    )


def ridge_view(found: "RidgeMeasurement", units: Units) -> RenderableType:
    """Return a measured ridge as it is printed: length, where the doubt comes from, photos, notes."""
    return Group(
        ridge_line(found, units),
        "",
        _budget_table(found, units),
        "",
        photos_table(found.photos),
        *_notes((*found.notes, *found.advice)),
    )


def ridge_line(found: "RidgeMeasurement", units: Units) -> Text:
    """Return the one line that matters: the ridge's length with its expanded uncertainty."""
    other: Units = "metric" if units == "imperial" else "imperial"
    line = Text("Ridge  ", style=_MAIN)
    line.append(f"{_with_doubt(found.length_mm, found.u95_mm, units)}  ", style="bold cyan")
    line.append(
        f"95 %, {found.method}; that is {_with_doubt(found.length_mm, found.u95_mm, other)}", style=_ASIDE
    )
    return line


def _with_doubt(length_mm: float, u95_mm: float, units: Units) -> str:
    return f"{format_length(length_mm, units)} {format_uncertainty(u95_mm, units)}"


def _budget_table(found: "RidgeMeasurement", units: Units) -> Table:
    table = _table(
        "Where the doubt comes from", ("standard uncertainty", "right"), ("share of its square", "left")
    )
    variance = sum(u_mm**2 for _, u_mm in found.budget)
    for source, u_mm in found.budget:
        share = u_mm**2 / variance
        bar = ProgressBar(total=1.0, completed=share, width=_SHARE_WIDTH, complete_style="cyan")
        table.add_row(source, format_uncertainty(u_mm, units).removeprefix("± "), bar)
    return table


def photos_table(photos: Mapping[str, "PhotoResult"]) -> Table:
    """Return what became of every photo of a shoot."""
    table = _table("Photo", ("used", "left"), ("tags", "left"), ("misfit", "right"), ("notes", "left"))
    for name, photo in photos.items():
        used = Text("yes", style="green") if photo.is_used else Text("no", style="yellow")
        misfit = "" if photo.rms_px is None else f"{photo.rms_px:.2f} px"
        notes = Text("\n".join(photo.notes), style=_ASIDE)
        table.add_row(Text(name), used, _ids_in_words(photo.tags), misfit, notes)
    return table


def _ids_in_words(ids: Sequence[int]) -> str:
    """Return ids such as ``10-15, 20``."""
    parts: list[list[int]] = []
    for tag_id in sorted(ids):
        if parts and tag_id == parts[-1][1] + 1:
            parts[-1][1] = tag_id
        else:
            parts.append([tag_id, tag_id])
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in parts)


def check_view(photos: Sequence[Mapping[str, Any]], units: Units) -> RenderableType:
    """Return the close-ups of one call as they are printed.

    Parameters
    ----------
    photos : sequence of mapping
        The contract's entries of `check --json`.
    units : {"imperial", "metric"}
        Whether the tape's reading stands beside the mm.

    Returns
    -------
    RenderableType
        One block per photo, then the sum of all verdicts.
    """
    return Group(*(block for photo in photos for block in _photo_blocks(photo, units)), verdict_line(photos))


def _photo_blocks(photo: Mapping[str, Any], units: Units) -> Iterator[RenderableType]:
    title = Text(photo["photo"], style=_MAIN)
    if not photo["measured"]:
        title.append("  not measured", style="yellow")
        yield title
    else:
        title.append(f"  {_photo_facts(photo)}", style=_ASIDE)
        yield title
        if photo["verdicts"]:
            yield _verdict_table(photo["verdicts"], units)
            yield from _reasons(photo["verdicts"])
    yield from _notes(photo["notes"])
    yield ""


def _photo_facts(photo: Mapping[str, Any]) -> str:
    target = photo["target"]
    facts = [
        photo["kind"],
        f"{target['name']} tags {_ids_in_words(target['tags'])}, misfit {target['rms_px']:.2f} px",
        f"{photo['mm_per_px']:.2f} mm/px",
        f"{len(photo['rivets'])} rivets",
    ]
    lap_mm = (photo["lap"] or {}).get("lap_mm")
    if lap_mm is not None:
        facts.append(f"lap {lap_mm:.1f} mm")
    return ", ".join(facts)


def _verdict_table(verdicts: Sequence[Mapping[str, Any]], units: Units) -> Table:
    columns = [
        ("measured", "right"),
        ("± 95 %", "right"),
        ("limit", "left"),
        ("p", "right"),
        ("verdict", "left"),
    ]
    if units == "imperial":
        columns.insert(1, ("on a tape", "right"))
    table = _table("Rule", *columns)
    for entry in verdicts:
        words, style = _SIGNS[entry["verdict"]]
        cells = [*_measured_cells(entry, units), entry["limit"], _probability(entry)]
        table.add_row(entry["rule"], *cells, Text(words, style=style))
    return table


def _reasons(verdicts: Sequence[Mapping[str, Any]]) -> Iterator[RenderableType]:
    """Say of everything that does not simply meet its limit why, and what to do."""
    for entry in verdicts:
        if entry["verdict"] != "meets":
            words, style = _SIGNS[entry["verdict"]]
            yield _item(words[0], f"{entry['rule']}: {entry['why']}", style)


def _measured_cells(entry: Mapping[str, Any], units: Units) -> list[str]:
    length_mm, u95_mm = entry["measured_mm"], entry["u95_mm"]
    tape = [] if units == "metric" else ["" if length_mm is None else format_feet_inches(length_mm)]
    if length_mm is None:
        count = entry.get("count")
        return ["" if count is None else str(count), *tape, ""]
    doubt = "" if u95_mm is None else format_uncertainty(u95_mm, "metric").removeprefix("± ")
    return [format_metric(length_mm), *tape, doubt]


def _probability(entry: Mapping[str, Any]) -> str:
    p_conform = entry["p_conform"]
    if p_conform is None:
        return ""
    # Between the two, a rounded 0 or 1 would claim a certainty that is not there.
    return f"{p_conform:.0%}" if p_conform in (0.0, 1.0) else f"{min(max(p_conform, 0.001), 0.999):.1%}"


def verdict_line(photos: Sequence[Mapping[str, Any]]) -> Text:
    """Return the sum of all verdicts in one line."""
    counts = Counter(entry["verdict"] for photo in photos for entry in photo["verdicts"])
    measured = sum(bool(photo["measured"]) for photo in photos)
    line = Text(f"{measured} of {len(photos)} photos measured:", style=_MAIN)
    for verdict, (words, style) in _SIGNS.items():
        line.append("  ").append(f"{words} {counts[verdict]}", style=style)
    return line


def _notes(notes: Sequence[str]) -> Iterator[RenderableType]:
    return (_item("·", note, _ASIDE) for note in notes)


def _item(sign: str, sentence: str, style: str) -> RenderableType:
    """Return a sentence behind its sign, its further lines under its first."""
    item = Table.grid(padding=(0, 1, 0, 0))
    item.add_row(Text(sign, style=style), Text(sentence, style=_ASIDE))
    return Padding(item, (0, 0, 0, 1))


def _table(first: str, *columns: tuple[str, str]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, header_style=_MAIN, pad_edge=False, show_edge=False)
    table.add_column(first, no_wrap=True)
    for name, side in columns:
        table.add_column(name, justify="right" if side == "right" else "left", no_wrap=side == "right")
    return table
