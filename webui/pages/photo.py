"""A close-up: the picture with what was found in it, marks by hand, findings to accept or overrule."""

from collections.abc import Mapping
from typing import Any

from vision.plan import plan_from_record
from webui.findings import VERDICTS, findings_of
from webui.job import FiledPhoto, Job
from webui.pages.frame import pages, photo_address, render, the_job, the_photo
from webui.pages.history import Told, told_entries


@pages.get("/jobs/<job_id>/photos/<name>")
def photo(job_id: str, name: str) -> str:
    """Show a close-up."""
    this = the_job(job_id)
    filed = the_photo(this, name)
    audits = _audits(this, name)
    return render(
        "photo.html",
        "photo",
        this,
        photo=filed,
        audits=audits,
        findings=[finding for finding in findings_of(this) if finding.photo == name],
        verdicts=VERDICTS,
        data=_data(this, filed, audits),
        changes=_changes(this, name),
        neighbours=_neighbours(this, filed),
    )


def _audits(this: Job, name: str) -> list[Mapping[str, Any]]:
    record = this.record("check") or {"photos": []}
    return [audit for audit in record["photos"] if audit["photo"] == name]


def _data(this: Job, filed: FiledPhoto, audits: list[Mapping[str, Any]]) -> dict[str, Any]:
    """Return what the viewer draws."""
    drawing = this.results["check"].drawing if "check" in this.results else None
    flanges = (drawing or {"flanges": []})["flanges"]
    return {
        "photo": filed.name,
        "audits": audits,
        "flanges": [flange for flange in flanges if flange["photo"] == filed.name],
        "marks": filed.marks,
        "head_mm": plan_from_record(dict(this.setup.plan), "plan").rivet_head_mm,
    }


def _changes(this: Job, name: str) -> list[Told]:
    """Return what was changed about a photo, newest first."""
    return [told for told in told_entries(this) if told.photo == name]


def _neighbours(this: Job, filed: FiledPhoto) -> dict[str, tuple[str, str]]:
    """Return name and address of the close-ups before and after."""
    row = [each for each in this.photos if each.kind == filed.kind]
    here = row.index(filed)
    around = {"before": row[here - 1] if here else None, "after": row[here + 1] if row[here + 1 :] else None}
    return {way: (each.name, photo_address(this, each)) for way, each in around.items() if each is not None}
