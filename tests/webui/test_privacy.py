"""Privacy: what is withheld is gone everywhere, and the change log stays whole."""

import json
from dataclasses import replace

import pytest

from tests.webui.small_job import SERIAL, SUPERVISOR, WHO
from webui.change_log import check_chain, record_from_entry
from webui.errors import PackageError
from webui.job import Job, Privacy, record_from_findings, record_from_job
from webui.privacy import withhold


def everything(job: Job) -> str:
    records = [record_from_job(job), record_from_findings(job), [record_from_entry(e) for e in job.log]]
    return json.dumps(records)


def test_open_job_is_unchanged(job: Job) -> None:
    assert withhold(job, Privacy()) == job


def test_names_are_gone_from_every_record_and_text(job: Job) -> None:
    shared = withhold(job, Privacy(names=False, originals="left out"))
    told = everything(shared)
    assert WHO in everything(job)
    assert SUPERVISOR in everything(job)
    assert WHO not in told
    assert SUPERVISOR not in told
    assert shared.notes == "person 1: north ridge, first visit"
    assert shared.decisions[0].reason == "=Engineer allows it; person 2 saw it"
    assert {photo.added_by for photo in shared.photos} == {"person 1"}


def test_change_log_without_names_is_still_whole(job: Job) -> None:
    shared = withhold(job, Privacy(names=False, originals="left out"))
    assert check_chain(shared.log, shared.id, shared.log_entries, shared.log_head) == ()


def test_change_log_without_names_still_shows_tampering(job: Job) -> None:
    shared = withhold(job, Privacy(names=False, originals="left out"))
    log = [*shared.log]
    log[3] = replace(log[3], time_utc="2020-01-01T00:00:00.000Z")
    problems = check_chain(log, shared.id, shared.log_entries, shared.log_head)
    assert "change log: entry 4 was edited" in problems


def test_positions_and_serial_numbers_are_gone_and_hashes_stay(job: Job) -> None:
    shared = withhold(job, Privacy(gps=False, serials=False, originals="stripped"))
    assert "44.5" not in everything(shared)
    assert SERIAL not in everything(shared)
    assert [photo.sha256 for photo in shared.photos] == [photo.sha256 for photo in job.photos]
    assert "44.5" in everything(job)


def test_longer_name_is_replaced_before_the_shorter_one_within_it(job: Job) -> None:
    decision = replace(
        job.decisions[0], who="R. Vane jr", reason="seen by R. Vane jr, not by r. vane; Vanessa"
    )
    shared = withhold(replace(job, decisions=(decision,)), Privacy(names=False, originals="left out"))
    assert shared.decisions[0].reason == "seen by person 3, not by person 1; Vanessa"


@pytest.mark.parametrize("part", ["gps", "names", "serials"])
def test_whole_originals_with_something_withheld_are_refused(job: Job, part: str) -> None:
    with pytest.raises(PackageError, match="have the originals stripped or left out too"):
        withhold(job, replace(Privacy(), **{part: False}))
