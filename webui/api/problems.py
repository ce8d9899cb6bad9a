"""Errors of the interface for machines, as problem details (RFC 9457): what was wrong, and what to do."""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from flask import Response, json
from pydantic import BaseModel, Field, ValidationError
from werkzeug.exceptions import HTTPException

from calib.errors import FileError, MeasureError
from webui.errors import ChangedMeanwhileError, NotThereError
from webui.login_gate import WAIT_S, TooManyTriesError

PROBLEM_TYPE = "application/problem+json"
# What every action may answer: to a browser without its token or a strange host name, without log-in, with
# another role, with too much, with something that it cannot take, with a disk that is full.
_ALWAYS = (
    HTTPStatus.BAD_REQUEST,
    HTTPStatus.UNAUTHORIZED,
    HTTPStatus.FORBIDDEN,
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    HTTPStatus.UNPROCESSABLE_ENTITY,
    HTTPStatus.INSUFFICIENT_STORAGE,
)
_STATUS_OF: tuple[tuple[type[MeasureError], HTTPStatus], ...] = (
    (NotThereError, HTTPStatus.NOT_FOUND),
    (ChangedMeanwhileError, HTTPStatus.CONFLICT),
    (TooManyTriesError, HTTPStatus.TOO_MANY_REQUESTS),
    # A data folder that cannot be read or written is our trouble, not the client's.
    (FileError, HTTPStatus.INSUFFICIENT_STORAGE),
    (MeasureError, HTTPStatus.UNPROCESSABLE_ENTITY),
)

Answers = dict[str | int | HTTPStatus, Any]


class Flaw(BaseModel):
    """One value that could not be taken."""

    pointer: str = Field(description="Where it stands (RFC 6901).")
    detail: str = Field(description="What is wrong with it.")


class Problem(BaseModel):
    """Problem details (RFC 9457)."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str
    errors: list[Flaw] | None = None


def answers(good: Mapping[str | int, Any], *statuses: int) -> Answers:
    """Return the answers of an action for its description.

    Parameters
    ----------
    good : mapping
        Status to model, to a dict of OpenAPI's response object, or to None for an empty answer.
    *statuses : int
        Errors beyond those that every action may answer.
    """
    problem = {PROBLEM_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    found: Answers = dict(good)
    for status in sorted({*_ALWAYS, *statuses}):
        found[int(status)] = {"description": HTTPStatus(status).phrase, "content": problem}
    return found


def file_of(*media_types: str, description: str = "The file") -> dict[str, Any]:
    """Return the response object of an answer that is a file."""
    content = {kind: {"schema": {"type": "string", "format": "binary"}} for kind in media_types}
    return {"description": description, "content": content}


def problem(status: int, detail: str, flaws: list[Flaw] | None = None) -> Response:
    """Return an error as an answer."""
    record: dict[str, Any] = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
    }
    if flaws:
        record["errors"] = [flaw.model_dump() for flaw in flaws]
    answer = Response(json.dumps(record) + "\n", status, content_type=PROBLEM_TYPE)
    if status == HTTPStatus.TOO_MANY_REQUESTS:
        answer.headers["Retry-After"] = str(WAIT_S)
    if status == HTTPStatus.UNAUTHORIZED:
        answer.headers["WWW-Authenticate"] = "Bearer"
    return answer


def problem_of_values(error: ValidationError) -> Response:
    """Return what is wrong with the values of a request."""
    flaws = [
        Flaw(pointer="".join(f"/{part}" for part in each["loc"]), detail=each["msg"])
        for each in error.errors(include_url=False, include_context=False, include_input=False)
    ]
    shown = "; ".join(f"{flaw.pointer or 'the body'}: {flaw.detail}" for flaw in flaws[:3])
    return problem(HTTPStatus.UNPROCESSABLE_ENTITY, shown, flaws[:20])


def problem_of_measuring(error: MeasureError) -> Response:
    """Return one of our own errors."""
    return problem(status_of(error), str(error))


def problem_of_http(error: HTTPException) -> Response:
    """Return an error of the protocol; an answer that was made already stays as it is."""
    if isinstance(error.response, Response):
        return error.response
    answer = problem(error.code or HTTPStatus.INTERNAL_SERVER_ERROR, error.description or error.name)
    for name, value in error.get_headers():
        if name.lower() not in ("content-type", "content-length"):
            answer.headers.setdefault(name, value)
    return answer


def status_of(error: MeasureError) -> int:
    """Return the status that says what kind of error it is."""
    return next(int(status) for kind, status in _STATUS_OF if isinstance(error, kind))
