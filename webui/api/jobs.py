"""Jobs and their set-up."""

from typing import Annotated, Any, Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, Field, RootModel

from calib.lengths import Units
from webui.api.models import Answer, Given, Head, JobPath, JsonObject, Line, Text
from webui.api.problems import answers
from webui.desk import the_desk
from webui.findings import open_points, sign_off
from webui.inputs import can_make, is_current
from webui.job import RESULT_KINDS, Decision, Job, ResultKind, Setup, record_from_setup, setup_from_record
from webui.session import require
from webui.setup_check import checked_setup
from webui.store import JobSummary

part = APIBlueprint("api_jobs", __name__, url_prefix="/api", abp_tags=[Tag(name="jobs")])

_MOST_FILES = 50


class JobQuery(BaseModel):
    """Which jobs."""

    search: Line = Field(default="", description="Words that the name or the notes hold.")
    archived: bool = Field(default=False, description="Those that were archived.")


class JobList(RootModel[list[JobSummary]]):
    """Jobs, last changed first."""


class NewJob(Given):
    """A job to create."""

    name: Line = Field(min_length=1)
    units: Units = "imperial"
    notes: Text = ""


class JobChange(Given):
    """What of a job is to change; what is left out stays."""

    name: Line | None = Field(default=None, min_length=1)
    units: Units | None = None
    notes: Text | None = None
    archived: bool | None = None


class ResultState(Answer):
    """What is there of a result."""

    kind: ResultKind
    can_be_made: bool
    made_utc: str | None
    is_current: bool = Field(description="False when photos, picks, marks or set-up were changed since.")


class JobView(Answer):
    """A job."""

    id: str
    name: str
    units: Units
    notes: str
    created_utc: str
    created_by: str
    changed_utc: str
    is_archived: bool
    photos: int
    log_head: str = Field(description="End of the change log; see if_head.")
    results: list[ResultState]
    open_points: list[str]
    signed_off: Decision | None


class TapeGiven(Given):
    """A taped distance between the centres of two tags."""

    tag_from: int = Field(alias="from", ge=0)
    tag_to: int = Field(alias="to", ge=0)
    mm: float = Field(gt=0, le=1e6)
    u_mm: float = Field(gt=0, le=1e6)


class RidgeGiven(Given):
    """What the ridge is measured with."""

    targets: list[Line] = Field(default=[], max_length=_MOST_FILES)
    lens: Line | None = None
    tape: list[TapeGiven] = Field(default=[], max_length=_MOST_FILES)
    setback_mm: float = Field(default=0.0, ge=-1e5, le=1e5)
    setback_u_mm: float = Field(default=0.0, ge=0, le=1e5)
    pick_sigma_px: float = Field(default=1.0, gt=0, le=1e3)


class CloseUpsGiven(Given):
    """What the close-ups are measured with."""

    targets: list[Line] = Field(default=[], max_length=_MOST_FILES)
    lens: Line | None = None


class LayoutGiven(Given):
    """What the cap is laid out for."""

    ridge_mm: Annotated[float, Field(gt=0, le=1e6)] | None = None
    u95_mm: float = Field(default=0.0, ge=0, le=1e5)
    options: JsonObject = Field(default={}, description="Options of `ridgewitness plan`, by their names.")


class SetupGiven(Given):
    """A set-up, whole."""

    targets: JsonObject = Field(default={}, description="Target files by name, as `target` writes them.")
    lenses: JsonObject = Field(default={}, description="Lens files by name, as `lens` writes them.")
    ridge: RidgeGiven = RidgeGiven()
    close_ups: CloseUpsGiven = CloseUpsGiven()
    plan: JsonObject = Field(default={}, description="A plan file's keys.")
    layout: LayoutGiven = LayoutGiven()
    if_head: Head = None


class SetupView(RootModel[Setup]):
    """A set-up."""


@part.get("/jobs", responses=answers({200: JobList}))
def list_jobs(query: JobQuery) -> Any:
    """List jobs."""
    require("reader")
    return list(the_desk().store.jobs(query.search, archived=query.archived))


@part.post("/jobs", responses=answers({201: JobView}))
def create_job(body: NewJob) -> tuple[Any, Literal[201]]:
    """Create a job."""
    who = require("crew")
    store = the_desk().store
    job_id = store.create_job(body.name, body.units, who.name, body.notes)
    return job_view(store.job(job_id)), 201


@part.get("/jobs/<job>", responses=answers({200: JobView}, 404))
def show_job(path: JobPath) -> Any:
    """Show a job."""
    require("reader")
    return job_view(the_desk().store.job(path.job))


@part.patch("/jobs/<job>", responses=answers({200: JobView}, 404))
def change_job(path: JobPath, body: JobChange) -> Any:
    """Rename a job, change its units or notes, archive it or take it back (archiving: a supervisor)."""
    who = require("crew" if body.archived is None else "supervisor")
    changes = body.model_dump(exclude_none=True)
    if "archived" in changes:
        changes["is_archived"] = changes.pop("archived")
    store = the_desk().store
    store.change_job(path.job, who.name, **changes)
    return job_view(store.job(path.job))


@part.get("/jobs/<job>/setup", responses=answers({200: SetupView}, 404))
def show_setup(path: JobPath) -> Any:
    """Show what a job is measured with."""
    require("reader")
    return record_from_setup(the_desk().store.job(path.job).setup)


@part.put("/jobs/<job>/setup", responses=answers({200: SetupView}, 404, 409))
def change_setup(path: JobPath, body: SetupGiven) -> Any | Response:
    """Replace what a job is measured with (a supervisor)."""
    who = require("supervisor")
    setup = checked_setup(setup_from_record(body.model_dump(by_alias=True, exclude={"if_head"})))
    store = the_desk().store
    store.change_setup(path.job, setup, who.name, if_head=body.if_head)
    return record_from_setup(store.job(path.job).setup)


def job_view(job: Job) -> dict[str, Any]:
    """Return what an answer shows of a job."""
    return {
        "id": job.id,
        "name": job.name,
        "units": job.units,
        "notes": job.notes,
        "created_utc": job.created_utc,
        "created_by": job.created_by,
        "changed_utc": job.changed_utc,
        "is_archived": job.is_archived,
        "photos": len(job.photos),
        "log_head": job.log_head,
        "results": [_result_state(job, kind) for kind in RESULT_KINDS],
        "open_points": list(open_points(job)),
        "signed_off": sign_off(job),
    }


def _result_state(job: Job, kind: ResultKind) -> dict[str, Any]:
    result = job.results.get(kind)
    return {
        "kind": kind,
        "can_be_made": can_make(job, kind),
        "made_utc": None if result is None else result.made_utc,
        "is_current": is_current(job, kind),
    }
