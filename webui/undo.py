"""Taking back the last change of a photo, the set-up or a decision: by a new change, nothing is erased."""

import json
from collections.abc import Mapping
from typing import Any

from webui.change_log import Entry
from webui.errors import NotThereError
from webui.job import Decision, Job, record_from_setup, setup_from_record
from webui.store import Store

_PHOTO, _SETUP = "photo changed", "set-up changed"
_DECISIONS = ("finding accepted", "finding overruled", "signed off")
_WITHDRAWN = "decision withdrawn"


def undo_last(store: Store, job_id: str, who: str, photo: str | None = None) -> str:
    """Take back the last change that still stands.

    Parameters
    ----------
    store : Store
        The data folder.
    job_id, who : str
        The job, and who takes it back.
    photo : str, optional
        Only a change of this photo or a decision about it.

    Returns
    -------
    str
        What was taken back, in the words of the change log.

    Raises
    ------
    NotThereError
        If there is nothing to take back.
    StoreError
        If there is no such job, or it is changed by somebody else at the same moment.
    """
    job = store.job(job_id)
    entry = last_standing(job, photo)
    if entry is None:
        msg = "there is nothing to take back" + ("" if photo is None else f" about {photo!r:.80}")
        raise NotThereError(msg)
    details = _details(entry)
    if entry.what == _PHOTO:
        name, why = details["photo"], f"takes back change {entry.sequence}"
        changes = dict(details["before"])
        store.change_photo(job_id, name, who, why, if_head=job.log_head, undoes=entry.sequence, **changes)
    elif entry.what == _SETUP:
        setup = setup_from_record(record_from_setup(job.setup) | details["before"])
        store.change_setup(job_id, setup, who, if_head=job.log_head, undoes=entry.sequence)
    else:
        _withdraw(store, job, Decision(**details), who)
    return entry.what


def last_standing(job: Job, photo: str | None = None) -> Entry | None:
    """Return the last change of a photo, the set-up or a decision that was not taken back yet."""
    undone: set[int] = set()
    withdrawn: list[tuple[Any, ...]] = []
    for entry in reversed(job.log):
        if entry.what not in (_PHOTO, _SETUP, *_DECISIONS, _WITHDRAWN):
            continue
        details = _details(entry)
        if entry.what == _WITHDRAWN:
            withdrawn.append(_subject(details))
        elif "undoes" in details:
            undone.add(details["undoes"])
        elif entry.what in _DECISIONS and _subject(details) in withdrawn:
            withdrawn.remove(_subject(details))
        elif entry.sequence not in undone and photo in (None, details.get("photo")):
            return entry
    return None


def _withdraw(store: Store, job: Job, decision: Decision, who: str) -> None:
    store.decide(
        job.id,
        who,
        "withdraw",
        f"takes back decision {decision.number}",
        photo=decision.photo,
        rule=decision.rule,
        index=decision.index,
        found=decision.found,
        measured_mm=decision.measured_mm,
        if_head=job.log_head,
    )


def _details(entry: Entry) -> Mapping[str, Any]:
    details: Mapping[str, Any] = json.loads(entry.details.text or "{}")
    return details


def _subject(details: Mapping[str, Any]) -> tuple[Any, ...]:
    return details["photo"], details["rule"], details["index"]
