"""Print what the record reaches against its goals: `python -m tests.measure_record`.

Flipped bits, tampered logs, other machines and orders, a report of 60 photos, hostile packages. On the
rendered photos and the samples; the report's seconds are those of one core, beside the time on the clock.
"""

import io
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pikepdf
from pypdf import PdfReader

from calib.errors import MeasureError
from tests.webui.evidence.tampering import edit_json, flip_bit
from tests.webui.measured_job import measured_job
from tests.webui.sample_job import decide_some, make_job
from tests.webui.small_job import originals
from webui.evidence import contents as names
from webui.evidence import make_package, make_zip, verify_package
from webui.evidence.inventory import opened_package
from webui.evidence.verify import check_records
from webui.job import Job
from webui.report import report_pdf
from webui.store import Store

ROOT = Path(__file__).resolve().parent.parent
RENDERED = Path(os.environ.get("RIDGEWITNESS_PHOTOS", ROOT.parent / "shared" / "photos" / "dev"))
FLIPS, REPORT_PHOTOS = 500, 60
# Other kinds of processor, as far as one machine can play them: other kernels for matrices and pictures.
PROCESSORS = (
    {"OPENBLAS_CORETYPE": "Nehalem"},
    {
        "OPENBLAS_CORETYPE": "Haswell",
        "NPY_DISABLE_CPU_FEATURES": "AVX512F AVX512_SKX",
        "OPENCV_CPU_DISABLE": "AVX2,FMA3,FP16",
    },
)


@dataclass(frozen=True, slots=True)
class Line:
    """One goal and what was measured."""

    what: str
    goal: str
    reached: str
    holds: bool


def problems_of(path: Path) -> tuple[str, ...]:
    """Return what is wrong with a package, without doing its work again."""
    with opened_package(path) as (folder, files):
        return check_records(folder, files)[0].problems


def measure_flips(package: Path) -> Line:
    """Flip single bits anywhere: a file by lot, half of the time a tag file, then a bit by lot."""
    rng = random.Random(20)
    files = sorted(path for path in package.rglob("*") if path.is_file())
    tags = [path for path in files if path.parent == package]
    named = 0
    for trial in range(FLIPS):
        path = rng.choice(tags if trial % 2 else files)
        bit = rng.randrange(8 * path.stat().st_size)
        flip_bit(path, bit)
        name = path.relative_to(package).as_posix()
        named += any(problem.startswith(f"{name}:") for problem in problems_of(package))
        flip_bit(path, bit)
    return Line("single bits flipped, named", f"{FLIPS} of {FLIPS}", f"{named} of {FLIPS}", named == FLIPS)


def tampered_logs(entries: list[Any]) -> Iterator[tuple[str, list[Any]]]:
    """Yield every entry edited in every field, removed, or moved, with the words that must name it."""
    for i, entry in enumerate(entries):
        number, others = i + 1, entries[:i] + entries[i + 1 :]
        for field in ("time_utc", "what", "previous", "sha256"):
            # The last letter but one, so that a time stays a time: the log itself must show it.
            text = entry[field]
            changed = {**entry, field: f"{text[:-2]}{'1' if text[-2] == '0' else '0'}{text[-1]}"}
            yield f"entry {number} was edited", [*entries[:i], changed, *entries[i + 1 :]]
        for field in ("who", "details"):
            changed = {**entry, field: {**entry[field], "text": f"{entry[field]['text']} "}}
            yield f"entry {number} was edited", [*entries[:i], changed, *entries[i + 1 :]]
        yield f"entry {number} is missing", others
        for place in {0, len(others)} - {i}:
            yield f"entry {number} ", [*others[:place], entry, *others[place:]]


def measure_log(package: Path) -> Line:
    """Tamper with every entry of the change log, all hashes of the bag made anew."""
    entries = json.loads((package / names.CHANGE_LOG).read_text(encoding="utf-8"))["entries"]
    total = named = 0
    for said, changed in tampered_logs(entries):
        edit_json(package, names.CHANGE_LOG, lambda record, e=changed: record.update(entries=e))
        total += 1
        named += any(said in problem for problem in problems_of(package))
    edit_json(package, names.CHANGE_LOG, lambda record: record.update(entries=entries))
    reached = f"{named} of {total} ({len(entries)} entries)"
    return Line("log entries edited, removed, moved, named", "all", reached, named == total)


def measure_redoing(job: Job, store: Store, folder: Path) -> Iterator[Line]:
    """Redo a measured package here, from a zip, from another order, and on other kinds of processor."""
    make_package(job, originals(store), folder / "package")
    make_zip(folder / "package", folder / "package.zip")
    for path in sorted((folder / "package").rglob("*"), reverse=True):
        if path.is_file():
            place = folder / "reversed" / path.relative_to(folder / "package")
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, place)
    here = verify_package(folder / "package")
    digits = sum("the same to the last digit" in each for each in here.confirmed)
    yield Line("verify, same versions", "same to the last digit", f"{digits} of 3 results", digits == 3)
    others = [verify_package(folder / "package.zip"), verify_package(folder / "reversed")]
    same = sum(other == here for other in others)
    yield Line("verify of the zip, of files in another order", "same answer", f"{same} of 2", same == 2)
    answers = [_verified_elsewhere(folder / "package", settings) for settings in PROCESSORS]
    known = {each for told in here.record().values() if isinstance(told, list) for each in told}
    other = [each for answer in answers for key in _TOLD for each in answer[key] if each not in known]
    same = sum(answer == here.record() for answer in answers)
    reached = "; ".join([f"{same} of {len(answers)}", *other])
    yield Line("verify on other kinds of processor", "same answer", reached, same == len(answers))


_TOLD = ("problems", "unconfirmed", "confirmed")


def _verified_elsewhere(package: Path, settings: dict[str, str]) -> Any:
    code = (
        "import json, sys; from pathlib import Path; from webui.evidence import verify_package; "
        "print(json.dumps(verify_package(Path(sys.argv[1])).record()))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(package)],
        env={**os.environ, **settings},
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout.splitlines()[-1])


def measure_report(folder: Path) -> Iterator[Line]:
    """Make the report of a job with 60 close-ups, all with pixels of their own."""
    with Store(folder / "large") as store:
        job_id = make_job(store, RENDERED, close_ups=REPORT_PHOTOS, vary=brightened)
        decide_some(store, job_id)
        job = store.job(job_id)
        clock, cpu = time.perf_counter(), time.process_time()
        data = report_pdf(job, originals(store))
        clock, cpu = time.perf_counter() - clock, time.process_time() - cpu
    took = f"{cpu:.1f} s of one core, {clock:.1f} s on the clock"
    yield Line(f"report of {REPORT_PHOTOS} close-ups, 5 ridge photos", "<= 10 s", took, cpu <= 10.0)
    size = len(data) / 1e6
    yield Line("its size", "<= 15 MB", f"{size:.1f} MB", size <= 15.0)
    with pikepdf.open(io.BytesIO(data)) as opened:
        complaints = opened.check_pdf_syntax()
    yield Line("its check by qpdf", "no complaint", f"{len(complaints)} complaints", not complaints)
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)
    found = sum(photo.sha256 in "".join(text.split()) for photo in job.photos)
    reached = f"{found} of {len(job.photos)} hashes read back"
    yield Line("its text", "all extractable", reached, found == len(job.photos))


def brightened(data: bytes, number: int) -> bytes:
    """Return a photo with other pixels and the same metadata."""
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    if picture is None or number == 0:
        return data
    noise = np.random.default_rng(number).normal(2.0 * number, 3.0, picture.shape)
    lighter = np.clip(picture + noise, 0, 255).astype(np.uint8)
    coded = cv2.imencode(".jpg", lighter, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes()
    # What stood between the start of the file and its first table: the metadata.
    return coded[:2] + data[2 : data.index(b"\xff\xdb")] + coded[coded.index(b"\xff\xdb") :]


def hostile(folder: Path) -> Iterator[tuple[str, Path]]:
    """Make hostile packages."""

    def archive(name: str, entries: dict[str, bytes], mode: int = 0) -> Path:
        path = folder / f"{name}.zip"
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
            for file, data in entries.items():
                entry = zipfile.ZipInfo("x")
                entry.filename, entry.create_system, entry.external_attr = file, 3, mode << 16
                made.writestr(entry, data, zipfile.ZIP_DEFLATED)
        return path

    yield "name with ../", archive("above", {"evidence/../../evil": b"x"})
    yield "absolute name", archive("absolute", {"/tmp/evil": b"x"})  # noqa: S108
    yield "link in a zip", archive("link", {"evidence/evil": b"/etc/passwd"}, 0o120777)
    linked = folder / "linked"
    linked.mkdir()
    (linked / "evil").symlink_to("/etc/passwd")
    yield "link in a folder", linked
    yield "bomb, 10 GB", archive("bomb", {f"evidence/{i}": bytes(10**9 // 4) for i in range(40)})
    yield "100,000 files", archive("many", {f"evidence/{i}": b"" for i in range(100_000)})


def measure_hostile(folder: Path) -> Iterator[Line]:
    """Verify hostile packages: each must be refused in words, with nothing written."""
    folder.mkdir()
    temporary = folder / "temporary"
    temporary.mkdir()
    tempfile.tempdir = str(temporary)
    try:
        for what, path in hostile(folder):
            start, said = time.perf_counter(), "not refused"
            try:
                verify_package(path)
            except MeasureError as error:
                said = str(error).replace(str(folder), "...")
            is_clean = not list(temporary.iterdir()) and not Path("/tmp/evil").exists()  # noqa: S108
            spent = time.perf_counter() - start
            holds = "refused" in said and said != "not refused" and is_clean
            yield Line(f"hostile: {what}", "refused, nothing written", f"{spent:.1f} s: {said:.90}", holds)
    finally:
        tempfile.tempdir = None


def lines() -> Iterator[Line]:
    """Yield every goal with what was reached."""
    with tempfile.TemporaryDirectory(prefix="record-") as temporary:
        folder = Path(temporary)
        with Store(folder / "data") as store:
            job = measured_job(store, ROOT / "sample_images")
            yield from measure_redoing(job, store, folder)
            yield measure_flips(folder / "package")
            yield measure_log(folder / "package")
        yield from measure_report(folder)
        yield from measure_hostile(folder / "hostile")


def main() -> int:
    """Print the table; the exit code says whether every goal was reached."""
    missed = 0
    print(f"{'what':52} {'goal':26} reached")
    for line in lines():
        missed += not line.holds
        print(f"{line.what:52} {line.goal:26} {line.reached}{'' if line.holds else '   MISSED'}", flush=True)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
