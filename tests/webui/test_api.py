"""The interface for machines, route by route: what is taken, what is refused and in which words."""

import io
import json
import os
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdf
import pytest
from PIL import Image

from tests.webui.api_desk import POSTGRESQL, DatabaseKind, Machine, fresh_database, opened_desk, sha256_of
from tests.webui.photos import jpeg
from webui.accounts import Accounts
from webui.database import DATABASE_FILE
from webui.desk import desk_of
from webui.evidence import verify_package

NO_JOB, NO_UPLOAD = "0" * 16, "0" * 32
PASSWORD = "four quiet lead flashings"  # noqa: S105


_needs_postgresql = pytest.mark.skipif(
    not os.environ.get(POSTGRESQL), reason=f"set {POSTGRESQL} to a database URL to run"
)


@pytest.fixture(scope="module", params=["SQLite", pytest.param("PostgreSQL", marks=_needs_postgresql)])
def database(request: pytest.FixtureRequest) -> DatabaseKind:
    """Everything is done on both databases."""
    kind: DatabaseKind = request.param
    return kind


@pytest.fixture
def app(tmp_path: Path, database: DatabaseKind) -> Iterator[Any]:
    with fresh_database(database) as url, opened_desk(tmp_path / "data", database_url=url) as opened:
        yield opened


@pytest.fixture
def machine(app: Any) -> Machine:
    return Machine(app.test_client(use_cookies=False))


@pytest.fixture
def job(machine: Machine) -> str:
    made = machine.expect("POST", "/jobs", {"name": "Alder Street 12", "notes": "north"}, status=201)
    return str(made["id"])


# --- jobs and set-up


def test_desk_keeps_its_jobs_in_the_database_that_it_was_given(
    app: Any, database: DatabaseKind, job: str
) -> None:
    store = desk_of(app).store
    assert store.engine.dialect.name == database.lower()
    assert [each.id for each in store.jobs()] == [job]
    assert (store.folder / DATABASE_FILE).exists() == (database == "SQLite")


def test_job_is_created_listed_found_changed_and_archived(machine: Machine, job: str) -> None:
    machine.expect("POST", "/jobs", {"name": "Mill Lane 4", "units": "metric"}, status=201)
    assert [each["name"] for each in machine.get("/jobs")] == ["Mill Lane 4", "Alder Street 12"]
    assert [each["id"] for each in machine.get("/jobs?search=alder")] == [job]
    changed = machine.expect("PATCH", f"/jobs/{job}", {"name": "Alder Street 14", "units": "metric"})
    assert (changed["name"], changed["units"], changed["notes"]) == ("Alder Street 14", "metric", "north")
    assert machine.get(f"/jobs/{job}") == changed
    assert machine.expect("PATCH", f"/jobs/{job}", {"archived": True})["is_archived"]
    assert [each["id"] for each in machine.get("/jobs?archived=true")] == [job]
    assert [each["name"] for each in machine.get("/jobs")] == ["Mill Lane 4"]


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "words"),
    [
        ("POST", "/jobs", {}, 422, "/name"),
        ("POST", "/jobs", {"name": "x", "units": "cubits"}, 422, "/units"),
        ("POST", "/jobs", {"name": "x", "colour": "red"}, 422, "/colour"),
        ("GET", "/jobs?archived=perhaps", None, 422, "/archived"),
        ("GET", f"/jobs/{NO_JOB}", None, 404, "no job"),
        ("GET", "/jobs/not-an-identifier", None, 422, "/job"),
        ("PATCH", "/jobs/{job}", {"name": ""}, 422, "/name"),
        ("PATCH", f"/jobs/{NO_JOB}", {"name": "x"}, 404, "no job"),
        ("GET", f"/jobs/{NO_JOB}/setup", None, 404, "no job"),
        ("PUT", "/jobs/{job}/setup", {"targets": {"card": {}}}, 422, "card"),
        ("GET", f"/jobs/{NO_JOB}/photos", None, 404, "no job"),
        ("GET", "/jobs/{job}/photos/a.jpg", None, 404, "no photo 'a.jpg'"),
        ("PATCH", "/jobs/{job}/photos/a.jpg", {"place": None}, 404, "no photo"),
        ("GET", "/jobs/{job}/photos/a.jpg/original", None, 404, "no photo"),
        ("GET", "/jobs/{job}/photos/a.jpg/picture", None, 404, "no photo"),
        ("GET", "/jobs/{job}/photos/a.jpg/tiles/0/0/0", None, 404, "no photo"),
        ("GET", "/jobs/{job}/photos/a.jpg/rectified", None, 404, "no photo"),
        ("GET", "/jobs/{job}/photos/a.jpg/rectified.json", None, 404, "no photo"),
        ("POST", "/jobs/{job}/photos/a.jpg/measure", {"marks": None}, 404, "no photo"),
        ("POST", "/jobs/{job}/photos/a.jpg/snap", {"x": 1.0, "y": 1.0}, 404, "no photo"),
        ("POST", "/jobs/{job}/photos/a.jpg/snap", {"x": "left", "y": 1.0}, 422, "/x"),
        ("GET", "/jobs/{job}/photos/a.jpg/proposals", None, 404, "no photo"),
        ("POST", "/jobs/{job}/uploads", {"name": "a.jpg", "size_bytes": 0}, 422, "/size_bytes"),
        ("POST", "/jobs/{job}/uploads", {"name": "a.jpg", "size_bytes": 2**40}, 422, "not taken"),
        ("POST", "/jobs/{job}/uploads", {"name": "a", "size_bytes": 9, "place": "attic"}, 422, "attic"),
        ("GET", f"/jobs/{{job}}/uploads/{NO_UPLOAD}", None, 404, "begin it again"),
        ("GET", f"/jobs/{NO_JOB}/work", None, 404, "no job"),
        ("POST", "/jobs/{job}/work", {"kinds": ["brew"]}, 422, "/kinds"),
        ("GET", "/jobs/{job}/results/check", None, 404, "start its work"),
        ("GET", "/jobs/{job}/results/brew", None, 422, "/kind"),
        ("GET", f"/jobs/{NO_JOB}/findings", None, 404, "no job"),
        ("GET", f"/jobs/{NO_JOB}/decisions", None, 404, "no job"),
        ("POST", "/jobs/{job}/decisions", {"action": "accept", "photo": "a.jpg"}, 404, "no finding"),
        ("POST", "/jobs/{job}/decisions", {"action": "shrug"}, 422, "/action"),
        ("POST", "/jobs/{job}/undo", {}, 404, "nothing to take back"),
        ("GET", f"/jobs/{NO_JOB}/log", None, 404, "no job"),
        ("GET", f"/jobs/{NO_JOB}/coverage", None, 404, "no job"),
        ("POST", f"/jobs/{NO_JOB}/report", {}, 404, "no job"),
        ("GET", "/jobs/{job}/report", None, 404, "have it made"),
        ("POST", "/jobs/{job}/evidence", {"originals": "some"}, 422, "/originals"),
        ("GET", "/jobs/{job}/evidence", None, 404, "have it made"),
        ("PUT", "/session", {"who": ""}, 422, "/who"),
        ("POST", "/session", {"name": "R. Vane", "password": "x"}, 401, "do not go together"),
        ("GET", "/no-such-thing", None, 404, ""),
        ("DELETE", "/jobs", None, 405, ""),
    ],
)
def test_what_cannot_be_done_is_a_problem_that_says_why(
    machine: Machine, job: str, method: str, path: str, body: Any, status: int, words: str
) -> None:
    assert words in machine.expect(method, path.format(job=job), body, status=status)["detail"]


def test_body_that_is_no_json_is_a_problem(machine: Machine) -> None:
    answer = machine.ask("POST", "/jobs", data=b"{name", content_type="application/json")
    assert answer.status_code in (400, 422)
    assert answer.content_type == "application/problem+json"


def test_setup_comes_back_as_it_was_put(machine: Machine, job: str, sample_images: Path) -> None:
    given = setup_of(sample_images)
    kept = machine.expect("PUT", f"/jobs/{job}/setup", given)
    assert kept == machine.get(f"/jobs/{job}/setup")
    assert kept["ridge"]["targets"] == ["panel"]
    assert kept["plan"] == given["plan"]
    head = machine.get(f"/jobs/{job}")["log_head"]
    machine.expect("PATCH", f"/jobs/{job}", {"notes": "second visit"})
    late = machine.expect("PUT", f"/jobs/{job}/setup", given | {"if_head": head}, status=409)
    assert "changed meanwhile" in late["detail"]


def setup_of(samples: Path) -> dict[str, Any]:
    read = {name: json.loads((samples / f"{name}.json").read_bytes()) for name in ("card", "panel", "plan")}
    return {
        "targets": {"card": read["card"], "panel": read["panel"]},
        "ridge": {"targets": ["panel"]},
        "close_ups": {"targets": ["card"]},
        "plan": read["plan"],
    }


# --- uploads


def begun(machine: Machine, job: str, data: bytes, **extra: Any) -> str:
    about = {"name": "a.jpg", "size_bytes": len(data), "sha256": sha256_of(data)} | extra
    made = machine.expect("POST", f"/jobs/{job}/uploads", about, status=201)
    return f"/jobs/{job}/uploads/{made['id']}"


def test_upload_broken_off_is_gone_on_with(machine: Machine, job: str) -> None:
    data = jpeg()
    path = begun(machine, job, data, place="run 1 left")
    first = machine.piece(path, 0, data[:1000])
    assert (first.status_code, first.get_json()["offset"]) == (202, 1000)
    assert machine.expect("GET", path, status=202)["offset"] == 1000
    assert begun(machine, job, data, place="run 1 left") == path
    last = machine.piece(path, 1000, data[1000:])
    assert (last.status_code, last.get_json()["is_new"]) == (200, True)
    photo = last.get_json()["photo"]
    assert (photo["name"], photo["place"], photo["sha256"]) == ("a.jpg", "run 1 left", sha256_of(data))
    assert machine.get(path)["photo"] == photo
    assert machine.ask("GET", f"/jobs/{job}/photos/a.jpg/original").data == data
    assert machine.get(f"/jobs/{job}/photos") == [photo]


def test_same_file_twice_is_kept_once(machine: Machine, job: str) -> None:
    data = jpeg()
    assert machine.send(job, data, "a.jpg")["is_new"]
    again = machine.send(job, data, "b.jpg")
    assert (again["is_new"], again["photo"]["name"]) == (False, "a.jpg")
    unhashed = machine.send(job, data, "c.jpg", sha256=None)
    assert (unhashed["is_new"], unhashed["photo"]["name"]) == (False, "a.jpg")
    assert len(machine.get(f"/jobs/{job}/photos")) == 1


def test_piece_that_does_not_follow_is_refused_and_nothing_is_lost(machine: Machine, job: str) -> None:
    data = jpeg()
    path = begun(machine, job, data)
    machine.piece(path, 0, data[:500])
    for offset in (0, 499, 501, len(data)):
        wrong = machine.piece(path, offset, data[offset:])
        assert wrong.status_code == 409
        assert "500 bytes are here; go on from there" in wrong.get_json(force=True)["detail"]
    assert machine.piece(path, 500, data[500:]).status_code == 200


def test_upload_that_came_damaged_is_refused_and_over(machine: Machine, job: str) -> None:
    data = jpeg()
    path = begun(machine, job, data, sha256=sha256_of(b"another photo"))
    refused = machine.piece(path, 0, data)
    assert refused.status_code == 422
    assert "not as announced; send it again" in refused.get_json(force=True)["detail"]
    machine.get(path, status=404)
    assert machine.get(f"/jobs/{job}/photos") == []


def test_more_bytes_than_announced_are_refused(machine: Machine, job: str) -> None:
    data = jpeg()
    path = begun(machine, job, data, size_bytes=len(data) - 1)
    refused = machine.piece(path, 0, data)
    assert refused.status_code == 422
    assert "announced" in refused.get_json(force=True)["detail"]


def test_file_that_is_no_photo_is_refused(machine: Machine, job: str) -> None:
    path = begun(machine, job, b"#!/bin/sh\n" * 30, name="run_1.jpg")
    assert machine.piece(path, 0, b"#!/bin/sh\n" * 30).status_code == 422
    assert machine.get(f"/jobs/{job}/photos") == []


def test_piece_larger_than_the_limit_is_refused(tmp_path: Path, database: DatabaseKind) -> None:
    with (
        fresh_database(database) as url,
        opened_desk(tmp_path / "data", database_url=url, piece_bytes=4000) as app,
    ):
        machine = Machine(app.test_client(use_cookies=False))
        job = machine.expect("POST", "/jobs", {"name": "x"}, status=201)["id"]
        data = jpeg()
        path = begun(machine, job, data)
        assert machine.piece(path, 0, data).status_code == 413
        assert machine.piece(path, 0, data[:4000]).status_code == 202


@pytest.mark.parametrize(
    "name", ["../../../etc/passwd", "..\\..\\boot.ini", "/etc/shadow.jpg", "CON", "a\x1b[31m.jpg", "<b>.jpg"]
)
def test_name_that_is_a_path_stays_a_name(app: Any, machine: Machine, job: str, name: str) -> None:
    before = {path for path in desk_of(app).settings.data_folder.parent.rglob("*") if path.is_file()}
    photo = machine.send(job, jpeg(), name)["photo"]
    assert not set(photo["name"]) & set('/\\<>"\x1b')
    assert not photo["name"].startswith(".")
    after = {path for path in desk_of(app).settings.data_folder.parent.rglob("*") if path.is_file()}
    # One more file: the original under its hash, in the data folder.
    new = [path for path in after - before if not path.name.startswith("ridgewitness")]
    assert [path.relative_to(desk_of(app).settings.data_folder).parts[0] for path in new] == ["originals"]


def test_upload_of_another_job_is_not_found(machine: Machine, job: str) -> None:
    other = machine.expect("POST", "/jobs", {"name": "other"}, status=201)["id"]
    data = jpeg()
    path = begun(machine, job, data).replace(job, other)
    assert machine.piece(path, 0, data).status_code == 404


# --- photos, history


def test_photo_is_filed_picked_set_aside_and_taken_back(machine: Machine, job: str) -> None:
    machine.send(job, jpeg(), "a.jpg")
    path = f"/jobs/{job}/photos/a.jpg"
    filed = machine.expect("PATCH", path, {"place": "gable end B", "reason": "seen on site"})
    assert filed == machine.get(path)
    ends = machine.expect("PATCH", path, {"kind": "ridge", "ends": {"a": [10.5, 20.25]}})["ends"]
    assert ends == {"a": [10.5, 20.25]}
    assert machine.expect("PATCH", path, {"set_aside": "blurred"})["set_aside"] == "blurred"
    assert machine.expect("POST", f"/jobs/{job}/undo", {"photo": "a.jpg"}) == {"what": "photo changed"}
    assert machine.get(path)["set_aside"] is None
    assert machine.expect("PATCH", path, {"place": None})["place"] is None
    log = machine.get(f"/jobs/{job}/log")
    assert [entry["sequence"] for entry in log] == list(range(1, len(log) + 1))
    assert any((entry["details"] or {}).get("reason") == "seen on site" for entry in log)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"place": "attic"}, "attic"),
        ({"ends": {"c": [1.0, 1.0]}}, "/c"),
        ({"ends": {"a": [1e5, 1.0]}}, "outside"),
        ({"marks": {"rivets": []}}, "unknown key 'rivets'"),
        (
            {"rectangle": {"corners": [[0.0, 0.0]] * 4, "width_mm": 9.0, "height_mm": 9.0, "u_mm": 1.0}},
            "rect",
        ),
        ({"name": "b.jpg"}, "/name"),
    ],
)
def test_photo_change_that_makes_no_sense_is_refused(
    machine: Machine, job: str, change: dict[str, Any], words: str
) -> None:
    machine.send(job, jpeg(), "a.jpg")
    before = machine.get(f"/jobs/{job}")["log_head"]
    assert words in machine.expect("PATCH", f"/jobs/{job}/photos/a.jpg", change, status=422)["detail"]
    assert machine.get(f"/jobs/{job}")["log_head"] == before


# --- pictures and measuring: real photos, real processes


@pytest.fixture(scope="module")
def measured(
    tmp_path_factory: pytest.TempPathFactory, sample_images: Path, database: DatabaseKind
) -> Iterator[tuple[Machine, str]]:
    """A job with a run and a lap, checked and laid out by the processes of its desk."""
    folder = tmp_path_factory.mktemp("api") / "data"
    with fresh_database(database) as url, opened_desk(folder, works=True, database_url=url) as app:
        machine = Machine(app.test_client(use_cookies=False))
        job = machine.expect("POST", "/jobs", {"name": "Sample house"}, status=201)["id"]
        setup = setup_of(sample_images) | {"layout": {"ridge_mm": 13146.0, "u95_mm": 9.0}}
        machine.expect("PUT", f"/jobs/{job}/setup", setup)
        for name, place in (("run_1.jpg", "run 1 left"), ("lap_1.jpg", "lap 1 left")):
            machine.send(job, (sample_images / name).read_bytes(), name, place=place)
        machine.expect("POST", f"/jobs/{job}/work", {}, status=202)
        for kind in ("check", "plan"):
            ended = machine.wait(job, kind)
            assert ended["state"] == "done", ended["error"]
        yield machine, job


def test_work_leaves_results_and_findings(measured: tuple[Machine, str]) -> None:
    machine, job = measured
    check = machine.get(f"/jobs/{job}/results/check")
    assert check["is_current"]
    assert all(photo["measured"] for photo in check["record"]["photos"])
    assert machine.get(f"/jobs/{job}/results/plan")["record"]
    findings = machine.get(f"/jobs/{job}/findings")
    counted = sum(len(photo["verdicts"]) for photo in check["record"]["photos"])
    assert len(findings) == counted
    coverage = machine.get(f"/jobs/{job}/coverage")
    assert {"run 1 left", "lap 1 left"} <= {row["place"] for row in coverage["places"]}
    assert all(len(row["cells"]) == len(coverage["rules"]) for row in coverage["places"])


def test_tiles_put_together_are_the_photo(measured: tuple[Machine, str], sample_images: Path) -> None:
    machine, job = measured
    path = f"/jobs/{job}/photos/lap_1.jpg"
    size = machine.get(f"{path}/picture")
    photo = np.asarray(Image.open(sample_images / "lap_1.jpg").convert("RGB")).astype(float)
    assert (size["height"], size["width"]) == photo.shape[:2]
    rows = []
    for y in range(-(-size["height"] // size["tile_px"])):
        row = []
        for x in range(-(-size["width"] // size["tile_px"])):
            answer = machine.ask("GET", f"{path}/tiles/0/{x}/{y}")
            assert answer.content_type == "image/jpeg"
            assert "immutable" in answer.headers["Cache-Control"]
            row.append(np.asarray(Image.open(io.BytesIO(answer.data)).convert("RGB")))
        rows.append(np.concatenate(row, axis=1))
    whole = np.concatenate(rows).astype(float)
    # JPEG at quality 85 keeps grey levels to a few steps; a tile in the wrong place would differ by dozens.
    assert np.abs(whole - photo).mean() < 4
    coarsest = machine.ask("GET", f"{path}/tiles/{size['levels'] - 1}/0/0")
    assert max(Image.open(io.BytesIO(coarsest.data)).size) <= size["tile_px"]
    machine.get(f"{path}/tiles/0/99/0", status=404)
    machine.get(f"{path}/tiles/{size['levels']}/0/0", status=404)
    machine.get(f"{path}/tiles/13/0/0", status=422)


def test_marks_are_measured_again_and_not_kept(measured: tuple[Machine, str]) -> None:
    machine, job = measured
    path = f"/jobs/{job}/photos/lap_1.jpg"
    kept = next(
        photo
        for photo in machine.get(f"/jobs/{job}/results/check")["record"]["photos"]
        if photo["photo"] == "lap_1.jpg"
    )
    bare = machine.expect("POST", f"{path}/measure", {"marks": None})["photos"]
    assert [photo["rivets"] for photo in bare] == [kept["rivets"]]
    gone = kept["rivets"][0]["px"]
    fewer = machine.expect("POST", f"{path}/measure", {"marks": {"remove": [gone]}})["photos"][0]
    assert len(fewer["rivets"]) == len(kept["rivets"]) - 1
    added = machine.expect("POST", f"{path}/measure", {"marks": {"add": [[937.0, 996.0]]}})["photos"][0]
    assert sum(rivet.get("by_hand", False) for rivet in added["rivets"]) == 1
    assert machine.get(path)["marks"] is None
    refused = machine.expect("POST", f"{path}/measure", {"marks": {"add": "here"}}, status=422)
    assert "marks" in refused["detail"]


def test_flange_from_above_agrees_with_its_frame(measured: tuple[Machine, str]) -> None:
    machine, job = measured
    path = f"/jobs/{job}/photos/lap_1.jpg"
    frame = machine.get(f"{path}/rectified.json")
    answer = machine.ask("GET", f"{path}/rectified")
    picture = cv2.imdecode(np.frombuffer(answer.data, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    assert picture.shape[:2] == (frame["height"], frame["width"])
    etag = {"If-None-Match": answer.headers["ETag"]}
    assert machine.ask("GET", f"{path}/rectified", headers=etag).status_code == 304
    machine.get(f"{path}/rectified?flange=9", status=404)


def test_click_near_a_corner_is_snapped_and_one_outside_is_not(measured: tuple[Machine, str]) -> None:
    machine, job = measured
    path = f"/jobs/{job}/photos/lap_1.jpg/snap"
    snapped = machine.ask("POST", path, {"x": 1600.0, "y": 870.0})
    assert snapped.status_code in (200, 204)
    if snapped.status_code == 200:
        assert snapped.get_json()["sigma_px"] > 0
    assert machine.ask("POST", path, {"x": -500.0, "y": 4.0}).status_code in (204, 422)


def test_decision_is_kept_shown_and_taken_back(measured: tuple[Machine, str]) -> None:
    machine, job = measured
    finding = machine.get(f"/jobs/{job}/findings")[0]
    about = {name: finding[name] for name in ("photo", "rule", "index")}
    path = f"/jobs/{job}/decisions"
    no_reason = {"action": "overrule", "verdict": "meets", **about}
    assert "reason" in machine.expect("POST", path, no_reason, status=422)["detail"]
    made = machine.expect("POST", path, no_reason | {"reason": "seen by hand"}, status=201)
    assert made["measured_mm"] == finding["measured_mm"]
    assert made in machine.get(path)
    ruled = machine.get(f"/jobs/{job}/findings")[0]
    assert (ruled["holds"], ruled["decision"]["reason"]) == ("meets", "seen by hand")
    assert machine.expect("POST", f"/jobs/{job}/undo", {}) == {"what": "finding overruled"}
    assert machine.get(f"/jobs/{job}/findings")[0]["decision"] is None
    head = {"if_head": "0" * 64}
    machine.expect("POST", path, {"action": "sign off", **head}, status=409)


def test_report_is_a_pdf_and_the_package_verifies(measured: tuple[Machine, str], tmp_path: Path) -> None:
    machine, job = measured
    machine.expect("POST", f"/jobs/{job}/report", {"gps": False}, status=202)
    machine.expect("POST", f"/jobs/{job}/evidence", {}, status=202)
    for kind in ("report", "evidence"):
        ended = machine.wait(job, kind)
        assert ended["state"] == "done", ended["error"]
    report = machine.ask("GET", f"/jobs/{job}/report")
    assert report.content_type == "application/pdf"
    assert "attachment" in report.headers["Content-Disposition"]
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(report.data)).pages)
    assert "Sample house" in text
    with zipfile.ZipFile(io.BytesIO(machine.ask("GET", f"/jobs/{job}/evidence").data)) as archive:
        archive.extractall(tmp_path)
    (folder,) = (path.parent for path in tmp_path.rglob("bagit.txt"))
    assert verify_package(folder).problems == ()


def test_proposals_of_a_ridge_photo_come_once_it_is_tied(
    measured: tuple[Machine, str], sample_images: Path
) -> None:
    machine, job = measured
    machine.send(job, (sample_images / "house_1.jpg").read_bytes(), "house_1.jpg", kind="ridge")
    path = f"/jobs/{job}/photos/house_1.jpg/proposals"
    answer = machine.ask("GET", path)
    if answer.status_code == 202:
        ended = machine.wait(job, "tie")
        assert ended["state"] == "done", ended["error"]
    found = machine.get(path)
    assert set(found) == {"proposed", "predicted"}
    assert set(found["proposed"]) <= {"a", "b"}


# --- who may do what


@pytest.fixture
def tokens(app: Any) -> dict[str, str]:
    accounts = Accounts(desk_of(app).store.engine)
    for role in ("reader", "crew", "supervisor"):
        accounts.add(f"A {role}", role, PASSWORD)
    return {role: accounts.make_token(f"A {role}") for role in ("reader", "crew", "supervisor")}


def test_desk_with_accounts_answers_nobody_without_log_in(
    app: Any, machine: Machine, job: str, tokens: dict[str, str]
) -> None:
    for path in ("/jobs", f"/jobs/{job}", f"/jobs/{job}/photos", "/openapi.json"):
        machine.get(path, status=401)
    machine.expect("POST", "/jobs", {"name": "x"}, status=401)
    Machine(app.test_client(use_cookies=False), "not-a-token").get("/jobs", status=401)
    assert Machine(app.test_client(use_cookies=False), tokens["reader"]).get("/jobs")
    machine.expect("PUT", "/session", {"who": "R. Vane"}, status=409)


def test_role_may_do_what_is_its_own_and_no_more(app: Any, job: str, tokens: dict[str, str]) -> None:
    by = {role: Machine(app.test_client(use_cookies=False), token) for role, token in tokens.items()}
    about = {"name": "a.jpg", "size_bytes": 900}
    for method, path, body in (
        ("POST", "/jobs", {"name": "x"}),
        ("PATCH", f"/jobs/{job}", {"notes": "x"}),
        ("POST", f"/jobs/{job}/uploads", about),
        ("POST", f"/jobs/{job}/work", {}),
        ("POST", f"/jobs/{job}/undo", {}),
        ("POST", f"/jobs/{job}/report", {}),
    ):
        assert "needs the role crew" in by["reader"].expect(method, path, body, status=403)["detail"]
    by["crew"].expect("POST", f"/jobs/{job}/uploads", about, status=201)
    for method, path, body in (
        ("PUT", f"/jobs/{job}/setup", {}),
        ("PATCH", f"/jobs/{job}", {"archived": True}),
        ("POST", f"/jobs/{job}/decisions", {"action": "sign off"}),
    ):
        assert "needs the role supervisor" in by["crew"].expect(method, path, body, status=403)["detail"]
    by["supervisor"].expect("PATCH", f"/jobs/{job}", {"archived": True})
    assert by["reader"].get(f"/jobs/{job}/log")[-1]["who"] == "A supervisor"


def test_log_in_is_slowed_after_ten_tries(machine: Machine, tokens: dict[str, str]) -> None:
    wrong = {"name": "A crew", "password": "guess"}
    for _ in range(10):
        machine.expect("POST", "/session", wrong, status=401)
    slowed = machine.ask("POST", "/session", wrong)
    assert (slowed.status_code, slowed.headers["Retry-After"]) == (429, "900")
    machine.expect("POST", "/session", {"name": "A crew", "password": PASSWORD}, status=429)


def test_session_is_begun_by_log_in_and_ended(app: Any, tokens: dict[str, str]) -> None:
    browser = app.test_client()
    token = browser.get("/api/session", headers={"Sec-Fetch-Site": "same-origin"}).get_json()["csrf_token"]
    who = {"name": "A crew", "password": PASSWORD}
    answer = browser.post("/api/session", json=who, headers={"X-CSRF-Token": token})
    assert (answer.get_json()["who"], answer.get_json()["role"]) == ("A crew", "crew")
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    token = answer.get_json()["csrf_token"]
    assert browser.get("/api/jobs").status_code == 200
    assert browser.delete("/api/session", headers={"X-CSRF-Token": token}).status_code == 204
    assert browser.get("/api/jobs").status_code == 401


def test_session_is_over_with_a_new_password(app: Any, tokens: dict[str, str]) -> None:
    browser = app.test_client()
    browser.post("/api/session", json={"name": "A crew", "password": PASSWORD})
    assert browser.get("/api/jobs").status_code == 200
    Accounts(desk_of(app).store.engine).set_password("A crew", PASSWORD + " more")
    assert browser.get("/api/jobs").status_code == 401


@pytest.mark.parametrize(
    "headers", [{"Origin": "http://elsewhere.invalid"}, {"Sec-Fetch-Site": "cross-site"}, {"Cookie": "a=b"}]
)
def test_browser_cannot_write_without_the_token(app: Any, job: str, headers: dict[str, str]) -> None:
    browser = app.test_client(use_cookies=False)
    answer = browser.patch(f"/api/jobs/{job}", json={"name": "x"}, headers=headers)
    assert (answer.status_code, answer.content_type) == (400, "application/problem+json")
    assert browser.get(f"/api/jobs/{job}").get_json()["name"] == "Alder Street 12"


def test_browser_writes_with_the_token_under_the_name_typed_once(app: Any, job: str) -> None:
    browser = app.test_client()
    token = browser.get("/api/session", headers={"Sec-Fetch-Site": "same-origin"}).get_json()["csrf_token"]
    ours = {"X-CSRF-Token": token, "Sec-Fetch-Site": "same-origin"}
    named = browser.put("/api/session", json={"who": " L.  Orm "}, headers=ours)
    assert named.get_json()["who"] == "L. Orm"
    assert browser.patch(f"/api/jobs/{job}", json={"notes": "x"}, headers=ours).status_code == 200
    assert browser.get(f"/api/jobs/{job}/log").get_json()[-1]["who"] == "L. Orm"


def test_machine_names_itself_by_header(machine: Machine, job: str) -> None:
    machine.ask("PATCH", f"/jobs/{job}", {"notes": "x"}, headers={"X-Who": "Office system"})
    assert machine.get(f"/jobs/{job}/log")[-1]["who"] == "Office system"


def test_desk_answers_to_its_own_names_only(app: Any) -> None:
    answer = app.test_client().get("/api/jobs", headers={"Host": "elsewhere.invalid"})
    assert answer.status_code == 400


def test_every_answer_carries_the_policy(app: Any, job: str) -> None:
    for path in ("/api/jobs", f"/api/jobs/{job}", "/api/nothing", "/"):
        headers = app.test_client().get(path).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
