"""A small evidence package to spoil, made as the command makes it."""

import tempfile
from pathlib import Path

from tests.webui.small_job import small_job
from webui import evidence
from webui.store import Store


def make_package(folder: Path) -> None:
    """Leave a bag as ``package`` and the same zipped as ``package.zip``."""
    with tempfile.TemporaryDirectory() as data, Store(Path(data)) as store:
        job = small_job(store)
        evidence.make_package(job, lambda photo: store.originals.path(photo.sha256), folder / "package")
        evidence.make_zip(folder / "package", folder / "package.zip")
