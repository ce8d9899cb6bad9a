"""The desk's own errors, each with a sentence that says what to do."""

from calib.errors import MeasureError


class StoreError(MeasureError, ValueError):
    """Something that the data folder does not hold, or will not take."""


class PackageError(MeasureError, ValueError):
    """An evidence package that cannot be made, or is refused before it is looked into."""


class KeyFileError(MeasureError, ValueError):
    """A signing key that cannot be used."""
