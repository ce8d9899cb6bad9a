"""Putting the parts of the interface for machines together, and its own description."""

from typing import Any

from flask import Response, jsonify
from flask_openapi3.models.security_scheme import SecurityScheme
from flask_openapi3.openapi import OpenAPI

from webui.api import documents, findings, jobs, photos, pictures, session, uploads, work
from webui.session import require

PREFIX = "/api"
_PARTS = (
    session.part,
    jobs.part,
    photos.part,
    pictures.part,
    uploads.part,
    work.part,
    findings.part,
    documents.part,
)
_SECURITY: dict[str, SecurityScheme | dict[str, Any]] = {
    "token": {"type": "http", "scheme": "bearer", "description": "Made by `ridgewitness account token`."},
    "session": {
        "type": "apiKey",
        "in": "cookie",
        "name": "ridgewitness",
        "description": "A log-in's cookie.",
    },
}


def register_api(app: OpenAPI) -> None:
    """Put the interface for machines into an application."""
    app.security_schemes = _SECURITY
    for part in _PARTS:
        app.register_api(part)
    app.add_url_rule(f"{PREFIX}/openapi.json", "openapi", lambda: _description(app))


def _description(app: OpenAPI) -> Response:
    require("reader")
    return jsonify(app.api_doc)
