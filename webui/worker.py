"""Worker processes: what would hold up the page is done beside it, and a fault there never takes it along.

A worker is started afresh (spawned), does one thing at a time, and dies with its server.
"""

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, TypeVar

from calib.errors import MeasureError

Done = TypeVar("Done")
_SPAWN = multiprocessing.get_context("spawn")
# How long a worker may take to go before it is ended.
_FAREWELL_S = 2.0


class WorkerError(MeasureError, RuntimeError):
    """A worker process that died, was too slow, or met a fault of ours."""


class Worker:
    """One worker process; started when there is something to do, and again if it died.

    Parameters
    ----------
    name : str
        What it is for, for lists of processes.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._lock = threading.Lock()
        self._process: Any = None
        self._pipe: Connection[Any, Any] | None = None

    def ask(self, function: Callable[..., Done], *arguments: Any, timeout_s: float | None = None) -> Done:
        """Have a function called in the worker and wait for what it returns.

        Parameters
        ----------
        function : callable
            A function of a module; it and its arguments are pickled.
        *arguments
            Its arguments.
        timeout_s : float, optional
            The worker is ended if it takes longer.

        Returns
        -------
        object
            What the function returned.

        Raises
        ------
        WorkerError
            If the worker died or was too slow, or the function raised what is no error of ours.
        MeasureError
            As the function raised it.
        """
        with self._lock:
            pipe = self._ready()
            try:
                pipe.send((function, arguments))
                if not pipe.poll(timeout_s):
                    self._end()
                    msg = f"it took longer than {timeout_s:g} s and was stopped"
                    raise WorkerError(msg)
                value, error = pipe.recv()
            except (EOFError, OSError) as fault:
                self._end()
                msg = "the process that works on it died; try again, or look at the server's messages"
                raise WorkerError(msg) from fault
        if error is not None:
            raise error
        done: Done = value
        return done

    def close(self) -> None:
        """End the worker, whatever it does."""
        process = self._process
        if process is not None:
            process.terminate()
            process.join(_FAREWELL_S)
            process.kill()

    def _ready(self) -> "Connection[Any, Any]":
        if self._pipe is None or not self._process.is_alive():
            self._end()
            self._pipe, theirs = _SPAWN.Pipe()
            self._process = _SPAWN.Process(target=_work, args=(theirs,), name=self._name, daemon=True)
            self._process.start()
            theirs.close()
        return self._pipe

    def _end(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.join(_FAREWELL_S)
        if self._pipe is not None:
            self._pipe.close()
        self._process, self._pipe = None, None


class Bench:
    """Workers that answer at once: tiles, snapping, measuring again.

    What belongs to the same thing always goes to the same worker, which keeps it at hand.

    Parameters
    ----------
    workers : int
        How many.
    """

    def __init__(self, workers: int) -> None:
        self._workers = [Worker(f"bench {number}") for number in range(1, workers + 1)]

    def ask(
        self, about: str, function: Callable[..., Done], *arguments: Any, timeout_s: float = 60.0
    ) -> Done:
        """Have a function called in the worker that keeps what it is about; see `Worker.ask`."""
        worker = self._workers[sum(about.encode()) % len(self._workers)]
        return worker.ask(function, *arguments, timeout_s=timeout_s)

    def warm_up(self, function: Callable[[], Any]) -> None:
        """Start all workers, so that the first question need not wait for them."""
        for worker in self._workers:
            threading.Thread(target=_ask_quietly, args=(worker, function), daemon=True).start()

    def close(self) -> None:
        """End all workers."""
        for worker in self._workers:
            worker.close()


def _ask_quietly(worker: Worker, function: Callable[[], Any]) -> None:
    try:
        worker.ask(function)
    except MeasureError:
        # The first real question will meet the same trouble and tell it.
        return


def _work(pipe: "Connection[Any, Any]") -> None:
    """Answer questions until the server is gone."""
    # Ctrl+C reaches every process of a terminal; the server ends its workers itself.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_die_with_server, daemon=True).start()
    while True:
        try:
            function, arguments = pipe.recv()
        except (EOFError, OSError):
            return
        pipe.send(_answer(function, arguments))


def _answer(function: Callable[..., Any], arguments: tuple[Any, ...]) -> tuple[Any, MeasureError | None]:
    try:
        return function(*arguments), None
    except MeasureError as error:
        return None, error
    except Exception as error:  # noqa: BLE001  a fault of ours must come back as an answer, not end the worker
        return None, WorkerError(_told(error))


def _told(error: Exception) -> str:
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    place = ""
    if trace is not None:
        place = f" ({Path(trace.tb_frame.f_code.co_filename).name}, line {trace.tb_lineno})"
    return f"this is a fault of ridgewitness, not of your files: {type(error).__name__}: {error}{place}"


def _die_with_server() -> None:
    server = multiprocessing.parent_process()
    if server is not None:
        server.join()
        os._exit(1)
