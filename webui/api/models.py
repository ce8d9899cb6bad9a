"""What all parts of the interface for machines share: how values are checked, and what a path names."""

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from webui.session import LONGEST_WHO

# A text may be in any language; a NUL is in none, and databases refuse it.
_NO_NUL = r"^[^\x00]*$"
_FARTHEST_PX = 1e6


class Given(BaseModel):
    """What a request holds: exactly what is named, of exactly its type."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)


class Answer(BaseModel):
    """What an answer holds."""

    model_config = ConfigDict(extra="forbid")


Line = Annotated[str, StringConstraints(max_length=320, pattern=_NO_NUL)]
Text = Annotated[str, StringConstraints(max_length=20_000, pattern=_NO_NUL)]
Who = Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_WHO, pattern=_NO_NUL)]
Sha256 = Annotated[str, StringConstraints(pattern="^[0-9a-f]{64}$")]
Px = Annotated[float, Field(ge=-_FARTHEST_PX, le=_FARTHEST_PX)]
Point = Annotated[list[Px], Field(min_length=2, max_length=2)]
LineEnds = Annotated[list[Point], Field(min_length=2, max_length=2)]
JsonObject = dict[str, Any]
Head = Annotated[
    str | None,
    Field(
        default=None,
        pattern="^[0-9a-f]{64}$",
        description="The log_head that the change was made for: refused (409) if another came first.",
    ),
]


class JobPath(BaseModel):
    """A job."""

    job: str = Field(pattern="^[0-9a-f]{16}$", description="The job's identifier.")


class PhotoPath(JobPath):
    """A photo of a job."""

    name: str = Field(
        pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,99}$", description="The photo's name in its job."
    )
