"""The tiles that a server has: made on first view, each photo once, however many ask for them."""

import json
import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

from calib.errors import MeasureError
from webui.errors import NotThereError
from webui.tiles import ABOUT_FILE, PictureSize, make_tiles, tile_in
from webui.worker import Bench

# How often a request looks whether its tile is there by now, and how long at most.
_LOOK_S, _LONGEST_S = 0.01, 60.0


class TileStore:
    """The tiles of a data folder.

    Parameters
    ----------
    folder : Path
        Where they lie; may be emptied at any time.
    bench : Bench
        Makes them.
    makers : int
        How many photos at once.
    """

    def __init__(self, folder: Path, bench: Bench, makers: int) -> None:
        self._folder = folder
        self._bench = bench
        self._makers = ThreadPoolExecutor(makers, "tiles")
        self._making: dict[str, Future[PictureSize]] = {}
        self._lock = threading.Lock()

    def size(self, sha256: str, original: Path) -> PictureSize:
        """Return the size of a photo's upright picture, whose tiles are made or begun then.

        Raises
        ------
        MeasureError
            If it cannot be decoded, or its tiles cannot be kept.
        """
        place = self._place(sha256) / ABOUT_FILE
        self._await(place, sha256, original)
        return PictureSize(**json.loads(place.read_text(encoding="utf-8")))

    def tile(self, sha256: str, original: Path, level: int, x: int, y: int) -> Path:
        """Return the file of a tile.

        Raises
        ------
        NotThereError
            If the picture has no such tile.
        MeasureError
            If it cannot be decoded, or its tiles cannot be kept.
        """
        size = self.size(sha256, original)
        across, down = (-(-extent // (size.tile_px << level)) for extent in (size.width, size.height))
        if level >= size.levels or x >= across or y >= down:
            msg = f"the photo has no tile {x}, {y} at level {level}"
            raise NotThereError(msg)
        place = tile_in(self._place(sha256) / str(level), x, y)
        self._await(place, sha256, original)
        return place

    def close(self) -> None:
        """Make no more."""
        self._makers.shutdown(wait=False, cancel_futures=True)

    def _place(self, sha256: str) -> Path:
        return self._folder / sha256[:2] / sha256

    def _await(self, file: Path, sha256: str, original: Path) -> None:
        """Wait until a file is there, which is at once but for the first view."""
        if file.exists():
            return
        making = self._begin(sha256, original)
        end = time.monotonic() + _LONGEST_S
        while not file.exists():
            if making.done():
                making.result()
                if not file.exists():
                    msg = "the photo's tiles were lost while they were made; look again"
                    raise MeasureError(msg)
            elif time.monotonic() > end:
                msg = f"the photo's tiles were not ready in {_LONGEST_S:g} s; look again"
                raise MeasureError(msg)
            else:
                time.sleep(_LOOK_S)

    def _begin(self, sha256: str, original: Path) -> "Future[PictureSize]":
        with self._lock:
            making = self._making.get(sha256)
            if making is None or making.done():
                making = self._makers.submit(
                    self._bench.ask, sha256, make_tiles, original, self._place(sha256)
                )
                self._making = {sha: each for sha, each in self._making.items() if not each.done()}
                self._making[sha256] = making
            return making
