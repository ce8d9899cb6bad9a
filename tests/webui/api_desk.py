"""A desk in a temporary folder, spoken to as a machine does: JSON in, JSON out."""

import hashlib
import os
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import sqlalchemy as sa
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from webui.app import create_app
from webui.desk import desk_of
from webui.settings import Settings

SHORT_PIECE = 200_000
POSTGRESQL = "RIDGEWITNESS_POSTGRESQL"
DatabaseKind = Literal["SQLite", "PostgreSQL"]
_PATIENCE_S = 120.0


class Machine:
    """A client without cookies."""

    def __init__(self, client: FlaskClient, token: str | None = None) -> None:
        self._client = client
        self._headers = {} if token is None else {"Authorization": f"Bearer {token}"}

    def ask(self, method: str, path: str, json: Any = None, **extra: Any) -> TestResponse:
        """Send a request to a path under /api."""
        headers = self._headers | extra.pop("headers", {})
        if json is not None:
            extra["json"] = json
        # Buffered: a file that is sent is closed with its answer, as a server does.
        return self._client.open(f"/api{path}", method=method, headers=headers, buffered=True, **extra)

    def get(self, path: str, status: int = 200) -> Any:
        """Return what a GET answers, which must be of a status."""
        return self.expect("GET", path, status=status)

    def expect(self, method: str, path: str, json: Any = None, *, status: int = 200) -> Any:
        """Return what a request answers, which must be of a status; a problem must say what is wrong."""
        answer = self.ask(method, path, json)
        assert answer.status_code == status, answer.get_data(as_text=True)[:400]
        if status >= 400:
            assert answer.content_type == "application/problem+json"
            problem = answer.get_json(force=True)
            assert problem["status"] == status
            assert len(problem["detail"]) > 3
            return problem
        return answer.get_json(silent=True)

    def piece(self, path: str, offset: int, data: bytes) -> TestResponse:
        """Send a piece of an upload."""
        headers = {"Upload-Offset": str(offset)}
        return self.ask("PATCH", path, data=data, headers=headers, content_type="application/octet-stream")

    def send(self, job: str, data: bytes, name: str, **announced: Any) -> Any:
        """Send a photo in pieces and return what came of it."""
        about = {"name": name, "size_bytes": len(data), "sha256": sha256_of(data)} | announced
        answer = self.ask("POST", f"/jobs/{job}/uploads", about)
        if answer.status_code == 200:
            return answer.get_json()
        path = f"/jobs/{job}/uploads/{answer.get_json()['id']}"
        for offset in range(answer.get_json()["offset"], len(data), SHORT_PIECE):
            answer = self.piece(path, offset, data[offset : offset + SHORT_PIECE])
        assert answer.status_code == 200, answer.get_data(as_text=True)
        return answer.get_json()

    def wait(self, job: str, kind: str) -> dict[str, Any]:
        """Wait until the last work of a kind has ended, and return how."""
        end = time.monotonic() + _PATIENCE_S
        while time.monotonic() < end:
            task = next(each for each in self.get(f"/jobs/{job}/work") if each["kind"] == kind)
            if task["state"] in ("done", "failed"):
                return dict(task)
            time.sleep(0.1)
        raise AssertionError(f"{kind} was not done in {_PATIENCE_S:g} s")


def sha256_of(data: bytes) -> str:
    """Return a hash as the interface writes it."""
    return hashlib.sha256(data).hexdigest()


@contextmanager
def fresh_database(kind: DatabaseKind) -> Iterator[str | None]:
    """Give the URL of a database without tables; None stands for the file in the data folder."""
    if kind == "SQLite":
        yield None
        return
    url, schema = sa.make_url(os.environ[POSTGRESQL]), f"test_{secrets.token_hex(8)}"
    engine = sa.create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(sa.schema.CreateSchema(schema))
        try:
            within = url.update_query_dict({"options": f"-csearch_path={schema}"})
            yield within.render_as_string(hide_password=False)
        finally:
            connection.execute(sa.schema.DropSchema(schema, cascade=True))
    engine.dispose()


@contextmanager
def opened_desk(folder: Path, *, works: bool = False, **settings: Any) -> Iterator[Any]:
    """Open an application on a folder; its processes are started where `works` is set."""
    app = create_app(replace(Settings(folder, benches=1), **settings))
    desk = desk_of(app)
    if works:
        desk.begin_work()
    try:
        yield app
    finally:
        desk.close()
