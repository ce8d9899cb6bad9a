"""The plain text that lies on top of a package, for a person in ten years without this software."""

import textwrap
from collections.abc import Iterator
from importlib import resources

from webui.evidence import contents as names
from webui.job import Job, Privacy
from webui.software import ridgewitness_version

_WIDTH = 80

_NAMES = (
    "Names of people; they stand as person 1, person 2 ... Who and details are missing from the change log, "
    "whose chain can still be checked: it is made of their hashes. Notes and reasons were typed by people; "
    "only the names of those who worked on the job were replaced in them."
)
_STRIPPED = (
    "Metadata of the originals: the photos under originals/ have the same pixels, with camera, lens, time "
    "and orientation alone beside them. Photos of which no such copy can be made stay out. job.json has the "
    "SHA-256 of every untouched original."
)
_ORIGINALS = (
    "The originals: without them nothing can be measured again. job.json has the SHA-256 of every one."
)


def read_me(job: Job) -> str:
    """Return the text for a package."""
    template = (resources.files(__package__) / "read_me.txt").read_text(encoding="utf-8")
    left_out = [textwrap.fill(each, _WIDTH) for each in _left_out(job.privacy)]
    return template.format(
        name=job.name,
        id=job.id,
        changed_utc=job.changed_utc,
        version=ridgewitness_version(),
        head=job.log_head,
        signature=names.SIGNATURE,
        signed=names.SIGNED,
        left_out="\n\n".join(left_out) or "Nothing.",
    )


def _left_out(privacy: Privacy) -> Iterator[str]:
    if not privacy.gps:
        yield "Positions of photos."
    if not privacy.names:
        yield _NAMES
    if not privacy.serials:
        yield "Serial numbers of cameras."
    if privacy.originals == "stripped":
        yield _STRIPPED
    if privacy.originals == "left out":
        yield _ORIGINALS
