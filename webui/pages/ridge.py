"""The ridge's length: both ends picked in each photo, the length with its doubt, and what would help."""

from collections.abc import Mapping
from typing import Any

from flask import request

from calib.uncertainty import COVERAGE_FACTOR_95
from webui.inputs import photos_of
from webui.job import FiledPhoto, Job
from webui.pages.budget import budget_chart
from webui.pages.frame import pages, render, the_job
from webui.shown import Shown


@pages.get("/jobs/<job_id>/ridge")
def ridge(job_id: str) -> str:
    """Show the ridge photos, one of them open, and the length."""
    this = the_job(job_id)
    photos = photos_of(this, "ridge")
    record = this.record("measure")
    budget = [] if record is None else record["budget"]
    return render(
        "ridge.html",
        "ridge",
        this,
        photos=photos,
        open_photo=_open_photo(this, photos),
        record=record,
        fates=_fates(photos, record),
        budget=budget_chart(budget),
        metric=Shown("metric"),
        factor=COVERAGE_FACTOR_95,
    )


def _open_photo(this: Job, photos: list[FiledPhoto]) -> FiledPhoto | None:
    """Return the photo asked for, else the first in which an end is still to be picked."""
    asked = this.photo(request.args.get("photo", ""))
    if asked is not None and asked.kind == "ridge":
        return asked
    return next((photo for photo in photos if len(photo.ends) < 2), photos[0] if photos else None)


def _fates(photos: list[FiledPhoto], record: Mapping[str, Any] | None) -> dict[str, Mapping[str, Any]]:
    """Return what became of each photo in the measurement, by its name."""
    seen = {} if record is None else record["photos"]
    return {photo.name: seen[photo.name] for photo in photos if photo.name in seen}
