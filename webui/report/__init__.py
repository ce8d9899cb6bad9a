"""The report: a PDF that an engineer can sign, made from a job's record and its originals."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from calib.errors import FileError
from webui.inputs import photos_of
from webui.job import FiledPhoto, Job
from webui.report.cover import cover
from webui.report.layout_pages import layout_pages
from webui.report.look import register_fonts
from webui.report.method import method_pages
from webui.report.pages import build_pdf
from webui.report.photo_pages import PreparedPhoto, photo_pages, picture_budget, prepare
from webui.report.record_pages import coverage_pages, decision_pages, findings_pages
from webui.report.ridge_pages import ridge_pages
from webui.shown import Shown

PhotoPath = Callable[[FiledPhoto], Path | None]
Progress = Callable[[int, int], None]


def report_pdf(job: Job, photo_path: PhotoPath, progress: Progress | None = None) -> bytes:
    """Return the report of a job as a PDF; the same job gives the same bytes.

    Parameters
    ----------
    job : Job
        The job, as far as it may be shown (see `webui.privacy`).
    photo_path : callable
        Gives the original of a photo, None where it is not at hand.
    progress : callable, optional
        Called with (close-ups prepared, close-ups in all).

    Returns
    -------
    bytes
        The file.
    """
    register_fonts()
    shown = Shown(job.units)
    prepared = _prepare_all(job, photo_path, progress)
    story = [
        *cover(job, photo_path, shown),
        *coverage_pages(job, shown),
        *ridge_pages(job, photo_path, shown),
        *layout_pages(job, shown),
        *findings_pages(job, shown),
        *decision_pages(job),
        *photo_pages(job, prepared, shown),
        *method_pages(job),
    ]
    return build_pdf(job, f"Ridge record: {job.name}", story)


def write_report(job: Job, photo_path: PhotoPath, path: Path, progress: Progress | None = None) -> None:
    """Write the report of a job; see `report_pdf`.

    Raises
    ------
    FileError
        If the file cannot be written.
    """
    data = report_pdf(job, photo_path, progress)
    try:
        path.write_bytes(data)
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror})"
        raise FileError(msg) from error


def _prepare_all(job: Job, photo_path: PhotoPath, progress: Progress | None) -> list[PreparedPhoto]:
    """Prepare the pictures of all close-ups, several at once, in the job's order."""
    photos = photos_of(job, "close-up")
    most_bytes = picture_budget(len(photos))
    prepared: list[PreparedPhoto] = []
    with ThreadPoolExecutor(min(8, os.cpu_count() or 1)) as pool:
        for made in pool.map(lambda photo: prepare(job, photo, photo_path(photo), most_bytes), photos):
            prepared.append(made)
            if progress is not None:
                progress(len(prepared), len(photos))
    return prepared
