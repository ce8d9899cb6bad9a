"""Simulated jobs with one blunder in each, and the words by which a person can tell which one it is.

Five photos from all over the front; one of them, or the target file, is wrong.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from calib.camera import Array
from calib.targets import Target
from tests.calib import drawn_tags
from tests.vision.simulated import TRUE_LENS
from tests.vision.simulated_job import (
    PANEL,
    PRINT_MM,
    DrawnFeatures,
    House,
    Shooting,
    Taken,
    Unusable,
    draw_house,
    take,
)
from tests.vision.simulated_networks import drawn_lens, drawn_shootings
from vision.features import mirrored
from vision.look import LoosePhoto, PhotoResult, ReadyPhoto, look_at
from vision.rotation import from_vector
from vision.shoot import Shoot, ShootPhoto

PHOTOS = 5
# Each blunder, with what must be told of it; {0} stands for the photo that has it.
BLUNDERS = {
    "swapped ends": r"ends A and B of {0} are swapped",
    "wrong corner": r"end {1} in {0} is .*(wrong corner|wrong point)",
    "moved target": r"(target panel was moved.* in {0}|{0}.*target.* moved)",
    "wrong target file": r"(right target file|not as its file says)",
    "two cameras": r"{0}.*another (camera|lens)",
    "mirrored photo": r"{0}.*mirrored",
}
_SIZE = np.array([TRUE_LENS.width, TRUE_LENS.height])


@dataclass(frozen=True, eq=False)
class Blundered:
    """A job with a blunder, and the pattern that a sentence about it must match."""

    photos: tuple[Taken, ...]
    pattern: str

    def is_named_in(self, sentences: Sequence[str]) -> bool:
        """Say whether one of the sentences names the blunder."""
        return any(re.search(self.pattern, sentence) for sentence in sentences)


def draw_blunder(kind: str, seed: int, folder: Path, *, with_features: bool = True) -> Blundered:
    """Draw a job with one blunder in it.

    Parameters
    ----------
    kind : str
        One of `BLUNDERS`.
    seed : int
        Number of the draw.
    folder : Path
        Where a picture may be written.
    with_features : bool
        Whether the photos have natural features.
    """
    rng = np.random.default_rng([seed, list(BLUNDERS).index(kind)])
    lens, prior = drawn_lens(rng)
    shootings = list(drawn_shootings(rng, PHOTOS, lens))
    printed = {PANEL.target.name: rng.normal(0.0, PRINT_MM, (len(PANEL.target.tags), 4, 2))}
    index, end = int(rng.integers(PHOTOS)), str(rng.choice(["a", "b"]))
    shootings[index] = _with_blunder(kind, shootings[index], end, rng)
    file = _wrong_file(rng) if kind == "wrong target file" else None
    house = draw_house(rng) if with_features else None
    photos = [
        take(shooting, f"p{i}", rng, prior, house=house, file=file, printed=printed)
        for i, shooting in enumerate(shootings)
    ]
    if kind == "mirrored photo":
        photos[index] = _mirrored(photos[index], shootings[index], folder, house)
    return Blundered(tuple(photos), BLUNDERS[kind].format(f"p{index}", end.upper()))


def _with_blunder(kind: str, good: Shooting, end: str, rng: np.random.Generator) -> Shooting:
    """Return how a photo is taken with a blunder of its own; as before where the blunder is elsewhere."""
    if kind == "swapped ends":
        return replace(good, is_swapped=True)
    if kind == "wrong corner":
        # The neighbouring corner: of the cap, the barge board, the gutter.
        angle, size_px = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(12.0, 80.0)
        return replace(good, pick_shift_px={end: (size_px * np.cos(angle), size_px * np.sin(angle))})
    if kind == "moved target":
        direction = rng.normal(size=3)
        shift_mm = rng.uniform(100.0, 600.0) * direction / np.linalg.norm(direction)
        turn = from_vector(rng.normal(0.0, np.radians(3.0), 3))
        return replace(good, targets=(replace(PANEL, rotation=turn, origin_mm=shift_mm),))
    if kind == "two cameras":
        factor = _factor(rng, 1.05, 1.3)
        return replace(good, lens=replace(good.lens, fx=good.lens.fx * factor, fy=good.lens.fy * factor))
    return good


def _wrong_file(rng: np.random.Generator) -> Target:
    """Return a file of a target with the same tags in the same places, but of another size."""
    factor, panel = _factor(rng, 1.03, 1.25), PANEL.target
    return replace(panel, tags=tuple(replace(tag, size_mm=tag.size_mm * factor) for tag in panel.tags))


def _factor(rng: np.random.Generator, least: float, most: float) -> float:
    """Return a factor, or one over it."""
    return float(np.exp(rng.choice([-1.0, 1.0]) * rng.uniform(np.log(least), np.log(most))))


def _mirrored(right: Taken, shooting: Shooting, folder: Path, house: House | None) -> Taken:
    """Return what a flipped copy of a photo gives; its tags are drawn, written to a file and looked at."""
    path = folder / f"{right.photo.name}.png"
    cv2.imwrite(str(path), cv2.flip(draw_panel(shooting), 1))
    ends = {end: (TRUE_LENS.width - 1.0 - x, y) for end, (x, y) in right.photo.ends.items()}
    photo = ShootPhoto(right.photo.name, path, ends)
    shoot = Shoot((PANEL.target,), (photo, photo))
    found = look_at(photo, shoot, keep_picture=house is not None)
    if isinstance(found, PhotoResult):
        return Unusable(photo, found)
    assert isinstance(right, (ReadyPhoto, LoosePhoto))
    assert isinstance(right.source, DrawnFeatures)
    source = replace(right.source, found=mirrored(right.source.found, TRUE_LENS.width))
    if isinstance(found, LoosePhoto):
        return replace(found, source=source, sighted=replace(right.sighted, patterns=()))
    return replace(found, source=source)


def draw_panel(shooting: Shooting) -> Array:
    """Return the grey picture of the panel's tags as a photo shows them; all else is a plain wall."""
    picture = np.full((TRUE_LENS.height, TRUE_LENS.width), 137, np.uint8)
    corners = {tag.id: shooting.px(PANEL.world_mm(tag.corners_mm())) for tag in PANEL.target.tags}
    every = np.concatenate(list(corners.values()))
    first = np.maximum(np.floor(every.min(axis=0)).astype(int) - 40, 0)
    last = np.minimum(np.ceil(every.max(axis=0)).astype(int) + 40, _SIZE)
    width, height = (last - first).tolist()
    here = {tag: px - first for tag, px in corners.items()}
    drawn = drawn_tags.draw((height, width), here, drawn_tags.Camera(points_per_px=3))
    picture[first[1] : last[1], first[0] : last[0]] = drawn
    return picture
