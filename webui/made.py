"""Documents made of a job: kept in the data folder until they are made again."""

import json
import secrets
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from calib.errors import FileError
from webui.canonical import canonical_json
from webui.job import Job
from webui.tasks import Task

DocumentKind = Literal["report", "evidence"]
FILE_NAMES: dict[DocumentKind, str] = {"report": "report.pdf", "evidence": "evidence.zip"}


@dataclass(frozen=True, slots=True)
class Document:
    """A document as it was made.

    Attributes
    ----------
    path : Path
        The file.
    log_head : str
        The end of the job's change log that it was made at: another one means that it is not the last word.
    task : int
        The task that made it.
    """

    path: Path
    log_head: str
    task: int


class MadeFolder:
    """What was made in a data folder.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    """

    def __init__(self, data_folder: Path) -> None:
        self._made = data_folder / "made"

    @contextmanager
    def workplace(self, job: Job) -> Iterator[Path]:
        """Give a folder on the same disk, gone afterwards, in which a document of a job is made.

        Raises
        ------
        FileError
            If it cannot be made.
        """
        try:
            (self._made / job.id).mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryDirectory(dir=self._made / job.id, prefix=".making-") as folder:
                yield Path(folder)
        except OSError as error:
            if isinstance(error, FileError):
                raise
            msg = (
                f"the document could not be kept ({error.strerror or error}); make room on the server's disk"
            )
            raise FileError(msg) from error

    def put(self, job: Job, kind: DocumentKind, path: Path, task: Task) -> None:
        """Keep a document in the place of the one before."""
        place = self._made / job.id
        about = {"log_head": job.log_head, "task": task.number}
        name = f"{secrets.token_hex(8)}-{FILE_NAMES[kind]}"
        before = self.find(job.id, kind)
        path.replace(place / name)
        fresh = place / f".{kind}-{secrets.token_hex(4)}"
        fresh.write_text(canonical_json(about | {"file": name}), encoding="utf-8")
        fresh.replace(place / f"{kind}.json")
        if before is not None:
            before.path.unlink(missing_ok=True)

    def find(self, job_id: str, kind: DocumentKind) -> Document | None:
        """Return a job's document, None if it was not made yet."""
        try:
            about = json.loads((self._made / job_id / f"{kind}.json").read_text(encoding="utf-8"))
            found = Document(self._made / job_id / about["file"], about["log_head"], about["task"])
        except (OSError, ValueError, KeyError):
            return None
        return found if found.path.is_file() else None
