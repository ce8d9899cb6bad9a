"""The workshop: takes work from the queue and has it done by processes of its own.

A process makes one thing at a time, since making a package changes its working directory. One job's work
always goes to the same process.
"""

import threading
from pathlib import Path

from webui.errands import do_task
from webui.tasks import Tasks
from webui.worker import Worker, WorkerError

# Work that was asked for wakes the workshop at once; this is for what another process put into the queue.
_LOOK_S = 2.0


class Workshop:
    """Processes that do what the queue holds, until they are closed.

    Parameters
    ----------
    tasks : Tasks
        The queue.
    data_folder : Path
        The data folder.
    database_url : str or None
        Its database, where that is not the file in the folder.
    workers : int
        How many processes.
    """

    def __init__(self, tasks: Tasks, data_folder: Path, database_url: str | None, workers: int) -> None:
        self._tasks = tasks
        self._where = data_folder, database_url
        self._workers = [Worker(f"workshop {number}") for number in range(1, workers + 1)]
        self._bell = threading.Condition()
        self._is_closing = False

    def open(self) -> None:
        """Go on with work that was broken off, and begin to look at the queue."""
        self._tasks.restart()
        for number in range(len(self._workers)):
            threading.Thread(target=self._run, args=(number,), daemon=True).start()

    def ring(self) -> None:
        """Say that there is work."""
        with self._bell:
            self._bell.notify_all()

    def close(self) -> None:
        """Stop; work that is running is gone on with at the next start."""
        self._is_closing = True
        self.ring()
        for worker in self._workers:
            worker.close()

    def _run(self, number: int) -> None:
        while not self._is_closing:
            task = self._tasks.start_next(lambda job_id: self._place(job_id) == number)
            if task is None:
                with self._bell:
                    self._bell.wait(_LOOK_S)
                continue
            try:
                self._workers[number].ask(do_task, *self._where, task.number)
            except WorkerError as error:
                if not self._is_closing:
                    self._tasks.fail(task.number, str(error))

    def _place(self, job_id: str) -> int:
        return sum(job_id.encode()) % len(self._workers)
