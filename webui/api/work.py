"""Work that takes longer than an answer may: asked for, looked at, its results."""

from typing import Annotated, Any

from flask import jsonify
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import Field, RootModel

from webui.api.models import Answer, Given, JobPath, JsonObject
from webui.api.problems import answers
from webui.desk import the_desk
from webui.errors import NotThereError
from webui.inputs import can_make, is_current
from webui.job import RESULT_KINDS, Job, ResultKind
from webui.session import require
from webui.tasks import Task, TaskKind, TaskState

part = APIBlueprint("api_work", __name__, url_prefix="/api", abp_tags=[Tag(name="work")])


class WorkGiven(Given):
    """What is to be made."""

    kinds: Annotated[list[ResultKind], Field(min_length=1, max_length=3)] | None = Field(
        default=None, description="Results to make; left out: all that can be made and are not up to date."
    )


class TaskView(Answer):
    """One piece of work: the last of its kind."""

    kind: TaskKind
    state: TaskState
    done: int = Field(description="Steps done.")
    of: int = Field(description="Steps in all; 0 while nothing is known of them.")
    error: str | None
    asked_utc: str
    changed_utc: str


class TaskList(RootModel[list[TaskView]]):
    """The work of a job, in the order in which it was asked for."""


class ResultPath(JobPath):
    """A result of a job."""

    kind: ResultKind


class ResultView(Answer):
    """A result with what made it; `record` is the command's own JSON."""

    record: JsonObject
    software: dict[str, str]
    inputs_sha256: str
    made_utc: str
    drawing: JsonObject | None
    is_current: bool


@part.get("/jobs/<job>/work", responses=answers({200: TaskList}, 404))
def show_work(path: JobPath) -> Any:
    """Tell how far the work on a job is."""
    require("reader")
    desk = the_desk()
    return [task_view(task) for task in desk.tasks.of_job(desk.store.job(path.job).id)]


@part.post("/jobs/<job>/work", responses=answers({202: TaskList}, 404))
def start_work(path: JobPath, body: WorkGiven) -> tuple[Any, int]:
    """Have results made in the background."""
    who = require("crew")
    desk = the_desk()
    job = desk.store.job(path.job)
    for kind in _wanted(job) if body.kinds is None else [k for k in RESULT_KINDS if k in body.kinds]:
        desk.start(job.id, kind, who.name)
    return [task_view(task) for task in desk.tasks.of_job(job.id)], 202


@part.get("/jobs/<job>/results/<kind>", responses=answers({200: ResultView}, 404))
def show_result(path: ResultPath) -> Any:
    """Show a result."""
    require("reader")
    job = the_desk().store.job(path.job)
    result = job.results.get(path.kind)
    if result is None:
        msg = f"job {job.name!r} has no result of {path.kind} yet; start its work"
        raise NotThereError(msg)
    return jsonify(
        {
            "record": result.record,
            "software": result.software,
            "inputs_sha256": result.inputs_sha256,
            "made_utc": result.made_utc,
            "drawing": result.drawing,
            "is_current": is_current(job, path.kind),
        }
    )


def task_view(task: Task) -> dict[str, Any]:
    """Return what an answer shows of a task."""
    return {
        "kind": task.kind,
        "state": task.state,
        "done": task.steps_done,
        "of": task.steps,
        "error": task.error,
        "asked_utc": task.asked_utc,
        "changed_utc": task.changed_utc,
    }


def _wanted(job: Job) -> list[ResultKind]:
    """Return what can be made and is not up to date; a layout follows a ridge that is measured again."""
    wanted = [kind for kind in RESULT_KINDS if can_make(job, kind) and not is_current(job, kind)]
    is_laid_out_by_it = job.setup.layout.ridge_mm is None
    if "measure" in wanted and is_laid_out_by_it and "plan" not in wanted:
        wanted.append("plan")
    return wanted
