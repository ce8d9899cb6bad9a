"""What goes along when a job leaves the desk: positions, names, serial numbers, originals that carry them.

What is withheld is said so, and the hash of every untouched original stays on record. The change log stays
whole: its chain is made of hashes of the texts, not of the texts.
"""

import re
from collections.abc import Iterable
from dataclasses import replace

from webui.errors import PackageError
from webui.job import Decision, FiledPhoto, Job, Privacy


def withhold(job: Job, privacy: Privacy) -> Job:
    """Return a job without what is not to go along.

    Parameters
    ----------
    job : Job
        The job.
    privacy : Privacy
        What may go along.

    Returns
    -------
    Job
        The job; without names, people are person 1, person 2 ... in the order in which they appear, also in
        notes and reasons as far as their names stand there as typed.

    Raises
    ------
    PackageError
        If the originals were to go along whole, with the very things in them that are withheld.
    """
    is_open = privacy.gps and privacy.names and privacy.serials
    if privacy.originals == "whole" and not is_open:
        msg = (
            "originals carry positions, owners and serial numbers in their own metadata: "
            "have the originals stripped or left out too"
        )
        raise PackageError(msg)
    people = {} if privacy.names else _aliases(job)
    log = job.log
    if people:
        log = tuple(
            replace(entry, who=entry.who.withheld(), details=entry.details.withheld()) for entry in log
        )
    return replace(
        job,
        name=_without_names(job.name, people),
        notes=_without_names(job.notes, people),
        created_by=people.get(job.created_by, job.created_by),
        photos=tuple(_photo(photo, privacy, people) for photo in job.photos),
        decisions=tuple(_decision(decision, people) for decision in job.decisions),
        log=log,
        privacy=privacy,
    )


def _aliases(job: Job) -> dict[str, str]:
    return {name: f"person {number}" for number, name in enumerate(dict.fromkeys(_people(job)), 1)}


def _people(job: Job) -> Iterable[str]:
    yield job.created_by
    yield from (entry.who.text for entry in job.log if entry.who.text)
    yield from (photo.added_by for photo in job.photos)
    yield from (decision.who for decision in job.decisions)


def _photo(photo: FiledPhoto, privacy: Privacy, people: dict[str, str]) -> FiledPhoto:
    facts = replace(
        photo.facts,
        serial=photo.facts.serial if privacy.serials else None,
        position=photo.facts.position if privacy.gps else None,
    )
    set_aside = None if photo.set_aside is None else _without_names(photo.set_aside, people)
    added_by = people.get(photo.added_by, photo.added_by)
    return replace(photo, facts=facts, set_aside=set_aside, added_by=added_by)


def _decision(decision: Decision, people: dict[str, str]) -> Decision:
    who = people.get(decision.who, decision.who)
    return replace(decision, who=who, reason=_without_names(decision.reason, people))


def _without_names(words: str, people: dict[str, str]) -> str:
    """Return a text with every known name replaced, the longest first."""
    if not people:
        return words
    names = "|".join(re.escape(name) for name in sorted(people, key=len, reverse=True))
    aliases = {name.casefold(): alias for name, alias in people.items()}
    return re.sub(
        rf"(?<!\w)(?:{names})(?!\w)", lambda f: aliases[f[0].casefold()], words, flags=re.IGNORECASE
    )
