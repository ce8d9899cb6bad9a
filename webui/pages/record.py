"""The record: what is documented where, what is still open, the sign-off, and the papers."""

from webui.coverage import coverage_of
from webui.findings import findings_of, open_points, place_statuses, sign_off
from webui.pages.frame import pages, render, the_job


@pages.get("/jobs/<job_id>/record")
def record(job_id: str) -> str:
    """Show the record of a job."""
    this = the_job(job_id)
    return render(
        "record.html",
        "record",
        this,
        coverage=coverage_of(this),
        statuses=place_statuses(this),
        open_points=open_points(this),
        signed=sign_off(this),
        decisions=tuple(reversed(this.decisions)),
        between={
            finding.decision.number: finding.between
            for finding in findings_of(this)
            if finding.decision is not None and finding.between
        },
    )
