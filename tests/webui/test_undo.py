"""Undo takes back the last change that stands, by a new change; the log keeps both."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from calib.targets import built_in_target, record_from_target
from tests.webui.photos import jpeg
from webui.change_log import check_chain
from webui.errors import ChangedMeanwhileError, NotThereError
from webui.findings import standing_decisions
from webui.job import Setup
from webui.store import Store
from webui.undo import last_standing, undo_last

WHO = "R. Vane"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "data") as opened:
        yield opened


@pytest.fixture
def job_id(store: Store) -> str:
    job_id = store.create_job("Alder Street 12", "imperial", WHO)
    store.add_photo(job_id, jpeg(), "a.jpg", WHO)
    return job_id


def ends_of(store: Store, job_id: str) -> dict[str, tuple[float, float]]:
    return dict(store.job(job_id).photos[0].ends)


def test_undo_of_photo_changes_goes_back_step_by_step(store: Store, job_id: str) -> None:
    for x in (1.0, 2.0, 3.0):
        store.change_photo(job_id, "a.jpg", WHO, ends={"a": (x, 5.0)})
    seen = []
    for _ in range(3):
        assert undo_last(store, job_id, "T. Lark") == "photo changed"
        seen.append(ends_of(store, job_id))
    assert seen == [{"a": (2.0, 5.0)}, {"a": (1.0, 5.0)}, {}]
    with pytest.raises(NotThereError, match="nothing to take back"):
        undo_last(store, job_id, WHO)
    job = store.job(job_id)
    assert check_chain(job.log, job.id, job.log_entries, job.log_head) == ()
    assert len([entry for entry in job.log if entry.what == "photo changed"]) == 6


def test_change_after_undo_is_taken_back_before_older_ones(store: Store, job_id: str) -> None:
    store.change_photo(job_id, "a.jpg", WHO, place="run 1 left")
    store.change_photo(job_id, "a.jpg", WHO, place="run 2 left")
    undo_last(store, job_id, WHO)
    store.change_photo(job_id, "a.jpg", WHO, place="run 3 left")
    undo_last(store, job_id, WHO)
    assert store.job(job_id).photos[0].place == "run 1 left"
    undo_last(store, job_id, WHO)
    assert store.job(job_id).photos[0].place is None


def test_undo_of_one_photo_leaves_other_changes_alone(store: Store, job_id: str) -> None:
    store.add_photo(job_id, jpeg(serial="2"), "b.jpg", WHO)
    store.change_photo(job_id, "a.jpg", WHO, place="run 1 left")
    store.change_photo(job_id, "b.jpg", WHO, place="run 2 left")
    undo_last(store, job_id, WHO, photo="a.jpg")
    assert [photo.place for photo in store.job(job_id).photos] == [None, "run 2 left"]
    with pytest.raises(NotThereError, match=r"about 'a\.jpg'"):
        undo_last(store, job_id, WHO, photo="a.jpg")


def test_undo_of_setup_restores_it_whole(store: Store, job_id: str) -> None:
    card = record_from_target(built_in_target("card"))
    first = Setup({"card": card}, plan={"lap_rivets": 12})
    store.change_setup(job_id, first, WHO)
    store.change_setup(job_id, replace(first, targets={}, plan={"lap_rivets": 14}), WHO)
    assert undo_last(store, job_id, WHO) == "set-up changed"
    assert store.job(job_id).setup == first


def test_undo_of_decision_lets_the_one_before_stand_again(store: Store, job_id: str) -> None:
    about: dict[str, Any] = {"photo": "a.jpg", "rule": "lap length", "index": 1}
    store.decide(job_id, WHO, "overrule", "seen by hand", verdict="meets", **about)
    store.decide(job_id, WHO, "accept", "", **about)
    assert undo_last(store, job_id, "T. Lark") == "finding accepted"
    job = store.job(job_id)
    assert [decision.action for decision in standing_decisions(job).values()] == ["overrule"]
    assert job.decisions[-1].reason == "takes back decision 2"
    undo_last(store, job_id, WHO)
    assert standing_decisions(store.job(job_id)) == {}
    assert last_standing(store.job(job_id)) is None


def test_sign_off_is_taken_back(store: Store, job_id: str) -> None:
    store.decide(job_id, WHO, "sign off", "")
    assert undo_last(store, job_id, WHO) == "signed off"
    assert [decision.action for decision in store.job(job_id).decisions] == ["sign off", "withdraw"]


def test_change_made_for_another_state_is_refused(store: Store, job_id: str) -> None:
    head = store.job(job_id).log_head
    store.change_photo(job_id, "a.jpg", WHO, place="run 1 left", if_head=head)
    with pytest.raises(ChangedMeanwhileError, match="changed meanwhile"):
        store.change_photo(job_id, "a.jpg", WHO, place="run 2 left", if_head=head)
    with pytest.raises(ChangedMeanwhileError, match="changed meanwhile"):
        store.change_setup(job_id, Setup(plan={"lap_rivets": 12}), WHO, if_head=head)
    with pytest.raises(ChangedMeanwhileError, match="changed meanwhile"):
        store.decide(job_id, WHO, "sign off", "", if_head=head)
