"""One block per close-up: the picture with what was found, the flange to scale, the original, every rule."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reportlab.platypus import Flowable, KeepTogether, Spacer, Table

from calib.errors import MeasureError
from webui.findings import Finding, Status, findings_of
from webui.job import FiledPhoto, Job
from webui.report.drawings import CloseUpPicture, FlangePicture, FlangeView, view_flange
from webui.report.look import CELL, HEADING, SMALL, columns, lines, points, table, text
from webui.report.marks import Mark
from webui.report.pages import Bookmark, chapter, text_width_mm
from webui.report.pictures import Jpeg, Upright, jpeg, open_upright, resampled
from webui.shown import Shown, share

_PICTURE_MM, _TALL_MM, _GAP_MM = 112.0, 72.0, 5.0
_PICTURE_PX = 1000
# The longer side is decoded to this at least: the flattened flange is sampled from it.
_DECODED_PX = 1100
# All close-ups of a report together stay within this, so that any report can be mailed.
_ALL_PICTURES_BYTES = 11_000_000
_LARGEST_PICTURE_BYTES, _SMALLEST_PICTURE_BYTES = 260_000, 30_000


@dataclass(frozen=True, slots=True, eq=False)
class PreparedPhoto:
    """A close-up with its pictures made, or why there are none."""

    photo: FiledPhoto
    audits: tuple[Mapping[str, Any], ...]
    picture: Jpeg | None
    scale: float
    flanges: tuple[tuple[FlangeView, Mapping[str, Any]], ...]
    problem: str = ""


def picture_budget(photos: int) -> int:
    """Return how many bytes the pictures of one photo may take."""
    share = _ALL_PICTURES_BYTES // max(photos, 1)
    return max(_SMALLEST_PICTURE_BYTES, min(_LARGEST_PICTURE_BYTES, share))


def prepare(job: Job, photo: FiledPhoto, path: Path | None, most_bytes: int) -> PreparedPhoto:
    """Make the pictures of one close-up.

    Parameters
    ----------
    job : Job
        The job.
    photo : FiledPhoto
        The photo.
    path : Path or None
        Its file; None if the original is not at hand.
    most_bytes : int
        What its pictures may take together.

    Returns
    -------
    PreparedPhoto
        The pictures; without them, and saying why, if the photo cannot be opened.
    """
    record = job.record("check") or {"photos": []}
    audits = tuple(audit for audit in record["photos"] if audit["photo"] == photo.name)
    if path is None:
        return PreparedPhoto(photo, audits, None, 1.0, (), "The original is not in this package.")
    try:
        upright = open_upright(path, _DECODED_PX)
    except MeasureError as error:
        return PreparedPhoto(photo, audits, None, 1.0, (), f"No picture: {error}.")
    small = resampled(upright, _PICTURE_PX)
    flanges = tuple(_flange_views(job, photo, audits, upright, most_bytes // 3))
    return PreparedPhoto(photo, audits, jpeg(small.pixels, 2 * most_bytes // 3), small.scale, flanges)


def _flange_views(
    job: Job, photo: FiledPhoto, audits: Sequence[Mapping[str, Any]], upright: Upright, most_bytes: int
) -> list[tuple[FlangeView, Mapping[str, Any]]]:
    result = job.results.get("check")
    drawing = (result.drawing if result is not None else None) or {"flanges": []}
    views = []
    for flange in drawing["flanges"]:
        audit = next((a for a in audits if a["target"] and a["target"]["name"] == flange["target"]), None)
        if flange["photo"] == photo.name and audit is not None:
            views.append((view_flange(upright, flange, audit, text_width_mm(job), most_bytes), audit))
    return views


def photo_pages(job: Job, prepared: Sequence[PreparedPhoto], shown: Shown) -> list[Flowable]:
    """Return the chapter of close-ups, a block for each."""
    if not prepared:
        return []
    findings = findings_of(job)
    story: list[Flowable] = chapter("Close-ups")
    story.append(
        text(
            "Rivets are numbered from left to right (from the top where the ridge stands upright). The "
            "flange is shown straight on and to scale for the eye; every length was measured in the original "
            "photo, never in these pictures."
        )
    )
    for each in prepared:
        own = [finding for finding in findings if finding.photo == each.photo.name]
        story.append(KeepTogether(_block(job, each, own, shown)))
    return story


def _block(job: Job, each: PreparedPhoto, findings: Sequence[Finding], shown: Shown) -> list[Flowable]:
    photo = each.photo
    place = photo.place or "not filed"
    title = f"{place[:1].upper()}{place[1:]}: {photo.name}"
    story: list[Flowable] = [Bookmark(title, 1), _headline(job, title, findings, each)]
    story.append(_picture_and_facts(job, each))
    for view, audit in each.flanges:
        story += [Spacer(0, 5), FlangePicture(view, audit, shown)]
    if findings:
        story += [Spacer(0, 3), findings_table(findings, text_width_mm(job), shown)]
    notes = [note for audit in each.audits for note in audit["notes"]]
    story += [Spacer(0, 3), *points([*dict.fromkeys(notes)], SMALL)] if notes else []
    return story


def _headline(job: Job, title: str, findings: Sequence[Finding], each: PreparedPhoto) -> Flowable:
    held = {finding.holds for finding in findings}
    order = (Status.DOES_NOT_MEET, Status.CANNOT_TELL, Status.MEETS)
    status = next((status for status in order if str(status) in held), Status.DOCUMENTED)
    if any(not audit["measured"] for audit in each.audits) and not held:
        status = Status.CANNOT_TELL
    width_mm = text_width_mm(job)
    row = columns(
        [[text(title, HEADING), Mark(status, 8.0)]], [width_mm - 32.0, 32.0], gap_pt=1.0, align="BOTTOM"
    )
    row.keepWithNext = 1
    return row


def _picture_and_facts(job: Job, each: PreparedPhoto) -> Flowable:
    facts_mm = text_width_mm(job) - _PICTURE_MM - _GAP_MM
    facts = photo_facts(each.photo, facts_mm, each.audits)
    widths_mm = [_PICTURE_MM + _GAP_MM, facts_mm]
    if each.picture is None:
        return columns([[text(each.problem), facts]], widths_mm)
    rivets = sum(len(audit["rivets"]) for audit in each.audits)
    alt = f"Close-up {each.photo.name} of {each.photo.place or 'an unfiled place'}, {rivets} rivets numbered."
    is_tall = each.picture.height > each.picture.width
    width_mm = _TALL_MM if is_tall else _PICTURE_MM
    return columns([[CloseUpPicture(each.picture, each.scale, width_mm, each.audits, alt), facts]], widths_mm)


def photo_facts(photo: FiledPhoto, width_mm: float, audits: Sequence[Mapping[str, Any]] = ()) -> Flowable:
    """Return what a photo's original is, as a narrow table."""
    facts = photo.facts
    camera = " ".join(word for word in (facts.make, facts.model) if word) or "not said"
    rows = [("Original", photo.original_name), ("SHA-256", _broken(photo.sha256))]
    rows += [("Camera", camera)]
    rows += [("Serial", facts.serial)] if facts.serial else []
    rows += [("Taken", (facts.taken_at or "not said").replace("T", " "))]
    if facts.position is not None:
        where = f"{facts.position.latitude_deg:.6f}°, {facts.position.longitude_deg:.6f}°"
        rows += [("Position", where)]
    rows += [
        ("Picture", f"{facts.width_px} × {facts.height_px} px, {facts.format}, {photo.size_bytes:,} bytes")
    ]
    rows += [("Filed by", f"{photo.added_by}, {photo.added_utc[:16].replace('T', ' ')} UTC")]
    for audit in audits:
        if audit["measured"]:
            tags = ", ".join(map(str, audit["target"]["tags"]))
            rows += [
                ("Target", f"{audit['target']['name']}, tags {tags}; rms {audit['target']['rms_px']:.2f} px")
            ]
            rows += [("Scale", f"{audit['mm_per_px']:.3f} mm per pixel at the target")]
    cells = [[text(name, SMALL), text(value, CELL)] for name, value in rows]
    return columns(cells, [16.0, width_mm - 16.0], gap_pt=2.0)


def _broken(digest: str) -> str:
    """Return a hash in groups of eight, so that it breaks between them and can be read aloud."""
    return " ".join(digest[i : i + 8] for i in range(0, len(digest), 8))


def findings_table(
    findings: Sequence[Finding], width_mm: float, shown: Shown, *, with_place: bool = False
) -> Table:
    """Return a table of findings: measured, limit, probability, verdict, who decided."""
    head = ["rule", "measured ± U", "limit", "p", "verdict", "why; who decided"]
    widths = [26.0, 29.0, 29.0, 14.0, 28.0]
    if with_place:
        head, widths = ["place, photo", *head], [27.0, 22.0, 28.0, 27.0, 13.0, 28.0]
    rows = [_finding_row(finding, shown, with_place=with_place) for finding in findings]
    return table(head, rows, [*widths, width_mm - sum(widths)])


def _finding_row(finding: Finding, shown: Shown, *, with_place: bool) -> list[object]:
    p = "–" if finding.p_conform is None else share(finding.p_conform)
    row: list[object] = [
        lines(f"{finding.rule}\n{finding.between}" if finding.between else finding.rule),
        lines(shown.cell(finding.measured_mm, finding.u95_mm)),
        lines(shown.limit(finding.limit)),
        p,
        Mark(Status(finding.holds)),
        lines(_why(finding)),
    ]
    return [lines(f"{finding.place or 'not filed'}\n{finding.photo}"), *row] if with_place else row


def _why(finding: Finding) -> str:
    """Return the reason of a verdict, and of the decision on it; the measured value has its own column."""
    decision, reason = finding.decision, finding.reason
    if decision is None:
        return reason
    when = decision.time_utc[:10]
    if decision.action == "overrule":
        said = f"overruled by {decision.who}, {when}: {decision.reason}"
        return f"{said}\nmeasured: {finding.verdict}; {reason}"
    note = f": {decision.reason}" if decision.reason else ""
    return f"{reason}\naccepted by {decision.who}, {when}{note}"
