"""The cover: which job, what came out in three sentences, the cautions, what is not covered, who signs."""

import contextlib
from collections.abc import Callable, Sequence
from pathlib import Path

from reportlab.platypus import Flowable, KeepTogether, Spacer, Table, TableStyle

from calib.errors import MeasureError
from webui.findings import CANNOT_TELL, DOES_NOT_MEET, MEETS, Status, findings_of, place_statuses, sign_off
from webui.inputs import photos_of
from webui.job import FiledPhoto, Job
from webui.report.drawings import RidgePicture
from webui.report.look import (
    BODY,
    CELL,
    INK,
    LEAD,
    LINE,
    POINTS_PER_MM,
    SMALL,
    TITLE,
    boxed,
    columns,
    heading,
    points,
    text,
)
from webui.report.pages import Bookmark, text_width_mm
from webui.report.pictures import jpeg, open_upright, resampled
from webui.shown import Shown

PhotoPath = Callable[[FiledPhoto], Path | None]

_PICTURE_MM, _TALL_MM, _GAP_MM = 66.0, 42.0, 6.0
_PICTURE_PX, _PICTURE_BYTES = 620, 120_000

_CAUTIONS = (
    "Falls kill. Nothing here asks anyone onto a roof. At 6 ft (1.8 m) or more above a lower level work "
    "protected by guardrail, net or harness (29 CFR 1926.501); tie ladders off; stay clear of power lines; "
    "keep off wet, icy or windy roofs. Fly a drone only as local rules allow, never over people. Sheet "
    "metal cuts: wear gloves.",
    "Values marked common practice are no code. The plan, the maker's instructions and local code govern; "
    "fastening and sealing are the engineer's and the maker's to decide.",
    "Before sheet is cut, hold the length against a tape and leave the last piece longer by its uncertainty.",
)
_NOT_COVERED = (
    "Places without a photo, and whatever a photo does not show: they are listed as open, not assumed to be "
    "right.",
    "What lies under the cap (z-closures, vent strips, sealant), strength, pull-out, watertightness, and "
    "the grade of metal and fasteners.",
    "Whether work meets a building code, and any rule that is not in the table of this report.",
    "Which building a photo shows, beyond what the photo and its own metadata say.",
)


def cover(job: Job, photo_path: PhotoPath, shown: Shown) -> list[Flowable]:
    """Return the first page."""
    story: list[Flowable] = [
        Bookmark("Summary"),
        text("Ridge record: length, cap layout, close-up audit", SMALL),
        text(job.name, TITLE),
        Spacer(0, 4),
        _facts_and_picture(job, photo_path),
        Spacer(0, 10),
        boxed(
            [text(each, LEAD) for each in result_sentences(job, shown)],
            text_width_mm(job),
        ),
        *heading("Cautions"),
        *points(_CAUTIONS, BODY),
        *heading("What this report does not cover"),
        *points(_NOT_COVERED, BODY),
    ]
    if withheld := withheld_sentence(job):
        story += [*heading("Left out of this copy"), text(withheld)]
    return [*story, KeepTogether([Spacer(0, 14), _signatures(job)])]


def result_sentences(job: Job, shown: Shown) -> tuple[str, str, str]:
    """Return the result in three sentences: length, layout, verdicts."""
    return _ridge_sentence(job, shown), _layout_sentence(job, shown), _verdict_sentence(job)


def withheld_sentence(job: Job) -> str:
    """Say what was left out of a copy that left the desk; empty if nothing was."""
    privacy = job.privacy
    parts = [
        words
        for kept, words in (
            (privacy.gps, "positions of the photos"),
            (privacy.names, "names of people (they stand as person 1, person 2 ...)"),
            (privacy.serials, "serial numbers of cameras"),
        )
        if not kept
    ]
    if privacy.originals == "stripped":
        parts.append("the originals' own metadata, as far as it is not needed to measure")
    if privacy.originals == "left out":
        parts.append("the originals themselves")
    if not parts:
        return ""
    return f"Left out on purpose: {'; '.join(parts)}. The hash of every untouched original stays on record."


def _ridge_sentence(job: Job, shown: Shown) -> str:
    record = job.record("measure")
    if record is None:
        return "The ridge has not been measured."
    if record["ridge"] is None:
        return f"The ridge could not be measured: {'; '.join(record['notes'])}."
    ridge = record["ridge"]
    length = shown.doubted_twice(ridge["length_mm"], ridge["u95_mm"])
    return f"The ridge is {length} long, with a probability of 95 %, measured from {ridge['method']}."


def _layout_sentence(job: Job, shown: Shown) -> str:
    record = job.record("plan")
    if record is None or not record["ridges"]:
        return "Its cap has not been laid out."
    ridge = record["ridges"][0]
    pieces, laps = len(ridge["pieces_mm"]), len(ridge["lap_stations_mm"])
    if not laps:
        return f"Its cap is one piece of {shown.length(ridge['pieces_mm'][0])}."
    stations = ", ".join(shown.length(station) for station in ridge["lap_stations_mm"])
    edges = f"with edges at {stations} from gable end A" if laps <= 6 else "at the stations listed below"
    plural = "laps" if laps > 1 else "lap"
    lap = shown.length(ridge["lap_mm"])
    return f"Its cap is laid out in {pieces} pieces with {laps} {plural} of {lap}, {edges}."


def _verdict_sentence(job: Job) -> str:
    findings, statuses = findings_of(job), place_statuses(job)
    if not findings:
        return "No close-up of the finished work has been checked."
    held = [finding.holds for finding in findings]
    seen = sum(each.status is not Status.NO_PHOTO for each in statuses)
    does_not, unsure = held.count(DOES_NOT_MEET), held.count(CANNOT_TELL)
    counts = f"{held.count(MEETS)} meet the plan, {does_not} do not and {unsure} cannot be told"
    overruled = sum(finding.holds != finding.verdict for finding in findings)
    told = f" (in {overruled} of them a person overruled the measured verdict)" if overruled else ""
    where = f"; {seen} of {len(statuses)} places have a photo" if statuses else ""
    return f"Of {len(findings)} checks of the finished work {counts}{told}{where}."


def _facts_and_picture(job: Job, photo_path: PhotoPath) -> Flowable:
    """Return what the job is, beside its first ridge photo that can be shown."""
    width_mm = text_width_mm(job)
    for photo in photos_of(job, "ridge"):
        path = photo_path(photo)
        with contextlib.suppress(MeasureError):
            if path is not None:
                small = resampled(open_upright(path, _PICTURE_PX), _PICTURE_PX)
                alt = f"The ridge as photo {photo.name} shows it."
                is_tall = small.pixels.shape[0] > small.pixels.shape[1]
                shown_mm = _TALL_MM if is_tall else _PICTURE_MM
                picture = RidgePicture(jpeg(small.pixels, _PICTURE_BYTES), small.scale, shown_mm, {}, alt)
                facts_mm = width_mm - shown_mm - _GAP_MM
                return columns([[_facts(job, facts_mm), picture]], [facts_mm + _GAP_MM, shown_mm])
    return _facts(job, width_mm)


def _facts(job: Job, width_mm: float) -> Flowable:
    taken = sorted(photo.facts.taken_at[:10] for photo in job.photos if photo.facts.taken_at)
    made = sorted(result.made_utc[:10] for result in job.results.values())
    rows = [
        ("Job", f"{job.id}, opened {job.created_utc[:10]} by {job.created_by}"),
        ("Photos", f"{len(job.photos)}, taken {_span(taken)}" if taken else f"{len(job.photos)}, undated"),
        ("Measured", _span(made) if made else "not yet"),
        (
            "Record as of",
            f"{job.changed_utc[:19].replace('T', ' ')} UTC, entry {job.log_entries} of the change log",
        ),
    ]
    rows += [("Notes", job.notes)] if job.notes else []
    table = Table(
        [[text(name, SMALL), text(value, CELL)] for name, value in rows],
        [22.0 * POINTS_PER_MM, (width_mm - 22.0) * POINTS_PER_MM],
    )
    table.setStyle(
        TableStyle(
            [
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
                ("LINEBELOW", (0, 0), (-1, -1), 0.35, LINE),
                ("LINEABOVE", (0, 0), (-1, 0), 0.8, INK),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ]
        )
    )
    return table


def _span(days: Sequence[str]) -> str:
    return days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"


def _signatures(job: Job) -> Flowable:
    done = sign_off(job)
    reviewed = "" if done is None else f"signed off in the record by {done.who}, {done.time_utc[:10]}"
    cells = [
        [
            text("Prepared by (name, date, signature)", SMALL),
            "",
            text("Reviewed by (name, date, signature)", SMALL),
        ],
        ["", "", text(reviewed, SMALL)],
    ]
    width = (text_width_mm(job) - 8.0) / 2.0 * POINTS_PER_MM
    table = Table(cells, [width, 8.0 * POINTS_PER_MM, width], rowHeights=[12.0, 26.0])
    table.setStyle(
        TableStyle(
            [
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("LINEBELOW", (0, 1), (0, 1), 0.6, INK),
                ("LINEBELOW", (2, 1), (2, 1), 0.6, INK),
                ("VALIGN", (0, 1), (-1, 1), "BOTTOM"),
            ]
        )
    )
    return table
