"""What the pages and the interface for machines work with: one desk per application."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Flask, current_app

from webui.accounts import Accounts
from webui.at_hand import Folders, warm_up
from webui.job import FiledPhoto
from webui.login_gate import LoginGate
from webui.made import MadeFolder
from webui.settings import Settings
from webui.store import Store
from webui.tasks import Task, TaskKind, Tasks
from webui.tile_store import TileStore
from webui.uploads import Uploads
from webui.worker import Bench
from webui.workshop import Workshop

_NAME = "ridgewitness"


@dataclass(frozen=True, slots=True)
class Desk:
    """The parts of one desk.

    Attributes
    ----------
    settings : Settings
        How it is run.
    store : Store
        Jobs and photos.
    accounts : Accounts
        Who may do what.
    gate : LoginGate
        How often a log-in may be tried.
    tasks : Tasks
        Work that takes long.
    uploads : Uploads
        Photos on their way in.
    bench : Bench
        Processes that answer at once.
    workshop : Workshop
        Processes that do the work that takes long.
    tiles : TileStore
        Tiles of the photos.
    made : MadeFolder
        Reports and packages.
    """

    settings: Settings
    store: Store
    accounts: Accounts
    gate: LoginGate
    tasks: Tasks
    uploads: Uploads
    bench: Bench
    workshop: Workshop
    tiles: TileStore
    made: MadeFolder

    @classmethod
    def open(cls, settings: Settings) -> "Desk":
        """Open a data folder.

        Raises
        ------
        FileError
            If it cannot be used.
        StoreError
            If a newer version of the software made it.
        """
        store = Store(settings.data_folder, settings.database_url)
        tasks, bench = Tasks(store.engine), Bench(settings.benches)
        return cls(
            settings,
            store,
            Accounts(store.engine),
            LoginGate(),
            tasks,
            Uploads(store, settings.photo_bytes),
            bench,
            Workshop(tasks, store.folder, settings.database_url, settings.workers),
            TileStore(store.folder / "cache" / "tiles", bench, settings.benches),
            MadeFolder(store.folder),
        )

    @property
    def folders(self) -> Folders:
        """Where workers find things."""
        return Folders(self.store.folder / "originals", self.store.folder / "cache")

    def start(self, job_id: str, kind: TaskKind, who: str, options: Mapping[str, Any] | None = None) -> Task:
        """Put work into the queue and wake the workshop."""
        task = self.tasks.ask(job_id, kind, who, options)
        self.workshop.ring()
        return task

    def start_once(self, job_id: str, kind: TaskKind, who: str, options: Mapping[str, Any]) -> Task:
        """Put work into the queue unless the very same was asked for last, and is not done."""
        last = next((task for task in self.tasks.of_job(job_id) if task.kind == kind), None)
        if last is not None and last.options == options and last.state != "done":
            return last
        return self.start(job_id, kind, who, options)

    def begin_work(self) -> None:
        """Start the processes: what was broken off is gone on with."""
        self.bench.warm_up(warm_up)
        self.workshop.open()

    def original(self, photo: FiledPhoto) -> Path:
        """Return where the original of a photo lies."""
        return self.store.originals.path(photo.sha256)

    def close(self) -> None:
        """Let everything go; work that is not done waits for the next start."""
        self.workshop.close()
        self.tiles.close()
        self.bench.close()
        self.store.close()


def put_desk(app: Flask, desk: Desk) -> None:
    """Give an application its desk."""
    app.extensions[_NAME] = desk


def desk_of(app: Flask) -> Desk:
    """Return the desk of an application."""
    desk: Desk = app.extensions[_NAME]
    return desk


def the_desk() -> Desk:
    """Return the desk of the application that answers now."""
    return desk_of(current_app)
