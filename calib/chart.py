"""Calibration charts found in a photo: a chessboard's inner corners, or the tags of a reference target.

Frames: px with (0, 0) at the centre of the top-left pixel; mm on the chart, any corner first, for a lens is
learned from a chart whichever way round it is held.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.errors import LensError
from calib.sighting import find_tags
from calib.targets import Target

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

# The detector's own limit, and what a person can count.
_INNER_CORNERS = (3, 60)
# The board is looked for in a picture of this long side: 0.5 s instead of 6 s on 4 megapixels, and nothing
# was missed for it on the charts at hand. Its corners are then refined in the full picture.
_SEARCH_LONG_SIDE_PX = 1200
# Smaller squares leave the refining window no room.
_LEAST_SQUARE_PX = 8.0
# Half of the refining window, as a part of the shortest step between corners, and its bounds. A window that
# reaches the next corner is spoilt by it; one much smaller takes in more noise. Found by trial.
_WINDOW_PER_STEP = 0.2
_WINDOW_PX = (2, 15)
# What a refined corner scatters by on a sharp photo. It only sets the weight of the priors beside it: the
# calibration takes the real scatter from its residuals.
_CORNER_SIGMA_PX = 0.1
# Fewer tags leave the pose of a flat chart in doubt.
_LEAST_TAGS = 2


@dataclass(frozen=True, slots=True)
class Board:
    """A chessboard: inner corners along both sides, and the side of a square, mm."""

    columns: int
    rows: int
    square_mm: float

    def __post_init__(self) -> None:
        low, high = _INNER_CORNERS
        if not (low <= self.columns <= high and low <= self.rows <= high):
            msg = (
                f"a board of {self.columns} x {self.rows} inner corners cannot be used; count the corners "
                f"where four squares meet, {low} to {high} each way (a board of 10 x 7 squares has 9 x 6)"
            )
            raise LensError(msg)
        if not self.square_mm > 0.0:
            msg = f"the side of a square must be more than 0 mm, got {self.square_mm:g} mm"
            raise LensError(msg)

    def corners_mm(self) -> Array:
        """Return the inner corners row by row, shape (N, 2)."""
        across, down = np.meshgrid(np.arange(self.columns), np.arange(self.rows))
        return self.square_mm * np.column_stack([across.ravel(), down.ravel()]).astype(float)


@dataclass(frozen=True, slots=True, eq=False)
class ChartView:
    """The points of a chart as one photo shows them.

    Attributes
    ----------
    mm, px : ndarray of shape (N, 2)
        Points on the chart, and where they were seen.
    cov_px2 : ndarray of shape (2 N, 2 N)
        Covariance of what was seen, x and y of each point in turn, up to one factor for all photos.
    bias_direction : ndarray of shape (N, 2)
        How far each point moves when black looks smaller by 1 px on each side; 0 for a chessboard's corners.
    """

    mm: Array
    px: Array
    cov_px2: Array
    bias_direction: Array

    def __post_init__(self) -> None:
        for name in ("mm", "px", "cov_px2", "bias_direction"):
            values = np.array(getattr(self, name), dtype=float)
            values.setflags(write=False)
            object.__setattr__(self, name, values)


@dataclass(frozen=True, slots=True)
class NoChart:
    """A photo that does not show its chart well enough, and why."""

    why: str


def find_chessboard(grey: Grey, board: Board) -> ChartView | NoChart:
    """Find a chessboard's inner corners.

    Parameters
    ----------
    grey : ndarray of uint8 of shape (H, W)
        The picture.
    board : Board
        What to look for; all of its inner corners must be seen.

    Returns
    -------
    ChartView or NoChart
        The corners, or why there are none.

    Notes
    -----
    The board is found by OpenCV's findChessboardCornersSB in a reduced picture. Each corner is then moved to
    the saddle point whose gradients are square to the lines from it (cornerSubPix), which has no half-pixel
    shift: a test draws a board and checks.
    """
    scale = max(1.0, max(grey.shape) / _SEARCH_LONG_SIDE_PX)
    size = (round(grey.shape[1] / scale), round(grey.shape[0] / scale))
    small = grey if scale == 1.0 else cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    pattern = (board.columns, board.rows)
    is_found, corners = cv2.findChessboardCornersSB(small, pattern, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not is_found:
        return NoChart(
            f"no whole board of {board.columns} x {board.rows} inner corners was found: show all of it, with "
            "its white margin, sharp and free of glare"
        )
    ratio = np.array([grey.shape[1] / size[0], grey.shape[0] / size[1]])
    px = (np.asarray(corners, dtype=float).reshape(-1, 2) + 0.5) * ratio - 0.5
    step_px = _shortest_step_px(px, board)
    if step_px < _LEAST_SQUARE_PX:
        return NoChart(f"the board's squares are only {step_px:.0f} px wide: come closer or tilt it less")
    half = int(np.clip(round(_WINDOW_PER_STEP * step_px), *_WINDOW_PX))
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-3)
    refined = cv2.cornerSubPix(grey, px.astype(np.float32).reshape(-1, 1, 2), (half, half), (-1, -1), stop)
    corners_px = np.asarray(refined, dtype=float).reshape(-1, 2)
    cov_px2 = _CORNER_SIGMA_PX**2 * np.eye(2 * len(corners_px))
    return ChartView(board.corners_mm(), corners_px, cov_px2, np.zeros_like(corners_px))


def _shortest_step_px(px: Array, board: Board) -> float:
    grid = px.reshape(board.rows, board.columns, 2)
    steps = [np.linalg.norm(np.diff(grid, axis=axis), axis=2).min() for axis in (0, 1)]
    return float(min(steps))


def find_tag_board(grey: Grey, target: Target) -> ChartView | NoChart:
    """Find the tags of a reference target that serves as a chart.

    Parameters
    ----------
    grey : ndarray of uint8 of shape (H, W)
        The picture.
    target : Target
        The target; some of its tags may be hidden or outside the picture.

    Returns
    -------
    ChartView or NoChart
        The outer corners of its tags, or why there are none.
    """
    wanted = {tag.id: tag for tag in target.tags}
    found = find_tags(grey, wanted)
    seen = [tag for tag in found.tags if tag.tag_id in wanted]
    if found.mirrored_ids:
        return NoChart("the photo is mirrored: its tags read only backwards; use the original")
    if len(seen) < _LEAST_TAGS:
        return NoChart(
            f"{len(seen) or 'no'} tag{'' if len(seen) == 1 else 's'} of {target.name} found, at least "
            f"{_LEAST_TAGS} are needed: come closer, avoid glare, and check the target file"
        )
    cov_px2 = np.zeros((8 * len(seen), 8 * len(seen)))
    for i, tag in enumerate(seen):
        cov_px2[8 * i : 8 * i + 8, 8 * i : 8 * i + 8] = tag.cov_px2
    return ChartView(
        np.concatenate([wanted[tag.tag_id].corners_mm() for tag in seen]),
        np.concatenate([tag.corners_px for tag in seen]),
        cov_px2,
        np.concatenate([tag.bias_direction for tag in seen]),
    )
