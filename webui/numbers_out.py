"""Numbers for other programs: findings and take-off as CSV, ridge photos as GeoJSON.

CSV after RFC 4180, UTF-8 with its mark so that spreadsheets open it right, units in the heads, and no cell
that a spreadsheet would run as a formula. GeoJSON after RFC 7946: WGS 84, longitude first.
"""

import csv
import io
from collections.abc import Sequence
from typing import Any

from calib.lengths import MM_PER_INCH
from webui.findings import Finding, findings_of
from webui.job import Job

# What makes a spreadsheet take a text for a formula, or break out of its cell; the wide forms too.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")  # noqa: RUF001

_FINDING_HEAD = (
    *("place", "photo", "rule", "between", "measured (mm)", "measured (in)", "U 95 % (mm)", "limit"),
    *("probability of conformity", "verdict", "measured verdict", "why"),
    *("decision", "decided by", "decided at (UTC)", "reason"),
)
_TAKEOFF_HEAD = ("item", "quantity", "unit", "rule")


def findings_csv(job: Job) -> bytes:
    """Return all findings of a job as CSV."""
    return _csv([_FINDING_HEAD, *(_finding_row(finding) for finding in findings_of(job))])


def takeoff_csv(job: Job) -> bytes:
    """Return the take-off of a job as CSV; only its head if nothing was laid out."""
    record = job.record("plan") or {"takeoff": []}
    return _csv([_TAKEOFF_HEAD, *([line[key] for key in _TAKEOFF_HEAD] for line in record["takeoff"])])


def ridge_photos_geojson(job: Job) -> dict[str, Any] | None:
    """Return the ridge photos that say where they were taken, None if none does."""
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": _coordinates(position)},
            "properties": {
                "photo": photo.name,
                "sha256": photo.sha256,
                "taken_at": photo.facts.taken_at,
                "direction_deg": position.direction_deg,
            },
        }
        for photo in job.photos
        if photo.kind == "ridge" and (position := photo.facts.position) is not None
    ]
    return {"type": "FeatureCollection", "features": features} if features else None


def _coordinates(position: Any) -> list[float]:
    flat = [position.longitude_deg, position.latitude_deg]
    return flat if position.altitude_m is None else [*flat, position.altitude_m]


def _finding_row(finding: Finding) -> list[object]:
    decision, measured = finding.decision, finding.measured_mm
    return [
        str(finding.place or ""),
        finding.photo,
        finding.rule,
        finding.between,
        measured,
        None if measured is None else round(measured / MM_PER_INCH, 4),
        finding.u95_mm,
        finding.limit,
        finding.p_conform,
        finding.holds,
        finding.verdict,
        finding.why,
        *((decision.action, decision.who, decision.time_utc, decision.reason) if decision else ("",) * 4),
    ]


def _csv(rows: Sequence[Sequence[object]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerows([[_cell(value) for value in row] for row in rows])
    return b"\xef\xbb\xbf" + text.getvalue().encode()


def _cell(value: object) -> object:
    """Return a number as it is, a text that can never run as a formula."""
    if value is None:
        return ""
    if isinstance(value, int | float):
        return value
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text
