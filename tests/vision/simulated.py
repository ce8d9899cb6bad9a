"""Simulated shoots for the tests: a panel, photos all round it, two ridge ends, and what each photo sees.

Nothing here is measured; the geometry is exact and the noise is drawn from a seeded generator.
"""

from dataclasses import dataclass, replace

import numpy as np

from calib.camera import Array, Camera, project
from calib.targets import Target, built_in_target
from vision.network import SHAPE_UNKNOWNS
from vision.pose import SightedPattern, SightedPhoto
from vision.rotation import from_vector

TRUE_LENS = Camera(3200, 2400, 2246.5, 2246.5, 1609.1, 1209.1, 0.022, -0.031, 3e-4, -2e-4)
ENDS_MM = np.array([[-4600.0, -2900.0, 2500.0], [4700.0, -2950.0, 2450.0]])


def lens_prior(relative_error: float = 0.0, relative_u: float = 0.03) -> Camera:
    """Return a prior whose focal length is off by a relative error, distortion unknown."""
    focal = TRUE_LENS.fx * (1.0 + relative_error)
    u = [focal * relative_u] * 2 + [32.0, 24.0, 0.07, 0.1, 1e-3, 1e-3, 0.01]
    cov = np.diag(np.square(u))
    cov[0, 1] = cov[1, 0] = cov[0, 0] - (0.002 * focal) ** 2
    return Camera(3200, 2400, focal, focal, 1599.5, 1199.5, cov=cov)


def drawn_prior(rng: np.random.Generator) -> Camera:
    """Return a prior that is wrong in all nine parameters by as much as it says of itself."""
    prior = lens_prior()
    error = np.linalg.cholesky(prior.cov) @ rng.normal(size=9)
    return prior.with_parameters(TRUE_LENS.parameters + error)


@dataclass(frozen=True, eq=False)
class Stand:
    """Where a simulated camera stands: world (panel frame) to camera."""

    rotation: Array
    translation_mm: Array

    def px(self, points_mm: Array) -> Array:
        """Return the true pixels of world points, shape (N, 3)."""
        return project(TRUE_LENS, points_mm @ self.rotation.T + self.translation_mm)


def stand(position_mm: tuple[float, float, float], looks_at_mm: tuple[float, float, float]) -> Stand:
    """Return a camera at a position (panel frame, y down) that looks at a point, horizon level."""
    position, aim = np.array(position_mm), np.array(looks_at_mm)
    forward = (aim - position) / np.linalg.norm(aim - position)
    right = np.cross([0.0, 1.0, 0.0], forward)
    right /= np.linalg.norm(right)
    rotation = np.array([right, np.cross(forward, right), forward])
    return Stand(rotation, -rotation @ position)


STANDS = (
    stand((-3500.0, -3500.0, -9500.0), (0.0, -1200.0, 1500.0)),
    stand((500.0, -5000.0, -10500.0), (200.0, -1200.0, 1500.0)),
    stand((4500.0, -2500.0, -9000.0), (0.0, -1000.0, 1500.0)),
    stand((-1500.0, 200.0, -11000.0), (0.0, -1300.0, 1500.0)),
    stand((2500.0, -6500.0, -8500.0), (300.0, -1200.0, 1500.0)),
)


def sight(
    where: Stand,
    name: str,
    rng: np.random.Generator,
    *,
    sigma_px: float,
    prior: Camera,
    target: Target | None = None,
) -> SightedPhoto:
    """Return what a simulated photo sees of a perfectly printed panel, with Gaussian corner noise."""
    panel = target or built_in_target("panel")
    patterns = []
    for tag in panel.tags:
        true = where.px(np.column_stack([tag.corners_mm(), np.zeros(4)]))
        patterns.append(
            SightedPattern(
                panel.name,
                f"tag {tag.id}",
                tag.corners_mm(),
                1e-3 * np.eye(SHAPE_UNKNOWNS).reshape(4, 2, SHAPE_UNKNOWNS),
                true + rng.normal(0.0, sigma_px, (4, 2)),
                sigma_px**2 * np.eye(8),
                np.zeros((4, 2)),
            )
        )
    return SightedPhoto(name, prior, "one lens", 0, tuple(patterns))


def turned_about(where: Stand, vector_rad: tuple[float, float, float]) -> Stand:
    """Return a stand whose camera is turned by a small rotation."""
    turn = from_vector(vector_rad)
    return replace(where, rotation=turn @ where.rotation, translation_mm=turn @ where.translation_mm)
