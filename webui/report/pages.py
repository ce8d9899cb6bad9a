"""The report's pages: paper, margins, running foot, bookmarks, document information.

The same job gives the same bytes: every date in the file is the job's own.
"""

import io
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from reportlab import rl_config
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageBreak, PageTemplate

from webui.job import Job
from webui.report.look import (
    CHAPTER,
    INK,
    LINE,
    POINTS_PER_MM,
    REGULAR,
    SOFT,
    printable,
    register_fonts,
    text,
)
from webui.report.tags import Tags
from webui.software import ridgewitness_version

MARGIN_MM, FOOT_MM = 18.0, 20.0
_FOOT_PT, _ROOM_ABOVE_BLOCK_PT = 6.6, 15.0
# Pages count themselves; how many there are is known only at the end, and filled in through this form.
_TOTAL_FORM = "number-of-pages"


def page_size_pt(job: Job) -> tuple[float, float]:
    """Return the paper: letter for a job in inches, A4 for one in millimetres."""
    width, height = LETTER if job.units == "imperial" else A4
    return float(width), float(height)


def text_width_mm(job: Job) -> float:
    """Return the width between the margins."""
    return page_size_pt(job)[0] / POINTS_PER_MM - 2.0 * MARGIN_MM


class Bookmark(Flowable):
    """A place in the outline of the document; takes no room."""

    def __init__(self, title: str, level: int = 0) -> None:
        super().__init__()
        self._title, self._level = title, level
        self.keepWithNext = 1
        # Room above a block within a page; none at its top, and none that could spill onto an empty page.
        self.spaceBefore = _ROOM_ABOVE_BLOCK_PT if level else 0.0

    def wrap(self, *_: float) -> tuple[float, float]:
        """Return no size."""
        return 0.0, 0.0

    def draw(self) -> None:
        """Set the bookmark."""
        canvas = self.canv
        key = f"place-{len(canvas.bookmark_keys)}"
        canvas.bookmark_keys.append(key)
        canvas.bookmarkHorizontal(key, 0, 24)
        canvas.addOutlineEntry(self._title, key, self._level, closed=self._level > 0)


def chapter(title: str, *, new_page: bool = True) -> list[Flowable]:
    """Return the head of a chapter with its bookmark."""
    return [*([PageBreak()] if new_page else []), Bookmark(title), text(title, CHAPTER)]


class Figure(Flowable):
    """A drawing with an alternate description; subclasses draw themselves in `paint`."""

    alt = ""

    def __init__(self, width_mm: float, height_mm: float) -> None:
        super().__init__()
        self.width, self.height = width_mm * POINTS_PER_MM, height_mm * POINTS_PER_MM

    def wrap(self, *_: float) -> tuple[float, float]:
        """Return its size."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw it, marked as a figure."""
        with self.canv.tags.element(self.canv, "Figure", self.alt):
            self.canv.saveState()
            self.paint(self.canv)
            self.canv.restoreState()

    def paint(self, canvas: Canvas) -> None:
        """Draw with the lower left corner at the origin, in points."""


class _Canvas(Canvas):
    """A canvas that collects tags and bookmarks."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.tags, self.bookmark_keys = Tags(), list[str]()

    def save(self) -> None:
        """Write the structure once all pages are there, then the file."""
        if self._code:
            self.showPage()
        self.tags.finish(self)
        super().save()


def build_pdf(job: Job, title: str, story: Sequence[Flowable]) -> bytes:
    """Lay the story out on pages and return the PDF.

    Parameters
    ----------
    job : Job
        Whose paper, name and dates it carries.
    title : str
        Title of the document.
    story : sequence of Flowable
        Everything between the margins.

    Returns
    -------
    bytes
        The file.
    """
    register_fonts()
    file = io.BytesIO()
    width, height = page_size_pt(job)
    margin, foot = MARGIN_MM * POINTS_PER_MM, FOOT_MM * POINTS_PER_MM
    frame = Frame(margin, foot, width - 2 * margin, height - margin - foot, 0, 0, 0, 0)
    document = BaseDocTemplate(
        file,
        pagesize=(width, height),
        title=title,
        author=job.created_by,
        subject=f"Ridge, cap layout and close-up audit of job {job.name} ({job.id})",
        creator=f"ridgewitness {ridgewitness_version()}",
        keywords="ridge length, cap layout, rivet spacing, lap length, measurement uncertainty",
        lang="en-US",
        invariant=1,
        pageCompression=1,
    )
    document.addPageTemplates(PageTemplate("page", [frame], onPage=_Foot(job)))
    text_filters, rl_config.useA85 = rl_config.useA85, 0
    try:
        document.build([*story, _End()], canvasmaker=_canvas_maker(job))
    finally:
        rl_config.useA85 = text_filters
    return file.getvalue()


def _canvas_maker(job: Job) -> Any:
    changed = datetime.fromisoformat(job.changed_utc)

    def make(*args: Any, **options: Any) -> _Canvas:
        canvas = _Canvas(*args, **options)
        # The library's own invariant date is the year 2000; the job's last change says more and is as stable.
        stamp = canvas._doc._timeStamp
        stamp.t = changed.timestamp()
        stamp.YMDhms = changed.timetuple()[:6]
        stamp.dhh = stamp.dmm = 0
        canvas.showOutline()
        return canvas

    return make


class _End(Flowable):
    """The end of the story: here the number of pages is known."""

    def wrap(self, *_: float) -> tuple[float, float]:
        return 0.0, 0.0

    def draw(self) -> None:
        canvas = self.canv
        canvas.beginForm(_TOTAL_FORM, 0, -2, 60, 10)
        canvas.setFont(REGULAR, _FOOT_PT)
        canvas.setFillColor(SOFT)
        canvas.drawString(0, 0, str(canvas.getPageNumber()))
        canvas.endForm()


class _Foot:
    """The running foot of every page."""

    def __init__(self, job: Job) -> None:
        self._left = printable_plain(f"{job.name}  ·  job {job.id}")
        self._middle = f"record as of {job.changed_utc[:16].replace('T', ' ')} UTC"

    def __call__(self, canvas: _Canvas, document: BaseDocTemplate) -> None:
        width = document.pagesize[0]
        margin, y = MARGIN_MM * POINTS_PER_MM, 11.0 * POINTS_PER_MM
        canvas.saveState()
        canvas._code.append("/Artifact BMC")
        canvas.setStrokeColor(LINE)
        canvas.setLineWidth(0.4)
        canvas.line(margin, y + 9.0, width - margin, y + 9.0)
        canvas.setFont(REGULAR, _FOOT_PT)
        canvas.setFillColor(SOFT)
        canvas.drawString(margin, y, self._left)
        canvas.drawCentredString(width / 2.0, y, self._middle)
        page = f"page {canvas.getPageNumber()} of "
        canvas.drawRightString(width - margin - 12.0, y, page)
        canvas.translate(width - margin - 12.0, y)
        canvas.doForm(_TOTAL_FORM)
        canvas._code.append("EMC")
        canvas.setFillColor(INK)
        canvas.restoreState()


def printable_plain(words: str) -> str:
    """Return a text for the canvas, which takes no markup."""
    return printable(words).replace("&amp;", "&").replace("&lt;", "<").replace("&gt;", ">")
