"""Photos of a job: what they are for, where they belong, what was picked and marked in them."""

from typing import Annotated, Any

from flask import Response, jsonify, send_file
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import Field, RootModel

from calib.errors import RecordError
from vision.shoot import rectangle_from_record
from webui.api.models import Given, Head, JobPath, JsonObject, Line, PhotoPath, Point, Text
from webui.api.problems import answers, file_of
from webui.desk import the_desk
from webui.errors import NotThereError
from webui.job import FiledPhoto, PhotoKind
from webui.session import require

part = APIBlueprint("api_photos", __name__, url_prefix="/api", abp_tags=[Tag(name="photos")])

# What browsers show of themselves; anything else is a file to keep.
MEDIA_TYPES = {
    "JPEG": "image/jpeg",
    "PNG": "image/png",
    "TIFF": "image/tiff",
    "WebP": "image/webp",
    "HEIF": "image/heic",
}
FOREVER_S = 365 * 24 * 3600


class PhotoView(RootModel[FiledPhoto]):
    """A photo of a job."""


class PhotoList(RootModel[list[FiledPhoto]]):
    """Photos, in the order in which they came in."""


class EndsGiven(Given):
    """Picked ridge ends, upright px."""

    a: Point | None = None
    b: Point | None = None


class RectangleGiven(Given):
    """A known rectangle: corners clockwise from its top left as seen, upright px, and its true size."""

    corners: Annotated[list[Point], Field(min_length=4, max_length=4)]
    width_mm: float = Field(gt=0, le=1e6)
    height_mm: float = Field(gt=0, le=1e6)
    u_mm: float = Field(gt=0, le=1e6)


class PhotoChange(Given):
    """What of a photo is to change; what is left out stays."""

    kind: PhotoKind | None = None
    place: Line | None = Field(
        default=None, description="'run 1 left', 'lap 2 right', 'gable end B'; null: none."
    )
    ends: EndsGiven | None = Field(default=None, description="Replaces the picks; null removes both.")
    rectangle: RectangleGiven | None = None
    set_aside: Line | None = Field(default=None, description="Why it takes no part; null: it does.")
    marks: JsonObject | None = Field(
        default=None,
        description="Hand marks of a close-up, upright px: add, move, remove, edge, witness, lower_end, "
        "sealant, z_closure, ridge; replaces those before, null removes them.",
    )
    reason: Text = Field(default="", description="Why, for the change log.")
    if_head: Head = None


@part.get("/jobs/<job>/photos", responses=answers({200: PhotoList}, 404))
def list_photos(path: JobPath) -> Any:
    """List the photos of a job."""
    require("reader")
    return list(the_desk().store.job(path.job).photos)


@part.get("/jobs/<job>/photos/<name>", responses=answers({200: PhotoView}, 404))
def show_photo(path: PhotoPath) -> Any:
    """Show a photo's record."""
    require("reader")
    return jsonify(asked_photo(path))


@part.patch("/jobs/<job>/photos/<name>", responses=answers({200: PhotoView}, 404, 409))
def change_photo(path: PhotoPath, body: PhotoChange) -> Any:
    """File a photo at a place, keep its picks and marks, set it aside."""
    who = require("crew")
    photo = asked_photo(path)
    given = body.model_dump(exclude_unset=True, exclude={"reason", "if_head"})
    changes = _checked(photo, {key: value for key, value in given.items() if key != "kind" or value})
    store = the_desk().store
    changed = store.change_photo(path.job, path.name, who.name, body.reason, if_head=body.if_head, **changes)
    return jsonify(changed)


@part.get(
    "/jobs/<job>/photos/<name>/original",
    responses=answers({200: file_of(*MEDIA_TYPES.values(), description="The untouched original")}, 404),
)
def send_original(path: PhotoPath) -> Response:
    """Send the untouched original, with all that the camera wrote into it."""
    require("reader")
    photo = asked_photo(path)
    answer = send_file(
        the_desk().original(photo),
        mimetype=MEDIA_TYPES[photo.facts.format],
        as_attachment=True,
        download_name=photo.name,
        etag=photo.sha256,
        conditional=True,
    )
    return keep_forever(answer)


def asked_photo(path: PhotoPath) -> FiledPhoto:
    """Return the photo that a path names.

    Raises
    ------
    NotThereError
        If there is none.
    """
    job = the_desk().store.job(path.job)
    photo = job.photo(path.name)
    if photo is None:
        msg = f"job {job.name!r} has no photo {path.name!r:.100}"
        raise NotThereError(msg)
    return photo


def keep_forever(answer: Response) -> Response:
    """Let the browser keep an answer that never changes: a photo's name is never given to another one."""
    answer.headers["Cache-Control"] = f"private, max-age={FOREVER_S}, immutable"
    return answer


def _check_within(photo: FiledPhoto, ends: dict[str, list[float]]) -> None:
    """Refuse picks that no upright picture of the photo's size shows, whichever way up it is."""
    longest_px = max(photo.facts.width_px, photo.facts.height_px)
    for end, (x, y) in ends.items():
        if not (-0.5 <= x < longest_px - 0.5 and -0.5 <= y < longest_px - 0.5):
            msg = f"{photo.name}: end {end} at ({x:g}, {y:g}) px lies outside the photo"
            raise RecordError(msg)


def _checked(photo: FiledPhoto, changes: dict[str, Any]) -> dict[str, Any]:
    """Return changes as the record has them.

    Raises
    ------
    RecordError
        If an end lies outside the photo, or the corners of a rectangle do not run clockwise.
    """
    if "ends" in changes:
        changes["ends"] = {end: px for end, px in (changes["ends"] or {}).items() if px is not None}
        _check_within(photo, changes["ends"])
    if changes.get("rectangle") is not None:
        rectangle_from_record(changes["rectangle"], f"{photo.name}: rectangle")
    return changes
