"""One spoiled input given to one command or to the page, and how it went: code, what was said, time, memory.

Run as ``python -m tests.fuzz.attempt KIND FIRST COUNT``, it prints one JSON line for each input that went
wrong and a last one with sums. It runs in a process of its own because an input may end it.
"""

import contextlib
import io
import json
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.fuzz import corpus
from tests.fuzz.mutations import spoil_bytes, spoil_record
from tests.fuzz.uploads import tell_story

# What is promised: nobody waits longer, and no more memory is taken (README.md, "Limits").
LONGEST_S = 10
MOST_MEMORY_BYTES = 2_500_000_000
# Held against the time of a processor, since others may share the machine; what only waits is stopped later.
_LONGEST_WAIT_S = 12 * LONGEST_S
_SUFFIXES = (".jpg", ".jpeg", ".png", ".heic", ".tif", ".webp", ".JPG", "", ".json")
UPLOAD = "upload"
_OPEN_EXIF = corpus.ROOT.parent / "shared" / "open_data" / "exif"


@dataclass(frozen=True)
class Attempt:
    """How one input went: exit code or last status, processor time; no `problem` when as it should."""

    kind: str
    seed: int
    code: int | None
    seconds: float
    problem: str


class _Hang(BaseException):
    pass


def attempt(kind: str, seed: int, folder: Path) -> Attempt:
    """Give one spoiled input to the command line, or to the review page, and judge what comes back."""
    rng = random.Random(f"{kind} {seed}")
    told, said, code, problem = io.StringIO(), io.StringIO(), None, ""
    start = time.process_time()
    _stop_after(LONGEST_S + 1, _LONGEST_WAIT_S)
    try:
        with contextlib.redirect_stdout(told), contextlib.redirect_stderr(said):
            code = tell_story(rng) if kind == UPLOAD else _run(KINDS[kind](rng, folder))
    except _Hang:
        problem = f"took longer than {LONGEST_S} s of a processor, or {_LONGEST_WAIT_S} s on the clock"
    except Exception as error:  # noqa: BLE001  whatever it is, it is what is looked for
        problem = f"{type(error).__name__}: {error}"
    finally:
        _stop_after(0, 0)
    judge = _judge_server if kind == UPLOAD else _judge
    problem = problem or judge(code, told.getvalue(), said.getvalue())
    return Attempt(kind, seed, code, time.process_time() - start, problem)


def _run(arguments: list[str]) -> int:
    from webui.cli import cli

    try:
        cli.main(arguments, prog_name="ridgewitness")
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def _judge(code: int | None, told: str, said: str) -> str:
    """Say what is wrong with an exit code, what was told as a result, and what was said of errors."""
    if code not in (0, 1, 2):
        return f"exit code {code}"
    if code and not (told + said).strip():
        return f"exit code {code} without a word"
    if "Traceback" in told + said or "fault of ridgewitness" in said:
        return said
    if code == 2 and len([line for line in said.splitlines() if line.strip()]) > 2:
        return f"more than two lines: {said}"
    return ""


def _judge_server(code: int | None, told: str, said: str) -> str:
    """Say what is wrong with what a server told and said; its answers were judged as they came."""
    return told + said if "Traceback" in told + said else ""


def _stop_after(cpu_s: int, clock_s: int) -> None:
    """Stop what runs after so many seconds of a processor or on the clock; 0: let it run."""
    for timer, number, seconds in (
        (signal.ITIMER_PROF, signal.SIGPROF, cpu_s),
        (signal.ITIMER_REAL, signal.SIGALRM, clock_s),
    ):
        signal.signal(number, _stop)
        signal.setitimer(timer, seconds)


def _stop(number: int, frame: object) -> None:
    raise _Hang


def _photo(rng: random.Random, folder: Path) -> list[str]:
    photos = [*corpus.small_photos(), *corpus.open_exif_photos(_OPEN_EXIF)]
    path = folder / f"photo{rng.choice(_SUFFIXES)}"
    path.write_bytes(spoil_bytes(rng.choice(photos), rng))
    return _check(path, folder)


def _odd_photo(rng: random.Random, folder: Path) -> list[str]:
    odd = corpus.odd_photos()
    path = folder / f"odd{rng.choice(_SUFFIXES)}"
    path.write_bytes(odd[rng.choice(sorted(odd))])
    return _check(path, folder)


def _target(rng: random.Random, folder: Path) -> list[str]:
    return _check(_good_photo(folder), folder, target=_spoiled(rng, folder, "target"))


def _shoot(rng: random.Random, folder: Path) -> list[str]:
    record = corpus.records()["shoot"]
    for name in ("panel.json", *record["photos"]):
        source = corpus.SAMPLES / name
        if not (folder / name).exists():
            # The photos' content is not what is tried here: a small one answers soon.
            content = source.read_bytes() if name.endswith(".json") else corpus.small_photos()[0]
            (folder / name).write_bytes(content)
    return ["measure", str(_spoiled(rng, folder, "shoot")), "--json", str(folder / "out.json")]


def _plan(rng: random.Random, folder: Path) -> list[str]:
    path = _spoiled(rng, folder, "plan")
    lengths = ("32' 4 1/2\"", "9.87 m", "9870 mm", "0 mm", "-3 m", "1e9 m", "nan", "", "1/0 in", "²³")
    length = rng.choice(lengths) if rng.random() < 0.3 else lengths[0]
    return ["plan", str(path), f"--ridge={length}", "--json", str(folder / "out.json")]


def _lens(rng: random.Random, folder: Path) -> list[str]:
    return [*_check(_good_photo(folder), folder), "--lens", str(_spoiled(rng, folder, "lens"))]


def _good_photo(folder: Path) -> Path:
    path = folder / "photo.jpg"
    path.write_bytes(corpus.small_photos()[0])
    return path


def _check(photo: Path, folder: Path, target: Path = corpus.SAMPLES / "card.json") -> list[str]:
    """Return the command that checks a photo."""
    return ["check", str(photo), "--target", str(target), "--json", str(folder / "out.json")]


def _package(rng: random.Random, folder: Path) -> list[str]:
    """Spoil one file of an evidence package, or its zip file."""
    good = _good_package()
    if rng.random() < 0.3:
        path = folder / "package.zip"
        path.write_bytes(spoil_bytes(good["package.zip"], rng))
        return ["verify", str(path)]
    names = sorted(name for name in good if name != "package.zip")
    chosen = rng.choice(names)
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(spoil_bytes(good[name], rng) if name == chosen else good[name])
    return ["verify", str(folder / "package")]


def _good_package() -> dict[str, bytes]:
    folder = Path(os.environ["RIDGEWITNESS_FUZZ_PACKAGE"])
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _spoiled(rng: random.Random, folder: Path, name: str) -> Path:
    path = folder / f"{name}.json"
    text = spoil_record(corpus.records()[name], rng)
    path.write_bytes(text.encode("utf-8", errors="surrogateescape"))
    return path


KINDS: dict[str, Callable[[random.Random, Path], list[str]]] = {
    "photo": _photo,
    "odd photo": _odd_photo,
    "target": _target,
    "shoot": _shoot,
    "plan": _plan,
    "lens": _lens,
    "package": _package,
}


def attempts(kind: str, seeds: range) -> Iterator[Attempt]:
    """Try a range of seeds one after the other."""
    for seed in seeds:
        with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
            yield attempt(kind, seed, Path(folder))


def main() -> None:
    """Try what the command line names; see the first lines of this file."""
    kind, first, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    # An input that asks for much more than is promised is stopped here, not by the machine.
    resource.setrlimit(resource.RLIMIT_AS, (2 * MOST_MEMORY_BYTES, 2 * MOST_MEMORY_BYTES))
    codes: dict[int, int] = {}
    longest_s = 0.0
    for each in attempts(kind, range(first, first + count)):
        sys.stdout.write(f"{each.seed}\n")
        sys.stdout.flush()
        if each.problem:
            sys.stdout.write(json.dumps(asdict(each)) + "\n")
        if each.code is not None:
            codes[each.code] = codes.get(each.code, 0) + 1
        longest_s = max(longest_s, each.seconds)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    sys.stdout.write(json.dumps({"codes": codes, "longest_s": longest_s, "peak_bytes": peak}) + "\n")


if __name__ == "__main__":
    main()
