"""The sample job: where its photos lie, and how it is filed in a data folder."""

from pathlib import Path

from calib.errors import FileError
from calib.lengths import Units
from calib.records import read_json
from vision.shoot import load_shoot
from webui.job import CloseUpSetup, RidgeSetup, Setup
from webui.store import Store

NAME, WHO = "Sample house", "demo"
# Where on the ridge each close-up was taken, as a crew would note it.
PLACES = {
    "run_1.jpg": "run 1 left",
    "run_2.jpg": "run 2 left",
    "run_3.jpg": "run 3 right",
    "lap_1.jpg": "lap 1 left",
    "lap_2.jpg": "lap 2 left",
    "lap_3.jpg": "lap 3 right",
}
_HERE = Path(__file__).resolve().parent


def find_samples() -> Path:
    """Return the folder of the sample photos: beside the packages in a checkout, in this one when installed.

    Raises
    ------
    FileError
        If neither is there.
    """
    for folder in (_HERE.parent / "sample_images", _HERE / "sample_images"):
        if (folder / "truth.json").is_file():
            return folder
    msg = f"the sample photos are neither beside nor in {_HERE}; install ridgewitness from its sources again"
    raise FileError(msg)


def file_sample_job(store: Store, samples: Path, units: Units) -> str:
    """File the sample job, or bring an earlier filing of it up to date.

    Parameters
    ----------
    store : Store
        The data folder.
    samples : Path
        As `find_samples` returns it.
    units : {"imperial", "metric"}
        The job's units.

    Returns
    -------
    str
        The job's identifier.
    """
    earlier = [job.id for job in store.jobs(NAME) if job.name == NAME]
    notes = "A rendered job with exact truth; see sample_images/README.md."
    job_id = earlier[0] if earlier else store.create_job(NAME, units, WHO, notes)
    store.change_job(job_id, WHO, units=units)
    targets = {name: read_json(samples / f"{name}.json") for name in ("panel", "card")}
    plan = read_json(samples / "plan.json")
    setup = Setup(targets, {}, RidgeSetup(("panel",)), CloseUpSetup(("card",)), plan)
    store.change_setup(job_id, setup, WHO)
    for photo in load_shoot(samples / "shoot.json").photos:
        filed, _ = store.add_photo(job_id, photo.path, photo.name, WHO, kind="ridge")
        store.change_photo(job_id, filed.name, WHO, ends=dict(photo.ends))
    for name, place in PLACES.items():
        store.add_photo(job_id, samples / name, name, WHO, place=place)
    return job_id
