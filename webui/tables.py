"""Results as a person reads them in a terminal: the ridge with its budget, close-ups with their verdicts.

Close-ups are shown in mm, which their limits are in, with the tape's reading beside them.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.progress_bar import ProgressBar
from rich.table import Column, Table
from rich.text import Text

from calib.lengths import Units, format_feet_inches, format_length, format_uncertainty
from calib.scale_check import UNCHECKED_U_SCALE, BarCheck

if TYPE_CHECKING:
    from calib.printing import PrintedSheet
    from vision.look import PhotoResult
    from vision.ridge import RidgeMeasurement
    from webui.batch.findings import BatchSummary, LensSummary
    from webui.evidence import Verification

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
        Text.assemble((str(sheet.pdf_path), _MAIN), ("  the print, at 100 %", _ASIDE)),
        Text.assemble((str(sheet.definition_path), _MAIN), ("  the target file, for --target", _ASIDE)),
        _item("·", state, _ASIDE),
    )


def ridge_view(found: "RidgeMeasurement", units: Units) -> RenderableType:
    """Return a measured ridge as it is printed: length, where the doubt comes from, photos, notes."""
    return Group(
        ridge_line(found.length_mm, found.u95_mm, found.method, units),
        "",
        _budget_table(found, units),
        "",
        photos_view(found.photos),
        *_notes((*found.notes, *found.advice)),
    )


def ridge_line(length_mm: float, u95_mm: float, method: str, units: Units) -> Text:
    """Return the one line that matters: the ridge's length with its expanded uncertainty."""
    other: Units = "metric" if units == "imperial" else "imperial"
    shown, in_other = (_with_doubt(length_mm, u95_mm, each) for each in (units, other))
    return Text.assemble(
        ("Ridge  ", _MAIN),
        (shown, "bold cyan"),
        (f"  ({in_other}; 95 %, {method})", _ASIDE),
    )


def _with_doubt(length_mm: float, u95_mm: float, units: Units) -> str:
    return f"{format_length(length_mm, units)} {format_uncertainty(u95_mm, units)}"


def _budget_table(found: "RidgeMeasurement", units: Units) -> Table:
    table = _table("where the doubt comes from", _fixed("u", is_number=True), "share of u²")
    variance = sum(u_mm**2 for _, u_mm in found.budget)
    for source, u_mm in found.budget:
        share = u_mm**2 / variance
        bar = ProgressBar(total=1.0, completed=share, width=_SHARE_WIDTH, complete_style="cyan")
        table.add_row(source, format_uncertainty(u_mm, units).removeprefix("± "), bar)
    return table


def photos_view(photos: Mapping[str, "PhotoResult"]) -> RenderableType:
    """Return what became of every photo of a shoot, what is to be said of it below."""
    # Names may be long paths: better broken than cut.
    table = _table(Column("photo", overflow="fold"), "used", "tags", _fixed("misfit", is_number=True))
    for name, photo in photos.items():
        used = Text("yes", style="green") if photo.is_used else Text("no", style="yellow")
        misfit = "" if photo.rms_px is None else f"{photo.rms_px:.2f} px"
        table.add_row(Text(name), used, _ids_in_words(photo.tags), misfit)
    notes = (_about(name, note) for name, photo in photos.items() for note in photo.notes)
    return Group(table, *(_item("·", each, _ASIDE) for each in notes))


def _about(name: str, note: str) -> str:
    """Return a note with the name of its photo before it, unless it says so itself."""
    return note if note.startswith(name) else f"{name}: {note}"


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


def batch_view(summary: "BatchSummary", out_dir: Path) -> RenderableType:
    """Return the outcome of a batch as it is printed: photos, verdicts by rule, cameras, where to look."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("rule")
    for sign, style in _SIGNS.values():
        table.add_column(Text(sign, style), justify="right")
    for rule, counts in summary.verdicts.items():
        table.add_row(rule, *(str(counts.get(verdict, 0)) for verdict in _SIGNS))
    earlier = summary.photos - summary.set_aside - summary.done_now
    before = f", {earlier} of them by an earlier run or as the same file" if earlier > 0 else ""
    return Group(
        Text.assemble((f"{summary.measured} of {summary.photos} photos measured", _MAIN), before),
        table,
        *(_item("·", _camera_line(lens), _ASIDE) for lens in summary.lenses),
        *(Text(str(out_dir / name), _MAIN) for name in ("findings.jsonl", "set-aside.jsonl", "summary.json")),
    )


def _camera_line(lens: "LensSummary") -> str:
    learned = f"its lens learned from {lens.taught_by} of them" if lens.taught_by else f"no lens: {lens.why}"
    return f"{lens.camera}: {lens.photos} photos, {learned}"


def _photo_blocks(photo: Mapping[str, Any], units: Units) -> Iterator[RenderableType]:
    name = (photo["photo"], _MAIN)
    if photo["measured"]:
        yield Text.assemble(name, (f"  {_photo_facts(photo)}", _ASIDE))
        yield _verdict_table(photo["verdicts"], units)
        yield from _reasons(photo["verdicts"])
    else:
        yield Text.assemble(name, ("  not measured", "yellow"))
    yield from _notes(photo["notes"])
    yield ""


def _photo_facts(photo: Mapping[str, Any]) -> str:
    target, lap_mm = photo["target"], (photo["lap"] or {}).get("lap_mm")
    shows = photo["kind"] if lap_mm is None else f"lap of {lap_mm:.1f} mm"
    scale = f"misfit {target['rms_px']:.2f} px, {photo['mm_per_px']:.2f} mm/px"
    return f"{shows}, {len(photo['rivets'])} rivets; {target['name']}: {len(target['tags'])} tags, {scale}"


def _verdict_table(verdicts: Sequence[Mapping[str, Any]], units: Units) -> Table:
    tape = [_fixed("tape", is_number=True)] if units == "imperial" else []
    judged = [_fixed("p", is_number=True), _fixed("verdict")]
    table = _table(_fixed("rule"), _fixed("mm, 95 %", is_number=True), *tape, "limit", *judged)
    for entry in verdicts:
        words, style = _SIGNS[entry["verdict"]]
        cells = [*_measured_cells(entry, units), entry["limit"].removesuffix(" mm"), _probability(entry)]
        table.add_row(entry["rule"], *cells, Text(words, style=style))
    return table


def _reasons(verdicts: Sequence[Mapping[str, Any]]) -> Iterator[RenderableType]:
    """Say of everything that does not simply meet its limit why, and what to do."""
    for entry in verdicts:
        if entry["verdict"] != "meets":
            words, style = _SIGNS[entry["verdict"]]
            yield _item(words[0], f"{entry['rule']}: {entry['why']}", style)


def _measured_cells(entry: Mapping[str, Any], units: Units) -> list[str]:
    """Return what was measured, in mm and on a tape; empty where nothing has a length."""
    length_mm, u95_mm = entry["measured_mm"], entry["u95_mm"]
    if length_mm is None or u95_mm is None:
        cells = ["", ""]
    else:
        doubt = format_uncertainty(u95_mm, "metric").removesuffix(" mm")
        cells = [f"{length_mm:.1f} {doubt}", format_feet_inches(length_mm)]
    return cells if units == "imperial" else cells[:1]


def _probability(entry: Mapping[str, Any]) -> str:
    p_conform = entry["p_conform"]
    if p_conform is None:
        return ""
    # A rounded 0 or 100 % would claim a certainty that is not there.
    if 0.0 < p_conform < 0.01:
        return "<1%"
    return ">99%" if 0.99 < p_conform < 1.0 else f"{p_conform:.0%}"


def verdict_line(photos: Sequence[Mapping[str, Any]]) -> Text:
    """Return the sum of all verdicts in one line."""
    counts = Counter(entry["verdict"] for photo in photos for entry in photo["verdicts"])
    measured = sum(bool(photo["measured"]) for photo in photos)
    sums = [(f"   {words} {counts[verdict]}", style) for verdict, (words, style) in _SIGNS.items()]
    return Text.assemble((f"{measured} of {len(photos)} photos measured", _MAIN), *sums)


def verification_view(found: "Verification") -> RenderableType:
    """Return what came out of checking an evidence package, the troubles last, where they are seen."""
    lines = [_item("✓", each, "green") for each in found.confirmed]
    lines += [_item("?", each, "yellow") for each in found.unconfirmed]
    lines += [_item("✗", each, "bold red") for each in found.problems]
    if found.problems:
        end = Text("The package does not hold.", style="bold red")
    elif found.unconfirmed:
        end = Text("Nothing is wrong with the package, but not all of it could be confirmed.", style="yellow")
    else:
        end = Text("The package holds.", style="bold green")
    return Group(*lines, end)


def _notes(notes: Sequence[str]) -> Iterator[RenderableType]:
    return (_item("·", note, _ASIDE) for note in notes)


def _item(sign: str, sentence: str, style: str) -> RenderableType:
    """Return a sentence behind its sign, its further lines under its first."""
    item = Table.grid(padding=(0, 1, 0, 0))
    item.add_row(Text(sign, style=style), Text(sentence, style=_ASIDE))
    return Padding(item, (0, 0, 0, 1))


def _table(*columns: Column | str) -> Table:
    table = Table(*columns, box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
    table.header_style = _MAIN
    return table


def _fixed(header: str, *, is_number: bool = False) -> Column:
    """Return a column that is never broken over two lines."""
    return Column(header, no_wrap=True, justify="right" if is_number else "left")
