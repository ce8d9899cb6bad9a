"""What a worker keeps at hand: photos decoded, close-ups made ready to be measured again, ridge photos tied.

The last two also lie in the data folder's cache, under a hash of all that they follow from, so that the next
worker, or the next start of the server, need not make them again.
"""

import functools
import pickle
import secrets
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.photo import load_photo
from vision.plane import View
from webui.canonical import record_hash
from webui.inputs import inputs_hash
from webui.job import FiledPhoto, Job, ResultKind
from webui.originals import Originals
from webui.software import software_versions
from webui.work import PreparedCloseUps, Progress, prepare_close_ups, tie_ridge_photos

# Two photos of 48 megapixels, or a dozen of a telephone's usual size.
_KEPT_BYTES = 300_000_000
# One is some kilobytes per photo.
_KEPT_FILES = 200

Image = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Folders:
    """Where a worker finds things: the originals, and what can be made again from them."""

    originals: Path
    cache: Path

    def original(self, photo: FiledPhoto) -> Path:
        """Return where the original of a photo lies."""
        return _originals(self.originals).path(photo.sha256)

    def prepared(self, job: Job) -> Path:
        """Return where a job's close-ups made ready lie, or would: they follow from everything but marks."""
        bare = replace(job, photos=tuple(replace(photo, marks=None) for photo in job.photos))
        return self.cache / "prepared" / f"{_key(bare, 'check')}.pickle"

    def views(self, job: Job) -> Path:
        """Return where the views of a job's tied ridge photos lie, or would: picks do not move them."""
        bare = replace(job, photos=tuple(replace(photo, ends={}) for photo in job.photos))
        return self.cache / "views" / f"{_key(bare, 'measure')}.pickle"


def warm_up() -> None:
    """Do nothing: to be asked for it, a worker has loaded everything already."""


def load_image(path: Path) -> Image:
    """Return the upright picture of an original."""
    return _images.get(path)


def load_prepared(place: Path) -> PreparedCloseUps | None:
    """Return close-ups made ready before, None if they were not."""
    kept: PreparedCloseUps | None = _load(place)
    return kept


def load_views(place: Path) -> Mapping[str, View] | None:
    """Return the views of ridge photos tied before, None if they were not."""
    kept: Mapping[str, View] | None = _load(place)
    return kept


def prepare(job: Job, folders: Folders, progress: Progress | None = None) -> PreparedCloseUps:
    """Return a job's close-ups made ready, now or before; see `webui.work.prepare_close_ups`."""
    place = folders.prepared(job)
    kept = load_prepared(place)
    if kept is None:
        kept = prepare_close_ups(job, folders.original, progress)
        _keep(place, kept)
    return kept


def tie(job: Job, folders: Folders, progress: Progress | None = None) -> None:
    """Tie a job's ridge photos, if they were not tied before; see `webui.work.tie_ridge_photos`."""
    place = folders.views(job)
    if load_views(place) is None:
        _keep(place, tie_ridge_photos(job, folders.original, progress))


class _Images:
    """The pictures used last, up to so much memory."""

    def __init__(self, load: Callable[[Path], Image]) -> None:
        self._load = load
        self._kept: OrderedDict[Path, Image] = OrderedDict()

    def get(self, path: Path) -> Image:
        if path not in self._kept:
            self._kept[path] = self._load(path)
        self._kept.move_to_end(path)
        while len(self._kept) > 1 and sum(image.nbytes for image in self._kept.values()) > _KEPT_BYTES:
            self._kept.popitem(last=False)
        return self._kept[path]


# One per process: a worker does one thing at a time.
_images = _Images(lambda path: load_photo(path).image)


def _key(job: Job, kind: ResultKind) -> str:
    return record_hash([inputs_hash(job, kind), software_versions()])


def _load(place: Path) -> Any:
    try:
        return _unpickled(place)
    except (OSError, pickle.UnpicklingError, EOFError, AttributeError):
        return None


@functools.lru_cache(maxsize=16)
def _unpickled(place: Path) -> Any:
    # The file is the server's own, in a folder that nobody else writes to.
    return pickle.loads(place.read_bytes())  # noqa: S301


def _keep(place: Path, value: Any) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    fresh = place.with_name(f".{place.name}-{secrets.token_hex(4)}")
    fresh.write_bytes(pickle.dumps(value))
    fresh.replace(place)
    files = sorted(place.parent.glob("*.pickle"), key=lambda path: path.stat().st_mtime)
    for path in files[:-_KEPT_FILES]:
        path.unlink(missing_ok=True)


@functools.lru_cache(maxsize=2)
def _originals(folder: Path) -> Originals:
    return Originals(folder)
