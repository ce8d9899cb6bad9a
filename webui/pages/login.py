"""Log-in and log-out, where the desk has accounts."""

from urllib.parse import urlsplit

from flask import redirect, request, url_for
from werkzeug.wrappers import Response

from webui.login_gate import TooManyTriesError
from webui.pages.frame import pages, render
from webui.session import log_in, log_out, needs_log_in
from webui.shown import sentence

_WRONG = "Name and password do not go together. Type both again; a supervisor can set a new password."


@pages.get("/login")
def login() -> Response | str:
    """Show the log-in; without accounts there is nothing to log in to."""
    return _page() if needs_log_in() else redirect(url_for("pages.jobs"), code=303)


@pages.post("/login")
def begin_session() -> Response | tuple[str, int]:
    """Log in, and go on to where the person was going."""
    try:
        is_in = log_in(request.form.get("name", ""), request.form.get("password", ""))
    except TooManyTriesError as error:
        return _page(sentence(str(error))), 429
    if not is_in:
        return _page(_WRONG), 403
    return redirect(_onward(), code=303)


@pages.post("/logout")
def logout() -> Response:
    """Log out."""
    log_out()
    return redirect(url_for("pages.login"), code=303)


def _page(problem: str = "") -> str:
    return render("login.html", "login", problem=problem, name=request.form.get("name", ""), onward=_onward())


def _onward() -> str:
    """Return where to go on to: an address of this page only, never of another site."""
    asked = request.values.get("next", "")
    parts = urlsplit(asked)
    is_ours = not parts.scheme and not parts.netloc and asked.startswith("/") and "\\" not in asked
    return asked if is_ours and not asked.startswith("//") else url_for("pages.jobs")
