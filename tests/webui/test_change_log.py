"""The change log: hashes against the published vectors, and every way to tamper with it is named."""

import dataclasses
import hashlib
import json

import pytest

from webui.canonical import canonical_json, sha256_of_text
from webui.change_log import (
    Entry,
    Sealed,
    check_chain,
    entry_from_record,
    entry_hash,
    first_previous,
    next_entry,
    record_from_entry,
)

JOB = "5f0c2a9d11e84b07"

# FIPS 180-4; messages and digests as NIST publishes them (FIPS 180-2, appendix B, for the first two).
VECTORS = {
    "abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
    "": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "a" * 1_000_000: "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
}


def log_of(number: int) -> list[Entry]:
    entries: list[Entry] = []
    previous = first_previous(JOB)
    for sequence in range(1, number + 1):
        time_utc = f"2026-05-04T08:{sequence:02d}:00.000Z"
        details = {"photo": f"c{sequence:02d}.jpg", "place": "run 1 left", "mm": 152.4 + sequence}
        entries.append(next_entry(sequence, previous, time_utc, "R. Vane", "photo changed", details))
        previous = entries[-1].sha256
    return entries


@pytest.mark.parametrize("message", VECTORS, ids=["abc", "448 bits", "empty", "a million a"])
def test_hash_of_a_text_agrees_with_fips_180_4(message: str) -> None:
    assert sha256_of_text(message) == VECTORS[message]


def test_canonical_json_of_texts_and_integers_is_rfc_8785() -> None:
    # RFC 8785, 3.2.2 and 3.2.3: its example's texts, keys sorted, escapes as ECMAScript writes them.
    value = {
        "\u20ac": "Euro Sign",
        "1": "One",
        "string": '\u20ac$\u000f\nA\'B"\\\\"/',
        "literals": [None, True],
    }
    string = '"\u20ac$\\u000f\\nA\'B\\"\\\\\\\\\\"/"'
    expected = f'{{"1":"One","literals":[null,true],"string":{string},"\u20ac":"Euro Sign"}}'
    assert canonical_json(value) == expected


def test_canonical_json_with_infinity_is_refused() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        canonical_json([float("inf")])


def test_entry_hash_by_hand_agrees_with_a_second_implementation() -> None:
    entry = log_of(1)[0]
    array = [1, entry.time_utc, entry.what, entry.who.sha256, entry.details.sha256, entry.previous]
    text = json.dumps(array, separators=(",", ":"))
    assert entry.sha256 == hashlib.sha256(text.encode()).hexdigest()


def test_untouched_log_has_no_problem() -> None:
    log = log_of(12)
    assert check_chain(log, JOB, 12, log[-1].sha256) == ()
    assert check_chain([], JOB, 0, first_previous(JOB)) == ()


def test_log_through_json_is_unchanged() -> None:
    log = log_of(4)
    text = json.dumps([record_from_entry(entry) for entry in log])
    assert [entry_from_record(record, "log") for record in json.loads(text)] == log


def test_withheld_texts_keep_the_chain_whole() -> None:
    log = log_of(5)
    shared = [
        dataclasses.replace(entry, who=entry.who.withheld(), details=entry.details.withheld())
        for entry in log
    ]
    assert check_chain(shared, JOB, 5, log[-1].sha256) == ()
    assert "R. Vane" not in repr(shared)


def test_seal_of_the_same_text_differs_every_time() -> None:
    assert Sealed.of("R. Vane").sha256 != Sealed.of("R. Vane").sha256


def edited(entry: Entry, field: str) -> Entry:
    match field:
        case "sequence":
            return dataclasses.replace(entry, sequence=entry.sequence + 40)
        case "who" | "details":
            seal = getattr(entry, field)
            return dataclasses.replace(entry, **{field: dataclasses.replace(seal, text=seal.text + " ")})
        case "who salt":
            return dataclasses.replace(entry, who=dataclasses.replace(entry.who, salt="00"))
        case "new seal":
            return dataclasses.replace(entry, details=Sealed.of("{}"))
        case _:
            text = getattr(entry, field)
            return dataclasses.replace(entry, **{field: text[:-1] + ("1" if text[-1] == "0" else "0")})


FIELDS = ["sequence", "time_utc", "what", "who", "who salt", "details", "new seal", "previous", "sha256"]


@pytest.mark.parametrize("field", FIELDS)
@pytest.mark.parametrize("position", range(9))
def test_edited_entry_is_named(position: int, field: str) -> None:
    log = log_of(9)
    head = log[-1].sha256
    log[position] = edited(log[position], field)
    problems = check_chain(log, JOB, 9, head)
    assert f"change log: entry {log[position].sequence} was edited" in problems


@pytest.mark.parametrize("position", range(9))
def test_entry_edited_with_its_hash_made_anew_is_named(position: int) -> None:
    log = log_of(9)
    head, entry = log[-1].sha256, log[position]
    forged = Sealed.of('{"place":"run 9 left"}')
    digest = entry_hash(
        entry.sequence, entry.time_utc, entry.what, entry.who.sha256, forged.sha256, entry.previous
    )
    log[position] = dataclasses.replace(entry, details=forged, sha256=digest)
    problems = check_chain(log, JOB, 9, head)
    follows = (
        f"entry {position + 2} does not follow entry {position + 1}" if position < 8 else "ends at entry 9"
    )
    assert len(problems) == 1
    assert follows in problems[0]


@pytest.mark.parametrize("position", range(9))
def test_removed_entry_is_named(position: int) -> None:
    log = log_of(9)
    head = log[-1].sha256
    del log[position]
    assert f"change log: entry {position + 1} is missing" in check_chain(log, JOB, 9, head)


@pytest.mark.parametrize("first", range(8))
def test_swapped_entries_are_named(first: int) -> None:
    log = log_of(9)
    head = log[-1].sha256
    log[first], log[first + 1] = log[first + 1], log[first]
    problems = check_chain(log, JOB, 9, head)
    assert f"change log: entry {first + 1} stands after entry {first + 2}" in problems


def test_added_entry_is_named() -> None:
    log = log_of(9)
    head = log[-1].sha256
    log.append(next_entry(10, head, "2026-05-04T09:00:00.000Z", "R. Vane", "photo changed", {}))
    problems = check_chain(log, JOB, 9, head)
    assert "change log: entry 10 should not be there" in problems


def test_log_of_another_job_is_named() -> None:
    log = log_of(3)
    problems = check_chain(log, "another job", 3, log[-1].sha256)
    assert problems == ("change log: entry 1 does not follow the start of this job's log",)
