"""Chart photos of one camera to a lens profile.

Frame: the profile's is the sensor's (the picture as stored, un-mirrored); photos turned by EXIF are brought
into it. Pixels: (0, 0) is the centre of the top-left pixel.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calib.calibrate import Calibration, NotCalibrated, calibrate
from calib.chart import Board, ChartView, NoChart, find_chessboard, find_tag_board
from calib.errors import LensError, PhotoError
from calib.profile import LensProfile
from calib.targets import Target
from vision.photo import Photo, load_photo, sensor_from_upright
from vision.rotation import quarter_turn_matrix


@dataclass(frozen=True, slots=True, eq=False)
class CalibratedLens:
    """A lens calibrated from photos: its profile, how it was reached, and what a person should know."""

    profile: LensProfile
    calibration: Calibration
    notes: tuple[str, ...]

    def record(self) -> dict[str, Any]:
        """Return the contract's lens file, with the coverage of the picture and notes beside it."""
        coverage = self.calibration.coverage
        return {
            **self.profile.record(),
            "coverage": {"fraction": coverage.fraction, "missing": list(coverage.missing)},
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True)
class _Origin:
    """What all photos of one profile must have in common."""

    size_px: tuple[int, int]
    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    digital_zoom: float = 1.0


def calibrate_lens(
    paths: Sequence[Path], chart: Board | Target, progress: Callable[[int, int], None] | None = None
) -> CalibratedLens | NotCalibrated:
    """Calibrate a lens from photos of a chart.

    Parameters
    ----------
    paths : sequence of Path
        The photos, all of one camera at one focal length; the result does not depend on their order.
    chart : Board or Target
        The chessboard, or the target whose tags serve as a chart.
    progress : callable, optional
        Called with (photos looked at, photos in all).

    Returns
    -------
    CalibratedLens or NotCalibrated
        The lens, or why there is none.

    Raises
    ------
    FileError
        If a photo is missing.
    LensError
        If the photos come from different cameras, focal lengths or sizes, or one is given twice.
    """
    charts: dict[str, ChartView | NoChart] = {}
    hashes: dict[str, str] = {}
    first: tuple[str, _Origin] | None = None
    for count, path in enumerate(paths, 1):
        name = str(path) if path.name in charts else path.name
        try:
            photo = load_photo(path)
        except PhotoError as error:
            charts[name] = NoChart(str(error).removeprefix(f"{path}: "))
        else:
            _refuse_copy(photo, name, hashes)
            first = first or (name, _origin(photo))
            _refuse_other_lens(first, (name, _origin(photo)))
            charts[name] = _look(photo, chart)
        if progress is not None:
            progress(count, len(paths))
    origin = _Origin((0, 0)) if first is None else first[1]
    found = calibrate(charts, *origin.size_px)
    return found if isinstance(found, NotCalibrated) else _calibrated(found, origin)


def _refuse_copy(photo: Photo, name: str, hashes: dict[str, str]) -> None:
    if photo.sha256 in hashes:
        msg = f"{name} is the same photo as {hashes[photo.sha256]}; give each photo once"
        raise LensError(msg)
    hashes[photo.sha256] = name


def _origin(photo: Photo) -> _Origin:
    told = photo.metadata
    return _Origin(
        photo.sensor_size_px,
        told.make,
        told.model,
        told.lens_model,
        told.focal_mm,
        told.focal_35mm_mm,
        told.digital_zoom or 1.0,
    )


def _refuse_other_lens(first: tuple[str, _Origin], other: tuple[str, _Origin]) -> None:
    """Refuse a photo that differs from the first in anything that belongs to the lens."""
    if first[1] == other[1]:
        return
    (name, a), (other_name, b) = first, other
    pairs = [
        ("{} px", " x ".join(map(str, a.size_px)), " x ".join(map(str, b.size_px))),
        ("camera {}", _camera(a), _camera(b)),
        ("lens {}", a.lens_model, b.lens_model),
        ("focal length {} mm", a.focal_mm, b.focal_mm),
        ("35-mm equivalent {} mm", a.focal_35mm_mm, b.focal_35mm_mm),
        ("digital zoom {}", a.digital_zoom, b.digital_zoom),
    ]
    form, own, its = next((form, own, its) for form, own, its in pairs if own != its)
    own, its = (form.format("not told" if each is None else each) for each in (own, its))
    msg = f"{name} and {other_name} are not of one lens: {own} against {its}; calibrate each lens by itself"
    raise LensError(msg)


def _camera(origin: _Origin) -> str | None:
    return " ".join(part for part in (origin.make, origin.model) if part) or None


def _look(photo: Photo, chart: Board | Target) -> ChartView | NoChart:
    grey = np.asarray(cv2.cvtColor(photo.image, cv2.COLOR_BGR2GRAY), np.uint8)
    view = find_chessboard(grey, chart) if isinstance(chart, Board) else find_tag_board(grey, chart)
    return view if isinstance(view, NoChart) else _in_sensor(view, photo)


def _in_sensor(view: ChartView, photo: Photo) -> ChartView:
    height, width = photo.image.shape[:2]
    turn = quarter_turn_matrix(-photo.quarter_turns)[:2, :2]
    both = np.kron(np.eye(len(view.px)), turn)
    return ChartView(
        view.mm,
        sensor_from_upright(view.px, photo.quarter_turns, width, height),
        both @ view.cov_px2 @ both.T,
        view.bias_direction @ turn.T,
    )


def _calibrated(found: Calibration, origin: _Origin) -> CalibratedLens:
    make, model = origin.make or "", origin.model or ""
    profile = LensProfile(make, model, origin.focal_mm, found.camera, found.rms_px, found.photos)
    return CalibratedLens(profile, found, tuple(_notes(found, origin)))


def _notes(found: Calibration, origin: _Origin) -> list[str]:
    notes = [_coverage_note(found)]
    if found.sag_mm > 0.0:
        notes.append(
            f"the chart is bent by {found.sag_mm:.1f} mm, which was allowed for; a flat one is better"
        )
    if found.u_breathing > 0.0:
        notes.append(
            f"the focal length differs by {found.u_breathing:.1%} from photo to photo, and its deviation "
            "says so; shoot the chart from one distance, about that of the job"
        )
    if origin.model is None:
        notes.append("the photos do not name their camera: the profile fits any photo of this size")
    return notes


def _coverage_note(found: Calibration) -> str:
    reached = f"the charts reached {found.coverage.fraction:.0%} of the picture"
    if not found.coverage.missing:
        return reached
    where = _listed([f"the {part}" for part in found.coverage.missing])
    return f"{reached}, but little of {where}: the lens is a guess there; add photos with the chart in it"


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
