"""Profiles across an upper sheet's end, every ray followed to the sheet, cut face, gap or lower sheet."""

import numpy as np
from scipy.ndimage import gaussian_filter1d

from calib.camera import Array
from vision.stepedge import SHEET_MM

STEP_MM = 0.2
DISTANCES_MM = STEP_MM * (np.arange(101) - 50.0)


def step_profile(
    rng: np.random.Generator,
    *,
    edge_mm: float,
    rise_mm: float,
    view_slope: float,
    face: float,
    gap: float = 0.15,
    shadow_mm: float = 0.0,
    lower: float = 1.0,
    blur_mm: float = 0.33,
) -> Array:
    """Return grey levels across a step at `DISTANCES_MM`, shape (M, 3), with noise."""
    fine = np.arange(-14.0, 14.0, 0.02)
    beyond = fine - edge_mm
    # Where the ray that passes the upper plane at `beyond` meets the lower one, and its depth at the face.
    on_lower = beyond - rise_mm * view_slope
    depth = beyond / view_slope if view_slope > 0.0 else np.full_like(fine, np.inf)
    sky = (1.0 + np.cos(np.arctan2(rise_mm, np.maximum(on_lower, 1e-9)))) / 2.0
    level = np.where(on_lower > 0.0, lower * sky * np.where(on_lower < shadow_mm, 0.5, 1.0), gap)
    level = np.where((depth < SHEET_MM) & (on_lower <= 0.0), face, level)
    level = 110.0 * np.where(beyond <= 0.0, 1.0, level)
    blurred = np.interp(DISTANCES_MM, fine, gaussian_filter1d(level, blur_mm / 0.02))
    levels: Array = blurred[:, None] + rng.normal(0.0, 0.3, (len(blurred), 3))
    return levels


def line_profile(
    rng: np.random.Generator, *, width_mm: float = 0.8, ink: float = 0.4, blur_mm: float = 0.33
) -> Array:
    """Return grey levels across a line drawn on a sheet; ``ink`` is its level as a share of the sheet's."""
    fine = np.arange(-14.0, 14.0, 0.02)
    level = 110.0 * np.where(np.abs(fine) < width_mm / 2.0, ink, 1.0)
    blurred = np.interp(DISTANCES_MM, fine, gaussian_filter1d(level, blur_mm / 0.02))
    levels: Array = blurred[:, None] + rng.normal(0.0, 0.3, (len(blurred), 3))
    return levels
