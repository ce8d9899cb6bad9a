"""Render sheets crowded with rivet heads and with what may be taken for one: what the network learns from.

    BLENDER_PYTHON tests/renderings/crowd.py FOLDER FIRST LAST [--samples 6] [--threads 1]

Meshes and lights are those of the close-ups in `render.py`; colours stray from theirs, every head is a style
of its own, and the light is stored as it reaches the lens, for `vision.rivet_net.train --traced FOLDER` to
photograph. Seeds share nothing with the close-ups', which are for measuring alone.
"""

import dataclasses

import bpy
import materials
import numpy as np
from layout import CARD_THICKNESS_MM, FOCAL_PX, LIGHTS, Item, Scene, draw_scene
from render import DECOYS, add_light, add_rivet, build_roof, read_command_line, set_camera, trace

SIZE_PX = (640, 480)
# Crowds are drawn from seeds this much higher than close-ups.
FIRST_SEED = 1_000_000
# Between the middles of neighbours, in head diameters.
PITCH_HEADS = 2.8
STRAY = 0.35
HEAD_STYLES, STYLE_SHARES = ("any", "low", "sealed", "stub"), (0.7, 0.1, 0.1, 0.1)
# What stands in a crowd, with its share.
SHARES = {
    "rivet": 0.45,
    "round_dab": 0.10,
    "silicone": 0.03,
    "water_drop": 0.07,
    "dirt_spot": 0.04,
    "rust_spot": 0.02,
    "hex_screw": 0.06,
    "pan_screw": 0.08,
    "other_rivet": 0.05,
    "dent": 0.03,
    "scratch": 0.01,
    "pencil_mark": 0.01,
    "empty_hole": 0.05,
}


def main() -> None:
    """Render the crowds that the command line names."""
    given = read_command_line(__doc__)
    for seed in range(given.first, given.last):
        scene, items = draw_crowd(seed)
        radiance = _render(scene, items, given.samples, given.threads)
        np.savez_compressed(given.folder / f"crowd_{seed:05d}.npz", **_record(scene, items, radiance))


def draw_crowd(seed: int) -> tuple[Scene, list[Item]]:
    """Return an empty close-up under a light of its own, and what stands all over its flange."""
    rng = np.random.default_rng((20263, seed))
    scene = dataclasses.replace(
        draw_scene(FIRST_SEED + seed),
        light=str(rng.choice(LIGHTS)),
        head_mm=float(rng.choice([6.4, 8.0, 9.5, 12.7])),
        lap_u=None,
        size_px=SIZE_PX,
        rivets=[],
        missing=[],
        hidden=[],
        decoys=[],
    )
    pitch = PITCH_HEADS * scene.head_mm
    kinds, shares = list(SHARES), np.array(list(SHARES.values()))
    items = []
    for u in np.arange(scene.card_at[0] - 300.0, scene.card_at[0] + 300.0, pitch):
        for v in np.arange(0.6 * pitch, scene.width_mm - 0.4 * pitch, pitch):
            at = (float(u + rng.uniform(-0.1, 0.1) * pitch), float(v + rng.uniform(-0.1, 0.1) * pitch))
            kind = str(rng.choice(kinds, p=shares / shares.sum()))
            share = 1.0 if kind == "rivet" else rng.uniform(0.5, 1.4)
            items.append(Item(kind, at, scene.head_mm * float(share), int(rng.integers(1 << 30))))
    return scene, [item for item in items if _is_seen(scene, item)]


def _is_seen(scene: Scene, item: Item) -> bool:
    px = _px(scene, item)
    return bool((px > -40.0).all() and (px < np.array(SIZE_PX) + 40.0).all())


def _px(scene: Scene, item: Item) -> np.ndarray:
    """Return where a pinhole of the photo's focal length, its middle in the photo's, puts an item's base."""
    seen = scene.rotation @ scene.to_target(*item.at, scene.sheet_mm(*item.at)) + scene.translation_mm
    return FOCAL_PX * seen[:2] / seen[2] + (np.array(SIZE_PX) - 1.0) / 2.0


def _render(scene: Scene, items: list[Item], samples: int, threads: int) -> np.ndarray:
    bpy.ops.wm.read_factory_settings(use_empty=True)
    rng = np.random.default_rng((20264, scene.seed))
    build_roof(scene, rng, STRAY)
    finishes = ("matched", scene.rivet_finish, str(rng.choice(["bright", "dull", "stainless"])))
    heads = [materials.make_head(finish, scene.finish, rng, STRAY) for finish in finishes]
    for item in items:
        head = heads[int(rng.integers(len(heads)))]
        if item.kind == "rivet":
            own = dataclasses.replace(scene, head_style=str(rng.choice(HEAD_STYLES, p=STYLE_SHARES)))
            add_rivet(own, item, head, scene.head_mm)
        else:
            DECOYS[item.kind](scene, item, head)
    add_light(scene, rng)
    set_camera(scene)
    return trace(scene, samples, threads)


def _record(scene: Scene, items: list[Item], radiance: np.ndarray) -> dict[str, np.ndarray]:
    """Return the light, cut to the photo's size, and what stands where in it."""
    (width, height), (whole_height, whole_width) = SIZE_PX, radiance.shape[:2]
    left, top = (whole_width - width) // 2, (whole_height - height) // 2
    return {
        "radiance": radiance[top : top + height, left : left + width].clip(0.0, 6e4).astype(np.float16),
        "kind": np.array([item.kind for item in items]),
        "px": np.array([_px(scene, item) for item in items]),
        "focal_px": np.array(FOCAL_PX),
        "rotation": scene.rotation,
        "translation_mm": scene.translation_mm,
        "z_mm": np.array(CARD_THICKNESS_MM),
        "head_mm": np.array(scene.head_mm),
    }


if __name__ == "__main__":
    main()
