"""The change log of a job in plain words, newest first."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from webui.change_log import Entry
from webui.job import Job
from webui.pages.frame import pages, render, the_job

# Longer values are cut: the package and the interface hold them whole.
_LONGEST = 90


@dataclass(frozen=True, slots=True)
class Told:
    """An entry of the change log in plain words.

    Attributes
    ----------
    sequence, time_utc, who, what : int, str, str, str
        As the log has them.
    photo : str or None
        The photo that it is about.
    lines : tuple of str
        What changed.
    """

    sequence: int
    time_utc: str
    who: str
    what: str
    photo: str | None
    lines: tuple[str, ...]


@pages.get("/jobs/<job_id>/history")
def history(job_id: str) -> str:
    """Show every change of a job."""
    this = the_job(job_id)
    return render("history.html", "history", this, entries=told_entries(this))


def told_entries(this: Job) -> list[Told]:
    """Return the change log of a job in plain words, newest first."""
    return [_told(entry) for entry in reversed(this.log)]


def _told(entry: Entry) -> Told:
    details: Mapping[str, Any] = {} if entry.details.text is None else json.loads(entry.details.text)
    return Told(
        entry.sequence,
        entry.time_utc,
        "withheld" if entry.who.text is None else entry.who.text,
        entry.what,
        details.get("photo") or (details.get("name") if entry.what == "photo added" else None),
        tuple(_lines(details)),
    )


def _lines(details: Mapping[str, Any]) -> Iterator[str]:
    before, after = details.get("before"), details.get("after")
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        for key in after:
            yield f"{_words(key)}: {_value(before.get(key))} → {_value(after[key])}"
    else:
        for key in (
            "original_name",
            "rule",
            "index",
            "found",
            "measured_mm",
            "verdict",
            "kind",
            "place",
            "units",
        ):
            if details.get(key) not in (None, ""):
                yield f"{_words(key)}: {_value(details[key])}"
    if details.get("reason"):
        yield f"because: {_value(details['reason'])}"


def _words(key: str) -> str:
    return key.removesuffix("_mm").replace("_", " ") + (" (mm)" if key.endswith("_mm") else "")


def _value(value: Any) -> str:
    text = value_in_words(value)
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"


def value_in_words(value: Any) -> str:
    """Return a value of the change log as a person reads it: (812.4, 1033) for a place in a photo, px."""
    match value:
        case None | "":
            return "none"
        case bool():
            return "yes" if value else "no"
        case int() | float():
            return f"{value:.2f}".rstrip("0").rstrip(".")
        case [int() | float(), int() | float()]:
            return f"({value_in_words(value[0])}, {value_in_words(value[1])})"
        case list():
            return ", ".join(map(value_in_words, value)) or "none"
        case Mapping():
            parts = [f"{_words(key)} {value_in_words(each)}" for key, each in value.items() if each]
            return ", ".join(parts) or "none"
        case _:
            return str(value)
