"""The terminal: one console for results, and a progress bar for those who wait at a screen."""

import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import TextIOWrapper
from typing import TextIO

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)

# A command that is done sooner needs no bar.
_PATIENCE_S = 2.0

Report = Callable[[int, int], None]
StagedReport = Callable[[str, int, int], None]


def make_console() -> Console:
    """Return the console that results are printed on: standard output, whatever it can show."""
    if isinstance(sys.stdout, TextIOWrapper):
        # A terminal without the sign for plus or minus shows a question mark rather than an error.
        sys.stdout.reconfigure(errors="replace")
    return Console(file=sys.stdout, highlight=False)


@contextmanager
def progress_bar(what: str) -> Iterator[Report]:
    """Show how far a long command is, on standard error, if that is a terminal.

    Parameters
    ----------
    what : str
        What is being done, for example "photos".

    Yields
    ------
    callable
        To be called with (steps done, steps in all).
    """
    with staged_progress(TimeElapsedColumn()) as report:
        yield lambda done, total: report(what, done, total)


@contextmanager
def staged_progress(time: ProgressColumn | None = None) -> Iterator[StagedReport]:
    """Show how far a command of several stages is, with the time that is left of each.

    Parameters
    ----------
    time : ProgressColumn, optional
        What to show of the time instead.

    Yields
    ------
    callable
        To be called with (stage, steps done, steps in all).
    """
    if not sys.stderr.isatty():
        yield _say_nothing
        return
    with _terminal_copy() as terminal:
        progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            time or TimeRemainingColumn(elapsed_when_finished=True),
            console=Console(file=terminal),
            transient=True,
        )
        tasks: dict[str, TaskID] = {}
        start = threading.Timer(_PATIENCE_S, progress.start)
        start.daemon = True
        start.start()

        def report(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = progress.add_task(stage, total=None)
            progress.update(tasks[stage], completed=done, total=total)

        try:
            yield report
        finally:
            start.cancel()
            start.join()
            progress.stop()


def _say_nothing(stage: str, done: int, total: int) -> None:
    """Take a report of progress and show nothing."""


@contextmanager
def _terminal_copy() -> Iterator[TextIO]:
    """Open the terminal a second time: while a photo is decoded, standard error itself is caught."""
    with os.fdopen(
        os.dup(sys.stderr.fileno()), "w", encoding=sys.stderr.encoding, errors="replace"
    ) as terminal:
        yield terminal
