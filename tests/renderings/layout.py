"""What stands where in a rendered close-up: a ridge cap's flange, its rivets and what may be taken for one.

Everything is drawn from one seed. Ridge frame, mm: u along the ridge, v from the fold down to the hem, h out
of the sheet. Target frame: the card's, x right, y down, z into the sheet. Needs numpy alone.
"""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

SIZE_PX = (1200, 900)
FOCAL_PX = 912.0
CARD_MM = (190.0, 130.0)
CARD_THICKNESS_MM = 0.8
REACH_MM = 700.0
LAP_STEP_MM = 0.6
# Around a rivet nothing else stands within this distance, mm.
CLEAR_MM = 18.0

FINISHES = (
    "spangled",
    "brushed",
    "copper",
    "zinc",
    "gloss white",
    "gloss black",
    "matt charcoal",
    "textured brown",
    "green",
    "red",
    "sand",
    "blue",
)
RIVET_FINISHES = ("bright", "dull", "matched", "stainless", "copper")
LIGHTS = ("overcast", "high sun", "low sun", "open shade", "against the sun", "dappled")
DECOYS = (
    "round_dab",
    "silicone",
    "water_drop",
    "dirt_spot",
    "hex_screw",
    "pan_screw",
    "other_rivet",
    "dent",
    "scratch",
    "pencil_mark",
    "rust_spot",
    "empty_hole",
)


@dataclass(frozen=True)
class Item:
    """One thing on the flange: its kind, place (u, v) mm, size mm and a seed for its shape."""

    kind: str
    at: tuple[float, float]
    size_mm: float
    seed: int
    role: str = ""


@dataclass(frozen=True)
class Scene:
    """One close-up.

    ``card_at`` is the card's middle (u, v), ``card_turn_rad`` its turn on the flange; ``lap_u`` the end of
    the upper sheet, which reaches to it from below zero, or None; ``rotation`` and ``translation_mm`` are the
    camera's in the target frame; ``distortion`` k1, k2, p1, p2.
    """

    name: str
    seed: int
    finish: str
    rivet_finish: str
    light: str
    head_mm: float
    head_style: str
    spacing_mm: float
    pitch_in_12: float
    width_mm: float
    lap_u: float | None
    card_at: tuple[float, float]
    card_turn_rad: float
    rotation: np.ndarray
    translation_mm: np.ndarray
    principal_px: tuple[float, float]
    distortion: tuple[float, float, float, float]
    distance_mm: float
    tilt_deg: float
    waves: tuple[tuple[float, float, float, float], ...]
    size_px: tuple[int, int] = SIZE_PX
    rivets: list[Item] = field(default_factory=list)
    missing: list[Item] = field(default_factory=list)
    hidden: list[Item] = field(default_factory=list)
    decoys: list[Item] = field(default_factory=list)

    def lift_mm(self, u: np.ndarray | float, v: np.ndarray | float) -> np.ndarray:
        """Return the height of the upper sheet over its mean plane: sheet metal is never flat."""
        total = np.zeros(np.broadcast(u, v).shape)
        for amplitude, wave_u, wave_v, phase in self.waves:
            total = total + amplitude * np.sin(2.0 * math.pi * (u / wave_u + v / wave_v) + phase)
        return total

    def sheet_mm(self, u: float, v: float) -> float:
        """Return the height h of the sheet that shows at a place."""
        below = self.lap_u is not None and u > self.lap_u
        return float(self.lift_mm(u, v)) - (LAP_STEP_MM if below else 0.0)

    def card_base_mm(self) -> float:
        """Return the height h of the plane that the card lies on."""
        return self.sheet_mm(*self.card_at)

    def to_target(self, u: float, v: float, h: float) -> np.ndarray:
        """Return a point of the ridge frame in the target frame."""
        c, s = math.cos(self.card_turn_rad), math.sin(self.card_turn_rad)
        du, dv = u - self.card_at[0], v - self.card_at[1]
        x, y = c * du + s * dv + CARD_MM[0] / 2.0, -s * du + c * dv + CARD_MM[1] / 2.0
        return np.array([x, y, CARD_THICKNESS_MM + self.card_base_mm() - h])

    def to_px(self, points: np.ndarray) -> np.ndarray:
        """Return where the lens puts points of the target frame, shape (N, 3): Brown's model."""
        seen = points @ self.rotation.T + self.translation_mm
        x, y = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2]
        k1, k2, p1, p2 = self.distortion
        r2 = x * x + y * y
        radial = 1.0 + k1 * r2 + k2 * r2 * r2
        bent_x = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
        bent_y = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
        return FOCAL_PX * np.column_stack([bent_x, bent_y]) + self.principal_px


def draw_scene(seed: int) -> Scene:
    """Return the close-up of one seed."""
    rng = np.random.default_rng((20260, seed))
    width = rng.uniform(170.0, 215.0)
    lap_u = float(rng.uniform(-150.0, 150.0)) if rng.random() < 0.5 else None
    card_turn = rng.normal(0.0, 0.03) + (math.pi if rng.random() < 0.1 else 0.0)
    # Beside the lap's rivets, and above the run row where the flange is wide enough.
    card_u = rng.uniform(-120.0, 120.0) if lap_u is None else lap_u + rng.choice([112.0, -225.0])
    card_at = (float(card_u), float(rng.uniform(68.0, width - 100.0)))
    finish = str(rng.choice(FINISHES))
    scene = Scene(
        f"close_made_{seed:02d}",
        seed,
        finish,
        str(rng.choice(RIVET_FINISHES, p=(0.3, 0.15, 0.35, 0.1, 0.1))),
        LIGHTS[seed % len(LIGHTS)],
        (9.5, 9.5, 6.4, 12.7)[seed % 4],
        str(rng.choice(["domed", "low", "sealed", "stub"], p=(0.45, 0.25, 0.1, 0.2))),
        float(rng.choice([101.6, 152.4])),
        float(rng.choice([3.0, 4.0, 6.0, 8.0, 10.0])),
        float(width),
        lap_u,
        card_at,
        float(card_turn),
        *_camera(rng, card_at, width, lap_u, card_turn),
        tuple(
            (
                rng.uniform(0.0, 0.25),
                rng.uniform(250.0, 700.0),
                rng.uniform(300.0, 900.0),
                rng.uniform(0.0, 6.3),
            )
            for _ in range(3)
        ),
    )
    _place_rivets(rng, scene)
    _place_decoys(rng, scene)
    return scene


def _camera(
    rng: np.random.Generator, card_at: tuple[float, float], width: float, lap_u: float | None, turn: float
) -> tuple[np.ndarray, np.ndarray, tuple[float, float], tuple[float, float, float, float], float, float]:
    """Draw rotation and place of a camera held by a person below the ridge, looking near the card."""
    tilt = math.radians(rng.uniform(4.0, 48.0))
    distance = float(np.exp(rng.uniform(math.log(330.0), math.log(720.0))))
    heading = math.pi / 2.0 + rng.normal(0.0, 0.7)
    aim_u = card_at[0] if lap_u is None else 0.5 * (card_at[0] + lap_u - 60.0)
    aim = np.array(
        [aim_u + rng.uniform(-50.0, 50.0) - card_at[0], 0.5 * width - card_at[1] + rng.uniform(-15.0, 15.0)]
    )
    c, s = math.cos(turn), math.sin(turn)
    aim_mm = np.array(
        [c * aim[0] + s * aim[1] + CARD_MM[0] / 2.0, -s * aim[0] + c * aim[1] + CARD_MM[1] / 2.0, 0.8]
    )
    heading -= turn
    back = np.array([math.sin(tilt) * math.cos(heading), math.sin(tilt) * math.sin(heading), -math.cos(tilt)])
    forward = -back
    right = np.cross(np.array([-back[0], -back[1], 0.0]), np.array([0.0, 0.0, -1.0]))
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    roll = rng.normal(0.0, 0.15)
    rotation = np.stack(
        [
            math.cos(roll) * right + math.sin(roll) * down,
            -math.sin(roll) * right + math.cos(roll) * down,
            forward,
        ]
    )
    principal = ((SIZE_PX[0] - 1) / 2.0 + rng.normal(0.0, 6.0), (SIZE_PX[1] - 1) / 2.0 + rng.normal(0.0, 6.0))
    lens = (rng.uniform(-0.04, 0.06), rng.uniform(-0.06, 0.02), rng.normal(0.0, 4e-4), rng.normal(0.0, 4e-4))
    translation = -rotation @ (aim_mm + distance * back)
    return rotation, translation, principal, lens, distance, math.degrees(tilt)


def _place_rivets(rng: np.random.Generator, scene: Scene) -> None:
    """Set the run row near the hem, and the columns of the lap; some are missing, a few doubled."""
    row = scene.width_mm - rng.uniform(15.0, 26.0)
    places: list[tuple[float, float, str]] = []
    u = -REACH_MM + rng.uniform(0.0, scene.spacing_mm)
    while u < REACH_MM:
        if scene.lap_u is None or abs(u - scene.lap_u) > 15.0:
            places.append((u, row + rng.normal(0.0, 1.5), "run"))
        if rng.random() < 0.04:
            places.append((u + rng.uniform(24.0, 34.0), row + rng.normal(0.0, 3.0), "run"))
        u += scene.spacing_mm + rng.normal(0.0, 3.0)
    if scene.lap_u is not None:
        places = [p for p in places if not scene.lap_u - 140.0 < p[0] < scene.lap_u + 15.0]
        first = scene.lap_u - rng.uniform(20.0, 30.0)
        for column in (first, first - rng.uniform(60.0, 90.0)):
            for v in np.linspace(24.0, row, 4):
                places.append((column + rng.normal(0.0, 2.0), float(v) + rng.normal(0.0, 2.0), "lap"))
    for u, v, role in places:
        _place_rivet(rng, scene, (float(u), float(v)), role)


def _place_rivet(rng: np.random.Generator, scene: Scene, at: tuple[float, float], role: str) -> None:
    item = Item("rivet", at, scene.head_mm, int(rng.integers(1 << 30)), role)
    if _under_card(scene, at, 8.0):
        scene.hidden.append(item)
    elif rng.random() < 0.05:
        hole = rng.random() < 0.6
        scene.missing.append(Item("missing", at, scene.head_mm, item.seed, role))
        if hole:
            scene.decoys.append(Item("empty_hole", at, 0.5 * scene.head_mm, item.seed))
    elif rng.random() < 0.025:
        scene.hidden.append(item)
        scene.decoys.append(Item("leaf", at, 60.0, item.seed))
    else:
        scene.rivets.append(item)


def _under_card(scene: Scene, at: tuple[float, float], margin_mm: float) -> bool:
    x, y, _ = scene.to_target(*at, 0.0)
    return bool(-margin_mm < x < CARD_MM[0] + margin_mm and -margin_mm < y < CARD_MM[1] + margin_mm)


def _place_decoys(rng: np.random.Generator, scene: Scene) -> None:
    """Strew a few kinds over the part of the flange that the camera looks at."""
    taken = [item.at for item in (*scene.rivets, *scene.missing, *scene.hidden)]
    kinds = rng.choice(DECOYS, rng.integers(2, 5), replace=False)
    for kind in kinds:
        for _ in range(int(rng.integers(3, 8))):
            at = (float(rng.uniform(-300.0, 300.0)), float(rng.uniform(8.0, scene.width_mm - 8.0)))
            if _under_card(scene, at, 12.0) or any(math.dist(at, other) < CLEAR_MM for other in taken):
                continue
            if scene.lap_u is not None and abs(at[0] - scene.lap_u) < 14.0:
                continue
            taken.append(at)
            size = scene.head_mm * float(rng.uniform(0.5, 1.4))
            scene.decoys.append(Item(str(kind), at, size, int(rng.integers(1 << 30))))


# ---- the truth beside the photo ------------------------------------------------------------------------


def truth_of(scene: Scene) -> dict[str, Any]:
    """Return the truth in the form of the shared close-ups: only what the photo shows whole."""
    rivets = [entry for item in scene.rivets if (entry := _entry(scene, item))]
    return {
        "photo": f"{scene.name}.jpg",
        "target": "card.json",
        "kind": "run" if scene.lap_u is None else "lap",
        "target_thickness_mm": CARD_THICKNESS_MM,
        "rivets": [{"id": f"r{i:02d}", **entry} for i, entry in enumerate(rivets)],
        "hidden": [_place(scene, item) for item in scene.hidden if _entry(scene, item)],
        "missing": [_place(scene, item) for item in scene.missing if _entry(scene, item)],
        "cut": [
            _place(scene, item)["px"]
            for item in scene.rivets
            if not _entry(scene, item) and _in_view(scene, scene.to_target(*item.at, 0.0)[None])
        ],
        "decoys": [
            {"kind": item.kind, "px": _place(scene, item)["px"], "size_mm": round(item.size_mm, 1)}
            for item in scene.decoys
        ],
        "run_direction_mm": [math.cos(scene.card_turn_rad), -math.sin(scene.card_turn_rad)],
        "borders_mm": {name: _border(scene, v) for name, v in (("fold", 0.0), ("hem", scene.width_mm))},
        "lap": None,
        "flange_width_mm": scene.width_mm,
        "pitch_rise_in_12": scene.pitch_in_12,
        "spacing_mm": scene.spacing_mm,
        "camera": _camera_entry(scene),
        "rivet_colour": scene.rivet_finish,
        "roof": scene.finish,
        "light": scene.light,
        "conditions": (
            f"{scene.light}, {scene.finish} roof, {scene.rivet_finish} {scene.head_style} rivets "
            f"{scene.head_mm:g} mm, {scene.distance_mm / 1e3:.2f} m, tilt {scene.tilt_deg:.0f} deg"
        ),
    }


def _place(scene: Scene, item: Item) -> dict[str, Any]:
    u, v = item.at
    point = scene.to_target(u, v, scene.sheet_mm(u, v))
    entry = {"mm": point[:2].round(3).tolist(), "mm_z": round(float(point[2]), 3)}
    return {**entry, "px": scene.to_px(point[None])[0].round(3).tolist(), "role": item.role}


def _entry(scene: Scene, item: Item) -> dict[str, Any] | None:
    """Return a rivet's entry, or None where the photo's border cuts it or leaves it out."""
    entry = _place(scene, item)
    u, v = item.at
    centre = scene.to_target(u, v, scene.sheet_mm(u, v))
    turns = np.linspace(0.0, 2.0 * math.pi, 12)
    rim = centre + 0.5 * item.size_mm * np.column_stack([np.cos(turns), np.sin(turns), np.zeros(12)])
    px = scene.to_px(rim)
    whole = (px > 1.0).all() and (px < np.array(scene.size_px) - 2.0).all() and abs(u) < REACH_MM - 30.0
    return {**entry, "diameter_mm": item.size_mm} if whole and _in_view(scene, rim) else None


def _in_view(scene: Scene, points: np.ndarray) -> bool:
    """Say whether points lie where the lens model holds: far outside the frame it folds back into it."""
    seen = points @ scene.rotation.T + scene.translation_mm
    ideal = seen[:, :2] / np.maximum(seen[:, 2:], 1.0) * FOCAL_PX
    return bool((seen[:, 2] > 1.0).all() and (np.abs(ideal) < 0.55 * np.array(scene.size_px)).all())


def _border(scene: Scene, v: float) -> list[list[float]]:
    return [scene.to_target(u, v, 0.0)[:2].round(2).tolist() for u in (-REACH_MM, REACH_MM)]


def _camera_entry(scene: Scene) -> dict[str, Any]:
    k1, k2, p1, p2 = scene.distortion
    lens = {"fx": FOCAL_PX, "fy": FOCAL_PX, "cx": scene.principal_px[0], "cy": scene.principal_px[1]}
    pose = {"R": scene.rotation.tolist(), "t_mm": scene.translation_mm.tolist()}
    size = {"width": scene.size_px[0], "height": scene.size_px[1]}
    return {**size, **lens, "k1": k1, "k2": k2, "p1": p1, "p2": p2, "pose": {"card": pose}}
