"""Print what the review page reaches against its goals: `python -m tests.measure_page`.

A real server (`ridgewitness serve`) and its clients on one machine: times are upper bounds, since clients
take their share of its cores. Options: --clients, --seconds, --kills, --only times|load|kills.
"""

import argparse
import concurrent.futures
import http.client
import json
import random
import re
import sqlite3
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from tests.browser.desk import ServedDesk
from tests.webui.api_desk import sha256_of
from tests.webui.measured_job import measured_job
from tests.webui.photos import jpeg
from webui.change_log import check_chain
from webui.database import DATABASE_FILE
from webui.store import Store

SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
SEED = 20260504
LARGE_PX = (8000, 6000)
KILLERS = 4
# A wide screen: the first view is at the first level that fits into it.
SCREEN_PX = 1920


class Client:
    """One connection that is kept, opened again where it broke."""

    def __init__(self, served: ServedDesk) -> None:
        self._address = served.url.removeprefix("http://")
        self._connection = self._fresh()

    def ask(self, method: str, path: str, body: Any = None, offset: int | None = None) -> tuple[int, bytes]:
        """Send a request and return status and body of its answer."""
        headers, data = {}, body
        if offset is not None:
            headers = {"Content-Type": "application/octet-stream", "Upload-Offset": str(offset)}
        elif body is not None:
            headers, data = {"Content-Type": "application/json"}, json.dumps(body).encode()
        try:
            self._connection.request(method, path, data, headers)
            answer = self._connection.getresponse()
            return answer.status, answer.read()
        except (OSError, http.client.HTTPException):
            self._connection.close()
            self._connection = self._fresh()
            raise

    def json(self, method: str, path: str, body: Any = None, offset: int | None = None) -> Any:
        """Return what a request answers, which must have worked."""
        status, answer = self.ask(method, path, body, offset)
        if status >= 400:
            raise AssertionError(f"{method} {path}: {status} {answer[:300]!r}")
        return json.loads(answer) if answer else None

    def send(self, job: str, data: bytes, name: str) -> dict[str, Any]:
        """Send a photo and return its record."""
        about = {"name": name, "size_bytes": len(data), "sha256": sha256_of(data)}
        begun = self.json("POST", f"/api/jobs/{job}/uploads", about)
        if "photo" not in begun:
            path, offset = f"/api/jobs/{job}/uploads/{begun['id']}", begun["offset"]
            begun = self.json("PATCH", path, data[offset:], offset=offset)
        photo: dict[str, Any] = begun["photo"]
        return photo

    def _fresh(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection(self._address, timeout=60)


def main() -> None:
    """Measure what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clients", type=int, default=40)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--only", choices=("times", "load", "kills"))
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if asked.only in (None, "times"):
            measure_times(Path(folder) / "times")
        if asked.only in (None, "load"):
            measure_load(Path(folder) / "load", asked.clients, asked.seconds)
        if asked.only in (None, "kills"):
            measure_kills(Path(folder) / "kills", asked.kills)


def show(what: str, goal: str, reached: str) -> None:
    """Print a goal beside what was reached."""
    print(f"{what:<58} goal {goal:<16} {reached}", flush=True)


# Times


def measure_times(folder: Path) -> None:
    """Pages, tiles and measuring again, one client, nothing else going on."""
    with Store(folder) as store:
        job = measured_job(store, SAMPLES).id
    served = ServedDesk(folder)
    try:
        client = Client(served)
        for what, path in (("job list", "/"), ("job page", f"/jobs/{job}")):
            _time_page(client, what, path)
        _time_tiles(served, client, job)
        _time_marks(client, job)
    finally:
        served.close()


def _time_page(client: Client, what: str, path: str) -> None:
    client.ask("GET", path)
    times = [_seconds(lambda: client.ask("GET", path)) for _ in range(40)]
    show(f"{what}, warm, loopback", "<= 100 ms", _spread_ms(times))
    weight, parts = _weight(client, path)
    show(f"{what}, weight with {parts} parts, not packed", "<= 150 KB", f"{weight / 1000:.0f} KB")


def _weight(client: Client, path: str) -> tuple[int, int]:
    """Return the bytes of a page with its styles and scripts, and how many parts these are."""
    status, page = client.ask("GET", path)
    assert status == 200, path
    asked = re.findall(rb'(?:src|href)="(/static/[^"]+)"', page)
    waiting, bytes_of = [each.decode() for each in asked], {}
    while waiting:
        part = waiting.pop()
        if part not in bytes_of:
            status, content = client.ask("GET", part)
            assert status == 200, part
            bytes_of[part] = len(content)
            if part.partition("?")[0].endswith(".js"):
                folder = part.rpartition("/")[0]
                found = re.findall(rb'from\s*"\./([^"]+)"', content)
                waiting += [f"{folder}/{name.decode()}" for name in found]
    return len(page) + sum(bytes_of.values()), len(bytes_of)


def _time_tiles(served: ServedDesk, client: Client, job: str) -> None:
    photo = client.send(job, _large_photo(), "large.jpg")
    base = f"/api/jobs/{job}/photos/{photo['name']}"
    begin = time.perf_counter()
    size = client.json("GET", f"{base}/picture")
    level = next(n for n in range(size["levels"]) if size["width"] >> n <= SCREEN_PX)
    with concurrent.futures.ThreadPoolExecutor(6) as pool:
        list(pool.map(lambda at: _tile(served, base, level, *at), _grid(size, level)))
    first_s = time.perf_counter() - begin
    megapixels = size["width"] * size["height"] / 1e6
    show(
        f"first view of {megapixels:.0f} MP at level {level}, never seen before",
        "<= 1.5 s",
        f"{first_s:.2f} s",
    )
    finest_s = _seconds(lambda: _tile(served, base, 0, 0, 0))
    show("blank until the finest level right after that", "<= 300 ms", f"{finest_s * 1000:.0f} ms")
    rng = random.Random(SEED)
    panned = [_tile_path(base, 0, *at) for at in rng.choices(_grid(size, 0), k=60)]
    times = [_seconds(lambda path=path: client.ask("GET", path)) for path in panned]
    show("a tile while panning at full size", "<= 300 ms", _spread_ms(times))


def _grid(size: dict[str, int], level: int) -> list[tuple[int, int]]:
    across, down = (-(-size[side] // (size["tile_px"] << level)) for side in ("width", "height"))
    return [(x, y) for y in range(down) for x in range(across)]


def _tile_path(base: str, level: int, x: int, y: int) -> str:
    return f"{base}/tiles/{level}/{x}/{y}"


def _tile(served: ServedDesk, base: str, level: int, x: int, y: int) -> None:
    status, _ = Client(served).ask("GET", _tile_path(base, level, x, y))
    assert status == 200


def _large_photo() -> bytes:
    """Return a photo of 48 megapixels with as much in it as a real one: a sample, enlarged, with noise."""
    sample = cv2.imread(str(SAMPLES / "house_1.jpg"))
    assert sample is not None
    large = cv2.resize(sample, LARGE_PX, interpolation=cv2.INTER_CUBIC)
    noise = np.random.default_rng(SEED).integers(-6, 7, large.shape, np.int16)
    _, data = cv2.imencode(".jpg", np.clip(large + noise, 0, 255).astype(np.uint8))
    return data.tobytes()


def _time_marks(client: Client, job: str) -> None:
    path = f"/api/jobs/{job}/photos/lap_1.jpg/measure"
    client.json("POST", f"/api/jobs/{job}/work", {"kinds": ["check"]})
    _wait_for_work(client, job)
    rng = random.Random(SEED)
    bodies = [{"marks": {"add": [[937.0 + rng.uniform(-2, 2), 996.0]], "edge": None}} for _ in range(30)]
    times = [_seconds(lambda body=body: client.json("POST", path, body)) for body in bodies]
    show("measured again after a mark was moved, the first time", "<= 300 ms", f"{times[0] * 1000:.0f} ms")
    show("measured again after a mark was moved", "<= 300 ms", _spread_ms(times[1:]))


def _wait_for_work(client: Client, job: str) -> None:
    while any(
        task["state"] in ("waiting", "running") for task in client.json("GET", f"/api/jobs/{job}/work")
    ):
        time.sleep(0.2)


# Load


@dataclass(slots=True)
class Seen:
    """What clients saw."""

    reads_s: list[float] = field(default_factory=list)
    uploads_s: list[float] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    photos: dict[str, str] = field(default_factory=dict)


def measure_load(folder: Path, clients: int, seconds: float) -> None:
    """Many clients that upload, each photo once, and read between."""
    with Store(folder) as store:
        job = measured_job(store, SAMPLES).id
    served = ServedDesk(folder)
    seen = [Seen() for _ in range(clients)]
    data = (SAMPLES / "run_2.jpg").read_bytes()
    try:
        crew = Client(served)
        jobs = [
            crew.json("POST", "/api/jobs", {"name": f"House {n}"})["id"] for n in range(max(1, clients // 4))
        ]
        end = time.monotonic() + seconds
        with concurrent.futures.ThreadPoolExecutor(clients) as pool:
            for number in range(clients):
                pool.submit(_work_on, served, job, jobs[number % len(jobs)], data, number, end, seen[number])
    finally:
        served.close()
    reads = [s for each in seen for s in each.reads_s]
    errors = [error for each in seen for error in each.errors]
    photos = {name: sha for each in seen for name, sha in each.photos.items()}
    wrong = _not_kept(folder, photos)
    show(f"{clients} clients for {seconds:g} s: errors", "0", f"{len(errors)} {errors[:2]}")
    show(f"{len(reads)} reads of pages, p95", "<= 500 ms", _spread_ms(reads))
    uploads = [s for each in seen for s in each.uploads_s]
    show(
        f"{len(photos)} photos stored with another hash, or lost",
        "0",
        f"{wrong} (upload {_spread_ms(uploads)})",
    )


def _work_on(
    served: ServedDesk, job: str, own: str, data: bytes, number: int, end: float, seen: Seen
) -> None:
    client, rng, count = Client(served), random.Random(SEED + number), 0
    pages = (f"/jobs/{job}", "/", f"/jobs/{job}/photos/run_1.jpg", f"/jobs/{own}", f"/jobs/{job}/record")
    while time.monotonic() < end:
        try:
            count += 1
            # What follows the end of a JPEG is no part of the picture: another file, the same photo.
            photo = data + f"{number}-{count}".encode()
            begin = time.perf_counter()
            record = client.send(own, photo, f"c{number}-{count}.jpg")
            seen.uploads_s.append(time.perf_counter() - begin)
            seen.photos[f"{own}/{record['name']}"] = sha256_of(photo)
            for page in rng.sample(pages, 3):
                begin = time.perf_counter()
                status, _ = client.ask("GET", page)
                seen.reads_s.append(time.perf_counter() - begin)
                if status != 200:
                    seen.errors.append(f"GET {page}: {status}")
                time.sleep(rng.uniform(0.2, 1.0))
        except (AssertionError, OSError, http.client.HTTPException) as error:
            seen.errors.append(f"{type(error).__name__}: {error}")


def _not_kept(folder: Path, photos: dict[str, str]) -> int:
    """Return how many acknowledged photos are not there as they were sent."""
    wrong = 0
    with Store(folder) as store:
        jobs = {key.partition("/")[0] for key in photos}
        kept = {f"{job}/{photo.name}": photo for job in jobs for photo in store.job(job).photos}
        for key, sha256 in photos.items():
            photo = kept.get(key)
            there = photo is not None and sha256_of(store.originals.path(photo.sha256).read_bytes()) == sha256
            wrong += not there
    return wrong


# Kills


@dataclass(slots=True)
class Acknowledged:
    """What the server said it had done."""

    photos: dict[str, str] = field(default_factory=dict)
    places: dict[str, str] = field(default_factory=dict)
    marks: dict[str, Any] = field(default_factory=dict)
    decisions: set[str] = field(default_factory=set)


def measure_kills(folder: Path, kills: int) -> None:
    """Kill the server at random moments while clients upload, mark and decide; then look for what it said."""
    rng, acknowledged = random.Random(SEED), [Acknowledged() for _ in range(KILLERS)]
    served, wrong_answers = ServedDesk(folder), []
    try:
        for round_number in range(kills):
            is_over = threading.Event()
            with concurrent.futures.ThreadPoolExecutor(KILLERS) as pool:
                working = [
                    pool.submit(
                        _work_until_killed, served, round_number, number, is_over, acknowledged[number]
                    )
                    for number in range(KILLERS)
                ]
                time.sleep(rng.uniform(0.05, 1.5))
                served.kill()
                is_over.set()
            wrong_answers += [each.result() for each in working if each.result()]
            served.start()
    finally:
        served.close()
    show(f"answers that were errors, in {kills} kills", "0", f"{len(wrong_answers)} {wrong_answers[:2]}")
    _show_kept(folder, kills, acknowledged)


def _work_until_killed(
    served: ServedDesk, round_number: int, number: int, is_over: threading.Event, done: Acknowledged
) -> str:
    """Upload, mark and decide until the server is gone; return an answer that was an error."""
    client, count = Client(served), 0
    try:
        job = client.json("POST", "/api/jobs", {"name": f"Round {round_number}, crew {number}"})["id"]
        while not is_over.is_set():
            count += 1
            photo = jpeg(number, size=(640, 480)) + f"{round_number}-{count}".encode()
            name = client.send(job, photo, "a.jpg")["name"]
            key, place = f"{job}/{name}", f"run {count} left"
            done.photos[key] = sha256_of(photo)
            client.json("PATCH", f"/api/jobs/{job}/photos/{name}", {"place": place})
            done.places[key] = place
            marks = {"add": [[float(count % 400), 5.0]]}
            client.json("PATCH", f"/api/jobs/{job}/photos/{name}", {"marks": marks})
            done.marks[key] = marks
            reason = f"{key} {count}"
            client.json("POST", f"/api/jobs/{job}/decisions", {"action": "sign off", "reason": reason})
            done.decisions.add(reason)
    except (OSError, http.client.HTTPException):
        return ""
    except AssertionError as error:
        return str(error)
    return ""


def _show_kept(folder: Path, kills: int, acknowledged: list[Acknowledged]) -> None:
    photos = {key: sha for each in acknowledged for key, sha in each.photos.items()}
    places = {key: place for each in acknowledged for key, place in each.places.items()}
    marks = {key: value for each in acknowledged for key, value in each.marks.items()}
    decisions = {reason for each in acknowledged for reason in each.decisions}
    with sqlite3.connect(folder / DATABASE_FILE) as connection:
        opens = connection.execute("PRAGMA integrity_check").fetchone()[0]
    connection.close()
    with Store(folder) as store:
        jobs = [store.job(each.id) for each in store.jobs()]
        kept = {f"{job.id}/{photo.name}": photo for job in jobs for photo in job.photos}
        reasons = {decision.reason for job in jobs for decision in job.decisions}
        chains = sum(bool(check_chain(job.log, job.id, job.log_entries, job.log_head)) for job in jobs)
    lost_places = sum(key not in kept or kept[key].place != place for key, place in places.items())
    lost_marks = sum(key not in kept or kept[key].marks != value for key, value in marks.items())
    show(f"{kills} kills: {len(photos)} photos acknowledged, lost", "0", str(_not_kept(folder, photos)))
    show(f"{len(places)} places acknowledged, lost", "0", str(lost_places))
    show(f"{len(marks)} marks acknowledged, lost", "0", str(lost_marks))
    show(f"{len(decisions)} decisions acknowledged, lost", "0", str(len(decisions - reasons)))
    show(f"database opens clean; change logs of {len(jobs)} jobs broken", "ok, 0", f"{opens}, {chains}")


def _seconds(action: Any) -> float:
    begin = time.perf_counter()
    action()
    return time.perf_counter() - begin


def _spread_ms(times_s: list[float]) -> str:
    if not times_s:
        return "none"
    middle, high, most = (np.percentile(times_s, share) * 1000 for share in (50, 95, 100))
    return f"median {middle:.0f}, p95 {high:.0f}, most {most:.0f} ms"


if __name__ == "__main__":
    main()
