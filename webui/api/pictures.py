"""What a photo shows: tiles, flanges from above, clicks snapped, ends proposed, close-ups measured again."""

from http import HTTPStatus
from pathlib import Path
from typing import Any, Literal

from flask import Response, jsonify, request, send_file
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, Field, RootModel

from calib.errors import RecordError
from vision.marks import marks_from_record
from webui.api.models import Answer, Given, JsonObject, PhotoPath, Point, Px
from webui.api.photos import asked_photo, keep_forever
from webui.api.problems import answers, file_of
from webui.close_up import FlangeView, measure_again, see_from_above
from webui.desk import the_desk
from webui.inputs import photos_of
from webui.job import FiledPhoto
from webui.picking import propose, snap_to
from webui.session import require
from webui.tiles import PictureSize

part = APIBlueprint("api_pictures", __name__, url_prefix="/api", abp_tags=[Tag(name="pictures")])


class TilePath(PhotoPath):
    """A tile: its level (0 is the whole size), its column and its row."""

    level: int = Field(ge=0, le=12)
    x: int = Field(ge=0, le=4096)
    y: int = Field(ge=0, le=4096)


class FlangeQuery(BaseModel):
    """Which flange of the photo, where it shows more than one with a target."""

    flange: int = Field(default=0, ge=0, le=9)


class SizeView(RootModel[PictureSize]):
    """Size of the upright picture, px, and its levels of tiles."""


class FlangeFrame(RootModel[FlangeView]):
    """Scale and frame of a flange seen from above."""


class MarksGiven(Given):
    """Marks to try."""

    marks: JsonObject | None = Field(description="As a photo has them; null for none.")


class MeasuredView(Answer):
    """What a check would say of the photo with these marks: the contract's elements, one for each flange."""

    photos: list[JsonObject]


class ClickGiven(Given):
    """A rough click, upright px."""

    x: Px
    y: Px
    toward: Point | None = Field(default=None, description="A rough click on the ridge's other end.")


class SnapView(Answer):
    """What a click means."""

    x: float
    y: float
    sigma_px: float
    kind: Literal["corner", "line end", "predicted"]


class PredictionView(Answer):
    """Where an end lies by the picks in other photos: a point, or a line where only one shows it."""

    point: list[float] | None
    sigma_px: float | None
    line: list[list[float]] | None


class ProposedView(Answer):
    """Ends proposed and predicted, "a" and "b"; those that the photo has no pick of."""

    proposed: dict[str, SnapView]
    predicted: dict[str, PredictionView]


class NotYetView(Answer):
    """Work that must be done first; ask again."""

    state: str
    steps_done: int
    steps: int


@part.get("/jobs/<job>/photos/<name>/picture", responses=answers({200: SizeView}, 404))
def show_size(path: PhotoPath) -> Response:
    """Tell size and levels of a photo's tiles; the first time they are begun."""
    require("reader")
    photo, desk = asked_photo(path), the_desk()
    return keep_forever(jsonify(desk.tiles.size(photo.sha256, desk.original(photo))))


@part.get(
    "/jobs/<job>/photos/<name>/tiles/<int:level>/<int:x>/<int:y>",
    responses=answers({200: file_of("image/jpeg", description="The tile, upright")}, 404),
)
def send_tile(path: TilePath) -> Response:
    """Send a tile."""
    require("reader")
    photo, desk = asked_photo(path), the_desk()
    tile = desk.tiles.tile(photo.sha256, desk.original(photo), path.level, path.x, path.y)
    return keep_forever(send_file(tile, mimetype="image/jpeg", etag=False))


@part.get(
    "/jobs/<job>/photos/<name>/rectified",
    responses=answers({200: file_of("image/jpeg", description="The flange, to scale")}, 404, 409),
)
def send_rectified(path: PhotoPath, query: FlangeQuery) -> Any:
    """Send a close-up's flange straight from above; see rectified.json for its scale."""
    require("reader")
    prepared, photo, original = _close_up(path)
    answer = Response(mimetype="image/jpeg")
    answer.set_etag(f"{prepared.stem}-{photo.sha256}-{query.flange}")
    answer.headers["Cache-Control"] = "private, no-cache"
    if answer.make_conditional(request).status_code == HTTPStatus.NOT_MODIFIED:
        return answer
    asked = prepared, photo.name, original, query.flange
    answer.data = the_desk().bench.ask(photo.sha256, see_from_above, *asked)[1]
    return answer


@part.get("/jobs/<job>/photos/<name>/rectified.json", responses=answers({200: FlangeFrame}, 404, 409))
def show_rectified(path: PhotoPath, query: FlangeQuery) -> Any:
    """Tell scale and frame of the picture that `rectified` sends."""
    require("reader")
    prepared, photo, original = _close_up(path)
    asked = prepared, photo.name, original, query.flange
    return jsonify(the_desk().bench.ask(photo.sha256, see_from_above, *asked)[0])


@part.post("/jobs/<job>/photos/<name>/measure", responses=answers({200: MeasuredView}, 404, 409))
def try_marks(path: PhotoPath, body: MarksGiven) -> Any:
    """Measure a close-up again with other marks; nothing is kept."""
    require("reader")
    prepared, photo, _ = _close_up(path)
    marks = None if body.marks is None else marks_from_record(body.marks, f"{photo.name}: marks").record()
    return {"photos": the_desk().bench.ask(photo.sha256, measure_again, prepared, photo.name, marks)}


@part.post("/jobs/<job>/photos/<name>/snap", responses=answers({200: SnapView, 204: None}, 404))
def snap_click(path: PhotoPath, body: ClickGiven) -> Any:
    """Tell which corner or line end a rough click means; 204 if nothing is near."""
    require("reader")
    photo = asked_photo(path)
    toward = None if body.toward is None else (body.toward[0], body.toward[1])
    asked = the_desk().original(photo), (body.x, body.y), toward
    found = the_desk().bench.ask(photo.sha256, snap_to, *asked)
    return ("", 204) if found is None else found


@part.get("/jobs/<job>/photos/<name>/proposals", responses=answers({200: ProposedView, 202: NotYetView}, 404))
def propose_ends(path: PhotoPath) -> Any:
    """Propose the ends that a ridge photo has no pick of; 202 while the photos are still being tied."""
    who = require("reader")
    desk = the_desk()
    job, photo = desk.store.job(path.job), asked_photo(path)
    views = desk.folders.views(job)
    if not views.exists():
        task = desk.start_once(job.id, "tie", who.name, {"key": views.stem})
        if task.state == "failed":
            raise RecordError(task.error or "the photos could not be tied")
        return {"state": task.state, "steps_done": task.steps_done, "steps": task.steps}, 202
    picks = {each.name: dict(each.ends) for each in photos_of(job, "ridge")}
    asked = desk.original(photo), views, picks, photo.name, job.setup.ridge.pick_sigma_px
    return desk.bench.ask(photo.sha256, propose, *asked)


def _close_up(path: PhotoPath) -> tuple[Path, FiledPhoto, Path]:
    """Return where the job's prepared close-ups lie, or would, and the photo with its file."""
    desk = the_desk()
    photo = asked_photo(path)
    return desk.folders.prepared(desk.store.job(path.job)), photo, desk.original(photo)
