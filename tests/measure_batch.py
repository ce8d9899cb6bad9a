"""Print how a batch does with more workers and with more photos, goal beside figure.

    python -m tests.measure_batch [--quick] [--only workers|memory] [--photos N] [--rounds N]

"workers" checks copies of the rendered close-ups, each another file, by one and by two local workers in turn;
of each the quickest round counts. Where others use the processors meanwhile, the clock says little, and the
goal is held against what it would show without them: the workers' share of their processor time, and all of
that of the process beside them. "memory" looks at this process, over a folder of many small photos.
"""

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.fresh import Fresh, run_afresh
from tests.fuzz.corpus import small_photos
from tests.goals import Line, tell
from tests.measure_speed import PHOTOS, TARGET

LEAST_RATIO = 1.8
FEW, MANY = 200, 2000
# What ten times as many photos may take more: the handing out alone is looked at, where nothing should grow.
MOST_GROWTH_BYTES = 20_000_000
# A round is disturbed where the clock went on by so much more than the processors worked.
_DISTURBED = 1.15


def varied(data: bytes, number: int) -> bytes:
    """Return a JPEG with a comment that tells it from others (ITU-T T.81, B.2.4.5), same picture."""
    comment = f"photo {number}".encode()
    return data[:2] + b"\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment + data[2:]


def fill_folder(folder: Path, originals: list[bytes], count: int) -> Path:
    """Leave so many different files of the same few photos in a folder."""
    folder.mkdir()
    for number in range(count):
        data = originals[number % len(originals)]
        (folder / f"photo_{number:05d}.jpg").write_bytes(varied(data, number))
    return folder


def run_batch(photos: Path, out: Path, workers: int) -> Fresh:
    """Run the command over a folder, and be sure that it told of every photo."""
    told = run_afresh(
        ["batch", str(photos), "--target", str(TARGET), "--out", str(out), "--workers", str(workers)]
    )
    lines = (out / "findings.jsonl").read_bytes().count(b"\n")
    if told.code not in (0, 1) or lines < len(list(photos.iterdir())):
        raise RuntimeError(f"batch ended with exit code {told.code} and {lines} findings: {told.said}")
    return told


def worker_lines(folder: Path, count: int, rounds: int) -> Iterator[Line]:
    """Compare one worker with two."""
    originals = [path.read_bytes() for path in sorted(PHOTOS.glob("close_dev_*.jpg"))]
    photos = fill_folder(folder / "photos", originals, count)
    runs: dict[int, list[Fresh]] = {1: [], 2: []}
    findings = set()
    for number in range(rounds):
        for workers, told in runs.items():
            out = folder / f"out_{number}_{workers}"
            told.append(run_batch(photos, out, workers))
            findings.add((out / "findings.jsonl").read_bytes())
    best = {workers: min(told, key=lambda each: each.clock_s) for workers, told in runs.items()}
    for workers, run in best.items():
        yield Line(f"{count} close-ups of 4.3 MP, workers: {workers}", "", _told(run, workers, count), None)
    yield Line("findings, byte for byte", "the same", f"{len(findings)} kind(s)", len(findings) == 1)
    yield Line("kept of a close-up", "", _told_kept(out, count), is_met=None)
    is_disturbed = any(_is_disturbed(run, workers) for workers, run in best.items())
    idle = {workers: _idle_s(run, workers) for workers, run in best.items()}
    ratios = {"on the clock": best[1].clock_s / best[2].clock_s, "by processor time": idle[1] / idle[2]}
    judged = "by processor time" if is_disturbed else "on the clock"
    for how, ratio in ratios.items():
        is_met = ratio >= LEAST_RATIO if how == judged else None
        yield Line(f"2 workers against 1, {how}", f">= {LEAST_RATIO} x", f"{ratio:.2f} x", is_met)
    load = f"{os.getloadavg()[0]:.1f} on {os.cpu_count()} processors"
    yield Line("load of the machine at the end", "", load, is_met=None)


def _idle_s(run: Fresh, workers: int) -> float:
    """Return what the clock would show on idle processors: the workers' share, and what nobody shares."""
    return run.cpu_s + run.workers_cpu_s / workers


def _told_kept(out: Path, count: int) -> str:
    sizes = {path.name: path.stat().st_size / count / 1000 for path in sorted(out.iterdir())}
    return ", ".join(f"{name} {size:.1f} KB" for name, size in sizes.items())


def _is_disturbed(run: Fresh, workers: int) -> bool:
    return run.clock_s > _DISTURBED * _idle_s(run, workers)


def _told(run: Fresh, workers: int, count: int) -> str:
    return (
        f"{run.clock_s:.1f} s, {count / run.clock_s:.2f} photos/s; processor time {run.workers_cpu_s:.1f} s "
        f"in workers, {run.cpu_s:.1f} s beside them; largest worker {run.workers_peak_bytes / 1e6:.0f} MB"
        f"{'; others used the processors meanwhile' if _is_disturbed(run, workers) else ''}"
    )


def memory_lines(folder: Path) -> Iterator[Line]:
    """Compare the memory of a batch of few photos with that of one of many."""
    runs = {}
    for count in (FEW, MANY):
        photos = fill_folder(folder / f"small_{count}", [small_photos()[0]], count)
        runs[count] = run = run_batch(photos, folder / f"out_{count}", os.cpu_count() or 1)
        got = f"{run.peak_bytes / 1e6:.0f} MB, in {run.clock_s:.0f} s"
        yield Line(f"{count} small photos: peak memory beside the workers", "", got, is_met=None)
    few, many = runs[FEW], runs[MANY]
    grown = many.peak_bytes - few.peak_bytes
    goal, got = f"<= {MOST_GROWTH_BYTES / 1e6:.0f} MB", f"{grown / 1e6:.1f} MB"
    yield Line(f"what {MANY} take more than {FEW}", goal, got, grown <= MOST_GROWTH_BYTES)
    each_s = (many.cpu_s - few.cpu_s) / (MANY - FEW)
    got = f"{1000 * each_s:.2f} ms; one process hands out at most {1 / each_s:.0f} photos/s"
    yield Line("processor time of a photo beside the workers", "", got, is_met=None)


def main() -> int:
    """Measure what was asked for; the exit code is 1 where a goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="48 photos, one round")
    parser.add_argument("--only", choices=("workers", "memory"))
    parser.add_argument("--photos", type=int)
    parser.add_argument("--rounds", type=int)
    asked = parser.parse_args()
    count, rounds = asked.photos or (48 if asked.quick else 120), asked.rounds or (1 if asked.quick else 2)
    code = 0
    with tempfile.TemporaryDirectory(prefix="batch-") as temporary:
        if asked.only in (None, "workers"):
            code |= tell(worker_lines(Path(temporary), count, rounds))
        if asked.only in (None, "memory"):
            code |= tell(memory_lines(Path(temporary)))
    return code


if __name__ == "__main__":
    sys.exit(main())
