"""The change log of a job: append-only, each entry bound to the one before by its SHA-256 (FIPS 180-4).

Who and details are sealed: the chain holds only the hash of salt and text, so that a text can be left out
of a package without breaking the chain, and cannot be guessed from its hash.
"""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Self

from calib.records import check_keys
from webui.canonical import canonical_json, sha256_of_text

_SALT_BYTES = 16


@dataclass(frozen=True, slots=True)
class Sealed:
    """A text and the hash that stands for it in the chain.

    Attributes
    ----------
    text, salt : str or None
        Both None when the text is withheld.
    sha256 : str
        SHA-256 of salt and text, hexadecimal.
    """

    text: str | None
    salt: str | None
    sha256: str

    @classmethod
    def of(cls, text: str) -> Self:
        """Seal a text with a fresh salt."""
        salt = secrets.token_hex(_SALT_BYTES)
        return cls(text, salt, sha256_of_text(salt + text))

    def withheld(self) -> Self:
        """Return the same seal without the text."""
        return replace(self, text=None, salt=None)

    def is_whole(self) -> bool:
        """Tell whether the text, where it is given, is the one that was sealed."""
        if self.text is None or self.salt is None:
            return self.text is self.salt
        return sha256_of_text(self.salt + self.text) == self.sha256


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the change log.

    Attributes
    ----------
    sequence : int
        1, 2, 3 ... within its job.
    time_utc : str
        When, RFC 3339.
    what : str
        Kind of change, a few plain words.
    who, details : Sealed
        Who did it, and the change itself as canonical JSON.
    previous : str
        SHA-256 of the entry before; of the job's identifier for the first.
    sha256 : str
        SHA-256 of this entry, see `entry_hash`.
    """

    sequence: int
    time_utc: str
    what: str
    who: Sealed
    details: Sealed
    previous: str
    sha256: str


def first_previous(job_id: str) -> str:
    """Return what the first entry of a job follows, so that a log cannot be moved to another job."""
    return sha256_of_text(job_id)


def entry_hash(
    sequence: int, time_utc: str, what: str, who_sha256: str, details_sha256: str, previous: str
) -> str:
    """Return the SHA-256 of an entry: of the canonical JSON array of these six values, in this order."""
    return sha256_of_text(canonical_json([sequence, time_utc, what, who_sha256, details_sha256, previous]))


def next_entry(sequence: int, previous: str, time_utc: str, who: str, what: str, details: Any) -> Entry:
    """Make the entry that follows the one with hash ``previous``."""
    by, change = Sealed.of(who), Sealed.of(canonical_json(details))
    digest = entry_hash(sequence, time_utc, what, by.sha256, change.sha256, previous)
    return Entry(sequence, time_utc, what, by, change, previous, digest)


def check_chain(entries: Sequence[Entry], job_id: str, count: int, head: str) -> tuple[str, ...]:
    """Check a whole change log.

    Parameters
    ----------
    entries : sequence of Entry
        In the order in which they stand.
    job_id : str
        Identifier of the job.
    count, head : int, str
        Number of entries and hash of the last one, as the job's record has them.

    Returns
    -------
    tuple of str
        What is wrong, each sentence naming its entry; empty when the log is whole.
    """
    problems = [f"change log: entry {entry.sequence} was edited" for entry in entries if not _is_whole(entry)]
    problems += _order_problems([entry.sequence for entry in entries], count)
    previous, follows = first_previous(job_id), "the start of this job's log"
    for entry in entries:
        if entry.previous != previous:
            problems.append(f"change log: entry {entry.sequence} does not follow {follows}")
        previous, follows = entry.sha256, f"entry {entry.sequence}"
    if previous != head:
        problems.append(f"change log: it ends at {follows} with another hash than the job's record has")
    return tuple(dict.fromkeys(problems))


def _is_whole(entry: Entry) -> bool:
    who, details = entry.who, entry.details
    digest = entry_hash(
        entry.sequence, entry.time_utc, entry.what, who.sha256, details.sha256, entry.previous
    )
    return digest == entry.sha256 and who.is_whole() and details.is_whole()


def _order_problems(numbers: Sequence[int], count: int) -> list[str]:
    wanted = range(1, count + 1)
    problems = [f"change log: entry {number} is missing" for number in wanted if number not in set(numbers)]
    extra = [number for number in numbers if number not in wanted]
    problems += [f"change log: entry {number} should not be there" for number in extra]
    for before, number in pairwise(numbers):
        if number <= before:
            problems.append(f"change log: entry {number} stands after entry {before}")
    return problems


def record_from_entry(entry: Entry) -> dict[str, Any]:
    """Return the JSON object of an entry."""
    return {
        "sequence": entry.sequence,
        "time_utc": entry.time_utc,
        "what": entry.what,
        "who": _record_from_sealed(entry.who),
        "details": _record_from_sealed(entry.details),
        "previous": entry.previous,
        "sha256": entry.sha256,
    }


def entry_from_record(record: Any, where: str) -> Entry:
    """Return the entry of a JSON object.

    Raises
    ------
    RecordError
        If a key is missing or unknown.
    """
    keys = ("sequence", "time_utc", "what", "who", "details", "previous", "sha256")
    entry = check_keys(record, keys, (), where)
    return Entry(
        entry["sequence"],
        entry["time_utc"],
        entry["what"],
        _sealed_from_record(entry["who"], f"{where} who"),
        _sealed_from_record(entry["details"], f"{where} details"),
        entry["previous"],
        entry["sha256"],
    )


def _record_from_sealed(sealed: Sealed) -> dict[str, Any]:
    return {"text": sealed.text, "salt": sealed.salt, "sha256": sealed.sha256}


def _sealed_from_record(record: Any, where: str) -> Sealed:
    sealed = check_keys(record, ("text", "salt", "sha256"), (), where)
    return Sealed(sealed["text"], sealed["salt"], sealed["sha256"])
