"""Print what `check` costs at 2, 12, 48 and 200 megapixels, goal beside figure.

    python -m tests.measure_speed [--quick] [--only times|memory]

The photos are the rendered close-ups, resampled and coded anew at quality 95. Each stage is a multiple of
cv2.imdecode of the same file, decoded in turn with it, so that whatever else the machine does slows both; the
goals are held against processor time, the clock stands beside it. The last lines are the formulas and the
table of DEVELOPERS.md, "What it costs".
"""

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import wraps
from math import ceil
from pathlib import Path
from pkgutil import resolve_name
from statistics import median
from typing import Any

import cv2
import numpy as np
from PIL import Image
from PIL.ExifTags import IFD, Base

from tests.fresh import ROOT, Fresh, run_afresh
from tests.goals import Line, tell, use_one_thread

PHOTOS = Path(os.environ.get("RIDGEWITNESS_PHOTOS", ROOT.parent / "shared" / "photos" / "dev"))
TARGET = PHOTOS / "card.json"
# A run and a lap, each once as the sensor has it and once turned.
CLOSE_UPS = ("close_dev_01", "close_dev_02", "close_dev_05", "close_dev_12")
QUALITY = 95


@dataclass(frozen=True, slots=True)
class Size:
    """A picture size of the sensor, and how often a photo of it is checked."""

    width: int
    height: int
    runs: int

    @property
    def megapixels(self) -> float:
        """Its megapixels."""
        return self.width * self.height / 1e6

    def __str__(self) -> str:
        return f"{self.megapixels:.0f} MP"


SIZES = (Size(1632, 1224, 9), Size(4000, 3000, 7), Size(8000, 6000, 5))
LARGEST, TOO_LARGE = Size(16320, 12240, 1), Size(16400, 12300, 1)
# Most work of `check` as a multiple of decoding, most memory in bytes, by megapixels.
MOST_WORK = {12: 4.0, 48: 3.0}
MOST_MEMORY = {48: 700_000_000, 200: 2_500_000_000}

# The season's worst day, for the table of costs.
A_DAY, DAY_S = 1_000_000, 86_400

# The stages of vision/sight.py, vision/prepared.py and vision/audit.py, each by the functions that do it; the
# time of a function is without that of others that are named here.
STAGES = {
    "file read and hashed": ("vision.photo:load_photo",),
    "refusals, metadata": ("calib.intake:check_photo", "calib.exif:read_metadata"),
    "decoded": ("vision.decode:decode_picture",),
    "turned upright": ("vision.photo:_upright",),
    "grey picture, lens prior": ("vision.sight:sight_photo",),
    "tags found": ("calib.sighting:find_tags",),
    "corners fitted": ("calib.tag_fit:fit_tag",),
    "lens and pose": ("vision.pose:pose_photos",),
    "flange": ("vision.flange:find_flange",),
    "rivets": ("vision.rivets:find_fasteners",),
    "lines across, laps": (
        "vision.prepared:_flatten",
        "vision.crosslines:find_cross_lines",
        "vision.laps:measure_lap",
    ),
    "rows, verdicts": ("vision.audit:audit_prepared",),
}
REST = "all else: files, records"


@dataclass(frozen=True, slots=True)
class Seconds:
    """Time of a processor, of all threads together, and on the clock, s."""

    cpu: float = 0.0
    clock: float = 0.0

    def __add__(self, other: "Seconds") -> "Seconds":
        return Seconds(self.cpu + other.cpu, self.clock + other.clock)

    def __sub__(self, other: "Seconds") -> "Seconds":
        return Seconds(self.cpu - other.cpu, self.clock - other.clock)

    @classmethod
    def now(cls) -> "Seconds":
        """Return what the clocks show."""
        return cls(time.process_time(), time.perf_counter())


def _typical(runs: Sequence[Seconds]) -> Seconds:
    return Seconds(median(run.cpu for run in runs), median(run.clock for run in runs))


def _total(parts: Sequence[Seconds]) -> Seconds:
    return sum(parts, Seconds())


@dataclass(slots=True)
class Stopwatch:
    """Shares the time out over stages: only the innermost stage under way is running."""

    spent: dict[str, Seconds] = field(default_factory=dict)
    _under_way: list[str] = field(default_factory=list)
    _since: Seconds = field(default_factory=Seconds.now)

    def watched(self, stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """Return the function so that its time is counted to a stage."""

        @wraps(function)
        def timed(*args: Any, **kwargs: Any) -> Any:
            self._turn()
            self._under_way.append(stage)
            try:
                return function(*args, **kwargs)
            finally:
                self._turn()
                self._under_way.pop()

        return timed

    def _turn(self) -> None:
        now = Seconds.now()
        if self._under_way:
            stage = self._under_way[-1]
            self.spent[stage] = self.spent.get(stage, Seconds()) + (now - self._since)
        self._since = now


@contextmanager
def watching(stopwatch: Stopwatch) -> Iterator[None]:
    """Have the functions of all stages watched wherever they are called by name."""
    restored: list[tuple[Any, str, Any]] = []
    for stage, places in STAGES.items():
        for place in places:
            function = resolve_name(place)
            timed = stopwatch.watched(stage, function)
            modules = [m for name, m in sys.modules.items() if name.startswith(("calib.", "vision."))]
            users = [(m, key) for m in modules for key, value in vars(m).items() if value is function]
            restored += [(module, key, function) for module, key in users]
            for module, key in users:
                setattr(module, key, timed)
    try:
        yield
    finally:
        for module, key, function in restored:
            setattr(module, key, function)


def resampled(source: Path, size: Size) -> bytes:
    """Return a photo in another size, with the metadata that its camera would have written then."""
    with Image.open(source) as picture:
        exif = picture.getexif()
        pixels = np.asarray(picture.convert("RGB"))
    how = cv2.INTER_AREA if size.width < pixels.shape[1] else cv2.INTER_CUBIC
    details = exif.get_ifd(IFD.Exif)
    details[Base.ExifImageWidth], details[Base.ExifImageHeight] = size.width, size.height
    with tempfile.TemporaryFile() as file:
        again = Image.fromarray(cv2.resize(pixels, (size.width, size.height), interpolation=how))
        again.save(file, "JPEG", quality=QUALITY, exif=exif)
        file.seek(0)
        return file.read()


def run_check(photo: Path) -> int:
    """Run the command as it is typed, in this process, and return its exit code."""
    from webui.cli import cli

    try:
        cli.main(["check", str(photo), "--target", str(TARGET), "--json", str(photo.with_suffix(".json"))])
    except SystemExit as end:
        return int(end.code or 0)
    return 0


@dataclass(frozen=True, slots=True)
class Timed:
    """A photo's typical times: decoding alone, the whole check, its stages."""

    decoding: Seconds
    whole: Seconds
    stages: Mapping[str, Seconds]

    @property
    def multiple(self) -> float:
        """Processor time of the whole as a multiple of decoding."""
        return self.whole.cpu / self.decoding.cpu


def time_check(photo: Path, runs: int) -> Timed:
    """Check a photo several times, warm, and decode it in turn."""
    data = np.frombuffer(photo.read_bytes(), np.uint8)
    if code := run_check(photo):
        raise RuntimeError(f"{photo.name}: check ended with exit code {code}; nothing to time")
    decodings, wholes = [], []
    stages: dict[str, list[Seconds]] = {stage: [] for stage in (*STAGES, REST)}
    for _ in range(runs):
        begin = Seconds.now()
        cv2.imdecode(data, cv2.IMREAD_COLOR)
        decodings.append(Seconds.now() - begin)
        stopwatch = Stopwatch()
        with watching(stopwatch):
            begin = Seconds.now()
            run_check(photo)
            wholes.append(Seconds.now() - begin)
        spent = stopwatch.spent
        spent[REST] = wholes[-1] - _total(list(spent.values()))
        for stage, times in stages.items():
            times.append(spent.get(stage, Seconds()))
    typical = {stage: _typical(times) for stage, times in stages.items()}
    return Timed(_typical(decodings), _typical(wholes), typical)


@dataclass(frozen=True, slots=True)
class Costs:
    """What a photo of each size costs: processor time of one thread in s, peak memory in bytes."""

    cpu_s: dict[Size, float] = field(default_factory=dict)
    peak_bytes: dict[Size, float] = field(default_factory=dict)


def time_lines(
    photos: Mapping[Size, Sequence[Path]], runs: Callable[[Size], int], costs: Costs
) -> Iterator[Line]:
    """Time every size, with one thread and as the command is used; end with the formula of its cost."""
    as_used = cv2.getNumThreads()
    for size, paths in photos.items():
        for threads, how in ((1, "one thread"), (as_used, f"as used, {as_used} threads")):
            cv2.setNumThreads(threads)
            timed = [time_check(path, runs(size)) for path in paths]
            yield from _size_lines(size, how, timed)
            if threads == 1:
                costs.cpu_s[size] = _total([each.whole for each in timed]).cpu / len(timed)
    cv2.setNumThreads(as_used)
    base, slope = _straight(costs.cpu_s)
    got = f"{base:.2f} s + {slope:.4f} s for each megapixel"
    yield Line("processor time of a close-up, one thread", "", got, is_met=None)


def _size_lines(size: Size, how: str, timed: Sequence[Timed]) -> Iterator[Line]:
    """Yield what a size takes, stage by stage: times of all its photos over the decoding of all."""
    decoding, whole = _total([each.decoding for each in timed]), _total([each.whole for each in timed])

    def told(spent: Seconds) -> str:
        multiple, on_clock = spent.cpu / decoding.cpu, spent.clock / decoding.clock
        cpu_ms, clock_ms = (1000.0 * each / len(timed) for each in (spent.cpu, spent.clock))
        return f"{multiple:5.2f} x, {cpu_ms:6.1f} ms ({on_clock:5.2f} x, {clock_ms:6.1f} ms on the clock)"

    label = f"{size}, {how}"
    yield Line(f"{label}: cv2.imdecode", "", told(decoding), is_met=None)
    for stage in timed[0].stages:
        yield Line(f"  {stage:24}", "", told(_total([each.stages[stage] for each in timed])), is_met=None)
    most = MOST_WORK.get(round(size.megapixels))
    multiples = sorted(each.multiple for each in timed)
    got = f"{told(whole)}; from photo to photo {multiples[0]:.2f} to {multiples[-1]:.2f} x"
    is_met = None if most is None else whole.cpu <= most * decoding.cpu
    yield Line(f"{label}: whole", "" if most is None else f"<= {most:g} x", got, is_met)


def check_afresh(photo: Path) -> Fresh:
    """Check a photo in a fresh process."""
    return run_afresh(["check", str(photo), "--target", str(TARGET), "--json", "-"])


def memory_lines(photos: Mapping[Size, Sequence[Path]], folder: Path, costs: Costs) -> Iterator[Line]:
    """Tell the peak memory of each size, and what becomes of a photo at the limit and beyond."""
    peaks = costs.peak_bytes
    for size, paths in photos.items():
        peaks[size] = max(check_afresh(path).peak_bytes for path in paths)
        yield _memory_line(size, peaks[size], "")
    for size, name in ((LARGEST, "largest"), (TOO_LARGE, "too_large")):
        path = folder / f"{name}.jpg"
        path.write_bytes(resampled(PHOTOS / f"{CLOSE_UPS[1]}.jpg", size))
        fresh = check_afresh(path)
        yield _memory_line(size, fresh.peak_bytes, _outcome(fresh).replace(f"{path}: ", ""))
        path.unlink()
        if fresh.code == 0:
            peaks[size] = fresh.peak_bytes
    base, slope = _straight(peaks)
    got = f"{base / 1e6:.0f} MB + {slope / 1e6:.1f} MB for each megapixel"
    yield Line("peak memory of a close-up", "", got, is_met=None)


def _outcome(fresh: Fresh) -> str:
    return "measured" if fresh.code == 0 else f"exit code {fresh.code}: {fresh.said}"


def _memory_line(size: Size, peak_bytes: int, outcome: str) -> Line:
    most = MOST_MEMORY.get(round(size.megapixels))
    got = f"{peak_bytes / 1e6:.0f} MB{f'; {outcome}' if outcome else ''}"
    goal = "" if most is None else f"<= {most / 1e6:.0f} MB"
    return Line(
        f"{size}, peak memory of a fresh process", goal, got, None if most is None else peak_bytes <= most
    )


def cost_table(photos: Mapping[Size, Sequence[Path]], costs: Costs) -> Iterator[str]:
    """Yield DEVELOPERS.md's table: a photo of each size, and what a million of them a day take."""
    day = "processors | memory | read each second | kept each day"
    yield f"| photo | file | processor time | peak memory | {day} |"
    yield "| --- | --- | --- | --- | --- | --- | --- | --- |"
    for size, paths in photos.items():
        cpu_s, peak = costs.cpu_s[size], costs.peak_bytes[size]
        file = sum(path.stat().st_size for path in paths) / len(paths)
        processors = ceil(A_DAY * cpu_s / DAY_S)
        # Each photo is read twice: to be looked at, and to be checked.
        read, kept = 2.0 * file * A_DAY / DAY_S, file * A_DAY
        yield (
            f"| {size} | {file / 1e6:.1f} MB | {cpu_s:.2f} s | {peak / 1e6:.0f} MB | {processors} "
            f"| {processors * peak / 1e9:.1f} GB | {read / 1e6:.0f} MB | {kept / 1e12:.1f} TB |"
        )


def _straight(values: Mapping[Size, float]) -> tuple[float, float]:
    """Return base and slope over the megapixels of the line nearest to the values, each weighted alike."""
    megapixels = np.array([size.megapixels for size in values])
    known = np.array(list(values.values()))
    # Divided by the values: a hundredth too much at 2 MP counts as much as a hundredth at 48 MP.
    equations = np.stack([1.0 / known, megapixels / known], axis=1)
    base, slope = np.linalg.lstsq(equations, np.ones(len(known)))[0]
    return float(base), float(slope)


def main() -> int:
    """Measure what was asked for; the exit code is 1 where a goal is missed."""
    use_one_thread("tests.measure_speed")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one run and one lap, three times each")
    parser.add_argument("--only", choices=("times", "memory"))
    asked = parser.parse_args()
    chosen = CLOSE_UPS[:2] if asked.quick else CLOSE_UPS
    with tempfile.TemporaryDirectory(prefix="speed-") as temporary:
        folder = Path(temporary)
        photos: dict[Size, list[Path]] = {size: [] for size in SIZES}
        for size, paths in photos.items():
            for stem in chosen:
                paths.append(folder / f"{stem}_{round(size.megapixels)}.jpg")
                paths[-1].write_bytes(resampled(PHOTOS / f"{stem}.jpg", size))
        code, costs = 0, Costs()
        if asked.only in (None, "times"):
            code |= tell(time_lines(photos, lambda size: 3 if asked.quick else size.runs, costs))
        if asked.only in (None, "memory"):
            code |= tell(memory_lines(photos, folder, costs))
        if asked.only is None:
            print("", *cost_table(photos, costs), "", sep="\n")
    print(f"     load of the machine at the end: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    return code


if __name__ == "__main__":
    sys.exit(main())
