"""A job really measured: two ridge photos and two close-ups of the samples, with our own results."""

import json
from pathlib import Path

from calib.targets import load_target, record_from_target
from webui.job import CloseUpSetup, Job, Result, RidgeSetup, Setup
from webui.store import Store
from webui.work import make_all

WHO = "R. Vane"
RIDGE_PHOTOS = ("house_1.jpg", "house_2.jpg")
# On a rivet of the run, and on the witness mark, as a person would mark them.
LAP_MARKS = {
    "add": [[937.0, 996.0]],
    "witness": {"px": [[1621.4, 654.7], [1581.8, 1090.2]], "sigma_px": 1.5},
}
CLOSE_UPS = {"run_1.jpg": "run 1 left", "lap_1.jpg": "lap 1 left"}


def measured_job(store: Store, samples: Path, *, ridge: tuple[str, ...] = RIDGE_PHOTOS) -> Job:
    """Make the job, measure it, and return it."""
    job_id = store.create_job("Sample house", "imperial", WHO)
    targets = {name: record_from_target(load_target(samples / f"{name}.json")) for name in ("card", "panel")}
    plan = json.loads((samples / "plan.json").read_text(encoding="utf-8"))
    store.change_setup(job_id, Setup(targets, {}, RidgeSetup(("panel",)), CloseUpSetup(("card",)), plan), WHO)
    picks = json.loads((samples / "shoot.json").read_text(encoding="utf-8"))["photos"]
    for name in ridge:
        photo, _ = store.add_photo(job_id, samples / name, name, WHO, kind="ridge")
        store.change_photo(job_id, photo.name, WHO, ends=picks[name])
    for name, place in CLOSE_UPS.items():
        store.add_photo(job_id, samples / name, name, WHO, place=place)
    store.change_photo(job_id, "lap_1.jpg", WHO, marks=LAP_MARKS)
    job = store.job(job_id)
    made = make_all(job, lambda photo: store.originals.path(photo.sha256), job.changed_utc)
    for kind, result in made.items():
        if not isinstance(result, Result):
            raise result
        store.put_result(job_id, kind, result, WHO)
    return store.job(job_id)
