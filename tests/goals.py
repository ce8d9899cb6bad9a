"""What the measuring commands share: a goal beside what was reached, parts by name, one thread."""

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Line:
    """One goal and what was reached.

    Attributes
    ----------
    what, goal, got : str
        What was measured, what was asked for, what came out.
    is_met : bool or None
        None where nothing was promised.
    """

    what: str
    goal: str
    got: str
    is_met: bool | None


_MARKS = {True: "ok ", False: "NOT", None: "   "}


def tell(lines: Iterable[Line]) -> int:
    """Print lines as they come; return the exit code, 1 where a goal is missed."""
    code = 0
    for line in lines:
        goal = f"   (goal: {line.goal})" if line.goal else ""
        print(f"{_MARKS[line.is_met]}  {line.what}: {line.got}{goal}", flush=True)
        if line.is_met is False:
            code = 1
    return code


def tell_parts(parts: Mapping[str, Callable[[], Iterator[Line]]]) -> int:
    """Print the parts that the command line names, all if it names none; return the exit code."""
    asked = sys.argv[1:] or list(parts)
    unknown = sorted(set(asked) - set(parts))
    if unknown:
        print(f"no such part: {', '.join(unknown)}; the parts are {', '.join(parts)}")
        return 2
    return tell(line for name in asked for line in parts[name]())


def use_one_thread(module: str) -> None:
    """Start a measuring command again with one thread, as on the command line.

    For matrices as small as ours several threads only wait for each other; the library reads the variable
    when it is loaded.
    """
    if "OPENBLAS_NUM_THREADS" not in os.environ:
        os.environ["OPENBLAS_NUM_THREADS"] = "1"
        os.execv(sys.executable, [sys.executable, "-m", module, *sys.argv[1:]])  # noqa: S606
