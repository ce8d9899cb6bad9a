"""Photos on their way in: announced, sent in pieces, gone on with where a connection broke."""

from typing import Any

from flask import request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models import RawModel
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, Field

from webui.api.models import Answer, Given, JobPath, Line, Sha256
from webui.api.problems import answers
from webui.desk import the_desk
from webui.job import FiledPhoto, PhotoKind
from webui.session import require
from webui.uploads import Announced, Upload

part = APIBlueprint("api_uploads", __name__, url_prefix="/api", abp_tags=[Tag(name="uploads")])


class UploadPath(JobPath):
    """An upload."""

    upload: str = Field(pattern="^[0-9a-f]{32}$", description="The upload's identifier.")


class NewUpload(Given):
    """A photo that is to come."""

    name: Line = Field(min_length=1, description="Its file name; only told, never used as a path.")
    size_bytes: int = Field(ge=1)
    sha256: Sha256 | None = Field(
        default=None,
        description="With it, a photo that is there already needs not be sent, and damage shows.",
    )
    kind: PhotoKind = "close-up"
    place: Line | None = None


class PieceHeader(BaseModel):
    """Where a piece begins."""

    upload_offset: int = Field(alias="Upload-Offset", ge=0)


class Piece(RawModel):
    """The bytes of a piece."""

    mimetypes = ["application/octet-stream"]  # noqa: RUF012  the library declares it so


class UploadView(Answer):
    """An upload on its way."""

    id: str
    offset: int = Field(description="Bytes that are safe on the disk; go on from here.")
    size_bytes: int


class FiledView(Answer):
    """What came of an upload."""

    photo: FiledPhoto
    is_new: bool = Field(description="False when the job had the same photo already; it is kept once.")


@part.post("/jobs/<job>/uploads", responses=answers({200: FiledView, 201: UploadView}, 404))
def begin_upload(path: JobPath, body: NewUpload) -> Any:
    """Announce a photo; an upload of the same one that was broken off is gone on with."""
    who = require("crew")
    announced = Announced(body.name, body.size_bytes, body.sha256, body.kind, body.place, who.name)
    upload = the_desk().uploads.begin(path.job, announced)
    return _view(upload), 200 if upload.photo is not None else 201


@part.get("/jobs/<job>/uploads/<upload>", responses=answers({200: FiledView, 202: UploadView}, 404))
def show_upload(path: UploadPath) -> Any:
    """Tell how much of an upload is here, and what came of it."""
    require("crew")
    return _answer(the_desk().uploads.find(path.job, path.upload))


@part.patch(
    "/jobs/<job>/uploads/<upload>",
    responses=answers({200: FiledView, 202: UploadView}, 404, 409),
)
def append_piece(path: UploadPath, header: PieceHeader, raw: Piece) -> Any:
    """Send a piece; with the last one the photo is filed. What is acknowledged is safe."""
    require("crew")
    uploads = the_desk().uploads
    return _answer(uploads.append(path.job, path.upload, header.upload_offset, request.stream))


def _answer(upload: Upload) -> tuple[dict[str, Any], int]:
    return _view(upload), 200 if upload.photo is not None else 202


def _view(upload: Upload) -> dict[str, Any]:
    if upload.photo is not None:
        return {"photo": upload.photo, "is_new": upload.is_new}
    return {"id": upload.id, "offset": upload.offset, "size_bytes": upload.announced.size_bytes}
