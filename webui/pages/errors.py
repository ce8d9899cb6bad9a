"""What a browser shows when a page cannot be had."""

from http import HTTPStatus

from webui.pages.frame import render
from webui.shown import sentence

_TITLES = {404: "Not here", 403: "Not for this role", 409: "Changed meanwhile", 429: "Too often"}


def show_error(status: int, words: str) -> tuple[str, int]:
    """Return the page of an error: what is wrong, in a sentence, and the way back."""
    title = _TITLES.get(status, HTTPStatus(status).phrase)
    return render("problem.html", "problem", title=title, words=sentence(words)), status
