"""Names of photos within a job: unique, and safe as file names on every system."""

import re
import unicodedata
from collections.abc import Set as AbstractSet

_LONGEST_STEM, _LONGEST_ENDING = 80, 8
# Names that Windows keeps for devices, whatever the extension.
_DEVICE = re.compile(r"(?i)(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)")


def free_name(name: str, taken: AbstractSet[str]) -> str:
    """Return a safe name for a photo.

    Parameters
    ----------
    name : str
        Name that it came with; only its last part is used, as far as it is plain.
    taken : set of str
        Names that are given away, case-folded.

    Returns
    -------
    str
        Letters, digits, dots, lines and underscores; with a number where the plain name is taken.
    """
    plain = unicodedata.normalize("NFKD", re.split(r"[\\/]", name)[-1]).encode("ascii", "ignore").decode()
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", plain).strip("._-") or "photo"
    if _DEVICE.match(safe):
        safe = f"photo-{safe}"
    stem, dot, ending = safe.rpartition(".")
    if not dot:
        stem, ending = safe, ""
    stem, ending = stem[:_LONGEST_STEM], f"{dot}{ending[:_LONGEST_ENDING]}"
    free, number = f"{stem}{ending}", 1
    while free.casefold() in taken:
        number += 1
        free = f"{stem}-{number}{ending}"
    return free
