"""Simulated jobs of several photos for the tests: a house with natural points, and picks.

Natural points have descriptors of their own, so that matching, tracks and tie points run as on real photos.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.camera import Array, Camera, project
from calib.errors import GeometryError
from calib.targets import Target, built_in_target
from tests.vision.simulated import ENDS_MM, STANDS, TRUE_LENS, Stand, lens_prior
from vision.features import NO_FEATURES, Facing, Features
from vision.look import LoosePhoto, PhotoResult, ReadyPhoto
from vision.network import SHAPE_UNKNOWNS
from vision.pose import SCENE_BREATHING, SightedPattern, SightedPhoto, start_alone
from vision.ridge import NotMeasured, RidgeMeasurement, measure_ready
from vision.rotation import from_vector
from vision.shoot import Shoot, ShootPhoto, TapeMeasure

TRUE_MM = float(np.linalg.norm(ENDS_MM[1] - ENDS_MM[0]))
CORNER_PX, FEATURE_PX, PICK_PX = 0.1, 0.5, 1.0
PRINT_MM = 0.2
# The photo shows a natural point with this chance, and this part of its features are of nothing else.
_SEEN, _CLUTTER = 0.6, 0.2


@dataclass(frozen=True, eq=False)
class DrawnFeatures:
    """Features as a picture would give them, found only as taken; -1 numbers those that are of nothing."""

    found: Features
    points: NDArray[np.intp]

    def features(self, facing: Facing | None = None) -> Features:
        """Return the features; none in pictures turned to a plane."""
        return self.found if facing is None else NO_FEATURES


@dataclass(frozen=True, eq=False)
class House:
    """The world: natural points, shape (N, 3), mm, with unit descriptors, shape (N, 128)."""

    points_mm: Array
    descriptors: Array


def draw_house(rng: np.random.Generator, count: int = 250) -> House:
    """Return a house-sized box of natural points."""
    points = np.column_stack(
        [rng.uniform(-5000, 5000, count), rng.uniform(-2500, 1500, count), rng.uniform(-500, 2500, count)]
    )
    return House(points, _units(rng.normal(size=(count, 128))))


def _units(vectors: Array) -> Array:
    units: Array = vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)
    return units


@dataclass(frozen=True, eq=False)
class Standing:
    """A target that stands in the world: its axes and origin in world axes, mm."""

    target: Target
    rotation: Array = field(default_factory=lambda: np.eye(3))
    origin_mm: Array = field(default_factory=lambda: np.zeros(3))

    def world_mm(self, flat_mm: Array) -> Array:
        """Return world points of points on the target, shape (N, 2)."""
        return np.column_stack([flat_mm, np.zeros(len(flat_mm))]) @ self.rotation.T + self.origin_mm


PANEL = Standing(built_in_target("panel"))
# A second one lies on the lawn, before the other end of the house.
PANEL_B = Standing(
    built_in_target("panel-b"), from_vector((np.radians(80.0), 0.2, 0.1)), np.array([3000.0, 1600.0, -2500.0])
)


@dataclass(frozen=True, eq=False)
class Shooting:
    """How one photo is taken, blunders included.

    Attributes
    ----------
    stand : Stand
        Where the camera stands.
    lens : Camera
        The lens it is taken with.
    targets : tuple of Standing
        Targets that the photo shows.
    pick_shift_px : Mapping
        By how much a pick is off.
    is_swapped : bool
        Whether A and B have changed places.
    """

    stand: Stand
    lens: Camera = TRUE_LENS
    targets: tuple[Standing, ...] = (PANEL,)
    pick_shift_px: dict[str, tuple[float, float]] = field(default_factory=dict)
    is_swapped: bool = False

    def px(self, world_mm: Array) -> Array:
        """Return true pixels of world points, shape (N, 3)."""
        return project(self.lens, world_mm @ self.stand.rotation.T + self.stand.translation_mm)


@dataclass(frozen=True, eq=False)
class Unusable:
    """A photo that could not be solved alone."""

    photo: ShootPhoto
    result: PhotoResult


Taken = ReadyPhoto | LoosePhoto | Unusable

SHOOTINGS = tuple(Shooting(stand) for stand in STANDS)


def take(
    shooting: Shooting,
    name: str,
    rng: np.random.Generator,
    prior: Camera,
    *,
    house: House | None = None,
    file: Target | None = None,
    printed: Mapping[str, Array] | None = None,
    print_mm: float = PRINT_MM,
    pick_px: float = PICK_PX,
) -> Taken:
    """Take a simulated photo.

    Parameters
    ----------
    shooting : Shooting
        How it is taken.
    name : str
        Its name.
    rng : numpy.random.Generator
        Draws the noise.
    prior : Camera
        What the photo's data say of its lens.
    house : House, optional
        Gives the photo natural features.
    file : Target, optional
        What a target file says; the target that stands there is not changed.
    printed : Mapping, optional
        Target name to the printing errors of its corners, shape (T, 4, 2), mm.
    print_mm, pick_px : float
        What is said of those errors, and the noise of the picks.
    """
    picks = shooting.px(ENDS_MM) + rng.normal(0.0, pick_px, (2, 2))
    ends = {
        end: tuple(px + shooting.pick_shift_px.get(end, (0.0, 0.0)))
        for end, px in zip("ab", picks, strict=True)
    }
    if shooting.is_swapped:
        ends = {"a": ends["b"], "b": ends["a"]}
    patterns = tuple(
        replace(p, tolerance_mm=print_mm * p.tolerance_mm)
        for stood in shooting.targets
        for p in _patterns(shooting, stood, rng, file, printed or {})
    )
    sighted = SightedPhoto(name, prior, "one lens", 0, patterns)
    source = None if house is None else _features(shooting, rng, house)
    photo = ShootPhoto(name, Path(name), ends)
    if not patterns:
        assert source is not None
        return LoosePhoto(photo, sighted, source, ("no tag was found",))
    try:
        return ReadyPhoto(photo, start_alone(sighted, SCENE_BREATHING), (), source)
    except GeometryError as error:
        return Unusable(photo, PhotoResult((), None, False, (str(error),)))


def _patterns(
    shooting: Shooting,
    stood: Standing,
    rng: np.random.Generator,
    file: Target | None,
    printed: Mapping[str, Array],
) -> Iterator[SightedPattern]:
    there = stood.target
    said = {tag.id: tag for tag in (there if file is None or file.name != there.name else file).tags}
    for i, tag in enumerate(there.tags):
        flat = tag.corners_mm() + (printed[there.name][i] if there.name in printed else 0.0)
        yield SightedPattern(
            there.name,
            f"tag {tag.id}",
            said[tag.id].corners_mm(),
            np.eye(SHAPE_UNKNOWNS).reshape(4, 2, SHAPE_UNKNOWNS),
            shooting.px(stood.world_mm(flat)) + rng.normal(0.0, CORNER_PX, (4, 2)),
            CORNER_PX**2 * np.eye(8),
            np.zeros((4, 2)),
        )


def taped(first: Standing, i: int, second: Standing, j: int, *, u_mm: float = 2.0) -> TapeMeasure:
    """Return the true distance between two tags' centres as a tape would give it."""
    ends = [s.world_mm(s.target.tags[k].corners_mm()).mean(axis=0) for s, k in ((first, i), (second, j))]
    return TapeMeasure(
        first.target.tags[i].id, second.target.tags[j].id, float(np.linalg.norm(ends[1] - ends[0])), u_mm
    )


def _features(shooting: Shooting, rng: np.random.Generator, house: House) -> DrawnFeatures:
    px = shooting.px(house.points_mm) + rng.normal(0.0, FEATURE_PX, (len(house.points_mm), 2))
    size = np.array([shooting.lens.width, shooting.lens.height])
    shown = np.all((px > 0.0) & (px < size), axis=1) & (rng.uniform(size=len(px)) < _SEEN)
    clutter = round(_CLUTTER * shown.sum())
    descriptors = house.descriptors[shown] + 0.02 * rng.normal(size=(int(shown.sum()), 128))
    found = Features(
        np.concatenate([px[shown], rng.uniform(0.0, 1.0, (clutter, 2)) * size]),
        _units(np.concatenate([descriptors, rng.normal(size=(clutter, 128))])).astype(np.float32),
    )
    return DrawnFeatures(found, np.concatenate([np.flatnonzero(shown), np.full(clutter, -1)]))


def measure_job(photos: Sequence[Taken], tapes: Sequence[TapeMeasure] = ()) -> RidgeMeasurement | NotMeasured:
    """Measure the ridge from simulated photos."""
    shoot = Shoot((PANEL.target, PANEL_B.target), tuple(item.photo for item in photos), tuple(tapes))
    ready = [item for item in photos if isinstance(item, ReadyPhoto)]
    loose = [item for item in photos if isinstance(item, LoosePhoto)]
    unused = {item.photo.name: item.result for item in photos if isinstance(item, Unusable)}
    return measure_ready(shoot, ready, unused, loose)


def told(result: RidgeMeasurement | NotMeasured) -> list[str]:
    """Return every sentence that the user gets to read about blunders."""
    notes = list(result.notes) if isinstance(result, RidgeMeasurement) else [result.why]
    return notes + [f"{name}: {note}" for name, photo in result.photos.items() for note in photo.notes]


def draw_job(
    seed: int,
    shootings: Sequence[Shooting] = SHOOTINGS,
    *,
    with_features: bool = True,
    file: Target | None = None,
) -> list[Taken]:
    """Take the photos of a job: printing errors, lens prior wrong by up to 4 %, picks and features drawn."""
    rng = np.random.default_rng(seed)
    printed = {
        stood.target.name: rng.normal(0.0, PRINT_MM, (len(stood.target.tags), 4, 2))
        for stood in (PANEL, PANEL_B)
    }
    prior = lens_prior(rng.uniform(-0.04, 0.04))
    house = draw_house(rng) if with_features else None
    return [
        take(shooting, f"p{i}", rng, prior, house=house, file=file, printed=printed)
        for i, shooting in enumerate(shootings)
    ]
