"""A disk that is full: a problem (RFC 9457) of status 507 (RFC 4918, 11.5), nothing half-written, sent again.

The disk is really full: ``/dev/full`` takes nothing, and SQLite is given no more pages.
"""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import sqlalchemy as sa
from werkzeug.test import TestResponse

from tests.webui.api_desk import Machine, opened_desk, sha256_of
from tests.webui.photos import jpeg
from webui import originals, uploads
from webui.desk import desk_of

FULL = Path("/dev/full")
pytestmark = pytest.mark.skipif(not FULL.exists(), reason=f"this system has no {FULL}")


@pytest.fixture
def app(tmp_path: Path) -> Iterator[Any]:
    with opened_desk(tmp_path / "data") as opened:
        yield opened


@pytest.fixture
def machine(app: Any) -> Machine:
    return Machine(app.test_client(use_cookies=False))


@pytest.fixture
def job(machine: Machine) -> str:
    return str(machine.expect("POST", "/jobs", {"name": "Alder Street 12"}, status=201)["id"])


def begin(machine: Machine, job: str, data: bytes) -> TestResponse:
    about = {"name": "a.jpg", "size_bytes": len(data), "sha256": sha256_of(data)}
    return machine.ask("POST", f"/jobs/{job}/uploads", about)


def assert_full(answer: TestResponse) -> None:
    assert (answer.status_code, answer.content_type) == (507, "application/problem+json")
    problem = answer.get_json(force=True)
    assert (problem["status"], problem["title"]) == (507, "Insufficient Storage")
    assert "again" in problem["detail"]
    # Where things lie on the server is nobody else's business.
    assert "/" not in problem["detail"]


def assert_nothing_stored(app: Any, machine: Machine, job: str) -> None:
    folder = desk_of(app).settings.data_folder / "originals"
    assert machine.get(f"/jobs/{job}/photos") == []
    assert [entry["what"] for entry in machine.get(f"/jobs/{job}/log")] == ["job created"]
    assert [path for path in folder.rglob("*") if path.is_file()] == []


def assert_stored(app: Any, machine: Machine, job: str, data: bytes) -> None:
    assert machine.send(job, data, "a.jpg")["photo"]["sha256"] == sha256_of(data)
    assert machine.ask("GET", f"/jobs/{job}/photos/a.jpg/original").get_data() == data
    assert list((desk_of(app).settings.data_folder / "uploads").iterdir()) == []


def test_upload_is_not_begun_on_a_disk_without_room(
    app: Any, machine: Machine, job: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = jpeg()
    usage = SimpleNamespace(free=100)
    monkeypatch.setattr(uploads, "shutil", SimpleNamespace(disk_usage=lambda _: usage))
    assert_full(begin(machine, job, data))
    assert_nothing_stored(app, machine, job)
    monkeypatch.setattr(uploads, "shutil", shutil)
    assert_stored(app, machine, job, data)


def test_piece_that_finds_the_disk_full_is_sent_again_later(app: Any, machine: Machine, job: str) -> None:
    data = jpeg()
    upload = begin(machine, job, data).get_json()["id"]
    path, part = f"/jobs/{job}/uploads/{upload}", desk_of(app).settings.data_folder / f"uploads/{upload}.part"
    assert machine.piece(path, 0, data[:500]).status_code == 202
    kept = part.rename(part.with_suffix(".kept"))
    part.symlink_to(FULL)
    assert_full(machine.piece(path, 0, data))
    kept.replace(part)
    # What was acknowledged before is still there.
    assert machine.get(path, status=202)["offset"] == 500
    assert_nothing_stored(app, machine, job)
    assert_stored(app, machine, job, data)


def test_photo_that_finds_the_disk_full_when_it_is_filed_is_filed_later(
    app: Any, machine: Machine, job: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = jpeg()
    path = f"/jobs/{job}/uploads/{begin(machine, job, data).get_json()['id']}"

    def full(handle: int, mode: str) -> Any:
        os.close(handle)
        return FULL.open(mode)

    with monkeypatch.context() as patch:
        patch.setattr(originals.os, "fdopen", full)
        assert_full(machine.piece(path, 0, data))
        assert_full(machine.ask("GET", path))
        assert_nothing_stored(app, machine, job)
    assert machine.get(path)["photo"]["sha256"] == sha256_of(data)
    assert_stored(app, machine, job, data)


def test_database_without_room_takes_nothing_and_goes_on_later(app: Any, machine: Machine, job: str) -> None:
    engine = desk_of(app).store.engine

    def allow_pages(connection: sa.Connection, more: int) -> None:
        pages = connection.connection.cursor().execute("PRAGMA page_count").fetchone()[0]
        connection.connection.cursor().execute(f"PRAGMA max_page_count = {pages + more}")

    def allow_none(connection: sa.Connection) -> None:
        allow_pages(connection, 0)

    sa.event.listen(engine, "begin", allow_none)
    answers = [machine.ask("PATCH", f"/jobs/{job}", {"notes": "x" * 9_000 + str(each)}) for each in range(2)]
    sa.event.remove(engine, "begin", allow_none)
    for answer in answers:
        assert_full(answer)
    assert machine.get(f"/jobs/{job}")["notes"] == ""
    sa.event.listen(engine, "begin", lambda connection: allow_pages(connection, 10_000))
    assert len(machine.expect("PATCH", f"/jobs/{job}", {"notes": "x" * 9_000})["notes"]) == 9_000
