"""What was found, what people decided on it, what changed, and what is documented where."""

import json
from typing import Any

from flask import Response, jsonify
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import Field, RootModel

from webui.api.models import Answer, Given, Head, JobPath, JsonObject, Line, Text
from webui.api.problems import answers
from webui.coverage import Cell, coverage_of
from webui.desk import the_desk
from webui.errors import NotThereError
from webui.findings import VERDICTS, Finding, findings_of
from webui.job import Decision
from webui.session import require
from webui.undo import last_standing, undo_last

part = APIBlueprint("api_findings", __name__, url_prefix="/api", abp_tags=[Tag(name="findings")])


class FindingView(Answer):
    """One verdict of one rule in one close-up."""

    place: str | None
    photo: str
    rule: str
    index: int = Field(description="Which verdict of that rule in that photo, from 1.")
    between: str
    measured_mm: float | None
    u95_mm: float | None
    limit: str
    p_conform: float | None
    verdict: str = Field(description="As measured.")
    why: str
    holds: str = Field(description="As measured, or as overruled.")
    decision: Decision | None


class FindingList(RootModel[list[FindingView]]):
    """All findings of a job, in the order of its check."""


class DecisionList(RootModel[list[Decision]]):
    """All decisions of a job, in the order in which they were made."""


class DecisionView(RootModel[Decision]):
    """A decision."""


class DecisionGiven(Given):
    """What a supervisor decides: about one finding, or the job as it stands."""

    action: str = Field(pattern="^(accept|overrule|sign off)$")
    photo: Line | None = None
    rule: Line | None = None
    index: int | None = Field(default=None, ge=1, description="Left out: 1.")
    verdict: str | None = Field(
        default=None, pattern=f"^({'|'.join(VERDICTS)})$", description="What holds instead; overrule only."
    )
    reason: Text = ""
    if_head: Head = None


class UndoGiven(Given):
    """What to take back."""

    photo: Line | None = Field(default=None, description="Only a change of this photo or about it.")


class UndoView(Answer):
    """What was taken back."""

    what: str


class EntryView(Answer):
    """One entry of the change log."""

    sequence: int
    time_utc: str
    who: str | None
    what: str
    details: JsonObject | None
    sha256: str


class Log(RootModel[list[EntryView]]):
    """The change log, oldest first."""


class PlaceCoverage(Answer):
    """One place; cells in the order of the rules, null where a rule was not judged."""

    place: str
    low_mm: float
    high_mm: float
    status: str
    photos: list[str]
    cells: list[Cell | None]


class CoverageView(Answer):
    """What is documented where."""

    rules: list[str]
    places: list[PlaceCoverage]


@part.get("/jobs/<job>/findings", responses=answers({200: FindingList}, 404))
def list_findings(path: JobPath) -> Any:
    """List what was found."""
    require("reader")
    return [_finding_view(finding) for finding in findings_of(the_desk().store.job(path.job))]


@part.get("/jobs/<job>/decisions", responses=answers({200: DecisionList}, 404))
def list_decisions(path: JobPath) -> Any:
    """List what was decided."""
    require("reader")
    return list(the_desk().store.job(path.job).decisions)


@part.post("/jobs/<job>/decisions", responses=answers({201: DecisionView}, 404, 409))
def decide(path: JobPath, body: DecisionGiven) -> tuple[Response, int]:
    """Accept a finding, overrule it with a reason, or sign off the job (a supervisor)."""
    who = require("supervisor")
    store = the_desk().store
    about: dict[str, Any] = {}
    if body.action != "sign off":
        finding = _asked_finding(path, body)
        about = {
            "photo": finding.photo,
            "rule": finding.rule,
            "index": finding.index,
            "found": finding.verdict,
            "measured_mm": finding.measured_mm,
            "verdict": body.verdict if body.action == "overrule" else finding.verdict,
        }
    action: Any = body.action
    decision = store.decide(path.job, who.name, action, body.reason, if_head=body.if_head, **about)
    return jsonify(decision), 201


@part.post("/jobs/<job>/undo", responses=answers({200: UndoView}, 404, 409))
def undo(path: JobPath, body: UndoGiven) -> Any:
    """Take back the last change of a photo, the set-up or a decision, by a new change."""
    who = require("crew")
    store = the_desk().store
    last = last_standing(store.job(path.job), body.photo)
    if last is not None and last.what != "photo changed":
        require("supervisor")
    return {"what": undo_last(store, path.job, who.name, body.photo)}


@part.get("/jobs/<job>/log", responses=answers({200: Log}, 404))
def show_log(path: JobPath) -> Any:
    """Show every change, by whom and when."""
    require("reader")
    return [
        {
            "sequence": entry.sequence,
            "time_utc": entry.time_utc,
            "who": entry.who.text,
            "what": entry.what,
            "details": None if entry.details.text is None else json.loads(entry.details.text),
            "sha256": entry.sha256,
        }
        for entry in the_desk().store.job(path.job).log
    ]


@part.get("/jobs/<job>/coverage", responses=answers({200: CoverageView}, 404))
def show_coverage(path: JobPath) -> Any:
    """Show what is documented where."""
    require("reader")
    coverage = coverage_of(the_desk().store.job(path.job))
    return {
        "rules": list(coverage.rules),
        "places": [
            {
                "place": str(row.place.span.place),
                "low_mm": row.place.span.low_mm,
                "high_mm": row.place.span.high_mm,
                "status": str(row.place.status),
                "photos": list(row.place.photos),
                "cells": list(row.cells),
            }
            for row in coverage.rows
        ],
    }


def _asked_finding(path: JobPath, body: DecisionGiven) -> Finding:
    index = body.index or 1
    for finding in findings_of(the_desk().store.job(path.job)):
        if (finding.photo, finding.rule, finding.index) == (body.photo, body.rule, index):
            return finding
    msg = f"there is no finding {index} of {body.rule!r:.60} in {body.photo!r:.100}"
    raise NotThereError(msg)


def _finding_view(finding: Finding) -> dict[str, Any]:
    return {
        "place": None if finding.place is None else str(finding.place),
        "photo": finding.photo,
        "rule": finding.rule,
        "index": finding.index,
        "between": finding.between,
        "measured_mm": finding.measured_mm,
        "u95_mm": finding.u95_mm,
        "limit": finding.limit,
        "p_conform": finding.p_conform,
        "verdict": finding.verdict,
        "why": finding.why,
        "holds": finding.holds,
        "decision": finding.decision,
    }
