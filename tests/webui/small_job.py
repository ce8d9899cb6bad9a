"""A small job in a data folder: tiny photos, made-up findings, a real layout; all that records can hold."""

from typing import Any

from calib.targets import built_in_target, record_from_target
from tests.webui.photos import jpeg
from vision.plan import plan_from_record
from vision.planning import Choices, Run, plan_job
from vision.verdict import judge
from webui.inputs import inputs_hash
from webui.job import CloseUpSetup, Job, Result, ResultKind, RidgeSetup, Setup
from webui.plan_command import job_record
from webui.store import Store

WHO, SUPERVISOR, SERIAL = "R. Vane", "L. Orm", "Q-7713"
PLAN = {"witness_mm": 203.2, "lap_rivets": 12}
RIDGE_MM, U95_MM = 9753.6, 12.4
SOFTWARE = {"ridgewitness": "0.1.0", "code": "0" * 64}
SPACINGS_MM = (304.1, 322.9, 317.2)


def small_job(store: Store) -> Job:
    """Make the job and return it."""
    job_id = store.create_job("Alder Street 12", "imperial", WHO, notes="R. Vane: north ridge, first visit")
    targets = {name: record_from_target(built_in_target(name)) for name in ("card", "panel")}
    store.change_setup(job_id, Setup(targets, {}, RidgeSetup(("panel",)), CloseUpSetup(("card",)), PLAN), WHO)
    for number in range(2):
        data = jpeg(number, gps=True, serial=SERIAL)
        photo, _ = store.add_photo(job_id, data, f"house {number}.jpg", WHO, kind="ridge")
        store.change_photo(job_id, photo.name, WHO, ends={"a": (10.5, 20.25), "b": (50.0, 21.75)})
    for number, place in enumerate(("run 1 left", "lap 1 right", None), 10):
        store.add_photo(job_id, jpeg(number, serial=SERIAL), f"c{number}.jpg", WHO, place=place)
    put(store, job_id, "measure", measure_record(), scene())
    put(store, job_id, "check", check_record(store.job(job_id)), flanges(store.job(job_id)))
    planned = plan_job(plan_from_record(PLAN, "plan"), [Run("ridge 1", RIDGE_MM, U95_MM)], Choices())
    put(store, job_id, "plan", job_record(planned), None)
    about = {"photo": "c10.jpg", "rule": "rivet spacing", "index": 2, "measured_mm": SPACINGS_MM[1]}
    reason = "=Engineer allows it; L. Orm saw it"
    store.decide(job_id, SUPERVISOR, "overrule", reason, **about, found="does not meet", verdict="meets")
    store.decide(job_id, SUPERVISOR, "sign off", "")
    return store.job(job_id)


def put(store: Store, job_id: str, kind: ResultKind, record: Any, drawing: Any) -> None:
    """Keep a result made from what the job holds now."""
    job = store.job(job_id)
    store.put_result(
        job_id, kind, Result(record, SOFTWARE, inputs_hash(job, kind), job.changed_utc, drawing), WHO
    )


def measure_record() -> dict[str, Any]:
    """Return a measured ridge."""
    photo = {"tags": [10, 11], "rms_px": 0.2, "used": True, "notes": []}
    return {
        "ridge": {"length_mm": RIDGE_MM, "u95_mm": U95_MM, "method": "many photos"},
        "budget": [{"source": "picks", "u_mm": 6.0}, {"source": "lens", "u_mm": 2.0}],
        "photos": {"house-0.jpg": photo, "house-1.jpg": photo},
        "camera": {"fx": 80.0},
        "notes": ["a note"],
    }


def scene() -> dict[str, Any]:
    """Return where cameras, target and ridge stand."""
    cameras = {"house-0.jpg": [0.0, -500.0, -9000.0], "house-1.jpg": [6000.0, 900.0, -8000.0]}
    ends = {"a": [-4000.0, -3000.0, 2000.0], "b": [5700.0, -3050.0, 2000.0]}
    return {"cameras": cameras, "targets": {"panel": [[0, 0, 0], [900, 0, 0], [900, 600, 0]]}, "ends": ends}


def check_record(job: Job) -> dict[str, Any]:
    """Return three checked close-ups: a run, a lap, one that could not be measured."""
    hashes = {photo.name: photo.sha256 for photo in job.photos}
    spacings = [
        {"from": index, "to": index + 1, "mm": mm, "u95_mm": 0.8} for index, mm in enumerate(SPACINGS_MM)
    ]
    run_verdicts = [_verdict("rivet spacing", mm, 292.1, 317.5) for mm in SPACINGS_MM]
    lap = {"edge_px": [[30, 5], [31, 50]], "edge_mm": [[90.0, 0.0], [91.0, 120.0]]}
    lap |= {"edge_to_witness_mm": 44.8, "lap_mm": 158.4, "u95_mm": 0.9}
    return {
        "photos": [
            _audit("c10.jpg", hashes, "run", spacings, None, run_verdicts),
            _audit("c11.jpg", hashes, "lap", [], lap, [_verdict("lap length", 158.4, 152.4, None)]),
            {
                **_audit("c12.jpg", hashes, None, [], None, []),
                "measured": False,
                "target": None,
                "mm_per_px": None,
                "rivets": [],
                "notes": ["no tag of card was found"],
            },
        ]
    }


def flanges(job: Job) -> dict[str, Any]:
    """Return how the flanges of the two checked close-ups lie in their photos."""
    flange = {
        "target": "card",
        "outline_mm": [190.0, 130.0],
        "along": [1.0, 0.0],
        "polygon_mm": [[-20.0, -20.0], [980.0, -20.0], [980.0, 160.0], [-20.0, 160.0]],
        "px_from_mm": [[0.05, 0.0, 4.0], [0.0, 0.05, 8.0], [0.0, 0.0, 1.0]],
    }
    names = {photo.name for photo in job.photos}
    return {"flanges": [{"photo": name, **flange} for name in ("c10.jpg", "c11.jpg") if name in names]}


def _audit(name: str, hashes: Any, kind: Any, spacings: Any, lap: Any, verdicts: Any) -> dict[str, Any]:
    rivets = [
        {"px": [10 + 15 * i, 20], "mm": [300.0 * i, 40.0], "u_mm": 0.3, "role": "run", "score": 0.97}
        for i in range(4)
    ]
    return {
        "photo": name,
        "sha256": hashes[name],
        "measured": True,
        "kind": kind,
        "target": {"name": "card", "tags": [0, 1, 2, 3], "rms_px": 0.15},
        "mm_per_px": 20.0,
        "rivets": rivets,
        "spacings": spacings,
        "lap": lap,
        "verdicts": verdicts,
        "notes": [],
    }


def _verdict(rule: str, mm: float, lower: float, upper: float | None) -> dict[str, Any]:
    judged = judge(mm, 0.4, lower=lower, upper=upper)
    return {
        "rule": rule,
        "measured_mm": mm,
        "u95_mm": judged.u95_mm,
        "limit": judged.limit,
        "p_conform": judged.p_conform,
        "verdict": str(judged.verdict),
        "why": judged.why,
    }


def originals(store: Store) -> Any:
    """Return where the originals of a store lie, by photo."""
    return lambda photo: store.originals.path(photo.sha256)
