"""Render close-ups of our own making with Blender: photos, their truth and the card, as the shared ones are.

    BLENDER_PYTHON tests/renderings/render.py FOLDER FIRST LAST [--samples 6] [--threads 1]

BLENDER_PYTHON is a Python with bpy (5.0), numpy and opencv-python. Scenes FIRST to LAST - 1 go to FOLDER.
"""

import argparse
import json
import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import bpy
import cv2
import materials
import mathutils
import numpy as np
from layout import (
    CARD_MM,
    CARD_THICKNESS_MM,
    FOCAL_PX,
    LAP_STEP_MM,
    REACH_MM,
    Item,
    Scene,
    draw_scene,
    truth_of,
)
from phone import develop

# Blender units per mm; the pinhole picture reaches this much further than the photo, for its lens to bend.
UNIT = 0.1
MARGIN = 1.06
TAG_MM, TAG_CENTRES_MM = 45.0, ((35.0, 33.0), (155.0, 33.0), (35.0, 97.0), (155.0, 97.0))


@dataclass(frozen=True)
class Style:
    """Shapes of heads: ranges of lengths in head diameters and of the dome's power; what pins are of."""

    rise: tuple[float, float] = (0.2, 0.3)
    edge: tuple[float, float] = (0.01, 0.05)
    hole: tuple[float, float] = (0.12, 0.19)
    power: tuple[float, float] = (1.8, 3.2)
    proud_share: float = 0.0
    pins: tuple[str, ...] = ("mandrel",)


STYLES = {
    "domed": Style(),
    "low": Style(rise=(0.10, 0.15)),
    "sealed": Style(hole=(0.08, 0.08), pins=()),
    "stub": Style(proud_share=1.0),
    # Whatever the trade sells: for training, wider than the others.
    "any": Style((0.08, 0.34), (0.0, 0.08), (0.10, 0.23), (1.4, 3.8), 0.3, ("mandrel", "zinc plate", "void")),
}


def main() -> None:
    """Render the scenes that the command line names."""
    given = read_command_line(__doc__)
    (given.folder / "card.json").write_text(json.dumps(_card_record(), indent=1))
    for seed in range(given.first, given.last):
        scene = draw_scene(seed)
        radiance = _render(scene, given.samples, given.threads)
        (given.folder / f"{scene.name}.jpg").write_bytes(develop(scene, radiance, MARGIN).tobytes())
        (given.folder / f"{scene.name}.json").write_text(json.dumps(truth_of(scene), indent=1))


def read_command_line(description: str | None) -> argparse.Namespace:
    """Return what to render, where to and how finely; the folder is there then."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("folder", type=Path)
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int)
    parser.add_argument("--samples", type=int, default=6)
    parser.add_argument("--threads", type=int, default=1)
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    return given


def _card_record() -> dict[str, object]:
    tags = [{"id": i, "size": TAG_MM, "center": at, "turn": 0} for i, at in enumerate(TAG_CENTRES_MM)]
    head = {"name": "card", "family": "tag36h11", "unit": "mm", "tags": tags}
    return {**head, "outline": CARD_MM, "sigma": 0.1, "thickness": CARD_THICKNESS_MM}


def _render(scene: Scene, samples: int, threads: int) -> np.ndarray:
    bpy.ops.wm.read_factory_settings(use_empty=True)
    rng = np.random.default_rng((20262, scene.seed))
    build_roof(scene, rng)
    _build_card(scene)
    head = materials.make_head(scene.rivet_finish, scene.finish, rng)
    for item in scene.rivets:
        add_rivet(scene, item, head, scene.head_mm)
    for item in scene.decoys:
        DECOYS[item.kind](scene, item, head)
    add_light(scene, rng)
    set_camera(scene)
    return trace(scene, samples, threads)


def trace(scene: Scene, samples: int, threads: int) -> np.ndarray:
    """Return the pinhole picture: the flange and what is near it finely, the rest at a quarter of that."""
    settings = bpy.context.scene
    settings.render.engine = "CYCLES"
    settings.cycles.device = "CPU"
    settings.cycles.samples = samples
    settings.cycles.use_adaptive_sampling = False
    settings.cycles.use_denoising = True
    settings.cycles.denoising_prefilter = "FAST"
    settings.cycles.max_bounces = 4
    settings.cycles.sample_clamp_indirect = 8.0
    settings.render.threads_mode = "FIXED"
    settings.render.threads = threads
    settings.view_settings.view_transform = "Raw"
    settings.render.image_settings.file_format = "OPEN_EXR"
    settings.render.resolution_percentage = 25
    coarse = _picture()
    settings.render.resolution_percentage = 100
    width, height = settings.render.resolution_x, settings.render.resolution_y
    whole = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    left, top, right, bottom = _flange_box(scene, width, height)
    settings.render.use_border = True
    settings.render.border_min_x, settings.render.border_max_x = left / width, right / width
    settings.render.border_min_y, settings.render.border_max_y = 1.0 - bottom / height, 1.0 - top / height
    whole[top:bottom, left:right] = _picture()[top:bottom, left:right]
    return whole


def _picture() -> np.ndarray:
    """Render and return the radiance, shape (H, W, 3), BGR."""
    settings = bpy.context.scene
    with tempfile.TemporaryDirectory() as scratch:
        settings.render.filepath = str(Path(scratch, "radiance.exr"))
        bpy.ops.render.render(write_still=True)
        image = bpy.data.images.load(settings.render.filepath)
        width, height = image.size
        pixels = np.array(image.pixels[:], dtype=np.float32).reshape(height, width, 4)
    bpy.data.images.remove(image)
    return np.ascontiguousarray(pixels[::-1, :, 2::-1])


def _flange_box(scene: Scene, width: int, height: int) -> tuple[int, int, int, int]:
    """Return left, top, right and bottom of the flange and 40 px around it in the pinhole picture."""
    u, v = np.meshgrid(np.linspace(-REACH_MM, REACH_MM, 141), [0.0, scene.width_mm])
    outline = np.array([scene.to_target(*at, 0.0) for at in zip(u.ravel(), v.ravel(), strict=True)])
    seen = outline @ scene.rotation.T + scene.translation_mm
    seen = seen[seen[:, 2] > 1.0]
    px = FOCAL_PX * seen[:, :2] / seen[:, 2:] + [(width - 1) / 2.0, (height - 1) / 2.0]
    px = px[(px[:, 0] > -60.0) & (px[:, 0] < width + 60.0)]
    low = np.maximum(px.min(axis=0) - 40.0, 0.0).astype(int)
    high = np.minimum(px.max(axis=0) + 40.0, [width, height]).astype(int)
    return low[0], low[1], high[0], high[1]


# ---- meshes: ridge frame in, Blender out (x = u, y = -v, z = h) ----------------------------------------


def _mesh(
    name: str, points: np.ndarray, faces: list[tuple[int, ...]], material: bpy.types.Material, *, smooth: bool
) -> bpy.types.Object:
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata((np.asarray(points) * (UNIT, -UNIT, UNIT)).tolist(), [], faces)
    mesh.polygons.foreach_set("use_smooth", [smooth] * len(mesh.polygons))
    mesh.update()
    made = bpy.data.objects.new(name, mesh)
    bpy.context.collection.objects.link(made)
    made.data.materials.append(material)
    return made


def _grid(columns: int, rows: int) -> list[tuple[int, ...]]:
    """Return the faces of a grid of points, row by row."""
    corner = [(r * columns + c, r * columns + c + 1) for r in range(rows - 1) for c in range(columns - 1)]
    return [(a, b, b + columns, a + columns) for a, b in corner]


def _lathe(
    scene: Scene,
    name: str,
    at: tuple[float, float],
    profile: list[tuple[float, float]],
    material: bpy.types.Material,
    *,
    outline: np.ndarray | None = None,
    smooth: bool = True,
    sides: int = 40,
    tilt: tuple[float, float] = (0.0, 0.0),
    turn: float = 0.0,
) -> None:
    """Turn a profile of (radius, height) about a place of the sheet; ``outline`` makes it less round."""
    angle = 2.0 * math.pi * np.arange(sides) / sides + turn
    shape = np.ones(sides) if outline is None else outline
    base = scene.sheet_mm(*at)
    rings = []
    for radius, height in profile:
        x, y = radius * shape * np.cos(angle), radius * shape * np.sin(angle)
        rings.append(np.column_stack([at[0] + x, at[1] + y, base + height + tilt[0] * x + tilt[1] * y]))
    faces: list[tuple[int, ...]] = []
    for ring in range(len(profile) - 1):
        for k in range(sides):
            a, b = ring * sides + k, ring * sides + (k + 1) % sides
            faces.append((a, b, b + sides, a + sides))
    faces.append(tuple((len(profile) - 1) * sides + k for k in range(sides)))
    _mesh(name, np.concatenate(rings), faces, material, smooth=smooth)


def build_roof(scene: Scene, rng: np.random.Generator, stray: float = 0.0) -> None:
    sheet = materials.make_sheet(scene.finish, rng, stray)
    end = REACH_MM if scene.lap_u is None else scene.lap_u
    _add_sheet(scene, sheet, -REACH_MM, end, 0.0)
    if scene.lap_u is not None:
        _add_sheet(scene, sheet, scene.lap_u - 160.0, REACH_MM, -LAP_STEP_MM)
    slope = 2.0 * math.atan(scene.pitch_in_12 / 12.0)
    far = -scene.width_mm * np.array([math.cos(slope), math.sin(slope)])
    u = np.array([-REACH_MM, REACH_MM])
    other = np.array([[u[0], 0.0, 0.0], [u[1], 0.0, 0.0], [u[1], *far], [u[0], *far]])
    _mesh("other flange", other, [(0, 1, 2, 3)], sheet, smooth=False)
    panel = materials.make_sheet(scene.finish, rng)
    _add_panels(scene, panel, np.array([scene.width_mm - 30.0, -25.0]), np.array([1.0, 0.0]), 900.0)
    away = np.array([-math.cos(slope), -math.sin(slope)])
    start = far + 25.0 * np.array([math.sin(slope), -math.cos(slope)]) - 30.0 * away
    _add_panels(scene, panel, start, away, 900.0)


def _add_sheet(scene: Scene, material: bpy.types.Material, first: float, last: float, drop_mm: float) -> None:
    """Lay one piece of the flange: its waves, its end edges and the hem's bend down."""
    u = np.linspace(first, last, max(2, round((last - first) / 10.0)))
    v = np.linspace(0.0, scene.width_mm, 16)
    bend = [(0.0, -0.6), (-0.8, -2.0), (-3.0, -11.0)]
    rows = [np.column_stack([u, np.full(len(u), y), scene.lift_mm(u, y) + drop_mm]) for y in v]
    for back, down in bend:
        rows.append(
            np.column_stack(
                [u, np.full(len(u), scene.width_mm + back), scene.lift_mm(u, scene.width_mm) + drop_mm + down]
            )
        )
    top = np.concatenate(rows)
    faces = _grid(len(u), len(rows))
    under = top - (0.0, 0.0, 0.55)
    n, k = len(top), len(u)
    # The end faces, 0.55 mm thick: what a lap's edge is.
    for r in range(len(v) - 1):
        for c in (0, k - 1):
            a, b = r * k + c, (r + 1) * k + c
            faces.append((a, b, n + b, n + a))
    _mesh("sheet", np.concatenate([top, under]), faces, material, smooth=False)


def _add_panels(
    scene: Scene, material: bpy.types.Material, start: np.ndarray, along: np.ndarray, length: float
) -> None:
    """Lay the roof's panels with their standing seams; ``start`` and ``along`` are in (v, h)."""
    square = np.array([-along[1], along[0]]) * (1.0 if along[0] > 0 else -1.0)
    u: list[float] = []
    height: list[float] = []
    first = -1000.0 + 13.0 * (scene.seed % 7)
    for k in range(7):
        middle = first + 310.0 * k
        u += [middle - 8.0, middle - 7.0, middle + 7.0, middle + 8.0]
        height += [0.0, 24.0, 24.0, 0.0]
    far = start + length * along
    points = [(x, *(end + h * square)) for end in (start, far) for x, h in zip(u, height, strict=True)]
    _mesh("panels", np.array(points), _grid(len(u), 2), material, smooth=False)


def _build_card(scene: Scene) -> None:
    size_px = [round(4.0 * side) for side in CARD_MM]
    picture = np.full(size_px[::-1], 0.8, dtype=np.float32)
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36H11)
    side = round(4.0 * TAG_MM)
    for tag, (x, y) in enumerate(TAG_CENTRES_MM):
        left, top = round(4.0 * x) - side // 2, round(4.0 * y) - side // 2
        cells = cv2.resize(
            cv2.aruco.generateImageMarker(book, tag, 8), (side, side), interpolation=cv2.INTER_NEAREST
        )
        picture[top : top + side, left : left + side] = np.where(cells > 127, 0.8, 0.03)
    c, s = math.cos(scene.card_turn_rad), math.sin(scene.card_turn_rad)
    level = scene.card_base_mm() + CARD_THICKNESS_MM
    corners = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]) * CARD_MM
    flat = corners @ np.array([[c, s], [-s, c]]) + scene.card_at
    points = [(*p, level - depth) for depth in (0.0, 2.5) for p in flat]
    faces = [(0, 1, 2, 3), *[(k, (k + 1) % 4, 4 + (k + 1) % 4, 4 + k) for k in range(4)]]
    card = _mesh("card", np.array(points), faces, materials.make_print(picture), smooth=False)
    layer = card.data.uv_layers.new()
    for loop, where in enumerate([(0, 1), (1, 1), (1, 0), (0, 0)]):
        layer.data[loop].uv = where
    for loop in range(4, len(layer.data)):
        layer.data[loop].uv = (0.01, 0.01)


# ---- fasteners and decoys ------------------------------------------------------------------------------


def add_rivet(scene: Scene, item: Item, head: bpy.types.Material, head_mm: float) -> None:
    """Set a blind rivet: domed or low, its mandrel broken flush, deep or as a stub, or a closed end."""
    rng = np.random.default_rng(item.seed)
    style = STYLES[scene.head_style]
    half = head_mm / 2.0
    rise, edge, hole = (head_mm * rng.uniform(*share) for share in (style.rise, style.edge, style.hole))
    power = rng.uniform(*style.power)
    shares = np.cos(np.linspace(0.0, math.acos(hole / half), 14))
    profile = [(half, -0.2), (half, edge)]
    profile += [(half * s, edge + (rise - edge) * math.sqrt(max(1.0 - s**power, 0.0))) for s in shares[1:]]
    top = profile[-1][1]
    tilt = tuple(rng.normal(0.0, 0.015, 2))
    if not style.pins:
        profile += [(0.5 * hole, top - 0.3 * hole), (0.05 * hole, top - 0.35 * hole)]
        _lathe(scene, "rivet", item.at, profile, head, tilt=tilt)
        return
    deep = rise * rng.uniform(0.3, 0.9)
    profile += [(0.97 * hole, top - 0.015 * head_mm), (0.94 * hole, top - deep)]
    _lathe(scene, "rivet", item.at, profile, head, tilt=tilt)
    is_proud = style.proud_share == 1.0 or (style.proud_share > 0.0 and rng.random() < style.proud_share)
    proud = head_mm * rng.uniform(0.02, 0.12) if is_proud else -deep * rng.uniform(0.1, 0.9)
    stub = hole * rng.uniform(0.55, 0.9)
    pin = [(stub, top - deep - 0.1), (stub, top + proud), (0.6 * stub, top + proud + rng.uniform(-0.1, 0.15))]
    stuff = style.pins[0] if len(style.pins) == 1 else str(rng.choice(style.pins))
    _lathe(scene, "mandrel", item.at, pin, materials.make(stuff), sides=16)


def _outline(rng: np.random.Generator, rag: float, sides: int = 40) -> np.ndarray:
    angle = 2.0 * math.pi * np.arange(sides) / sides
    waves = sum(rag * rng.normal() / k * np.cos(k * angle + rng.uniform(0.0, 6.3)) for k in range(2, 6))
    return np.maximum(1.0 + waves, 0.3)


def _dome(half: float, rise: float) -> list[tuple[float, float]]:
    return [(half * s, rise * math.sqrt(1.0 - s * s)) for s in (1.0, 0.98, 0.92, 0.8, 0.62, 0.4, 0.15)]


def _add_dab(scene: Scene, item: Item, _head: bpy.types.Material) -> None:
    """Set a round dab of sealant, about as large and as high as a head."""
    rng = np.random.default_rng(item.seed)
    name = str(rng.choice(["white sealant", "grey sealant", "clear sealant"]))
    dome = _dome(item.size_mm / 2.0, item.size_mm * rng.uniform(0.12, 0.35))
    _lathe(scene, "dab", item.at, dome, materials.make(name), outline=_outline(rng, rng.uniform(0.0, 0.08)))


def _add_smear(scene: Scene, item: Item, _head: bpy.types.Material) -> None:
    rng = np.random.default_rng(item.seed)
    name = str(rng.choice(["white sealant", "grey sealant", "clear sealant"]))
    dome = _dome(item.size_mm * rng.uniform(0.5, 1.3), item.size_mm * rng.uniform(0.05, 0.2))
    _lathe(scene, "smear", item.at, dome, materials.make(name), outline=_outline(rng, 0.3))


def _add_drop(scene: Scene, item: Item, _head: bpy.types.Material) -> None:
    rng = np.random.default_rng(item.seed)
    half = item.size_mm * rng.uniform(0.3, 0.5)
    water = bpy.data.materials.get("water") or materials.make_water()
    _lathe(
        scene,
        "drop",
        item.at,
        _dome(half, half * rng.uniform(0.35, 0.7)),
        water,
        outline=_outline(rng, rng.uniform(0.0, 0.12)),
    )


def _add_spot(scene: Scene, item: Item, _head: bpy.types.Material) -> None:
    rng = np.random.default_rng(item.seed)
    name = "rust" if item.kind == "rust_spot" else str(rng.choice(["mud", "chalk"]))
    flat = [(item.size_mm / 2.0, 0.03), (item.size_mm * 0.47, 0.12), (0.1, 0.15)]
    _lathe(scene, "spot", item.at, flat, materials.make(name), outline=_outline(rng, rng.uniform(0.03, 0.25)))


def _add_hex(scene: Scene, item: Item, head: bpy.types.Material) -> None:
    rng = np.random.default_rng(item.seed)
    material = head if rng.random() < 0.5 else materials.make("zinc plate")
    flats, turn = scene.head_mm * rng.uniform(0.45, 0.6), rng.uniform(0.0, 1.0)
    if rng.random() < 0.7:
        washer = flats * rng.uniform(1.2, 1.7)
        _lathe(
            scene,
            "washer",
            item.at,
            [(washer, 0.0), (washer, 0.6), (0.9 * washer, 1.1), (0.5, 1.2)],
            materials.make("washer") if rng.random() < 0.3 else material,
        )
    rise = scene.head_mm * rng.uniform(0.4, 0.6)
    _lathe(
        scene,
        "hex",
        item.at,
        [(flats, 0.0), (flats, rise), (0.9 * flats, rise + 0.4)],
        material,
        sides=6,
        smooth=False,
        turn=turn,
    )


def _add_pan(scene: Scene, item: Item, head: bpy.types.Material) -> None:
    """Drive a pan-head screw with a cross recess."""
    rng = np.random.default_rng(item.seed)
    half = scene.head_mm * rng.uniform(0.38, 0.6)
    rise = half * rng.uniform(0.5, 0.7)
    _lathe(
        scene,
        "pan",
        item.at,
        [(half, 0.0), (half, 0.3 * rise), (0.85 * half, 0.8 * rise), (0.5 * half, rise)],
        head,
    )
    turn, reach, wide = rng.uniform(0.0, 1.6), 0.5 * half, 0.1 * half
    for k in range(2):
        c, s = math.cos(turn + k * math.pi / 2.0), math.sin(turn + k * math.pi / 2.0)
        _stroke(scene, item.at, (c, s), reach, wide, rise + 0.02, "void")


def _stroke(
    scene: Scene,
    at: tuple[float, float],
    along: tuple[float, float],
    reach: float,
    wide: float,
    h: float,
    name: str,
) -> None:
    """Lay a flat bar of half length ``reach`` and half width ``wide`` at a height over the sheet."""
    c, s = along
    base = scene.sheet_mm(*at) + h
    points = [
        (at[0] + a * reach * c - b * wide * s, at[1] + a * reach * s + b * wide * c, base)
        for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    _mesh("stroke", np.array(points), [(0, 1, 2, 3)], materials.make(name), smooth=False)


def _add_other_rivet(scene: Scene, item: Item, head: bpy.types.Material) -> None:
    share = 0.6 if item.seed % 2 else 1.55
    add_rivet(scene, item, head, scene.head_mm * share)


def _add_dent(scene: Scene, item: Item, _head: bpy.types.Material) -> None:
    """Press a bump out of the sheet."""
    rng = np.random.default_rng(item.seed)
    half, rise = item.size_mm * rng.uniform(0.6, 1.2), item.size_mm * rng.uniform(0.05, 0.15)
    shares = (1.0, 0.85, 0.7, 0.55, 0.4, 0.25, 0.1)
    bell = [(half * s, rise * (math.exp(-4.0 * s * s) - math.exp(-4.0))) for s in shares]
    _lathe(scene, "dent", item.at, bell, bpy.data.materials[scene.finish])


def _add_line(scene: Scene, item: Item, _head: bpy.types.Material) -> None:
    rng = np.random.default_rng(item.seed)
    pencil = item.kind == "pencil_mark"
    angle = rng.uniform(0.0, math.pi)
    reach, wide = (
        (rng.uniform(6.0, 14.0), 0.45) if pencil else (rng.uniform(4.0, 45.0), rng.uniform(0.1, 0.4))
    )
    c, s = math.cos(angle), math.sin(angle)
    _stroke(scene, item.at, (c, s), reach, wide, 0.06, item.kind.split("_")[0])
    if pencil:
        tip = (item.at[0] + reach * c, item.at[1] + reach * s)
        back = (math.cos(angle + 2.5), math.sin(angle + 2.5))
        middle = (tip[0] + 0.4 * reach * back[0], tip[1] + 0.4 * reach * back[1])
        _stroke(scene, middle, back, 0.4 * reach, wide, 0.065, "pencil")


def _add_hole(scene: Scene, item: Item, _head: bpy.types.Material) -> None:
    half = scene.head_mm * 0.26
    _lathe(scene, "hole", item.at, [(half, 0.03), (0.98 * half, 0.03)], materials.make("void"))


def _add_leaf(scene: Scene, item: Item, _head: bpy.types.Material) -> None:
    """Lay a curled leaf over a place."""
    rng = np.random.default_rng(item.seed)
    t, w = np.linspace(-1.0, 1.0, 15), np.linspace(-1.0, 1.0, 7)
    along, across = np.meshgrid(t, w, indexing="ij")
    length, width = item.size_mm * rng.uniform(0.4, 0.6), item.size_mm * rng.uniform(0.2, 0.3)
    x, y = length * along, width * across * (1.0 - np.abs(along) ** 2.2)
    h = 3.2 + 2.0 * across**2 + 2.0 * along**2 * rng.uniform(0.0, 1.0)
    turn = rng.uniform(0.0, 2.0 * math.pi)
    c, s = math.cos(turn), math.sin(turn)
    base = scene.sheet_mm(*item.at)
    points = np.column_stack(
        [(item.at[0] + c * x - s * y).ravel(), (item.at[1] + s * x + c * y).ravel(), (base + h).ravel()]
    )
    _mesh("leaf", points, _grid(7, 15), materials.make("leaf"), smooth=True)


DECOYS = {
    "round_dab": _add_dab,
    "silicone": _add_smear,
    "water_drop": _add_drop,
    "dirt_spot": _add_spot,
    "rust_spot": _add_spot,
    "hex_screw": _add_hex,
    "pan_screw": _add_pan,
    "other_rivet": _add_other_rivet,
    "dent": _add_dent,
    "scratch": _add_line,
    "pencil_mark": _add_line,
    "empty_hole": _add_hole,
    "leaf": _add_leaf,
}


# ---- light and camera ----------------------------------------------------------------------------------


def add_light(scene: Scene, rng: np.random.Generator) -> None:
    """Light the scene as its name says: how high and strong the sun stands, what shades it."""
    rise = math.atan(scene.pitch_in_12 / 12.0)
    up = np.array([0.0, -math.sin(rise), math.cos(rise)])  # (u, v, h): the flange falls towards its hem
    elevation, strength = {
        "overcast": (0.9, 0.0),
        "high sun": (rng.uniform(0.9, 1.3), rng.uniform(3.0, 6.0)),
        "low sun": (rng.uniform(0.2, 0.5), rng.uniform(2.0, 5.0)),
        "open shade": (0.9, 0.0),
        "against the sun": (rng.uniform(0.35, 0.9), rng.uniform(3.0, 7.0)),
        "dappled": (rng.uniform(0.6, 1.2), rng.uniform(3.0, 6.0)),
    }[scene.light]
    heading = rng.uniform(0.0, 2.0 * math.pi)
    if scene.light == "against the sun":  # beyond the ridge, before the camera
        heading = -math.pi / 2.0 + rng.normal(0.0, 0.5)
    level = np.array(
        [math.cos(heading), math.sin(heading) * math.cos(rise), math.sin(heading) * math.sin(rise)]
    )
    towards = math.cos(elevation) * level + math.sin(elevation) * up
    _add_sky(scene, up, rng)
    if strength:
        _add_sun(towards, strength, elevation)
    if scene.light == "dappled":
        _add_branches(towards, rng)
    _add_surroundings(scene, up, rng)


def _blender(direction: np.ndarray) -> mathutils.Vector:
    return mathutils.Vector((direction[0], -direction[1], direction[2]))


def _add_sun(towards: np.ndarray, strength: float, elevation: float) -> None:
    sun = bpy.data.lights.new("sun", "SUN")
    sun.energy, sun.angle = strength, 0.0093
    warm = 1.0 - 0.35 * math.exp(-4.0 * elevation)
    sun.color = (1.0, warm, warm**2)
    lamp = bpy.data.objects.new("sun", sun)
    bpy.context.collection.objects.link(lamp)
    lamp.rotation_euler = _blender(towards).to_track_quat("Z", "Y").to_euler()


def _add_sky(scene: Scene, up: np.ndarray, rng: np.random.Generator) -> None:
    """Paint the sky: brighter above where it is closed, blue and brighter at the horizon where it is open."""
    world = bpy.data.worlds.new("sky")
    bpy.context.scene.world = world
    world.use_nodes = True
    # The sky varies slowly: a coarse map of where its light comes from is enough, and 3 s sooner made.
    world.cycles.sampling_method, world.cycles.sample_map_resolution = "MANUAL", 128
    tree = world.node_tree
    place, dot = tree.nodes.new("ShaderNodeTexCoord"), tree.nodes.new("ShaderNodeVectorMath")
    dot.operation = "DOT_PRODUCT"
    dot.inputs[1].default_value = tuple(_blender(up))
    tree.links.new(place.outputs["Generated"], dot.inputs[0])
    half = tree.nodes.new("ShaderNodeMapRange")
    half.inputs["From Min"].default_value = -1.0
    tree.links.new(dot.outputs["Value"], half.inputs["Value"])
    ramp = tree.nodes.new("ShaderNodeValToRGB")
    tree.links.new(half.outputs["Result"], ramp.inputs["Fac"])
    closed = scene.light == "overcast"
    horizon, zenith = ((0.35,) * 3, (0.95, 0.97, 1.0)) if closed else ((0.85, 0.9, 1.0), (0.16, 0.3, 0.7))
    stops = ramp.color_ramp.elements
    stops[0].position, stops[0].color = 0.485, (0.06, 0.07, 0.05, 1.0)
    stops[1].position, stops[1].color = 0.51, (*horizon, 1.0)
    stops.new(0.95).color = (*zenith, 1.0)
    clouds, mix = tree.nodes.new("ShaderNodeTexNoise"), tree.nodes.new("ShaderNodeMixRGB")
    clouds.inputs["Scale"].default_value = rng.uniform(1.5, 6.0)
    tree.links.new(place.outputs["Generated"], clouds.inputs["Vector"])
    sharp = tree.nodes.new("ShaderNodeMapRange")
    sharp.inputs["From Min"].default_value, sharp.inputs["From Max"].default_value = 0.5, 0.62
    sharp.inputs["To Max"].default_value = rng.uniform(0.0, 0.8)
    tree.links.new(clouds.outputs[0], sharp.inputs["Value"])
    tree.links.new(sharp.outputs["Result"], mix.inputs["Fac"])
    tree.links.new(ramp.outputs["Color"], mix.inputs["Color1"])
    mix.inputs["Color2"].default_value = (1.3, 1.3, 1.3, 1.0)
    tree.links.new(mix.outputs["Color"], tree.nodes["Background"].inputs["Color"])


def _box(
    name: str,
    centre: np.ndarray,
    half: tuple[float, float, float],
    material: bpy.types.Material,
    up: np.ndarray,
) -> None:
    """Stand an upright box; ``centre`` in the ridge frame, the half height along ``up``."""
    east = np.array([1.0, 0.0, 0.0])
    axes = np.stack([east, np.cross(up, east), up]) * np.array(half)[:, None]
    signs = np.array([(i, j, k) for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)])
    faces = [(0, 1, 3, 2), (4, 5, 7, 6), (0, 1, 5, 4), (2, 3, 7, 6), (0, 2, 6, 4), (1, 3, 7, 5)]
    _mesh(name, centre + signs @ axes, faces, material, smooth=False)


def _add_surroundings(scene: Scene, up: np.ndarray, rng: np.random.Generator) -> None:
    """Stand the person behind the camera, trees and, for open shade, a wall."""
    eye = (
        -scene.rotation.T @ scene.translation_mm
    )  # target frame; near enough to the ridge frame in direction
    c, s = math.cos(scene.card_turn_rad), math.sin(scene.card_turn_rad)
    middle = eye[:2] - np.array(CARD_MM) / 2.0
    eye_uv = np.array([c * middle[0] - s * middle[1], s * middle[0] + c * middle[1]]) + scene.card_at
    person = np.array([eye_uv[0] + rng.uniform(-150.0, 150.0), eye_uv[1] + 330.0, -eye[2] + 50.0])
    _box("person", person, (210.0, 120.0, 450.0), materials.make("cloth"), up)
    for _ in range(5):
        turn, far = rng.uniform(0.0, 2.0 * math.pi), rng.uniform(4000.0, 9000.0)
        _box(
            "tree",
            far * np.array([math.cos(turn), math.sin(turn), 0.1]),
            (900.0, 900.0, 2200.0),
            materials.make("tree"),
            up,
        )
    if scene.light == "open shade":
        side = float(rng.choice([-1.0, 1.0]))
        _box("wall", np.array([side * 1800.0, 0.0, 0.0]), (60.0, 4000.0, 2500.0), materials.make("chalk"), up)


def _add_branches(towards: np.ndarray, rng: np.random.Generator) -> None:
    """Hang leaves and twigs between the sun and the flange."""
    for _ in range(70):
        middle = towards * rng.uniform(900.0, 2200.0) + rng.normal(0.0, 230.0, 3)
        a = rng.normal(0.0, 1.0, 3)
        b = np.cross(a, rng.normal(0.0, 1.0, 3))
        a, b = a / np.linalg.norm(a) * rng.uniform(20.0, 60.0), b / np.linalg.norm(b) * rng.uniform(8.0, 25.0)
        _mesh(
            "shade",
            np.array([middle - a, middle + b, middle + a, middle - b]),
            [(0, 1, 2, 3)],
            materials.make("tree"),
            smooth=False,
        )
    for _ in range(6):
        middle = towards * 1500.0 + rng.normal(0.0, 200.0, 3)
        a = rng.normal(0.0, 1.0, 3)
        b = np.cross(a, towards)
        a, b = a / np.linalg.norm(a) * 700.0, b / np.linalg.norm(b) * rng.uniform(4.0, 12.0)
        _mesh(
            "twig",
            np.array([middle - a - b, middle - a + b, middle + a + b, middle + a - b]),
            [(0, 1, 2, 3)],
            materials.make("tree"),
            smooth=False,
        )


def set_camera(scene: Scene) -> None:
    """Set the pinhole camera: target frame -> ridge frame -> Blender."""
    c, s = math.cos(scene.card_turn_rad), math.sin(scene.card_turn_rad)
    to_blender = np.diag([1.0, -1.0, 1.0]) @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, -1.0]])
    origin = np.array([scene.card_at[0], scene.card_at[1], CARD_THICKNESS_MM + scene.card_base_mm()])
    offset = origin * (1.0, -1.0, 1.0) - to_blender @ np.array([CARD_MM[0] / 2.0, CARD_MM[1] / 2.0, 0.0])
    eye = -scene.rotation.T @ scene.translation_mm
    matrix = np.eye(4)
    matrix[:3, :3] = to_blender @ scene.rotation.T @ np.diag([1.0, -1.0, -1.0])
    matrix[:3, 3] = (to_blender @ eye + offset) * UNIT
    camera = bpy.data.cameras.new("camera")
    camera.sensor_fit, camera.sensor_width, camera.clip_start = "HORIZONTAL", 36.0, 0.1
    camera.clip_end = 5000.0
    # The pinhole picture is wider than the photo by the margin and keeps its scale.
    width, height = (2 * round(MARGIN * side / 2.0) for side in scene.size_px)
    camera.lens = 36.0 * FOCAL_PX / width
    holder = bpy.data.objects.new("camera", camera)
    bpy.context.collection.objects.link(holder)
    holder.matrix_world = mathutils.Matrix(matrix.tolist())
    settings = bpy.context.scene
    settings.camera = holder
    settings.render.resolution_x, settings.render.resolution_y = width, height
    settings.render.resolution_percentage = 100


if __name__ == "__main__":
    main()
