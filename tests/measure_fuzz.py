"""Give spoiled inputs to the commands and to the review page, and print how many went wrong.

    python -m tests.measure_fuzz [INPUTS] [FIRST_SEED] [KIND ...]

Each part runs in processes of their own, with memory limited; an input that ends its process, hangs, or gets
an answer other than a plain one is named by kind and seed, and ``python -m tests.fuzz.attempt KIND SEED 1``
repeats it.
"""

import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.fuzz.attempt import LONGEST_S, MOST_MEMORY_BYTES, UPLOAD
from tests.fuzz.corpus import ROOT
from tests.fuzz.package import make_package

INPUTS = 20_000
PART = 250
# Photos are what strangers send most, by hand or through the page; a package is the slowest to try.
SHARES = {
    "photo": 36,
    "odd photo": 5,
    "target": 9,
    "shoot": 10,
    "plan": 9,
    "lens": 9,
    "package": 7,
    UPLOAD: 15,
}


@dataclass(frozen=True)
class Part:
    """How a part of one kind went."""

    kind: str
    codes: Counter[int]
    longest_s: float
    peak_bytes: int
    problems: tuple[str, ...]


def main() -> int:
    """Try all kinds and print the table; the exit code is 1 where an input went wrong."""
    inputs = int(sys.argv[1]) if len(sys.argv) > 1 else INPUTS
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    shares = {kind: SHARES[kind] for kind in sys.argv[3:] or SHARES}
    with tempfile.TemporaryDirectory(prefix="fuzz-package-") as folder:
        make_package(Path(folder))
        parts = list(try_all(inputs, first, Path(folder), shares=shares))
    return _tell(parts, inputs)


def try_all(
    inputs: int,
    first: int,
    package: Path,
    most_processes: int | None = None,
    shares: Mapping[str, int] = SHARES,
) -> Iterator[Part]:
    """Try so many inputs, shared out over kinds, in parts."""
    jobs = []
    for kind, share in shares.items():
        count = max(1, inputs * share // sum(shares.values()))
        jobs += [(kind, first + at, min(PART, count - at)) for at in range(0, count, PART)]
    with ThreadPoolExecutor(most_processes or os.cpu_count()) as pool:
        yield from pool.map(lambda job: _try_part(*job, package), jobs)


def _try_part(kind: str, first: int, count: int, package: Path) -> Part:
    """Try a part; when an input ends the process, name it and go on behind it."""
    codes: Counter[int] = Counter()
    problems: list[str] = []
    longest_s, peak = 0.0, 0
    end = first + count
    while first < end:
        command = [sys.executable, "-m", "tests.fuzz.attempt", kind, str(first), str(end - first)]
        settings = {**os.environ, "RIDGEWITNESS_FUZZ_PACKAGE": str(package), "OPENBLAS_NUM_THREADS": "1"}
        done = subprocess.run(command, cwd=ROOT, env=settings, capture_output=True, text=True, check=False)
        last = first
        for line in done.stdout.splitlines():
            said = json.loads(line)
            if isinstance(said, int):
                last = said
            elif "problem" in said:
                problems.append(f"{kind} {said['seed']}: {said['problem']}")
            else:
                codes.update({int(code): number for code, number in said["codes"].items()})
                longest_s, peak = max(longest_s, said["longest_s"]), max(peak, said["peak_bytes"])
        if done.returncode == 0:
            break
        problems.append(f"{kind} {last + 1}: ended its process ({done.returncode}) {done.stderr[-300:]}")
        first = last + 2
    return Part(kind, codes, longest_s, peak, tuple(problems))


def _tell(parts: list[Part], inputs: int) -> int:
    problems = [problem for part in parts for problem in part.problems]
    for kind in dict.fromkeys(part.kind for part in parts):
        own = [part for part in parts if part.kind == kind]
        codes = sum((part.codes for part in own), Counter())
        longest_s, peak = max(part.longest_s for part in own), max(part.peak_bytes for part in own)
        what = "status" if kind == UPLOAD else "exit code"
        told = ", ".join(f"{number} with {what} {code}" for code, number in sorted(codes.items()))
        print(f"{kind:10} {told}; longest {longest_s:.1f} s, peak {peak / 1e6:.0f} MB")
    for problem in problems:
        print(f"WRONG  {problem}")
    peak = max(part.peak_bytes for part in parts)
    is_met = not problems and peak <= MOST_MEMORY_BYTES
    print(
        f"{'ok ' if is_met else 'NOT'}  {inputs} spoiled inputs: {len(problems)} went wrong "
        f"(goal: no traceback, no hang over {LONGEST_S} s, no crash, {MOST_MEMORY_BYTES / 1e9:.1f} GB)"
    )
    return 0 if is_met else 1


if __name__ == "__main__":
    sys.exit(main())
