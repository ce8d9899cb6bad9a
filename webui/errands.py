"""What a process of the workshop does with one task of the queue.

Results go to the store, reports and packages to the data folder's `made`, what helps later to its cache.
"""

import functools
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from calib.errors import MeasureError
from webui.at_hand import Folders, prepare, tie
from webui.evidence import make_package, make_zip
from webui.job import Job, Privacy
from webui.made import MadeFolder
from webui.privacy import withhold
from webui.report import write_report
from webui.store import Store
from webui.tasks import Task, Tasks
from webui.work import Progress, make_result

# Progress is for people's eyes: more often only keeps the database busy.
_PROGRESS_S = 0.25


def do_task(data_folder: Path, database_url: str | None, number: int) -> None:
    """Do one task and keep how it ended.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    database_url : str or None
        Its database, where that is not the file in the folder.
    number : int
        The task; one that is running.
    """
    store = _store(data_folder, database_url)
    tasks = Tasks(store.engine)
    task = tasks.get(number)
    try:
        _ERRANDS[task.kind](_Errand(task, store, store.job(task.job_id), _progress(tasks, number)))
    except MeasureError as error:
        tasks.fail(number, str(error))
    else:
        tasks.finish(number)


class _Errand:
    """One task with all that it needs."""

    def __init__(self, task: Task, store: Store, job: Job, progress: Progress) -> None:
        self.task, self.store, self.job, self.progress = task, store, job, progress
        self.folders = Folders(store.folder / "originals", store.folder / "cache")
        self.made = MadeFolder(store.folder)

    def privacy(self) -> Privacy:
        """Return what may go along, as it was asked for."""
        return Privacy(**self.task.options)


def _make_result(errand: _Errand) -> None:
    kind: Any = errand.task.kind
    job, folders = errand.job, errand.folders
    prepared = prepare(job, folders, errand.progress) if kind == "check" else None
    now_utc = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    result = make_result(job, kind, folders.original, now_utc, errand.progress, prepared=prepared)
    errand.store.put_result(job.id, kind, result, errand.task.who)


def _make_report(errand: _Errand) -> None:
    with errand.made.workplace(errand.job) as folder:
        path = folder / "report.pdf"
        shown = withhold(errand.job, errand.privacy())
        write_report(shown, errand.folders.original, path, errand.progress)
        errand.made.put(errand.job, "report", path, errand.task)


def _make_evidence(errand: _Errand) -> None:
    with errand.made.workplace(errand.job) as folder:
        path = folder / "evidence.zip"
        make_package(
            errand.job,
            errand.folders.original,
            folder / "evidence",
            privacy=errand.privacy(),
            progress=errand.progress,
        )
        make_zip(folder / "evidence", path)
        errand.made.put(errand.job, "evidence", path, errand.task)


def _tie(errand: _Errand) -> None:
    tie(errand.job, errand.folders, errand.progress)


_ERRANDS: dict[str, Callable[[_Errand], None]] = {
    "measure": _make_result,
    "check": _make_result,
    "plan": _make_result,
    "report": _make_report,
    "evidence": _make_evidence,
    "tie": _tie,
}


def _progress(tasks: Tasks, number: int) -> Progress:
    last = 0.0

    def show(done: int, of: int) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last >= _PROGRESS_S or done == of:
            last = now
            tasks.show_progress(number, done, of)

    return show


@functools.lru_cache(maxsize=1)
def _store(data_folder: Path, database_url: str | None) -> Store:
    return Store(data_folder, database_url)
