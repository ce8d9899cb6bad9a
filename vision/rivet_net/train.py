"""Make the network's weights: render scenes, let the finder propose marks in them, train, store.

Needs PyTorch, which the product does not. A seed gives the same scenes. `weights.npz` came of three runs of
`python -m vision.rivet_net.train`, 8 minutes each with a graphics card: `--scenes 40000 --epochs 30 --seed 1`
as of commit e64f4d2; on wider skies `--start weights.npz --scenes 15000 --epochs 36 --seed 2`; and
`--start weights.npz --epochs 18 --seed 5 --patches FILE --traced FOLDER --blend 0.9`. FILE held the patches
of 55,000 scenes of seed 3, FOLDER 643 crowds of `tests/renderings/crowd.py`, photographed with seed 2: 0 to
3, 10 to 98 and 2010 to 2098 with heads of less varied shapes than it makes now, 5000 to 5131, 6000 to 6129,
8000 to 8116, 9000 to 9115; but for 27, 47 and so on.
"""

import argparse
import itertools
import math
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch  # type: ignore[import-not-found,unused-ignore]
from numpy.typing import NDArray
from torch import Tensor, nn

from calib.camera import Array, Camera
from vision.plane import View, to_mm
from vision.rivet_net import marks
from vision.rivet_net.darkroom import develop
from vision.rivet_net.net import CONTRAST_FLOOR, HALVED_AFTER, PATCH_PX, STRIDES, interpret, prepare
from vision.rivet_net.scenes import (
    EXTENT_HEADS,
    Finish,
    Floats,
    Generator,
    Mark,
    Placed,
    Sheet,
    Sight,
    random_light,
    render,
    sight_from,
)
from vision.rivets import cut_patches, propose_marks, spots_at

HEAD_MM = 9.5
CHANNELS = (24, 32, 48, 48)
KERNELS = (5, 3, 3, 3)
HIDDEN = 96
# A scene's camera is this far away: its lines of sight are parallel to a part in 10^4.
DISTANCE_MM = 2e5
# Logarithm of the least standard deviation of a centre, in heads: 0.1 px on a head of 16 px.
LOG_SIGMA_MIN = -5.0
# A patch shows a rivet if the centre lies this near to its middle (in heads), and something else from ...
NEAR_HEADS, FAR_HEADS = 0.42, 0.62


@dataclass(frozen=True, eq=False)
class Examples:
    """Patches with what they show.

    ``pictures`` (N, 32, 32, 3) uint8, ``sin_tilt`` and ``head_px`` (N,), ``mark`` (N,), ``offset`` (N, 2) in
    head diameters (zero where no fastener is).
    """

    pictures: NDArray[np.uint8]
    sin_tilt: NDArray[np.float32]
    head_px: NDArray[np.float32]
    mark: NDArray[np.int64]
    offset: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Known:
    """What stands where on a sheet: its plane's ``z_mm``, ``head_mm``, the ``region_mm`` (K, 2) to look at.

    ``mark`` (N,) and ``mm`` (N, 2): where the line of sight to a thing's foot meets the plane.
    """

    z_mm: float
    head_mm: float
    region_mm: Array
    mark: NDArray[np.int64]
    mm: Array


def make_scene(rng: Generator) -> tuple[Sheet, Sight, float]:
    """Draw a scene around one main thing, how it is seen, and the head's size in the photo."""
    head_px = float(np.exp(rng.uniform(np.log(7.0), np.log(40.0))))
    tilt = float(np.arcsin(np.sqrt(rng.uniform(0.0, 0.65))))
    sight = sight_from(tilt, rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.0, 2.0 * np.pi), head_px / HEAD_MM)
    sheet, finish = marks.blank_sheet(rng, HEAD_MM)
    shares = np.array([share for _, share in marks.OTHERS])
    others = [marks.OTHERS[k][0] for k in rng.choice(len(shares), 4, p=shares / shares.sum())]
    if rng.random() < 0.3:
        away = rng.uniform(1.0, 2.6) * HEAD_MM
        turn = rng.uniform(0.0, 2.0 * np.pi)
        draw = marks.add_card if rng.random() < 0.15 else marks.add_edge
        draw(rng, sheet, finish, away * math.cos(turn), away * math.sin(turn), HEAD_MM)
    main = marks.add_rivet if rng.random() < 0.5 else others[0]
    places = _places(rng, 1 + int(rng.integers(0, 3)))
    for draw, place in zip((main, *others[1:]), places, strict=False):
        draw(rng, sheet, finish, place[0], place[1], HEAD_MM)
    if main is marks.add_rivet and rng.random() < 0.2:
        _overlay(rng, sheet, finish, places[0])
    if rng.random() < 0.12:
        marks.shade_by_branch(rng, sheet, HEAD_MM)
    return sheet, sight, head_px


def _places(rng: Generator, count: int) -> list[Array]:
    """Return places more than 1.3 heads apart, the first near the middle."""
    places = [rng.uniform(-0.3, 0.3, 2) * HEAD_MM]
    for _ in range(40):
        place = rng.uniform(-1.9, 1.9, 2) * HEAD_MM
        if len(places) < count and all(np.hypot(*(place - p)) > 1.3 * HEAD_MM for p in places):
            places.append(place)
    return places


def _overlay(rng: Generator, sheet: Sheet, finish: Finish, place: Array) -> None:
    """Put small dirt, water or a line over a head: it stays a head."""
    draw = (marks.add_line, marks.add_swarf, marks.add_dirt, marks.add_drop)[rng.integers(4)]
    at = place + rng.normal(0.0, 0.3 * HEAD_MM, 2)
    draw(rng, sheet, finish, at[0], at[1], HEAD_MM * rng.uniform(0.2, 0.6))
    sheet.placed.pop()


def view_of(sight: Sight, size_px: tuple[int, int], head_px: float) -> View:
    """Return the view of a distant camera that sees a scene as `render` draws it."""
    focal = head_px / HEAD_MM * DISTANCE_MM
    camera = Camera(*size_px, focal, focal, (size_px[0] - 1) / 2.0, (size_px[1] - 1) / 2.0)
    by_mm = sight.by_mm.astype(float) * HEAD_MM / head_px * (1.0, 1.0, -1.0)
    rotation = np.vstack([by_mm, np.cross(by_mm[0], by_mm[1])])
    return View(camera, rotation, np.array([0.0, 0.0, DISTANCE_MM]), np.zeros((15, 15)))


def make_examples(seed: int, number: int) -> Examples:
    """Render one scene and return its patches: proposed marks, and rivets and holes looked at off centre."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng((seed, number))
    sheet, sight, head_px = make_scene(rng)
    light = random_light(rng, sight)
    side = math.ceil(0.8 * EXTENT_HEADS * head_px)
    radiance = render(sheet, light, sight, (side, side))
    view = view_of(sight, (side, side), head_px)
    half = 0.36 * EXTENT_HEADS * HEAD_MM
    region = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    mark = np.array([placed.mark for placed in sheet.placed], dtype=np.int64)
    seen_mm = np.array([_seen_at(view, placed) for placed in sheet.placed]).reshape(-1, 2)
    scene = Known(0.0, HEAD_MM, region, mark, seen_mm)
    # The drawing costs most: two phones photograph each scene.
    shots = [_shoot(rng, scene, *_cropped(rng, develop(rng, radiance), view), 6) for _ in range(2)]
    return _joined(shots)


def photograph_traced(seed: int, file: Path) -> Examples:
    """Return patches of a path-traced crowd (`tests/renderings/crowd.py`), as three phones photograph it."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng((seed, int(file.stem.split("_")[1])))
    radiance, view, scene = _open_crowd(file)
    shots = [_shoot(rng, scene, develop(rng, radiance), view, 100) for _ in range(3)]
    return _joined([_some(rng, shot, 130) for shot in shots])


def _open_crowd(file: Path) -> tuple[Floats, View, Known]:
    with np.load(file) as stored:
        traced = {name: stored[name] for name in stored.files}
    radiance = traced["radiance"].astype(np.float32)
    height, width = radiance.shape[:2]
    focal, z_mm = float(traced["focal_px"]), float(traced["z_mm"])
    camera = Camera(width, height, focal, focal, (width - 1) / 2.0, (height - 1) / 2.0)
    view = View(camera, traced["rotation"], traced["translation_mm"], np.zeros((15, 15)))
    px = traced["px"]
    inside = ((px > 0.0) & (px < (width - 1.0, height - 1.0))).all(axis=1)
    kind = traced["kind"][inside]
    mark = np.where(kind == "rivet", Mark.RIVET, np.where(kind == "empty_hole", Mark.HOLE, Mark.OTHER))
    region = to_mm(view, cv2.convexHull(px[inside].astype(np.float32))[:, 0], z_mm).mm
    scene = Known(z_mm, float(traced["head_mm"]), region, mark, to_mm(view, px[inside], z_mm).mm)
    return radiance, view, scene


def _shoot(rng: Generator, scene: Known, image: NDArray[np.uint8], view: View, proposals: int) -> Examples:
    """Return the patches of one photo of a scene."""
    proposed = propose_marks(image, view, scene.z_mm, scene.head_mm, scene.region_mm)[:proposals]
    known = np.repeat(scene.mm, 1 + 2 * (scene.mark != Mark.OTHER), axis=0)
    spread = np.where(rng.random((len(known), 1)) < 0.5, 0.04, 0.16) * scene.head_mm
    jittered = known + rng.normal(0.0, 1.0, (len(known), 2)) * spread
    return _label(scene, image, view, np.concatenate([proposed, jittered]))


def _some(rng: Generator, examples: Examples, count: int) -> Examples:
    """Return at most so many examples, none of which shows nothing at all."""
    shows = np.nonzero(examples.pictures.std(axis=(1, 2)).max(axis=1) > CONTRAST_FLOOR)[0]
    chosen = rng.permutation(shows)[:count]
    return Examples(*(getattr(examples, name)[chosen] for name in Examples.__dataclass_fields__))


def _cropped(rng: Generator, image: NDArray[np.uint8], view: View) -> tuple[NDArray[np.uint8], View]:
    """Cut the picture at random now and then, as the photo's border does."""
    if rng.random() > 0.1:
        return image, view
    height, width = image.shape[:2]
    left, top = int(rng.uniform(0.0, 0.5) * width), int(rng.uniform(0.0, 0.5) * height)
    camera = Camera(
        width - left,
        height - top,
        view.camera.fx,
        view.camera.fy,
        view.camera.cx - left,
        view.camera.cy - top,
    )
    return image[top:, left:].copy(), View(camera, view.rotation, view.translation_mm, view.cov)


def _label(scene: Known, image: NDArray[np.uint8], view: View, mm: Array) -> Examples:
    spots = spots_at(view, scene.z_mm, scene.head_mm, mm)
    mark = np.zeros(len(mm), dtype=np.int64)
    offset = np.zeros((len(mm), 2), dtype=np.float32)
    clear = np.ones(len(mm), dtype=bool)
    fasteners = scene.mark != Mark.OTHER
    for held, at in zip(scene.mark[fasteners], scene.mm[fasteners], strict=True):
        to_it = np.einsum("nij,nj->ni", spots.axes, at - mm) / scene.head_mm
        distance = np.hypot(*to_it.T)
        near = distance < NEAR_HEADS
        mark[near], offset[near] = held, to_it[near]
        clear &= near | (distance > FAR_HEADS)
    inside = ((spots.px >= 0.0) & (spots.px <= np.array(image.shape[1::-1]) - 1.0)).all(axis=1)
    keep = clear & inside
    return Examples(
        cut_patches(image, spots)[keep],
        spots.sin_tilt[keep].astype(np.float32),
        spots.head_px[keep].astype(np.float32),
        mark[keep],
        offset[keep],
    )


def _seen_at(view: View, placed: Placed) -> Array:
    """Return the point of the plane on the line of sight to where a thing stands."""
    to_camera = -view.rotation[2]
    point: Array = np.array([placed.x_mm, placed.y_mm]) + placed.base_mm * to_camera[:2] / to_camera[2]
    return point


def gather(seed: int, scenes: int, workers: int) -> Examples:
    """Return the patches of many scenes."""
    with ProcessPoolExecutor(workers) as pool:
        return _joined(list(pool.map(make_examples, [seed] * scenes, range(scenes), chunksize=50)))


def gather_traced(seed: int, folder: Path, workers: int) -> Examples:
    """Return the patches of all crowds in a folder."""
    files = sorted(folder.glob("crowd_*.npz"))
    with ProcessPoolExecutor(workers) as pool:
        return _joined(list(pool.map(photograph_traced, [seed] * len(files), files)))


def recall(file: Path, gather_them: Callable[[], Examples]) -> Examples:
    """Return the patches stored in a file; gather and store them first if there is none."""
    if not file.exists():
        examples = gather_them()
        np.savez(file, **{name: getattr(examples, name) for name in Examples.__dataclass_fields__})
    with np.load(file) as stored:
        return Examples(*(stored[name] for name in Examples.__dataclass_fields__))


def _joined(parts: Sequence[Examples]) -> Examples:
    return Examples(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in Examples.__dataclass_fields__)
    )


class Network(nn.Module):  # type: ignore[misc,unused-ignore]
    """The network of `net.py` with batch normalisation, which is folded away when it is stored."""

    def __init__(self) -> None:
        super().__init__()
        channels = (3, *CHANNELS)
        layers: list[nn.Module] = []
        for i, (size, stride) in enumerate(zip(KERNELS, STRIDES, strict=True)):
            layers += [
                nn.Conv2d(channels[i], channels[i + 1], size, stride, size // 2, bias=False),
                nn.BatchNorm2d(channels[i + 1]),
                nn.ReLU(),
            ]
            if i in HALVED_AFTER:
                layers.append(nn.MaxPool2d(2))
        self.convolutions = nn.Sequential(*layers)
        side = PATCH_PX // (math.prod(STRIDES) * 2 ** len(HALVED_AFTER))
        self.dense0 = nn.Linear(side * side * CHANNELS[-1] + 4, HIDDEN)
        self.drop = nn.Dropout(0.2)
        self.dense1 = nn.Linear(HIDDEN, 8)

    def pairs(self) -> list[tuple[Any, Any]]:
        """Return each convolution with its normalisation."""
        layers = itertools.pairwise(self.convolutions)
        return [(layer, norm) for layer, norm in layers if isinstance(layer, nn.Conv2d)]

    def forward(self, pictures: Tensor, facts: Tensor) -> Tensor:
        """Return the last layer's numbers, shape (N, 8), of pictures (N, 3, 32, 32) and facts (N, 4)."""
        layer = self.convolutions(pictures).permute(0, 2, 3, 1).flatten(1)
        hidden = torch.relu(self.dense0(torch.cat([layer, facts], dim=1)))
        result: Tensor = self.dense1(self.drop(hidden))
        return result


def resume(network: Network, weights: Path) -> None:
    """Load stored weights; the batch normalisation, folded into them, starts as the identity."""
    with np.load(weights) as stored:
        tensors = {name: torch.from_numpy(stored[name].astype(np.float32)) for name in stored.files}
    with torch.no_grad():
        for i, (convolution, norm) in enumerate(network.pairs()):
            convolution.weight.copy_(tensors[f"kernel{i}"].permute(3, 2, 0, 1))
            norm.weight.copy_(torch.full_like(norm.weight, math.sqrt(1.0 + norm.eps)))
            norm.bias.copy_(tensors[f"bias{i}"])
        for i, dense in enumerate((network.dense0, network.dense1)):
            dense.weight.copy_(tensors[f"dense{i}"].T)
            dense.bias.copy_(tensors[f"dense_bias{i}"])


def loss_of(raw: Tensor, mark: Tensor, offset: Tensor) -> Tensor:
    """Return the loss: cross entropy of the class, and the Gaussian likelihood of a fastener's centre."""
    shown = nn.functional.cross_entropy(raw[:, :3], mark, label_smoothing=0.002)
    held = mark != Mark.OTHER
    miss = offset[held] - raw[held, 3:5]
    log_a, log_b, below = raw[held, 5], raw[held, 6], raw[held, 7]
    first = miss[:, 0] / log_a.exp()
    second = (miss[:, 1] - below * first) / log_b.exp()
    # Far misses count by their logarithm: a few heads that cannot be seen must not rule the rest.
    squared = 50.0 * torch.log1p((first**2 + second**2) / 50.0)
    too_sure = torch.relu(LOG_SIGMA_MIN - log_a) ** 2 + torch.relu(LOG_SIGMA_MIN - log_b) ** 2
    return shown + 0.15 * (0.5 * squared + log_a + log_b + too_sure).mean()


def train(examples: Examples, epochs: int, seed: int, device: str, start: Path | None = None) -> Network:
    """Train the network; every other batch is mirrored about the line of sight."""
    torch.manual_seed(seed)
    network: Network = Network()
    if start is not None:
        resume(network, start)
        for _, norm in network.pairs():
            norm.eval()
    network = network.to(device, memory_format=torch.channels_last)
    pictures = torch.from_numpy(examples.pictures).to(device)
    sin_tilt, head_px, mark, offset = (
        torch.from_numpy(array).to(device)
        for array in (examples.sin_tilt, examples.head_px, examples.mark, examples.offset)
    )
    batch = 1024
    steps = epochs * (len(mark) // batch)
    optimizer = torch.optim.AdamW(network.parameters(), weight_decay=2e-3)
    schedule = torch.optim.lr_scheduler.OneCycleLR(
        optimizer, 4e-3 if start is None else 1e-3, total_steps=steps
    )
    started = time.perf_counter()
    for step in range(steps):
        if step % (len(mark) // batch) == 0:
            order = torch.randperm(len(mark), device=device)
        chosen = order[(step * batch) % (len(mark) - batch + 1) :][:batch]
        layer, facts = _prepare(pictures[chosen], sin_tilt[chosen], head_px[chosen])
        wanted = offset[chosen]
        if step % 2:
            layer, wanted = layer.flip(3), wanted * torch.tensor([-1.0, 1.0], device=device)
        loss = loss_of(network(layer, facts), mark[chosen], wanted)
        optimizer.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimizer.step()
        schedule.step()
        if step % 500 == 0:
            spent_s = time.perf_counter() - started
            print(f"step {step}/{steps} loss {loss.item():.4f} {spent_s:.0f} s", flush=True)  # noqa: T201
    network.eval()
    return network


def _prepare(pictures: Tensor, sin_tilt: Tensor, head_px: Tensor) -> tuple[Tensor, Tensor]:
    """Do what `net.prepare` does, on the training device."""
    levels = pictures.float()
    grey = levels.mean(dim=3)
    channels = torch.stack([grey, levels[..., 0] - levels[..., 1], levels[..., 2] - levels[..., 1]], dim=1)
    mean = channels.mean(dim=(2, 3), keepdim=True)
    contrast = grey.std(dim=(1, 2), unbiased=False) + 2.0
    facts = torch.stack(
        [sin_tilt, torch.log2(head_px / 16.0), contrast.log() - 2.0, mean[:, 0, 0, 0] / 128.0 - 1.0], dim=1
    )
    return (channels - mean) / contrast[:, None, None, None], facts


def folded(network: Network) -> dict[str, NDArray[np.float16]]:
    """Return the weights as `net.py` reads them, batch normalisation folded into the convolutions."""
    weights: dict[str, Tensor] = {}
    for i, (convolution, norm) in enumerate(network.pairs()):
        scale = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        weights[f"kernel{i}"] = (convolution.weight * scale[:, None, None, None]).permute(2, 3, 1, 0)
        weights[f"bias{i}"] = norm.bias - norm.running_mean * scale
    for i, dense in enumerate((network.dense0, network.dense1)):
        weights[f"dense{i}"], weights[f"dense_bias{i}"] = dense.weight.T, dense.bias
    return {name: tensor.detach().cpu().numpy().astype(np.float16) for name, tensor in weights.items()}


def blended(
    weights: dict[str, NDArray[np.float16]], start: Path, share: float
) -> dict[str, NDArray[np.float16]]:
    """Return weights on the line from those that the training started from to those that it led to.

    Between the two a network keeps more of what it knew (M. Wortsman et al., "Robust fine-tuning of zero-shot
    models", CVPR 2022).
    """
    with np.load(start) as stored:
        return {
            name: ((1.0 - share) * stored[name].astype(np.float32) + share * new).astype(np.float16)
            for name, new in weights.items()
        }


def report(network: Network, examples: Examples, device: str) -> str:
    """Say how the network does on scenes that it was not trained on."""
    patches = prepare(examples.pictures, examples.sin_tilt, examples.head_px)
    with torch.no_grad():
        raw = [
            network(
                torch.from_numpy(patches.pictures[i : i + 4096].transpose(0, 3, 1, 2).copy()).to(device),
                torch.from_numpy(patches.facts[i : i + 4096]).to(device),
            ).cpu()
            for i in range(0, len(patches.facts), 4096)
        ]
    answers = interpret(torch.cat(raw).numpy())
    said, rivet = answers.probability[:, Mark.RIVET] > 0.5, examples.mark == Mark.RIVET
    held = rivet & (np.hypot(*examples.offset.T) < 0.15)
    miss = (examples.offset - answers.offset)[held]
    squared = np.einsum("ni,nij,nj->n", miss, np.linalg.inv(answers.cov[held]), miss)
    rms_px = np.sqrt((miss**2).sum(axis=1).mean() / 2.0)
    return (
        f"{len(rivet)} patches: precision {(said & rivet).sum() / said.sum():.4f}, recall "
        f"{(said & rivet).sum() / rivet.sum():.4f}, centre {rms_px:.4f} heads per axis, "
        f"squared error over covariance: mean {squared.mean():.2f}, median {np.median(squared):.2f}"
    )


def main() -> None:
    """Run the whole training."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scenes", type=int, default=60_000)
    parser.add_argument("--epochs", type=int, default=30)
    parser.add_argument("--start", type=Path, help="weights to go on from")
    parser.add_argument("--blend", type=float, default=1.0, help="share of the new weights, the rest --start")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=16)
    parser.add_argument("--patches", type=Path, help="where the drawn patches are kept for a next run")
    parser.add_argument(
        "--traced", type=Path, help="folder of path-traced crowds; their patches are kept there"
    )
    arguments = parser.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    started = time.perf_counter()
    draw = partial(gather, arguments.seed, arguments.scenes, arguments.workers)
    examples = recall(arguments.patches, draw) if arguments.patches else draw()
    if arguments.traced:
        trace = partial(gather_traced, arguments.seed, arguments.traced, arguments.workers)
        examples = _joined([examples, recall(arguments.traced / "patches.npz", trace)])
    print(f"{len(examples.mark)} patches in {time.perf_counter() - started:.0f} s")  # noqa: T201
    network = train(examples, arguments.epochs, arguments.seed, device, arguments.start)
    weights = folded(network)
    if arguments.start:
        weights = blended(weights, arguments.start, arguments.blend)
    np.savez_compressed(arguments.out, **weights)  # type: ignore[arg-type]
    # Seeds that differ in their first number share no scene.
    unseen = gather(arguments.seed + 1_000_000, max(100, arguments.scenes // 15), arguments.workers)
    print(report(network, unseen, device))  # noqa: T201


if __name__ == "__main__":
    main()
