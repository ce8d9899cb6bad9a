"""A batch on a real Dask cluster of four worker processes, one of them killed in the middle."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
MAIN = "from webui.cli import main; main()"
WORKERS = 4
PATIENCE_S = 60.0


@pytest.fixture
def cluster(tmp_path):
    """Yield the scheduler's address and the worker processes."""
    contact = tmp_path / "scheduler.json"
    # Workers import this software as the batch does.
    settings = {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    with ExitStack() as stack:

        def start(module, *options):
            command = [sys.executable, "-m", module, "--scheduler-file", str(contact), *options]
            process = stack.enter_context(
                subprocess.Popen(
                    command, env=settings, cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
                )
            )
            stack.callback(process.kill)
            return process

        start("distributed.cli.dask_scheduler", "--port", "0", "--host", "127.0.0.1", "--no-dashboard")
        address = _wait_for(lambda: _address(contact))
        options = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(tmp_path))
        yield address, [start("distributed.cli.dask_worker", *options) for _ in range(WORKERS)]


def _address(contact: Path) -> str | None:
    try:
        return json.loads(contact.read_text())["address"]
    except (FileNotFoundError, json.JSONDecodeError):
        return None


def _wait_for(answer):
    deadline = time.monotonic() + PATIENCE_S
    while not (found := answer()):
        assert time.monotonic() < deadline, "nothing happened in time"
        time.sleep(0.05)
    return found


def _workers_of(address: str) -> int:
    script = (
        "import sys; from distributed import Client\n"
        "with Client(sys.argv[1], timeout=20) as client: print(len(client.scheduler_info()['workers']))"
    )
    done = subprocess.run([sys.executable, "-c", script, address], capture_output=True, text=True, check=True)
    return int(done.stdout)


def _batch(photos, target, out, *options):
    command = [sys.executable, "-c", MAIN, "batch", str(photos), "--target", str(target), "--out", str(out)]
    return subprocess.Popen([*command, *options], cwd=ROOT, stderr=subprocess.PIPE, text=True)


def _ledger_results(out: Path) -> int:
    """Return how many results are kept, from the write-ahead log's size: the ledger itself is locked."""
    log = out / "ledger.sqlite-wal"
    return log.stat().st_size if log.exists() else 0


def test_cluster_with_a_killed_worker_finds_what_one_process_finds(rendered_photos, cluster, tmp_path):
    address, workers = cluster
    photos = tmp_path / "photos"
    photos.mkdir()
    for path in sorted(rendered_photos.glob("close_dev_*.jpg"))[:8]:
        (photos / path.name).symlink_to(path)
    card = rendered_photos / "card.json"
    _wait_for(lambda: _workers_of(address) == WORKERS)
    with _batch(photos, card, tmp_path / "many", "--scheduler", address) as many:
        looked = _wait_for(lambda: _ledger_results(tmp_path / "many"))
        _wait_for(lambda: _ledger_results(tmp_path / "many") > looked or many.poll() is not None)
        assert many.poll() is None, "the batch was over before a worker could be killed"
        workers[0].send_signal(signal.SIGKILL)
        assert many.wait(timeout=120) == 0, many.stderr.read()
    with _batch(photos, card, tmp_path / "one", "--workers", "1") as one:
        assert one.wait(timeout=120) == 0, one.stderr.read()
    told = [(tmp_path / name / "findings.jsonl").read_bytes() for name in ("many", "one")]
    assert told[0] == told[1]
    assert len(told[0].splitlines()) == 8


def test_scheduler_that_does_not_answer_is_said_in_a_line(rendered_photos, tmp_path):
    card = rendered_photos / "card.json"
    with _batch(rendered_photos, card, tmp_path / "out", "--scheduler", "tcp://127.0.0.1:9") as process:
        assert process.wait(timeout=60) == 2
        said = process.stderr.read()
    assert "no Dask scheduler answers there" in said
    assert "Traceback" not in said
