"""A server killed in the middle of uploads and started again: nothing acknowledged is lost."""

import http.client
import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.desk import ServedDesk
from tests.webui.api_desk import sha256_of
from tests.webui.photos import jpeg
from webui.change_log import check_chain
from webui.database import DATABASE_FILE
from webui.store import Store

PIECE = 20_000


@pytest.fixture
def served(tmp_path: Path) -> Iterator[ServedDesk]:
    desk = ServedDesk(tmp_path / "data")
    yield desk
    desk.close()


def ask(served: ServedDesk, method: str, path: str, body: Any = None, offset: int | None = None) -> Any:
    connection = http.client.HTTPConnection(served.url.removeprefix("http://"), timeout=30)
    try:
        if offset is None:
            headers = {"Content-Type": "application/json"}
            data = None if body is None else json.dumps(body).encode()
        else:
            headers = {"Content-Type": "application/octet-stream", "Upload-Offset": str(offset)}
            data = body
        connection.request(method, f"/api{path}", data, headers)
        answer = connection.getresponse()
        return answer.status, json.loads(answer.read())
    finally:
        connection.close()


def test_server_killed_in_an_upload_loses_nothing_acknowledged(served: ServedDesk) -> None:
    job = ask(served, "POST", "/jobs", {"name": "Alder Street 12"})[1]["id"]
    whole, broken = (jpeg(seed, size=(400, 300)) for seed in (1, 2))
    assert len(broken) > 2 * PIECE
    done = announce(served, job, whole, "a.jpg")
    assert ask(served, "PATCH", done, whole, offset=0)[0] == 200
    path = announce(served, job, broken, "b.jpg")
    assert ask(served, "PATCH", path, broken[:PIECE], offset=0)[1]["offset"] == PIECE
    half_a_piece(served, path, broken)
    served.kill()
    served.start()
    assert [photo["name"] for photo in ask(served, "GET", f"/jobs/{job}/photos")[1]] == ["a.jpg"]
    assert announce(served, job, broken, "b.jpg") == path
    # At least what was acknowledged; what came of the broken piece may be there too, and is right.
    offset = ask(served, "GET", path)[1]["offset"]
    assert PIECE <= offset < len(broken)
    status, answer = ask(served, "PATCH", path, broken[offset:], offset=offset)
    assert (status, answer["photo"]["sha256"]) == (200, sha256_of(broken))
    served.kill()
    assert_whole(served.folder, job, {"a.jpg": whole, "b.jpg": broken})


def announce(served: ServedDesk, job: str, data: bytes, name: str) -> str:
    about = {"name": name, "size_bytes": len(data), "sha256": sha256_of(data)}
    return f"/jobs/{job}/uploads/{ask(served, 'POST', f'/jobs/{job}/uploads', about)[1]['id']}"


def half_a_piece(served: ServedDesk, path: str, data: bytes) -> None:
    """Begin to send the second piece and never end it."""
    connection = http.client.HTTPConnection(served.url.removeprefix("http://"), timeout=30)
    connection.putrequest("PATCH", f"/api{path}")
    connection.putheader("Content-Type", "application/octet-stream")
    connection.putheader("Upload-Offset", str(PIECE))
    connection.putheader("Content-Length", str(PIECE))
    connection.endheaders()
    connection.send(data[PIECE : PIECE + PIECE // 2])
    connection.close()


def assert_whole(folder: Path, job_id: str, photos: dict[str, bytes]) -> None:
    with sqlite3.connect(folder / DATABASE_FILE) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
    with Store(folder) as store:
        job = store.job(job_id)
        kept = {photo.name: store.originals.path(photo.sha256).read_bytes() for photo in job.photos}
    assert kept == photos
    assert check_chain(job.log, job.id, job.log_entries, job.log_head) == ()
