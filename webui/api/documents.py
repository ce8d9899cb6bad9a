"""Report and evidence package: made in the background, then fetched."""

from typing import Any, Literal

from flask import Response, send_file
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import Field

from webui.api.models import Given, JobPath
from webui.api.problems import answers, file_of
from webui.api.work import TaskView, task_view
from webui.desk import the_desk
from webui.errors import NotThereError
from webui.made import FILE_NAMES, DocumentKind
from webui.photo_names import free_name
from webui.session import require

part = APIBlueprint("api_documents", __name__, url_prefix="/api", abp_tags=[Tag(name="documents")])

_MEDIA_TYPES: dict[DocumentKind, str] = {"report": "application/pdf", "evidence": "application/zip"}


class ReportGiven(Given):
    """What the report may show."""

    gps: bool = True
    names: bool = True
    serials: bool = True


class EvidenceGiven(ReportGiven):
    """What may go along in the package."""

    originals: Literal["whole", "stripped", "left out"] = Field(
        default="whole", description="Originals carry positions, names and serials in their own metadata."
    )


@part.post("/jobs/<job>/report", responses=answers({202: TaskView}, 404))
def make_report(path: JobPath, body: ReportGiven) -> tuple[Any, int]:
    """Have the report made."""
    # A report's pictures carry no metadata of their photos anyway.
    is_open = body.gps and body.names and body.serials
    return _start(path, "report", body.model_dump() | {"originals": "whole" if is_open else "stripped"})


@part.get("/jobs/<job>/report", responses=answers({200: file_of(_MEDIA_TYPES["report"])}, 404))
def send_report(path: JobPath) -> Response:
    """Send the report as it was made last."""
    return _send(path, "report")


@part.post("/jobs/<job>/evidence", responses=answers({202: TaskView}, 404))
def make_evidence(path: JobPath, body: EvidenceGiven) -> tuple[Any, int]:
    """Have the evidence package made."""
    return _start(path, "evidence", body.model_dump())


@part.get("/jobs/<job>/evidence", responses=answers({200: file_of(_MEDIA_TYPES["evidence"])}, 404))
def send_evidence(path: JobPath) -> Response:
    """Send the evidence package as it was made last, one zip file."""
    return _send(path, "evidence")


def _start(path: JobPath, kind: DocumentKind, options: dict[str, Any]) -> tuple[Any, int]:
    who = require("crew")
    desk = the_desk()
    job = desk.store.job(path.job)
    return task_view(desk.start(job.id, kind, who.name, options)), 202


def _send(path: JobPath, kind: DocumentKind) -> Response:
    require("reader")
    desk = the_desk()
    job = desk.store.job(path.job)
    document = desk.made.find(job.id, kind)
    if document is None:
        msg = f"job {job.name!r} has no {kind} yet; have it made"
        raise NotThereError(msg)
    return send_file(
        document.path,
        mimetype=_MEDIA_TYPES[kind],
        as_attachment=True,
        download_name=free_name(f"{job.name}-{FILE_NAMES[kind]}", set()),
    )
