"""The queue of work that takes longer than a page may: kept in the database, so that it outlives the server.

A task is waiting, running, done or failed. Work of one job is done one task after the other, in the order in
which it was asked for, since a layout follows from the measured ridge.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

import sqlalchemy as sa

from webui import database as tables

TaskKind = Literal["measure", "check", "plan", "report", "evidence", "tie"]
TaskState = Literal["waiting", "running", "done", "failed"]
# Work during which the server died this often is taken to be what kills it.
_MOST_STARTS = 3


@dataclass(frozen=True, slots=True)
class Task:
    """One piece of work.

    Attributes
    ----------
    number : int
        Its place in the queue.
    job_id, kind : str
        What is made for which job.
    options : mapping
        What was asked for besides.
    who : str
        Who asked.
    state : {"waiting", "running", "done", "failed"}
        How far it is.
    steps_done, steps : int
        Progress; both 0 until something is known of it.
    error : str or None
        Why it failed, a sentence.
    asked_utc, changed_utc : str
        When it was asked for and when its state changed last.
    """

    number: int
    job_id: str
    kind: TaskKind
    options: Mapping[str, Any]
    who: str
    state: TaskState
    steps_done: int
    steps: int
    error: str | None
    asked_utc: str
    changed_utc: str


class Tasks:
    """The queue of a data folder.

    Parameters
    ----------
    engine : Engine
        Its database.
    clock : callable, optional
        Gives the present time, aware.
    """

    def __init__(self, engine: sa.Engine, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._engine = engine
        self._clock = clock

    def ask(self, job_id: str, kind: TaskKind, who: str, options: Mapping[str, Any] | None = None) -> Task:
        """Put work into the queue; the same work that waits already is not put in twice."""
        tasks = tables.tasks
        now = self._now()
        with tables.writing(self._engine) as connection:
            same = (tasks.c.job_id == job_id) & (tasks.c.kind == kind) & (tasks.c.state == "waiting")
            for row in connection.execute(sa.select(tasks).where(same)):
                if row.options == dict(options or {}):
                    return _task(row)
            values = {
                "job_id": job_id,
                "kind": kind,
                "options": dict(options or {}),
                "who": who,
                "state": "waiting",
                "steps_done": 0,
                "steps": 0,
                "error": None,
                "starts": 0,
                "asked_utc": now,
                "changed_utc": now,
            }
            return _task(connection.execute(sa.insert(tasks).values(values).returning(tasks)).one())

    def of_job(self, job_id: str) -> tuple[Task, ...]:
        """Return the last task of each kind of a job, in the order in which they were asked for."""
        tasks = tables.tasks
        last = sa.select(sa.func.max(tasks.c.number)).where(tasks.c.job_id == job_id).group_by(tasks.c.kind)
        query = sa.select(tasks).where(tasks.c.number.in_(last)).order_by(tasks.c.number)
        with self._engine.connect() as connection:
            return tuple(_task(row) for row in connection.execute(query))

    def get(self, number: int) -> Task:
        """Return a task by its number, which must be one."""
        with self._engine.connect() as connection:
            query = sa.select(tables.tasks).where(tables.tasks.c.number == number)
            return _task(connection.execute(query).one())

    def start_next(self, is_mine: Callable[[str], bool] = lambda _: True) -> Task | None:
        """Start the first task that waits and whose job has no other one running.

        Parameters
        ----------
        is_mine : callable, optional
            Tells by its job whether a task may be started now.

        Returns
        -------
        Task or None
            The task, now running; None if there is none.
        """
        tasks = tables.tasks
        with tables.writing(self._engine) as connection:
            busy = set(connection.scalars(sa.select(tasks.c.job_id).where(tasks.c.state == "running")))
            query = sa.select(tasks).where(tasks.c.state == "waiting").order_by(tasks.c.number)
            for row in connection.execute(query).all():
                if row.job_id not in busy and is_mine(row.job_id):
                    values = {"state": "running", "starts": row.starts + 1, "changed_utc": self._now()}
                    start = sa.update(tasks).where(tasks.c.number == row.number).values(values)
                    return _task(connection.execute(start.returning(tasks)).one())
        return None

    def show_progress(self, number: int, steps_done: int, steps: int) -> None:
        """Keep how far a task is."""
        self._update(number, steps_done=steps_done, steps=steps)

    def finish(self, number: int) -> None:
        """Keep that a task is done."""
        self._update(number, state="done")

    def fail(self, number: int, error: str) -> None:
        """Keep that a task failed, and why."""
        self._update(number, state="failed", error=error)

    def restart(self) -> None:
        """Let work wait again that was running when its server died, unless it died of it too often."""
        tasks = tables.tasks
        running = tasks.c.state == "running"
        why = f"the server stopped {_MOST_STARTS} times while this was made; look at its messages"
        failed = {"state": "failed", "error": why, "changed_utc": self._now()}
        waiting = {"state": "waiting", "steps_done": 0, "steps": 0, "changed_utc": self._now()}
        with tables.writing(self._engine) as connection:
            often = running & (tasks.c.starts >= _MOST_STARTS)
            connection.execute(sa.update(tasks).where(often).values(failed))
            connection.execute(sa.update(tasks).where(running).values(waiting))

    def _update(self, number: int, **values: Any) -> None:
        tasks = tables.tasks
        with tables.writing(self._engine) as connection:
            changed = sa.update(tasks).where(tasks.c.number == number)
            connection.execute(changed.values(values | {"changed_utc": self._now()}))

    def _now(self) -> str:
        return self._clock().astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _task(row: sa.Row[Any]) -> Task:
    return Task(**{name: getattr(row, name) for name in Task.__slots__})
