"""Workers: processes of this machine, or those of a Dask cluster. Tasks in, answers out, as they come.

A worker that is lost in the middle costs time only: its photos are done again by others. A photo whose work
ends its process again when it is alone is given up, with the reason.
"""

import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import islice
from multiprocessing import connection, get_context, parent_process
from typing import Any, Protocol, TypeVar

from calib.errors import FileError

Answer = TypeVar("Answer")
# Tasks handed out at a time, for each worker: enough that none waits, few enough to keep memory bounded.
_AHEAD = 2
_PATIENCE_S = 15


@dataclass(frozen=True, slots=True)
class Job:
    """One call of a task, and what to call it by."""

    key: str
    arguments: tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Lost:
    """In an answer's place: why there is none."""

    why: str


class Workers(Protocol):
    """Whoever does the work."""

    def run(self, task: Callable[..., Answer], jobs: Iterable[Job]) -> Iterator[tuple[str, Answer | Lost]]:
        """Do all jobs and yield key and answer of each as it is done."""
        ...

    def close(self) -> None:
        """Let the workers go."""
        ...


class LocalWorkers:
    """Processes of this machine.

    Parameters
    ----------
    count : int
        How many.
    """

    def __init__(self, count: int) -> None:
        self._count = count
        self._pool = _pool(count)

    def close(self) -> None:
        """Let the processes go, at once."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def run(self, task: Callable[..., Answer], jobs: Iterable[Job]) -> Iterator[tuple[str, Answer | Lost]]:
        """Do all jobs and yield key and answer of each as it is done."""
        waiting: dict[Future[Answer], Job] = {}
        to_do = iter(jobs)
        while True:
            suspects = self._hand_out(task, to_do, waiting)
            if not waiting and not suspects:
                return
            done = wait(waiting, return_when=FIRST_COMPLETED).done if waiting else set()
            for future in done:
                job, error = waiting.pop(future), future.exception()
                if isinstance(error, BrokenProcessPool):
                    suspects.append(job)
                else:
                    yield job.key, future.result() if error is None else _fault(error)
            if suspects:
                suspects.extend(waiting.values())
                waiting.clear()
                self._pool.shutdown()
                yield from _one_by_one(task, suspects)
                self._pool = _pool(self._count)

    def _hand_out(
        self, task: Callable[..., Answer], jobs: Iterator[Job], waiting: dict[Future[Answer], Job]
    ) -> list[Job]:
        """Keep every process busy; return a job that found the pool broken."""
        for job in islice(jobs, _AHEAD * self._count - len(waiting)):
            try:
                waiting[self._pool.submit(task, *job.arguments)] = job
            except BrokenProcessPool:
                return [job]
        return []


class DaskWorkers:
    """Workers of a Dask cluster, which must have the same version of this software and see the photos.

    Parameters
    ----------
    address : str
        Its scheduler, as in tcp://host:8786.

    Raises
    ------
    FileError
        If it does not answer, has no workers, or another version is there.
    """

    def __init__(self, address: str) -> None:
        from distributed import Client

        try:
            self._client = Client(address, timeout=_PATIENCE_S, set_as_default=False)
        except (OSError, ValueError) as error:
            msg = f"{address}: no Dask scheduler answers there ({error})"
            raise FileError(msg) from error
        try:
            self._check_versions(address)
        except BaseException:
            self.close()
            raise

    def _check_versions(self, address: str) -> None:
        from webui.software import software_versions

        own = software_versions()
        others = self._client.run(software_versions, on_error="return")
        if not others:
            msg = f"{address}: the cluster has no workers; start some"
            raise FileError(msg)
        for worker, versions in others.items():
            if not isinstance(versions, dict) or versions.get("code") != own["code"]:
                msg = f"{address}: worker {worker} lacks this version of ridgewitness; install it there"
                raise FileError(msg)

    def close(self) -> None:
        """Leave the cluster."""
        self._client.close()

    def run(self, task: Callable[..., Answer], jobs: Iterable[Job]) -> Iterator[tuple[str, Answer | Lost]]:
        """Do all jobs and yield key and answer of each as it is done."""
        from distributed import as_completed

        threads = max(1, sum(self._client.nthreads().values()))
        to_do, keys = iter(jobs), {}
        under_way = as_completed(loop=self._client.loop)
        for job in islice(to_do, _AHEAD * threads):
            future = self._submit(task, job)
            keys[future.key] = job.key
            under_way.add(future)
        for future in under_way:
            error = future.exception()
            yield keys.pop(future.key), future.result() if error is None else _fault(error)
            future.release()
            for job in islice(to_do, 1):
                another = self._submit(task, job)
                keys[another.key] = job.key
                under_way.add(another)

    def _submit(self, task: Callable[..., Answer], job: Job) -> Any:
        return self._client.submit(task, *job.arguments, pure=False)


def _one_by_one(task: Callable[..., Answer], jobs: Iterable[Job]) -> Iterator[tuple[str, Answer | Lost]]:
    """Do jobs of which one ended its process, each in a process of its own."""
    for job in jobs:
        with _pool(1) as pool:
            error = (future := pool.submit(task, *job.arguments)).exception()
            yield job.key, future.result() if error is None else _fault(error)


def _fault(error: BaseException) -> Lost:
    if isinstance(error, BrokenProcessPool) or type(error).__name__ == "KilledWorker":
        return Lost("its work ended the process that did it; is it very large, or memory short?")
    return Lost(f"this is a fault of ridgewitness, not of the photo: {type(error).__name__}: {error}")


def _pool(count: int) -> ProcessPoolExecutor:
    # Fresh processes: threads and their locks do not go along.
    return ProcessPoolExecutor(count, get_context("spawn"), initializer=_start_worker)


def _start_worker() -> None:
    """Set up a process of this machine: one thread, deaf to Ctrl-C, gone when its parent is."""
    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # As many processes as processors: more threads would only wait for each other.
    cv2.setNumThreads(1)
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)
