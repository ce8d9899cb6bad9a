"""Charts for the tests: drawn boards whose corners are known, and simulated photos by a known lens."""

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from calib.camera import Camera, project
from calib.chart import Board, ChartView

LENS = Camera(2400, 1800, 1832.0, 1832.0, 1209.1, 888.7, 0.031, -0.042, 4e-4, -3e-4)
BOARD = Board(9, 6, 30.0)
_SUB = 5


def draw_board(homography: np.ndarray, board: Board, width: int, height: int, seed: int) -> np.ndarray:
    """Draw a board seen through a homography, mm to px: 25 rays per pixel, blur 0.8 px, noise 1.5 grey."""
    x, y = ((np.arange(size * _SUB) + 0.5) / _SUB - 0.5 for size in (width, height))
    rays = np.stack([*np.meshgrid(x, y), np.ones((len(y), len(x)))], axis=-1)
    on_board = rays @ np.linalg.inv(homography).T
    u, v = (on_board[..., i] / on_board[..., 2] / board.square_mm for i in (0, 1))
    is_square = (u > -1) & (u < board.columns) & (v > -1) & (v < board.rows)
    is_paper = (u > -2) & (u < board.columns + 1) & (v > -2) & (v < board.rows + 1)
    is_black = is_square & ((np.floor(u) + np.floor(v)) % 2 == 0)
    grey = np.where(is_black, 40.0, np.where(is_paper, 215.0, 110.0))
    grey = grey.reshape(height, _SUB, width, _SUB).mean(axis=(1, 3)).astype(np.float32)
    noisy = cv2.GaussianBlur(grey, (0, 0), 0.8) + np.random.default_rng(seed).normal(0.0, 1.5, grey.shape)
    return np.clip(noisy, 0.0, 255.0).round().astype(np.uint8)


def shoot_board(
    seed: int,
    count: int = 12,
    *,
    lens: Camera = LENS,
    board: Board = BOARD,
    sigma_px: float = 0.06,
    breathing: float = 0.0,
    bend_mm: float = 0.0,
) -> dict[str, ChartView]:
    """Return simulated photos of a board held every way; bend_mm is its height at both short sides."""
    rng = np.random.default_rng(seed)
    corners = board.corners_mm()
    from_middle = corners - corners.mean(axis=0)
    height_mm = bend_mm * (from_middle[:, 0] / from_middle[:, 0].max()) ** 2
    views: dict[str, ChartView] = {}
    while len(views) < count:
        turn = Rotation.from_rotvec(rng.normal(0.0, 0.45, 3)).as_matrix()
        aim_mm = np.array([rng.uniform(-0.5, 0.5), rng.uniform(-0.38, 0.38), 1.0]) * rng.uniform(400.0, 700.0)
        factor = np.exp(rng.normal(0.0, breathing)) if breathing else 1.0
        own = lens.with_parameters(lens.parameters * [factor, factor, *np.ones(7)])
        px = project(own, np.column_stack([from_middle, height_mm]) @ turn.T + aim_mm)
        if np.all((px > 5.0) & (px < (lens.width - 6.0, lens.height - 6.0))):
            seen = px + rng.normal(0.0, sigma_px, px.shape)
            views[f"c{len(views):02d}.jpg"] = ChartView(
                corners, seen, 0.01 * np.eye(2 * len(px)), np.zeros_like(px)
            )
    return views
