"""What strangers may send to the review page: photos in pieces, set-ups; each seed is one job's story.

Every answer is held against the interface's own description, every refusal against RFC 9457, and at the end
of a story the data folder against what was acknowledged: nothing that was refused is kept.
"""

import atexit
import functools
import json
import random
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from pathlib import Path
from typing import Any

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from calib.errors import PhotoError
from calib.intake import check_photo
from tests.fuzz import corpus
from tests.fuzz.mutations import spoil_bytes, spoil_record
from tests.webui.api_desk import Machine, opened_desk, sha256_of
from webui.desk import Desk, desk_of

_PROBLEM = "application/problem+json"
_BEGIN = ("post", "/api/jobs/{job}/uploads")
_SHOW = ("get", "/api/jobs/{job}/uploads/{upload}")
_APPEND = ("patch", "/api/jobs/{job}/uploads/{upload}")
_SETUP = ("put", "/api/jobs/{job}/setup")
_NOWHERE = frozenset((HTTPStatus.NOT_FOUND, HTTPStatus.METHOD_NOT_ALLOWED))
# A client that is turned away asks where to go on, and tries again so often.
_PATIENCE = 8

_NAMES = (
    *("a.jpg", "../../etc/passwd", "C:\\boot.ini", "con.jpg", ".jpg", "a/b.jpg", " ", "a" * 320, "a" * 321),
    *("<script>alert(1)</script>.jpg", "=1+1.jpg", "\x00.jpg", "\x1b[2J.jpg", "\u202egpj.exe", "été 🏠.heic"),
    *("'; DROP TABLE photos; --.jpg", "%2e%2e%2fa.jpg", "a.jpg\r\nX: y", "\ud800.jpg", ""),
)
_PLACES = (
    None,
    None,
    "run 1 left",
    "gable end B",
    "run 0 left",
    "attic",
    "RUN 1 LEFT",
    "run 1  left",
    "\x00",
)
_OFFSETS = (
    *("-1", "1", "1e3", "0x10", "", " ", "0.0", "nan", "٣", "1, 2", "+0", "00", "0\t", "1" * 30, "1" * 5000),
)
_CONTENT_TYPES = (
    *("", "text/plain", "application/json", "application/octet-stream; charset=x", "x" * 300, "/", ";"),
    *("multipart/form-data", "multipart/form-data; boundary=x", "application/x-www-form-urlencoded"),
)
_CONTENT_LENGTHS = ("0", "1", "-1", "x", "", "1e3", "16777217", "9" * 30)
_UPLOAD_IDS = ("0" * 32, "0" * 31, "A" * 32, "..", "%00", "%2e%2e%2f", "é" * 32, "a" * 5000, "0" * 32 + "%0a")


class WrongAnswerError(AssertionError):
    """An answer that the interface must not give, or a folder that holds what it must not."""


@dataclass(slots=True)
class OpenDesk:
    """The desk of this process, and what it has acknowledged in all stories."""

    machine: Machine
    client: FlaskClient
    desk: Desk
    statuses: Mapping[tuple[str, str], frozenset[int]]
    filed: set[str] = field(default_factory=set)
    unfinished: set[str] = field(default_factory=set)


def tell_story(rng: random.Random) -> int:
    """Send what one seed makes up, and return the status of the last answer.

    Raises
    ------
    WrongAnswerError
        If an answer or the data folder is not as it must be.
    """
    try:
        return _tell_story(_opened(), rng)
    except WrongAnswerError:
        # The next story begins on a desk that nothing went wrong on.
        _opened.cache_clear()
        raise


def _tell_story(there: OpenDesk, rng: random.Random) -> int:
    job = there.machine.expect("POST", "/jobs", {"name": "Alder Street 12"}, status=201)["id"]
    answer = _send_setup(there, job, rng) if rng.random() < 0.25 else _send_photo(there, job, rng)
    _check_folder(there)
    if answer.status_code == HTTPStatus.OK:
        _check_pages(there, job)
    return answer.status_code


@functools.cache
def _opened() -> OpenDesk:
    folder = tempfile.TemporaryDirectory(prefix="fuzz-desk-")
    opened = opened_desk(Path(folder.name) / "data")
    app = opened.__enter__()
    atexit.register(folder.cleanup)
    atexit.register(opened.__exit__, None, None, None)
    client = app.test_client(use_cookies=False)
    machine = Machine(client)
    paths = machine.get("/openapi.json")["paths"]
    statuses = {
        (method, path): frozenset(int(status) for status in action["responses"])
        for path, actions in paths.items()
        for method, action in actions.items()
        if "responses" in action
    }
    return OpenDesk(machine, client, desk_of(app), statuses)


# --- photos


def _send_photo(there: OpenDesk, job: str, rng: random.Random) -> TestResponse:
    data = _content(rng)
    answer = _ask(there, _BEGIN, {"job": job}, rng, data=_announcement(data, rng))
    if answer.status_code != 201:
        return answer
    begun = answer.get_json()
    upload, size = str(begun["id"]), int(begun["size_bytes"])
    there.unfinished.add(upload)
    sent = b""
    for _ in range(_PATIENCE):
        answer, piece = _send_piece(there, job, upload, data[len(sent) :], len(sent), rng)
        shown = _ask(there, _SHOW, {"job": job, "upload": upload}, rng, is_plain=True)
        if shown.status_code == 200:
            return _filed(there, job, upload, sent + piece[: size - len(sent)], shown)
        if shown.status_code == 404:
            # What was refused for good is gone, and its answer said why.
            _demand(answer.status_code == 422, answer, "an upload is gone though nothing was refused")
            there.unfinished.discard(upload)
            return answer
        _demand(shown.status_code == 202, shown, "an upload that is neither there nor gone")
        offset = shown.get_json()["offset"]
        _demand(len(sent) <= offset < size, shown, "an offset that nobody sent so far")
        sent += piece[: offset - len(sent)]
    return answer


def _content(rng: random.Random) -> bytes:
    """Return a photo, spoiled or odd, or another file of a job in its place."""
    photos, odd = corpus.small_photos(), corpus.odd_photos()
    match rng.randrange(10):
        case 0 | 1:
            return rng.choice(photos)
        case 2:
            return odd[rng.choice(sorted(odd))] or b"\x00"
        case 3:
            records = corpus.records()
            return _spoiled(records[rng.choice(sorted(records))], rng) or b"{}"
        case _:
            return spoil_bytes(rng.choice(photos), rng) or b"\xff"


def _announcement(data: bytes, rng: random.Random) -> bytes:
    name = rng.choice(_NAMES) if rng.random() < 0.3 else "a.jpg"
    record: dict[str, Any] = {"name": name, "size_bytes": len(data)}
    if rng.random() < 0.5:
        record["sha256"] = sha256_of(data) if rng.random() < 0.8 else "0" * 64
    if rng.random() < 0.3:
        record |= {"kind": rng.choice(("close-up", "ridge")), "place": rng.choice(_PLACES)}
    if rng.random() < 0.15:
        record["size_bytes"] += rng.choice((-1, 1, 1000, 2**30, 2**40, 2**62, -len(data)))
    return _spoiled(record, rng) if rng.random() < 0.2 else json.dumps(record).encode()


def _spoiled(record: Any, rng: random.Random) -> bytes:
    return spoil_record(record, rng).encode("utf-8", errors="surrogateescape")


def _send_piece(
    there: OpenDesk, job: str, upload: str, left: bytes, offset: int, rng: random.Random
) -> tuple[TestResponse, bytes]:
    """Send what is left, or some of it, now and then with something wrong about it; return what was sent."""
    piece = left if rng.random() < 0.5 else left[: rng.randint(1, len(left) + 1)]
    headers = {"Upload-Offset": str(offset), "Content-Type": "application/octet-stream"}
    path = {"job": job, "upload": upload}
    extra: dict[str, Any] = {}
    match rng.randrange(12):
        case 0:
            headers["Upload-Offset"] = rng.choice(_OFFSETS)
        case 1:
            del headers["Upload-Offset"]
        case 2:
            headers["Content-Type"] = rng.choice(_CONTENT_TYPES)
        case 3:
            extra["environ_overrides"] = {"CONTENT_LENGTH": rng.choice(_CONTENT_LENGTHS)}
        case 4:
            # In chunks: nobody says how long it is (RFC 9112, 7.1).
            extra["environ_overrides"] = {"wsgi.input_terminated": True, "CONTENT_LENGTH": ""}
            headers["Transfer-Encoding"] = "chunked"
        case 5:
            path["upload"] = rng.choice(_UPLOAD_IDS)
        case 6:
            piece += rng.randbytes(rng.randint(1, 2000))
        case 7:
            piece = b""
        case _:
            pass
    answer = _ask(there, _APPEND, path, rng, is_plain=True, data=piece, headers=headers, **extra)
    return answer, piece


def _filed(there: OpenDesk, job: str, upload: str, data: bytes, shown: TestResponse) -> TestResponse:
    """Be sure that what was filed is what was sent, and a photo."""
    photo = shown.get_json()["photo"]
    sha256 = sha256_of(data)
    _demand(photo["sha256"] == sha256, shown, "other bytes were filed than were sent")
    _demand(there.desk.store.originals.path(sha256).read_bytes() == data, shown, "an original was changed")
    try:
        check_photo(data)
    except PhotoError as error:
        raise WrongAnswerError(f"filed though it is no photo of ours: {error}") from error
    there.filed.add(sha256)
    there.unfinished.discard(upload)
    listed = there.machine.get(f"/jobs/{job}/photos")
    _demand([each["sha256"] for each in listed] == [sha256], shown, "the job lists other photos")
    return shown


# --- set-ups


def _send_setup(there: OpenDesk, job: str, rng: random.Random) -> TestResponse:
    """Send target, lens and plan records, spoiled; one that is refused must leave the set-up as it was."""
    records = corpus.records()
    setup = {
        "targets": {"card": records["target"]},
        "lenses": {"QD-5": records["lens"]} if rng.random() < 0.5 else {},
        "plan": records["plan"],
        "close_ups": {"targets": ["card"], "lens": None},
        "layout": {"ridge_mm": 9753.6, "options": {}},
    }
    before = there.machine.get(f"/jobs/{job}/setup")
    answer = _ask(there, _SETUP, {"job": job}, rng, data=_spoiled(setup, rng))
    after = there.machine.get(f"/jobs/{job}/setup")
    if answer.status_code != 200:
        _demand(after == before, answer, "a set-up was refused and kept")
    else:
        _demand(after == answer.get_json(), answer, "another set-up was kept than was acknowledged")
    return answer


# --- judging


def _ask(
    there: OpenDesk,
    action: tuple[str, str],
    path: Mapping[str, str],
    rng: random.Random,
    *,
    is_plain: bool = False,
    **request: Any,
) -> TestResponse:
    """Send a request for an action and judge its answer."""
    method, template = action
    if not is_plain:
        request["content_type"] = "application/json" if rng.random() < 0.95 else rng.choice(_CONTENT_TYPES)
    answer = there.machine.ask(method.upper(), template.removeprefix("/api").format(**path), **request)
    # An identifier may be such that no action is there at all.
    is_there = all(each.isalnum() for each in path.values())
    statuses = there.statuses[action] | (frozenset() if is_there else _NOWHERE)
    _demand(answer.status_code in statuses, answer, "not as described")
    _demand(answer.status_code < 500, answer, "a fault of the server")
    if answer.status_code >= 400:
        _check_problem(answer)
    return answer


def _check_problem(answer: TestResponse) -> None:
    _demand(answer.content_type == _PROBLEM, answer, f"a refusal of type {answer.content_type}")
    problem = answer.get_json(force=True)
    is_whole = problem["status"] == answer.status_code and problem["title"] and len(problem["detail"]) > 3
    _demand(bool(is_whole), answer, "a refusal without its words")
    # Whoever reads it knows nothing of our insides.
    told = answer.get_data(as_text=True)
    _demand("Traceback" not in told and "/data/" not in told, answer, "a refusal that tells of our insides")
    _demand(len(told) < 20_000, answer, "a refusal too long to read")


def _check_folder(there: OpenDesk) -> None:
    """Be sure that nothing lies in the data folder that was not acknowledged."""
    store = there.desk.store
    kept = {path.name for path in (store.folder / "originals").rglob("*") if path.is_file()}
    parts = {path.stem for path in (store.folder / "uploads").iterdir()}
    if kept != there.filed:
        raise WrongAnswerError(f"originals that nobody filed: {sorted(kept ^ there.filed)[:3]}")
    if not parts <= there.unfinished:
        raise WrongAnswerError(f"pieces of uploads that are over: {sorted(parts - there.unfinished)[:3]}")


def _check_pages(there: OpenDesk, job: str) -> None:
    """Be sure that whatever was taken can be shown."""
    photos = there.machine.get(f"/jobs/{job}/photos")
    asked = [f"/jobs/{job}", f"/jobs/{job}/setup", f"/jobs/{job}/plan", f"/jobs/{job}/record"]
    asked += [f"/jobs/{job}/photos/{photo['name']}" for photo in photos]
    for page in asked:
        answer = there.client.get(page)
        _demand(answer.status_code == 200, answer, f"page {page.replace(job, 'JOB')} cannot be shown")
    for part in ("coverage", "findings"):
        there.machine.get(f"/jobs/{job}/{part}")


def _demand(is_right: bool, answer: TestResponse, wrong: str) -> None:
    if not is_right:
        asked = answer.request
        told = answer.get_data(as_text=True)[:300]
        raise WrongAnswerError(f"{wrong}: {asked.method} {asked.path} -> {answer.status_code} {told}")
