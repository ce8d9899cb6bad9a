"""Simulated networks that keep to their noise model: places, lens, print, corners, picks, features all drawn.

The bound of Cramer and Rao says how well any estimator can do on them. Frame: see tests/vision/simulated.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calib.camera import Array, Camera, undistort
from calib.errors import GeometryError
from tests.vision.simulated import ENDS_MM, TRUE_LENS, lens_prior, stand
from tests.vision.simulated_job import (
    FEATURE_PX,
    PANEL,
    PICK_PX,
    PRINT_MM,
    DrawnFeatures,
    House,
    Shooting,
    Standing,
    Taken,
    Unusable,
    draw_house,
    take,
)
from vision.adjust import Solution, adjust
from vision.ends import length_of, solve_ends, with_ends
from vision.look import ReadyPhoto
from vision.network import Network, PointSighting
from vision.ridge import NotMeasured, RidgeMeasurement, measure_ready
from vision.shoot import Shoot, ShootPhoto, TapeMeasure
from vision.survey import Shot
from vision.tie import Tied, tie_photos
from vision.tying import tie_by_features

# Makers round focal lengths, and some reckon them by the width: a prior may be wrong by this much, evenly.
MOST_FOCAL_ERROR = 0.04
_PHOTOS = (3, 7)


@dataclass(frozen=True, eq=False)
class Drawn:
    """A simulated job with what is true of it.

    Attributes
    ----------
    shootings : tuple of Shooting
        How each photo was taken.
    photos : tuple
        What it gave.
    prior : Camera
        What the photos' data say of the lens.
    house : House
        The natural points.
    printed : dict
        Target name to the printing errors of its corners, shape (T, 4, 2), mm.
    """

    shootings: tuple[Shooting, ...]
    photos: tuple[Taken, ...]
    prior: Camera
    house: House
    printed: dict[str, Array]


def drawn_lens(rng: np.random.Generator) -> tuple[Camera, Camera]:
    """Return a lens, and a prior wrong by up to 4 % in focal length and in all else as it says.

    The prior knows nothing of centre and distortion but how large they are at most lenses.
    """
    # An even law of half width a has the standard uncertainty a / sqrt(3): JCGM 100:2008, 4.3.7.
    prior = lens_prior(rng.uniform(-MOST_FOCAL_ERROR, MOST_FOCAL_ERROR), MOST_FOCAL_ERROR / np.sqrt(3.0))
    while True:
        parameters = prior.parameters + np.linalg.cholesky(prior.cov) @ rng.normal(size=9)
        parameters[0] = TRUE_LENS.fx
        parameters[1] = TRUE_LENS.fx + rng.normal(0.0, 0.002 * TRUE_LENS.fx)
        lens = TRUE_LENS.with_parameters(parameters)
        if _is_lens(lens):
            return lens, prior


def _is_lens(lens: Camera) -> bool:
    """Say whether a drawn lens maps its whole picture; no real one folds it."""
    try:
        undistort(lens, [(0, 0), (lens.width, 0), (lens.width, lens.height), (0, lens.height)])
    except GeometryError:
        return False
    return True


def drawn_shootings(
    rng: np.random.Generator, count: int, lens: Camera, targets: tuple[Standing, ...] = (PANEL,)
) -> tuple[Shooting, ...]:
    """Return photos from all over the front, high and low, near and far; each shows targets and ends."""
    shootings: list[Shooting] = []
    while len(shootings) < count:
        position = (rng.uniform(-6000, 6000), rng.uniform(-6500, 600), rng.uniform(-12500, -8500))
        aim = (rng.uniform(-400, 400), rng.uniform(-1600, -800), 1500.0)
        shooting = Shooting(stand(position, aim), lens, targets)
        corners = np.concatenate([t.world_mm(tag.corners_mm()) for t in targets for tag in t.target.tags])
        px = shooting.px(np.concatenate([ENDS_MM, corners]))
        size = np.array([lens.width, lens.height])
        if np.all((px > 60.0) & (px < size - 60.0)):
            shootings.append(shooting)
    return tuple(shootings)


def draw_network(seed: int, targets: tuple[Standing, ...] = (PANEL,)) -> Drawn:
    """Draw a job of three to six photos."""
    rng = np.random.default_rng([seed, 2026])
    lens, prior = drawn_lens(rng)
    shootings = drawn_shootings(rng, int(rng.integers(*_PHOTOS)), lens, targets)
    printed = {t.target.name: rng.normal(0.0, PRINT_MM, (len(t.target.tags), 4, 2)) for t in targets}
    house = draw_house(rng)
    photos = tuple(
        take(shooting, f"p{i}", rng, prior, house=house, printed=printed)
        for i, shooting in enumerate(shootings)
    )
    return Drawn(shootings, photos, prior, house, printed)


def solved(
    photos: Sequence[Taken], tapes: Sequence[TapeMeasure] = (), *, pick_px: float = PICK_PX
) -> tuple[Solution, Tied]:
    """Solve photos that hold no blunder as `measure` does, and return the adjustment itself."""
    starts = [item.start for item in photos if isinstance(item, ReadyPhoto)]
    shots = {
        item.photo.name: Shot(item.sighted, item.source)
        for item in photos
        if not isinstance(item, Unusable) and item.source is not None
    }
    tied = tie_by_features(starts, shots, tapes).tied
    picks = [
        PointSighting(tied.stations[item.photo.name], i, np.array(item.photo.ends[end]), pick_px)
        for item in photos
        for i, end in enumerate("ab")
    ]
    return solve_ends(tied.network, picks).solution, tied


def bound_mm(drawn: Drawn) -> float:
    """Return the least standard uncertainty of the length that any estimator without bias can have.

    All natural points that two photos show are used, each known for what it is, with the noise that was
    drawn: van Trees's form of the bound of Cramer and Rao, the priors counted as observations (H. L. van
    Trees, "Detection, Estimation, and Modulation Theory", part I, 1968, 2.4, from memory).
    """
    starts = [item.start for item in drawn.photos if isinstance(item, ReadyPhoto)]
    network = tie_photos(starts).network
    stations = tuple(
        replace(
            s, rotation=shooting.stand.rotation, translation_mm=shooting.stand.translation_mm, ln_focal=0.0
        )
        for s, shooting in zip(network.stations, drawn.shootings, strict=True)
    )
    network = replace(network, stations=stations, cameras=(drawn.shootings[0].lens,))
    network = _with_natural_points(network, drawn)
    picks = [
        PointSighting(k, i, shooting.px(ENDS_MM[[i]])[0], PICK_PX)
        for k, shooting in enumerate(drawn.shootings)
        for i in range(2)
    ]
    solution = adjust(with_ends(network, ENDS_MM, picks))
    _, gradient = length_of(solution)
    return float(np.sqrt(solution.covariance(gradient[None])[0, 0] / solution.variance_factor))


def _with_natural_points(network: Network, drawn: Drawn) -> Network:
    seen: dict[int, list[tuple[int, Array]]] = {}
    for k, item in enumerate(drawn.photos):
        assert isinstance(item, ReadyPhoto)
        assert isinstance(item.source, DrawnFeatures)
        for point, px in zip(item.source.points.tolist(), item.source.found.px, strict=True):
            if point >= 0:
                seen.setdefault(point, []).append((k, px))
    shared = [point for point in sorted(seen) if len(seen[point]) > 1]
    # Not called tie points: nothing is wrong among them, and a robust loss would only throw away.
    sightings = tuple(
        PointSighting(k, i, px, FEATURE_PX) for i, point in enumerate(shared) for k, px in seen[point]
    )
    return replace(network, points_mm=drawn.house.points_mm[shared], point_sightings=sightings)


def measure_alone(drawn: Drawn, index: int, rng: np.random.Generator) -> RidgeMeasurement | NotMeasured:
    """Measure the ridge from one photo, the ridge taken to lie in a plane behind the panel."""
    item = drawn.photos[index]
    assert isinstance(item, ReadyPhoto)
    u_mm = 30.0
    shoot = Shoot(
        (PANEL.target,),
        (ShootPhoto(item.photo.name, Path(item.photo.name), item.photo.ends),),
        setback_mm=float(ENDS_MM[:, 2].mean() + rng.normal(0.0, u_mm)),
        setback_u_mm=u_mm,
    )
    return measure_ready(shoot, [item], {})
