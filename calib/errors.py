"""The errors a person may see: one base class, few children, each with a sentence that says what to do.

"Could not be measured" is a result, not an error; these classes are for input that cannot be used.
"""


class MeasureError(Exception):
    """Base of every error whose message is meant for the person at the keyboard."""


class LengthError(MeasureError, ValueError):
    """A text that is not a length."""


class FileError(MeasureError, OSError):
    """A file that is missing, unreadable or not what it should be."""


class RecordError(MeasureError, ValueError):
    """A JSON file whose content breaks the contract (unknown key, missing key, wrong type)."""


class PhotoError(MeasureError, ValueError):
    """A photo that cannot be opened, or is too large to open."""


class TargetError(MeasureError, ValueError):
    """A target definition that cannot be used."""


class LensError(MeasureError, ValueError):
    """A lens that cannot be calibrated, or a profile that does not belong to a photo."""


class GeometryError(MeasureError, ValueError):
    """Observations from which no geometry follows (too few, degenerate, contradictory)."""


class PlanError(MeasureError, ValueError):
    """A plan that cannot be laid out."""
