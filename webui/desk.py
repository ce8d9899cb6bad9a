"""What the pages and the interface for machines work with: one desk per application."""

from dataclasses import dataclass
from pathlib import Path

from flask import current_app

from webui.job import FiledPhoto
from webui.settings import Settings
from webui.store import Store

_NAME = "ridgewitness"


@dataclass(frozen=True, slots=True)
class Desk:
    """The parts of one desk."""

    settings: Settings
    store: Store

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
