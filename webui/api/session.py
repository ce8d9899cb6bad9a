"""Who is asking, as the server sees it."""

from typing import Literal

from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from flask_wtf.csrf import generate_csrf
from pydantic import Field

from webui.accounts import Role
from webui.api.models import Answer, Given, Line, Who
from webui.api.problems import answers, problem
from webui.security import is_from_browser
from webui.session import Person, log_in, log_out, needs_log_in, person, require, set_who

part = APIBlueprint("api_session", __name__, url_prefix="/api", abp_tags=[Tag(name="session")])


class SessionView(Answer):
    """Who is asking."""

    who: str | None = Field(description="Stands beside all that is changed; null before a log-in.")
    role: Role | None
    needs_log_in: bool
    csrf_token: str | None = Field(description="For the header X-CSRF-Token of a browser's writes.")


class WhoGiven(Given):
    """The name typed once at a desk without accounts."""

    who: Who


class LogInGiven(Given):
    """Name and password of an account."""

    name: Line
    password: str = Field(max_length=1024)


@part.get("/session", responses=answers({200: SessionView}))
def show_session() -> dict[str, object]:
    """Tell who is asking."""
    return _view(person())


@part.put("/session", responses=answers({200: SessionView}, 409))
def name_who(body: WhoGiven) -> object:
    """Keep the name of who works here, on a desk without accounts."""
    if needs_log_in():
        return problem(409, "this desk has accounts: the account's name is used")
    require("reader")
    set_who(body.who)
    return _view(person())


@part.post("/session", responses=answers({200: SessionView}, 429))
def begin_session(body: LogInGiven) -> object:
    """Log in; the answer sets a cookie. Machines better use a token."""
    if not log_in(body.name, body.password):
        return problem(401, "name and password do not go together")
    return _view(person())


@part.delete("/session", responses=answers({204: None}))
def end_session() -> tuple[str, Literal[204]]:
    """Log out."""
    log_out()
    return "", 204


def _view(who: Person | None) -> dict[str, object]:
    return {
        "who": None if who is None else who.name,
        "role": None if who is None else who.role,
        "needs_log_in": needs_log_in(),
        # A machine without cookies needs none, and asking for one would begin a session for it.
        "csrf_token": generate_csrf() if is_from_browser() else None,
    }
