"""The network at work: patches of a photo in, what they show and where its centre is out. Plain numpy.

A patch is a head's surroundings flattened onto the sheet, turned so that its y axis points to the camera.
`train.py` beside this file made the weights; it needs PyTorch, this module does not.
"""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from vision.rivet_net.scenes import Mark, single

Floats = NDArray[np.float32]
Weights = dict[str, Floats]

WEIGHTS_FILE = Path(__file__).with_name("weights.npz")
# Picture that the network looks at: px along a side, and px across one head.
PATCH_PX = 32
PATCH_HEAD_PX = 16
# Contrast below this many grey levels is noise: weaker patches are not stretched further.
CONTRAST_FLOOR = 2.0
# Strides of the convolutions, and after which of them the picture is halved; `train.py` builds the same.
STRIDES = (2, 1, 1, 1)
HALVED_AFTER = (1, 3)
# Patches worked on at once: few enough that a layer stays in the processor's cache.
_AT_ONCE = 8
# The network's covariance is that of single looks at its own scenes; the mean of five errs less. Times this,
# its regions of 95 % held 96 % of 341 heads in 39 photos that it was not trained on.
COV_SCALE = 0.9
# Covariance that no answer falls below, in head diameters squared: 0.02 px on a head of 16 px.
COV_FLOOR = (0.02 / PATCH_HEAD_PX) ** 2


@dataclass(frozen=True, eq=False, slots=True)
class Patches:
    """Pictures of marks as the network wants them, and what it is told besides.

    Attributes
    ----------
    pictures : ndarray of shape (N, 32, 32, 3)
        Luminance and two colour differences, centred and stretched to a common contrast.
    facts : ndarray of shape (N, 4)
        Sine of the tilt, doublings of the head's size in the photo over 16 px, log of the contrast, mean
        level.
    """

    pictures: Floats
    facts: Floats


@dataclass(frozen=True, eq=False, slots=True)
class Answers:
    """What the network says of each patch.

    Attributes
    ----------
    probability : ndarray of shape (N, 3)
        Of each `Mark`, in its order.
    offset : ndarray of shape (N, 2)
        From the patch's middle to the centre of the base circle, along the patch's axes, in head diameters.
    cov : ndarray of shape (N, 2, 2)
        Covariance of that offset, head diameters squared.
    """

    probability: Floats
    offset: Floats
    cov: Floats


def prepare(pictures: NDArray[np.uint8], sin_tilt: Floats, head_px: Floats) -> Patches:
    """Bring patches to the network's terms.

    Parameters
    ----------
    pictures : ndarray of shape (N, 32, 32, 3)
        Patches, BGR.
    sin_tilt : ndarray of shape (N,)
        Sine of the angle between the line of sight and the sheet's normal.
    head_px : ndarray of shape (N,)
        Diameter of a head in the photo, px, mean over directions.

    Returns
    -------
    Patches
        Normalised pictures and facts.
    """
    blue, green, red = np.ascontiguousarray(np.moveaxis(pictures, 3, 0), dtype=np.float32)
    grey = (blue + green + red) / np.float32(3.0)
    channels = np.stack([grey, blue - green, red - green])
    mean = channels.mean(axis=(2, 3))
    contrast = grey.std(axis=(1, 2)) + np.float32(CONTRAST_FLOOR)
    facts = [sin_tilt, np.log2(head_px / PATCH_HEAD_PX), np.log(contrast) - 2.0, mean[0] / 128.0 - 1.0]
    channels -= mean[:, :, None, None]
    channels /= contrast[:, None, None]
    return Patches(np.moveaxis(channels, 0, 3), np.stack(facts, axis=1).astype(np.float32))


def answer(patches: Patches, mirrored: NDArray[np.bool_] | None = None) -> Answers:
    """Let the network look at patches.

    Parameters
    ----------
    patches : Patches
        What `prepare` gave.
    mirrored : ndarray of bool of shape (N,), optional
        Patches to be looked at mirrored about the line of sight; the answers are those of the patch itself.

    Returns
    -------
    Answers
        Probabilities, offsets and their covariance.
    """
    turned = np.zeros(len(patches.facts), dtype=bool) if mirrored is None else mirrored
    pictures = np.where(turned[:, None, None, None], patches.pictures[:, :, ::-1], patches.pictures)
    seen = interpret(_look(pictures, patches.facts))
    back = np.ones((len(turned), 2), dtype=np.float32)
    back[turned, 0] = -1.0
    cov = single(COV_SCALE) * seen.cov * back[:, :, None] * back[:, None, :]
    return Answers(seen.probability, seen.offset * back, cov)


def _look(pictures: Floats, facts: Floats) -> Floats:
    weights = _weights()
    starts = range(0, len(facts), _AT_ONCE)
    raw = [_run(weights, pictures[i : i + _AT_ONCE], facts[i : i + _AT_ONCE]) for i in starts]
    return np.concatenate(raw) if raw else np.zeros((0, 8), dtype=np.float32)


def interpret(raw: Floats) -> Answers:
    """Turn the last layer's numbers, shape (N, 8), into answers.

    Three class scores, the offset, and the Cholesky factor of its covariance (logarithms of its diagonal,
    then the entry below it).
    """
    scores = np.exp(raw[:, :3] - raw[:, :3].max(axis=1, keepdims=True))
    factor = np.zeros((len(raw), 2, 2), dtype=np.float32)
    factor[:, 0, 0], factor[:, 1, 1] = np.exp(raw[:, 5]), np.exp(raw[:, 6])
    factor[:, 1, 0] = raw[:, 7]
    cov = factor @ factor.transpose(0, 2, 1) + np.float32(COV_FLOOR) * np.eye(2, dtype=np.float32)
    return Answers(scores / scores.sum(axis=1, keepdims=True), raw[:, 3:5], cov)


@lru_cache(maxsize=1)
def _weights() -> Weights:
    with np.load(WEIGHTS_FILE) as stored:
        return {name: stored[name].astype(np.float32) for name in stored.files}


def _run(weights: Weights, pictures: Floats, facts: Floats) -> Floats:
    layer = pictures
    for i, stride in enumerate(STRIDES):
        layer = _convolve(layer, weights[f"kernel{i}"], weights[f"bias{i}"], stride)
        if i in HALVED_AFTER:
            layer = np.maximum(
                np.maximum(layer[:, ::2, ::2], layer[:, 1::2, ::2]),
                np.maximum(layer[:, ::2, 1::2], layer[:, 1::2, 1::2]),
            )
    flat = np.concatenate([layer.reshape(len(layer), -1), facts], axis=1)
    hidden = np.maximum(flat @ weights["dense0"] + weights["dense_bias0"], 0.0)
    return np.asarray(hidden @ weights["dense1"] + weights["dense_bias1"], dtype=np.float32)


def _convolve(layer: Floats, kernel: Floats, bias: Floats, stride: int) -> Floats:
    """Correlate (N, H, W, C) with a kernel of shape (k, k, C, D), zeros around, and rectify."""
    size, _, channels, made = kernel.shape
    half = size // 2
    count, height, width, _ = layer.shape
    padded = np.zeros((count, height + 2 * half, width + 2 * half, channels), dtype=np.float32)
    padded[:, half : half + height, half : half + width] = layer
    # A row of a window lies in one piece, so that it is copied in one piece.
    apart, row, column, item = padded.strides
    shape = (count, height // stride, width // stride, size, size * channels)
    windows = as_strided(padded, shape, (apart, row * stride, column * stride, row, item), writeable=False)
    result = windows.reshape(-1, size * size * channels) @ kernel.reshape(-1, made)
    result += bias
    np.maximum(result, 0.0, out=result)
    return result.reshape(*shape[:3], made)


__all__ = [
    "PATCH_HEAD_PX",
    "PATCH_PX",
    "Answers",
    "Mark",
    "Patches",
    "answer",
    "interpret",
    "prepare",
]
