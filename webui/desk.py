"""What the pages and the interface for machines work with: one desk per application."""

from dataclasses import dataclass
from pathlib import Path

from flask import current_app

from webui.accounts import Accounts
from webui.job import FiledPhoto
from webui.login_gate import LoginGate
from webui.settings import Settings
from webui.store import Store
from webui.tasks import Tasks

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
    """

    settings: Settings
    store: Store
    accounts: Accounts
    gate: LoginGate
    tasks: Tasks

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
        return cls(settings, store, Accounts(store.engine), LoginGate(), Tasks(store.engine))

    def original(self, photo: FiledPhoto) -> Path:
        """Return where the original of a photo lies."""
        return self.store.originals.path(photo.sha256)

    def close(self) -> None:
        """Let everything go."""
        self.store.close()


def put_desk(extensions: dict[str, object], desk: Desk) -> None:
    """Give an application its desk."""
    extensions[_NAME] = desk


def the_desk() -> Desk:
    """Return the desk of the application that answers now."""
    desk: Desk = current_app.extensions[_NAME]
    return desk
