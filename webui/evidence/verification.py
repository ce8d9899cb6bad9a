"""What came out of checking a package: what holds, what does not, what could not be told."""

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Verification:
    """What came out of checking a package.

    Attributes
    ----------
    problems : tuple of str
        What is altered, damaged, or does not follow from the originals.
    unconfirmed : tuple of str
        What could not be made again, or not alike by another version, and why.
    confirmed : tuple of str
        What was checked and holds.
    """

    problems: tuple[str, ...]
    unconfirmed: tuple[str, ...]
    confirmed: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        """The command's exit code: 0 all holds, 1 something could not be confirmed, 2 something is wrong."""
        if self.problems:
            return 2
        return 1 if self.unconfirmed else 0

    def joined(self, other: "Verification") -> "Verification":
        """Return what this and another check found together."""
        return Verification(
            self.problems + other.problems,
            self.unconfirmed + other.unconfirmed,
            self.confirmed + other.confirmed,
        )

    def record(self) -> dict[str, Any]:
        """Return the result as a JSON object."""
        return {
            "holds": not self.problems,
            "problems": list(self.problems),
            "unconfirmed": list(self.unconfirmed),
            "confirmed": list(self.confirmed),
        }
