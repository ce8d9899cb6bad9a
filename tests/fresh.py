"""The command in a process of its own: what it answered, and what it took of time and memory."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent

# The peak is read inside: what `os.wait4` calls a child's ``ru_maxrss`` holds its parent's memory too.
_PROGRAM = """
import json, resource, sys
from webui.cli import main
try:
    main()
finally:
    with open("/proc/self/status") as status:
        peak = next(line.split()[1] for line in status if line.startswith("VmHWM"))
    spent = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    cpu_s, workers_cpu_s = (each.ru_utime + each.ru_stime for each in spent)
    told = {"peak_bytes": int(peak) * 1024, "cpu_s": cpu_s, "workers_cpu_s": workers_cpu_s}
    print(json.dumps(told | {"workers_peak_bytes": spent[1].ru_maxrss * 1024}), file=sys.stderr)
"""


@dataclass(frozen=True, slots=True)
class Fresh:
    """How a command went.

    Attributes
    ----------
    code : int
        Exit code.
    said : str
        What it said on standard error.
    clock_s : float
        Time on the clock, the interpreter's start included, s.
    cpu_s, workers_cpu_s : float
        Processor time of the process itself and of those that it started, s.
    peak_bytes, workers_peak_bytes : int
        Peak memory of the process itself, and of the largest that it started.
    """

    code: int
    said: str
    clock_s: float
    cpu_s: float
    workers_cpu_s: float
    peak_bytes: int
    workers_peak_bytes: int


def run_afresh(arguments: Sequence[str]) -> Fresh:
    """Run the command with one thread for small matrices, as it sets itself, and wait for its end."""
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", _PROGRAM, *arguments],
        cwd=ROOT,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    clock_s = time.perf_counter() - begin
    *said, told = done.stderr.splitlines()
    return Fresh(done.returncode, " ".join(said), clock_s, **json.loads(told))
