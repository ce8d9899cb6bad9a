"""A telephone of its own kind for the renderings: lens, mosaic sensor, tone, sharpening, JPEG.

Kept apart from `vision/rivet_net/darkroom.py`, which made the training pictures: a photo here is developed by
other steps in another order. Needs numpy and OpenCV alone.
"""

import math

import cv2
import numpy as np
from layout import FOCAL_PX, SIZE_PX, Scene


def develop(scene: Scene, radiance: np.ndarray, margin: float) -> np.ndarray:
    """Return the photo, shape (H, W, 3), BGR, uint8.

    Parameters
    ----------
    scene : Scene
        The lens is its own; the rest is drawn from its seed.
    radiance : ndarray of shape (h, w, 3)
        A pinhole picture, BGR, that reaches ``margin`` times as far as the photo.
    margin : float
        Widening of the pinhole picture.
    """
    rng = np.random.default_rng((20261, scene.seed))
    light = _through_lens(scene, radiance, margin)
    light = _blurred(rng, light) * _vignette()[:, :, None]
    # Metered on the mean of logarithms, as photographers do by eye, and at times wrongly.
    key = math.exp(float(np.log(light.mean(axis=2) + 1e-4).mean()))
    light *= 0.16 / key * math.exp(rng.normal(0.1, 0.35))
    colour = _mosaic(rng, np.clip(light, 0.0, 1.0))
    tone = _tone(rng, colour)
    tone = _finished(rng, tone)
    picture = np.clip(255.0 * tone + 0.5, 0.0, 255.0).astype(np.uint8)
    quality = int(rng.integers(80, 96))
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return data


def _through_lens(scene: Scene, radiance: np.ndarray, margin: float) -> np.ndarray:
    """Bend the pinhole picture: every pixel of the photo looks up where its ray comes from."""
    width, height = SIZE_PX
    x, y = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    camera = np.array(
        [[FOCAL_PX, 0, scene.principal_px[0]], [0, FOCAL_PX, scene.principal_px[1]], [0, 0, 1.0]]
    )
    px = np.stack([x, y], axis=2).reshape(-1, 1, 2)
    rays = cv2.undistortPoints(px, camera, np.array(scene.distortion)).reshape(height, width, 2)
    scale = FOCAL_PX * radiance.shape[1] / (margin * width)
    middle = (np.array(radiance.shape[1::-1]) - 1) / 2.0
    maps = (rays * scale + middle).astype(np.float32)
    return cv2.remap(radiance, maps[:, :, 0], maps[:, :, 1], cv2.INTER_CUBIC).clip(0.0)


def _blurred(rng: np.random.Generator, light: np.ndarray) -> np.ndarray:
    light = np.minimum(light, np.quantile(light, 0.5) * 60.0)
    sharp = cv2.GaussianBlur(light, (0, 0), rng.uniform(0.4, 0.85))
    if rng.random() < 0.3:  # an unsteady hand, along a short curve
        kernel = np.zeros((7, 7), dtype=np.float32)
        angle, reach = rng.uniform(0.0, math.pi), rng.uniform(0.4, 1.6)
        for t in np.linspace(-1.0, 1.0, 41):
            u, v = 3.0 + t * reach * math.cos(angle), 3.0 + t * reach * math.sin(angle)
            kernel[round(v), round(u)] += 1.0
        sharp = cv2.filter2D(sharp, -1, kernel / kernel.sum())
    return sharp + rng.uniform(0.0, 0.03) * cv2.GaussianBlur(light, (0, 0), 12.0)


def _vignette() -> np.ndarray:
    width, height = SIZE_PX
    x, y = np.meshgrid(np.arange(width) - (width - 1) / 2.0, np.arange(height) - (height - 1) / 2.0)
    return (1.0 / (1.0 + (x * x + y * y) / (1.15 * FOCAL_PX) ** 2) ** 2).astype(np.float32)


def _mosaic(rng: np.random.Generator, light: np.ndarray) -> np.ndarray:
    """Let a Bayer sensor see the light, with photon and read noise, and interpolate its colours."""
    gains = np.array([rng.uniform(0.5, 0.7), 1.0, rng.uniform(0.5, 0.7)])  # B, G, R of a daylight sensor
    full_well = math.exp(rng.uniform(math.log(2e3), math.log(2e4)))
    raw = np.empty(light.shape[:2])
    for row, column, channel in ((0, 0, 2), (0, 1, 1), (1, 0, 1), (1, 1, 0)):
        raw[row::2, column::2] = light[row::2, column::2, channel] * gains[channel]
    raw = rng.poisson(raw * full_well) / full_well + rng.normal(0.0, rng.uniform(3e-4, 1.5e-3), raw.shape)
    counts = np.clip((raw + 0.01) * 60000.0, 0.0, 65535.0).astype(np.uint16)
    # OpenCV names a mosaic by its second row's second and third cells: red first is "BG".
    full = cv2.cvtColor(counts, cv2.COLOR_BayerBG2BGR_EA).astype(np.float32) / 60000.0 - 0.01
    return np.clip(full / gains.astype(np.float32), 0.0, 1.0)


def _tone(rng: np.random.Generator, light: np.ndarray) -> np.ndarray:
    """Apply a film-like curve: a toe, a straight middle and a shoulder that rolls off highlights."""
    a, b, c, d, e = 2.51, 0.03, 2.43, 0.59, 0.14  # K. Narkowicz's fit of the ACES curve, 2016
    lit = light * rng.uniform(0.8, 1.6)
    film = lit * (a * lit + b) / (lit * (c * lit + d) + e)
    plain = light ** (1.0 / 2.2)
    share = rng.uniform(0.0, 1.0)
    return np.clip(share * np.clip(film, 0.0, 1.0) ** (1.0 / 1.5) + (1.0 - share) * plain, 0.0, 1.0)


def _finished(rng: np.random.Generator, tone: np.ndarray) -> np.ndarray:
    """Denoise edge-preserving, lift local contrast, sharpen with a clipped halo."""
    tone = tone.astype(np.float32)
    if rng.random() < 0.5:
        tone = cv2.bilateralFilter(tone, 5, rng.uniform(0.02, 0.06), 1.5)
    wide = cv2.GaussianBlur(tone, (0, 0), 30.0)
    tone = tone + rng.uniform(0.0, 0.25) * (tone - wide)
    halo = tone - cv2.GaussianBlur(tone, (0, 0), rng.uniform(0.8, 1.4))
    return tone + rng.uniform(0.2, 1.1) * np.clip(halo, -0.12, 0.12)
