"""The review page's application: one factory that puts its parts together."""

from http import HTTPStatus

from flask import Flask, redirect, request, url_for
from flask.typing import ResponseReturnValue
from flask_openapi3.models.info import Info
from flask_openapi3.openapi import OpenAPI
from werkzeug.exceptions import HTTPException, InternalServerError, Unauthorized
from werkzeug.wrappers import Response as BaseResponse

from calib.errors import MeasureError
from webui.api import PREFIX, register_api
from webui.api.problems import (
    Problem,
    problem_of_http,
    problem_of_measuring,
    problem_of_values,
    status_of,
)
from webui.desk import Desk, put_desk
from webui.pages import pages
from webui.pages.errors import show_error
from webui.security import secure
from webui.settings import Settings
from webui.software import ridgewitness_version
from webui.strict_json import StrictJson

_ABOUT = "Push photos of a ridge, pull what was measured on them; the same actions as on the pages."
_OUR_FAULT = "This is a fault of ridgewitness, not of yours; the server's messages say more."


def create_app(settings: Settings) -> OpenAPI:
    """Make the application of one desk.

    Parameters
    ----------
    settings : Settings
        How it is run.

    Returns
    -------
    OpenAPI
        A Flask application. Its desk (`webui.desk.desk_of`) is yours to start and to close.

    Raises
    ------
    FileError
        If the data folder cannot be used.
    StoreError
        If a newer version of the software made it.
    """
    info = Info(title="ridgewitness", version=ridgewitness_version(), description=_ABOUT)
    app = OpenAPI(
        "webui",
        info=info,
        doc_ui=False,
        validation_error_model=Problem,
        validation_error_callback=problem_of_values,
    )
    app.json = StrictJson(app)
    put_desk(app, Desk.open(settings))
    secure(app, settings)
    register_api(app)
    app.register_blueprint(pages)
    _answer_errors(app)
    return app


def _answer_errors(app: Flask) -> None:
    """Answer errors as problems to machines, as pages to people."""

    def answer_http(error: HTTPException) -> ResponseReturnValue:
        if request.path.startswith(f"{PREFIX}/"):
            if isinstance(error, InternalServerError):
                error.description = _OUR_FAULT
            return problem_of_http(error)
        if isinstance(error.response, BaseResponse):
            return error
        if isinstance(error, Unauthorized):
            return redirect(url_for("pages.login", next=request.full_path.rstrip("?")), code=303)
        words = _OUR_FAULT if isinstance(error, InternalServerError) else error.description
        return show_error(error.code or HTTPStatus.INTERNAL_SERVER_ERROR, words or error.name)

    def answer_measuring(error: MeasureError) -> ResponseReturnValue:
        if request.path.startswith(f"{PREFIX}/"):
            return problem_of_measuring(error)
        return show_error(status_of(error), str(error))

    app.register_error_handler(HTTPException, answer_http)
    app.register_error_handler(MeasureError, answer_measuring)
