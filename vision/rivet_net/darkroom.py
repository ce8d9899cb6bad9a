"""From the light that reaches a camera to the file it writes: lens, sensor, tone, sharpening, JPEG."""

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.rivet_net.scenes import Floats, Generator, single

Picture = NDArray[np.uint8]


def develop(rng: Generator, radiance: Floats) -> Picture:
    """Return the picture, shape (H, W, 3), BGR, that an unknown phone makes of a scene.

    Parameters
    ----------
    rng : numpy.random.Generator
        Draws the phone, its exposure and its noise.
    radiance : ndarray of shape (H, W, 3)
        Scene radiance, any unit.

    Returns
    -------
    ndarray of shape (H, W, 3)
        The picture after its JPEG.
    """
    picture = expose(rng, radiance)
    quality = int(rng.integers(72, 98))
    # 0x111111 and 0x221111 are full and halved chroma of OpenCV's JPEG writer; phones halve it.
    sampling = 0x111111 if rng.random() < 0.15 else 0x221111
    options = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    _, data = cv2.imencode(".jpg", picture, options)
    decoded = cv2.imdecode(data, cv2.IMREAD_COLOR)
    return np.asarray(decoded, dtype=np.uint8)


def expose(rng: Generator, radiance: Floats) -> Picture:
    """Return the picture before its JPEG."""
    middle = float(np.median(radiance)) + 1e-6
    # Now and then so long that the sheet itself, or all that is bright on it, is burnt out.
    longest = 1.3 if rng.random() < 0.2 else 0.75
    light = radiance * np.float32(np.exp(rng.uniform(np.log(0.03), np.log(longest))) / middle)
    light = _lens(rng, np.minimum(light, 40.0))
    full_well = np.exp(rng.uniform(np.log(1.5e3), np.log(3e4)))
    sigma = np.sqrt(np.maximum(light, 0.0) / full_well + rng.uniform(5e-4, 3e-3) ** 2)
    light = light + rng.normal(0.0, 1.0, light.shape).astype(np.float32) * sigma.astype(np.float32)
    balance = np.exp(rng.normal(0.0, 0.05, 3)).astype(np.float32)
    tone = np.clip(light * balance, 0.0, 1.0) ** np.float32(1.0 / rng.uniform(1.8, 2.4))
    bend = np.float32(rng.uniform(0.0, 0.7))
    tone = (1.0 - bend) * tone + bend * tone * tone * (3.0 - 2.0 * tone)
    return np.asarray(np.clip(_finish(rng, tone) * 255.0 + 0.5, 0.0, 255.0), dtype=np.uint8)


def _lens(rng: Generator, light: Floats) -> Floats:
    light = single(cv2.GaussianBlur(light, (0, 0), rng.uniform(0.35, 1.0)))
    if rng.random() < 0.3:
        shake = rng.normal(0.0, 0.7, 2)
        light = 0.5 * (_shifted(light, shake) + _shifted(light, -shake))
    if rng.random() < 0.5:
        bright = np.maximum(light - 1.0, 0.0)
        light = light + np.float32(rng.uniform(0.0, 0.12)) * cv2.GaussianBlur(
            bright, (0, 0), rng.uniform(1.5, 8.0)
        )
    veil = np.float32(rng.uniform(0.0, 0.05) if rng.random() < 0.3 else 0.0)
    return single(light + veil)


def _shifted(light: Floats, shift: NDArray[np.float64]) -> Floats:
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    moved = cv2.warpAffine(light, matrix, light.shape[1::-1], borderMode=cv2.BORDER_REFLECT_101)
    return single(moved)


def _finish(rng: Generator, tone: Floats) -> Floats:
    """Smooth the colour noise, then sharpen, as phones do."""
    if rng.random() < 0.6:
        grey = tone.mean(axis=2, keepdims=True)
        tone = grey + cv2.GaussianBlur(tone - grey, (0, 0), rng.uniform(0.5, 1.6))
    if rng.random() < 0.4:
        smooth = cv2.GaussianBlur(tone, (0, 0), rng.uniform(0.4, 0.8))
        tone = tone + rng.uniform(0.2, 0.9) * (smooth - tone)
    amount = rng.uniform(0.0, 1.3)
    soft = cv2.GaussianBlur(tone, (0, 0), rng.uniform(0.7, 1.6))
    return single(tone + np.float32(amount) * (tone - soft))
