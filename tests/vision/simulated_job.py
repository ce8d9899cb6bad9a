"""Simulated jobs of several photos for the tests: a house with natural points, picks, and blunders on purpose.

Natural points have descriptors of their own, so that matching, tracks and tie points run as on real photos.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

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
    """Features as a picture would give them, found only as taken."""

    found: Features

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
    units: Array = vectors / np.linalg.norm(vectors, axis=1, keepdims=True)
    return units


@dataclass(frozen=True, eq=False)
class Shooting:
    """How one photo is taken, blunders included.

    Attributes
    ----------
    stand : Stand
        Where the camera stands.
    lens : Camera
        The lens it is taken with.
    target_shift_mm, target_turn_rad : ndarray of shape (3,)
        How the target stands away from its place.
    pick_shift_px : Mapping
        By how much a pick is off.
    is_swapped : bool
        Whether A and B have changed places.
    shows_target : bool
        Whether the target is in the picture.
    """

    stand: Stand
    lens: Camera = TRUE_LENS
    target_shift_mm: Array = field(default_factory=lambda: np.zeros(3))
    target_turn_rad: Array = field(default_factory=lambda: np.zeros(3))
    pick_shift_px: dict[str, tuple[float, float]] = field(default_factory=dict)
    is_swapped: bool = False
    shows_target: bool = True

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
    target: Target | None = None,
    printed: Array | None = None,
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
    target : Target, optional
        What the target file says; the panel that stands there is the built-in one.
    printed : ndarray of shape (T, 4, 2), optional
        Printing errors of the panel's corners, mm.
    """
    picks = shooting.px(ENDS_MM) + rng.normal(0.0, PICK_PX, (2, 2))
    ends = {
        end: tuple(px + shooting.pick_shift_px.get(end, (0.0, 0.0)))
        for end, px in zip("ab", picks, strict=True)
    }
    if shooting.is_swapped:
        ends = {"a": ends["b"], "b": ends["a"]}
    patterns = _patterns(shooting, rng, target, printed) if shooting.shows_target else ()
    sighted = SightedPhoto(name, prior, "one lens", 0, patterns)
    source = None if house is None else DrawnFeatures(_features(shooting, rng, house))
    photo = ShootPhoto(name, Path(name), ends)
    if not patterns:
        assert source is not None
        return LoosePhoto(photo, sighted, source, ("no tag was found",))
    try:
        return ReadyPhoto(photo, start_alone(sighted, SCENE_BREATHING), (), source)
    except GeometryError as error:
        return Unusable(photo, PhotoResult((), None, False, (str(error),)))


def _patterns(
    shooting: Shooting, rng: np.random.Generator, target: Target | None, printed: Array | None
) -> tuple[SightedPattern, ...]:
    there = built_in_target("panel")
    said = {tag.id: tag for tag in (target or there).tags}
    turn = from_vector(shooting.target_turn_rad)
    patterns = []
    for i, tag in enumerate(there.tags):
        flat = tag.corners_mm() + (0.0 if printed is None else printed[i])
        world = np.column_stack([flat, np.zeros(4)]) @ turn.T + shooting.target_shift_mm
        patterns.append(
            SightedPattern(
                there.name,
                f"tag {tag.id}",
                said[tag.id].corners_mm(),
                PRINT_MM * np.eye(SHAPE_UNKNOWNS).reshape(4, 2, SHAPE_UNKNOWNS),
                shooting.px(world) + rng.normal(0.0, CORNER_PX, (4, 2)),
                CORNER_PX**2 * np.eye(8),
                np.zeros((4, 2)),
            )
        )
    return tuple(patterns)


def _features(shooting: Shooting, rng: np.random.Generator, house: House) -> Features:
    px = shooting.px(house.points_mm) + rng.normal(0.0, FEATURE_PX, (len(house.points_mm), 2))
    size = np.array([shooting.lens.width, shooting.lens.height])
    shown = np.all((px > 0.0) & (px < size), axis=1) & (rng.uniform(size=len(px)) < _SEEN)
    clutter = round(_CLUTTER * shown.sum())
    descriptors = house.descriptors[shown] + 0.02 * rng.normal(size=(int(shown.sum()), 128))
    return Features(
        np.concatenate([px[shown], rng.uniform(0.0, 1.0, (clutter, 2)) * size]),
        _units(np.concatenate([descriptors, rng.normal(size=(clutter, 128))])).astype(np.float32),
    )


def measure_job(photos: Sequence[Taken], tapes: Sequence[TapeMeasure] = ()) -> RidgeMeasurement | NotMeasured:
    """Measure the ridge from simulated photos."""
    shoot = Shoot((built_in_target("panel"),), tuple(item.photo for item in photos), tuple(tapes))
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
    target: Target | None = None,
) -> list[Taken]:
    """Take the photos of a job: printing errors, lens prior wrong by up to 4 %, picks and features drawn."""
    rng = np.random.default_rng(seed)
    printed = rng.normal(0.0, PRINT_MM, (len(built_in_target("panel").tags), 4, 2))
    prior = lens_prior(rng.uniform(-0.04, 0.04))
    house = draw_house(rng) if with_features else None
    return [
        take(shooting, f"p{i}", rng, prior, house=house, target=target, printed=printed)
        for i, shooting in enumerate(shootings)
    ]


BLUNDERS = ("swapped ends", "wrong corner", "moved target", "wrong target file", "two cameras")


def draw_blunder(kind: str, seed: int, *, with_features: bool) -> tuple[list[Taken], str]:
    """Return a job with one blunder in it, and the name of the photo that has it (empty for all)."""
    rng = np.random.default_rng([seed, BLUNDERS.index(kind)])
    index = int(rng.integers(len(SHOOTINGS)))
    bad, target = SHOOTINGS[index], None
    if kind == "swapped ends":
        bad = replace(bad, is_swapped=True)
    elif kind == "wrong corner":
        angle, size_px = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(12.0, 80.0)
        bad = replace(
            bad, pick_shift_px={rng.choice(["a", "b"]): (size_px * np.cos(angle), size_px * np.sin(angle))}
        )
    elif kind == "moved target":
        direction = _units(rng.normal(size=(1, 3)))[0]
        bad = replace(
            bad,
            target_shift_mm=rng.uniform(100.0, 600.0) * direction,
            target_turn_rad=rng.normal(0.0, np.radians(3.0), 3),
        )
    elif kind == "two cameras":
        factor = float(np.exp(rng.choice([-1.0, 1.0]) * rng.uniform(np.log(1.05), np.log(1.3))))
        lens = replace(TRUE_LENS, fx=TRUE_LENS.fx * factor, fy=TRUE_LENS.fy * factor)
        bad = replace(bad, lens=lens)
    else:
        factor = float(np.exp(rng.choice([-1.0, 1.0]) * rng.uniform(np.log(1.03), np.log(1.25))))
        panel = built_in_target("panel")
        target = replace(panel, tags=tuple(replace(tag, size_mm=tag.size_mm * factor) for tag in panel.tags))
    shootings = [bad if i == index else shooting for i, shooting in enumerate(SHOOTINGS)]
    name = "" if kind == "wrong target file" else f"p{index}"
    return draw_job(seed, shootings, with_features=with_features, target=target), name
