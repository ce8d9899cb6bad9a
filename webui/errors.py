"""The desk's own errors, each with a sentence that says what to do."""

from calib.errors import MeasureError


class StoreError(MeasureError, ValueError):
    """Something that the data folder does not hold, or will not take."""


class NotThereError(StoreError):
    """A job, photo or file that the data folder does not hold."""


class ChangedMeanwhileError(StoreError):
    """A change that was made for another state of the job than the one it found."""


class NotPreparedError(ChangedMeanwhileError):
    """A close-up that nobody has looked at since photos or set-up were changed."""


class PackageError(MeasureError, ValueError):
    """An evidence package that cannot be made, or is refused before it is looked into."""


class KeyFileError(MeasureError, ValueError):
    """A signing key that cannot be used."""
