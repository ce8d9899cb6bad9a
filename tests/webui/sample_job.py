"""A job in a data folder, made from the rendered photos and their exact truth instead of a measurement.

It has everything that a report and a package can hold, without the minutes that measuring would take.
"""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from calib.camera import Camera
from calib.targets import load_target, record_from_target
from vision.flat_map import flat_map
from vision.plan import plan_from_record
from vision.plane import View
from vision.planning import Choices, Run, plan_job
from vision.verdict import judge
from webui.inputs import inputs_hash
from webui.job import CloseUpSetup, Result, ResultKind, RidgeSetup, Setup
from webui.plan_command import job_record
from webui.store import Store

WHO, SUPERVISOR = "R. Vane", "L. Orm"
PLAN = {"witness_mm": 203.2, "rivet_head_mm": 9.5, "lap_min_mm": 152.4}
_PLACES = {
    "run": ["run 1 left", "run 2 left", "run 3 right", "run 4 left", "run 1 right", "run 2 right"],
    "lap": ["lap 1 left", "lap 2 right", "lap 3 left", "lap 1 right", "lap 2 left", "lap 3 right"],
}
_U_MM = 0.4


Vary = Callable[[bytes, int], bytes]


def longer(data: bytes, number: int) -> bytes:
    """Return a copy of a photo that is another file: longer by some bytes after its end."""
    return data + bytes(number)


def make_job(
    store: Store, photos: Path, *, close_ups: int = 12, house: str = "house1", vary: Vary = longer
) -> str:
    """Make the job and return its identifier; ``vary`` makes further photos of the rendered ones."""
    job_id = store.create_job("Alder Street 12, north ridge", "imperial", WHO, notes="Standing seam, 24 ga.")
    card, panels = photos / "card.json", [photos / "panel.json", photos / "panel_b.json"]
    targets = {path.stem: record_from_target(load_target(path)) for path in (card, *panels)}
    ridge = RidgeSetup(targets=tuple(path.stem for path in panels))
    store.change_setup(job_id, Setup(targets, {}, ridge, CloseUpSetup(("card",)), PLAN), WHO)
    truth = _read(photos / f"{house}.json")
    for name in truth["photos"]:
        photo, _ = store.add_photo(job_id, photos / name, name, WHO, kind="ridge")
        ends = truth["per_photo"][name]["ends_px"]
        store.change_photo(job_id, photo.name, WHO, ends={end: tuple(px) for end, px in ends.items() if px})
    audits, flanges = _add_close_ups(store, job_id, photos, close_ups, vary)
    _put(store, job_id, "measure", _measure_record(truth), _scene(truth))
    _put(store, job_id, "check", {"photos": audits}, {"flanges": flanges})
    run = Run("ridge 1", truth["ridge"]["length_mm"], 6.2)
    planned = plan_job(plan_from_record(PLAN, "plan"), [run], Choices(units="imperial"))
    _put(store, job_id, "plan", job_record(planned), None)
    return job_id


def decide_some(store: Store, job_id: str) -> None:
    """Let the supervisor accept one finding, overrule one, and sign off."""
    audits = store.job(job_id).results["check"].record["photos"]
    photo, verdict = next(
        (a["photo"], v) for a in audits for v in a["verdicts"] if v["verdict"] == "does not meet"
    )
    about = {"photo": photo, "rule": verdict["rule"], "index": 1, "measured_mm": verdict["measured_mm"]}
    reason = "Engineer's letter of 2 May allows 13 in at this rib; seen by hand."
    store.decide(job_id, SUPERVISOR, "overrule", reason, **about, found="does not meet", verdict="meets")
    photo, verdict = next((a["photo"], v) for a in audits for v in a["verdicts"] if v["verdict"] == "meets")
    about = {"photo": photo, "rule": verdict["rule"], "index": 1, "measured_mm": verdict["measured_mm"]}
    store.decide(job_id, SUPERVISOR, "accept", "", **about, found="meets")
    store.decide(job_id, SUPERVISOR, "sign off", "Open places to be shot after the rain.")


def _add_close_ups(
    store: Store, job_id: str, photos: Path, number: int, vary: Vary
) -> tuple[list[Any], list[Any]]:
    truths = [_read(path) for path in sorted(photos.glob("close_dev_*.json"))]
    taken = {kind: iter(places) for kind, places in _PLACES.items()}
    audits, flanges = [], []
    for index in range(number):
        truth = truths[index % len(truths)]
        data = vary((photos / truth["photo"]).read_bytes(), index // len(truths))
        place = next(taken[truth["kind"]], None)
        photo, _ = store.add_photo(job_id, data, truth["photo"], WHO, place=place)
        audits.append(_audit(truth, photo.name, photo.sha256))
        flanges.append(_flange(truth, photo.name, load_target(photos / "card.json").outline_mm))
    return audits, flanges


def _audit(truth: Any, name: str, sha256: str) -> dict[str, Any]:
    rivets = [
        {"px": r["px"], "mm": r["mm"], "u_mm": _U_MM, "role": r["role"], "score": 0.98}
        for r in truth["rivets"]
    ]
    ids = [rivet["id"] for rivet in truth["rivets"]]
    spacings = [
        {"from": ids.index(s["from"]), "to": ids.index(s["to"]), "mm": s["mm"], "u95_mm": 1.96 * _U_MM}
        for s in truth["spacings"]
        if s["from"] in ids and s["to"] in ids and not s["missing_between"]
    ]
    lap = truth["lap"]
    verdicts = [_verdict("rivet spacing", s["mm"], 292.1, 317.5) for s in spacings]
    verdicts += [_verdict("lap length", lap["lap_mm"], 152.4, None)] if lap else []
    return {
        "photo": name,
        "sha256": sha256,
        "measured": True,
        "kind": truth["kind"],
        "target": {"name": "card", "tags": [0, 1, 2, 3], "rms_px": 0.21},
        "mm_per_px": 0.5,
        "rivets": rivets,
        "spacings": spacings,
        "lap": _lap(lap) if lap else None,
        "verdicts": verdicts,
        "notes": [],
    }


def _lap(lap: Any) -> dict[str, Any]:
    return {
        "edge_px": lap["edge_px"],
        "edge_mm": lap["edge_mm"],
        "edge_to_witness_mm": lap.get("edge_to_witness_mm"),
        "lap_mm": lap["lap_mm"],
        "u95_mm": 1.96 * _U_MM,
    }


def _verdict(rule: str, mm: float, lower: float, upper: float | None) -> dict[str, Any]:
    judged = judge(mm, _U_MM, lower=lower, upper=upper)
    return {
        "rule": rule,
        "measured_mm": mm,
        "u95_mm": judged.u95_mm,
        "limit": judged.limit,
        "p_conform": judged.p_conform,
        "verdict": str(judged.verdict),
        "why": judged.why,
    }


def _flange(truth: Any, name: str, outline_mm: tuple[float, float]) -> dict[str, Any]:
    lens, pose = truth["camera"], truth["camera"]["pose"]["card"]
    names = ("width", "height", "fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2")
    camera = Camera(**{key: lens[key] for key in names}, k3=0.0, cov=np.eye(9))
    view = View(camera, np.array(pose["R"]), np.array(pose["t_mm"]), np.eye(15))
    along = np.array(truth["run_direction_mm"])
    across = np.array([-along[1], along[0]])
    mm = np.array([rivet["mm"] for rivet in truth["rivets"]] + [[0.0, 0.0], list(outline_mm)])
    low, high = (mm @ along).min() - 30.0, (mm @ along).max() + 30.0
    near, far = (mm @ across).min() - 20.0, (mm @ across).max() + 20.0
    corners = [(low, near), (high, near), (high, far), (low, far)]
    polygon = np.array([x * along + y * across for x, y in corners])
    return {
        "photo": name,
        "target": "card",
        "outline_mm": list(outline_mm),
        "along": along.tolist(),
        "polygon_mm": polygon.tolist(),
        "px_from_mm": flat_map(view, truth["target_thickness_mm"], polygon).tolist(),
    }


def _measure_record(truth: Any) -> dict[str, Any]:
    photos = {
        name: {
            "tags": [int(tag) for tag in truth["per_photo"][name]["tags_px"]],
            "rms_px": 0.24,
            "used": True,
            "notes": [],
        }
        for name in truth["photos"]
    }
    camera = {key: truth["camera"][key] for key in ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2")}
    sources = {"picks": 2.2, "lens": 1.6, "target corners": 1.4, "edge bias": 0.7, "target tolerance": 0.4}
    return {
        "ridge": {"length_mm": truth["ridge"]["length_mm"] + 1.83, "u95_mm": 6.2, "method": "many photos"},
        "budget": [{"source": source, "u_mm": u_mm} for source, u_mm in sources.items()],
        "photos": photos,
        "camera": camera,
        "notes": [],
    }


def _scene(truth: Any) -> dict[str, Any]:
    cameras = {}
    for name in truth["photos"]:
        pose = truth["per_photo"][name]["pose"]["panel"]
        cameras[name] = (-np.array(pose["R"]).T @ np.array(pose["t_mm"])).round().tolist()
    panel = [[0, 0, 0], [900, 0, 0], [900, 600, 0], [0, 600, 0]]
    return {"cameras": cameras, "targets": {"panel": panel}, "ends": truth["ridge"]["ends_mm"]["panel"]}


def _put(store: Store, job_id: str, kind: ResultKind, record: Any, drawing: Any) -> None:
    job = store.job(job_id)
    software = {"ridgewitness": "0.1.0", "code": "0" * 64, "numpy": "2.4.6"}
    made = Result(record, software, inputs_hash(job, kind), job.changed_utc, drawing)
    store.put_result(job_id, kind, made, WHO)


def _read(path: Path) -> Any:
    return json.loads(path.read_text(encoding="utf-8"))
