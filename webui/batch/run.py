"""A batch from end to end: list, look, learn each camera's lens, check every photo, write what was found.

Each photo is measured alone with the lens that a fixed share of its camera's photos teach: its result depends
on nothing else, neither on the number of workers nor on the order of the work.
"""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from calib.errors import FileError, LensError
from vision.job_lens import LEAST_PHOTOS, learn_lens
from webui.batch.findings import BatchSummary, write_findings
from webui.batch.ledger import KnownLens, Ledger
from webui.batch.listing import list_photos
from webui.batch.tasks import Looked, Means, SightedForLens, check, look, set_aside_record, sight
from webui.batch.workers import Job, Lost, Workers
from webui.canonical import record_hash, sha256_of_text
from webui.rounding import tidy
from webui.software import software_versions

# Photos that teach a lens: more would hardly know it better than it breathes from photo to photo.
_TEACHING = 40
_NO_LENS = ""

Report = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class BatchJob:
    """What a batch is to do.

    Attributes
    ----------
    where : str
        Folder, list or URL of the photos.
    out : Path
        Folder for the ledger and what was found.
    means : Means
        Targets and plan.
    lens : str
        Lens record of a calibrated camera, as JSON text, for all photos; empty to learn each camera's.
    """

    where: str
    out: Path
    means: Means
    lens: str = _NO_LENS

    @property
    def means_hash(self) -> str:
        """Hash of everything but the photos that a result follows from, the software included."""
        return record_hash([self.means.targets, self.means.plan, self.lens, software_versions()])


def run_batch(job: BatchJob, workers: Workers, report: Report) -> BatchSummary:
    """Do a batch, or go on with one.

    Parameters
    ----------
    job : BatchJob
        What to do.
    workers : Workers
        Who does it.
    report : callable
        Called with (stage, photos done, photos in all).

    Returns
    -------
    BatchSummary
        What was found; findings.jsonl, set-aside.jsonl and summary.json lie in the batch's folder.

    Raises
    ------
    FileError
        If there are no photos, or the folder cannot be used.
    """
    with Ledger(job.out) as ledger:
        if not ledger.list_all(list_photos(job.where)):
            msg = f"{job.where}: no photos there (JPEG, PNG, TIFF, WebP, HEIC)"
            raise FileError(msg)
        _look_at_all(ledger, workers, report)
        lenses = {lens: _lens_of(job, lens, ledger, workers, report) for lens, _ in ledger.lenses()}
        lenses[_NO_LENS] = KnownLens(0, job.lens, "")
        ledger.use_lenses([(lens, sha256_of_text(known.record)) for lens, known in lenses.items()])
        done = _check_all(job, lenses, ledger, workers, report)
        return write_findings(job.out, ledger, job.means_hash, lenses, done)


def _look_at_all(ledger: Ledger, workers: Workers, report: Report) -> None:
    total = ledger.count_to_look_at()
    jobs = (Job(name, (location,)) for name, location in ledger.to_look_at())
    for done, (name, looked) in enumerate(workers.run(look, jobs), 1):
        ledger.put_looked(name, Looked("", "", looked.why) if isinstance(looked, Lost) else looked)
        report("looking", done, total)


def _lens_of(job: BatchJob, lens: str, ledger: Ledger, workers: Workers, report: Report) -> KnownLens:
    """Return the lens that photos are measured with.

    It is learned once; again only when twice as many photos can teach it. What was measured with it before is
    then measured again, which ends with the first few dozen photos of a camera.
    """
    if job.lens:
        return KnownLens(0, job.lens, "")
    share = ledger.first_of_lens(lens, _TEACHING)
    known = ledger.known_lens(job.means_hash, lens)
    if known is None or (known.share < _TEACHING and len(share) >= 2 * known.share):
        known = _learned(job, share, workers, report)
        ledger.put_lens(job.means_hash, lens, known)
    return known


def _learned(job: BatchJob, share: Sequence[tuple[str, str]], workers: Workers, report: Report) -> KnownLens:
    if len(share) < LEAST_PHOTOS:
        return KnownLens(len(share), _NO_LENS, "only one photo of this camera and focal length")
    jobs = (Job(sha256, (location, sha256, job.means)) for sha256, location in share)
    seen: list[SightedForLens] = []
    for done, (_, answer) in enumerate(workers.run(sight, jobs), 1):
        report("learning lenses", done, len(share))
        if isinstance(answer, SightedForLens):
            seen.append(answer)
    if not seen:
        return KnownLens(len(share), _NO_LENS, "none of its photos shows a target")
    seen.sort(key=lambda each: each.sighted.name)
    try:
        profile = learn_lens([each.sighted for each in seen], seen[0].metadata)
    except LensError as error:
        return KnownLens(len(share), _NO_LENS, str(error))
    return KnownLens(len(share), json.dumps(tidy(profile.record(), "")), "")


def _check_all(
    job: BatchJob, lenses: Mapping[str, KnownLens], ledger: Ledger, workers: Workers, report: Report
) -> int:
    """Check every photo that has no result yet; return how many."""
    total, means_hash = ledger.count_to_check(job.means_hash), job.means_hash
    hashes = {lens: sha256_of_text(known.record) for lens, known in lenses.items()}
    under_way: dict[str, str] = {}

    def jobs() -> Iterator[Job]:
        for lens, known in lenses.items():
            for sha256, location in ledger.to_check(means_hash, lens, hashes[lens]):
                under_way[sha256] = hashes[lens]
                yield Job(sha256, (location, sha256, job.means, known.record))

    done = 0
    for done, (sha256, answer) in enumerate(workers.run(check, jobs()), 1):
        records = (
            (json.dumps(set_aside_record(sha256, answer.why)),)
            if isinstance(answer, Lost)
            else answer.records
        )
        ledger.put_result(sha256, means_hash, under_way.pop(sha256), records)
        report("checking", done, total)
    return done
