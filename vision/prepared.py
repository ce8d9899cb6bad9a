"""A close-up made ready to be audited: its view, its flanges, what was found on them; all but the judging.

Decoding, finding the targets, solving the poses and looking for rivets and lines take seconds; what a person
marks afterwards changes none of them. Frames as in vision/audit.py.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from calib.errors import LensError, PhotoError
from calib.profile import LensProfile
from calib.targets import Target
from vision.cover import flatten_sheet
from vision.crosslines import CrossLine, find_cross_lines
from vision.flange import Flange, find_flange, flatten_flange
from vision.photo import load_photo
from vision.plan import Plan
from vision.plane import Rectified, View
from vision.pose import PosedPhoto, UnposedPhoto, pose_photos
from vision.rivets import Fasteners, find_fasteners
from vision.sight import Sight, sight_photo

# Scale of the flattened flange in which lines across it are looked for first: along the ridge and across it.
_FLAT_MM_PER_PX, _FLAT_MM_PER_ROW = 0.4, 0.8
# Photos are kept decoded between the two passes up to this much memory; the rest are decoded again.
_KEPT_BYTES = 400_000_000

Image = NDArray[np.uint8]


@dataclass(frozen=True, eq=False, slots=True)
class PreparedFlange:
    """One flange of a close-up with everything that was found on it.

    Attributes
    ----------
    target : Target
        The target that lies on it.
    labels : tuple of str
        Tags used.
    view : View
        Camera and pose relative to the target.
    flange : Flange
        The band of sheet that was searched.
    found : Fasteners
        Rivet heads and empty holes.
    sheet : Rectified
        The flange from above, coarsely: whether something lies where a rivet is missing.
    lines : tuple of CrossLine or None
        Lines that cross it; None while nobody has looked for them.
    """

    target: Target
    labels: tuple[str, ...]
    view: View
    flange: Flange
    found: Fasteners
    sheet: Rectified
    lines: tuple[CrossLine, ...] | None

    @property
    def z_mm(self) -> float:
        """Depth of the sheet in the target's frame."""
        return self.target.thickness_mm

    @property
    def outline_mm(self) -> Array:
        """Outline of the target, shape (4, 2)."""
        return _outline_mm(self.target)

    def with_lines(self, image: Image) -> "PreparedFlange":
        """Return the same with the lines that cross the flange."""
        if self.lines is not None:
            return self
        flat = _flatten(image, self.view, self.flange, self.z_mm)
        return replace(self, lines=find_cross_lines(image, flat, self.flange, (self.outline_mm,)))


@dataclass(frozen=True, eq=False, slots=True)
class PreparedPhoto:
    """A close-up that can be audited again and again, with other marks, without its photo.

    Attributes
    ----------
    photo, sha256 : str
        The photo and its hash.
    plan : Plan
        What the work is held against; rivets were looked for by its head size.
    rms_px : float
        Root mean square residual of the tags' corners.
    notes : tuple of str
        What a person should know.
    flanges : tuple of PreparedFlange
        One for each target in the photo.
    """

    photo: str
    sha256: str
    plan: Plan
    rms_px: float
    notes: tuple[str, ...]
    flanges: tuple[PreparedFlange, ...]

    def with_lines(self, image: Image) -> "PreparedPhoto":
        """Return the same with the lines that cross its flanges."""
        return replace(self, flanges=tuple(flange.with_lines(image) for flange in self.flanges))


@dataclass(frozen=True, slots=True)
class NotAudited:
    """A photo that could not be measured, and why."""

    photo: str
    sha256: str
    why: str
    notes: tuple[str, ...]

    measured = False

    def record(self) -> dict[str, Any]:
        """Return the contract's entry of one photo, empty but for the reason."""
        return {
            "photo": self.photo,
            "sha256": self.sha256,
            "measured": False,
            "kind": None,
            "target": None,
            "mm_per_px": None,
            "rivets": [],
            "spacings": [],
            "lap": None,
            "verdicts": [],
            "notes": [self.why, *self.notes],
        }


def prepare_photos(
    paths: Sequence[Path],
    targets: Sequence[Target],
    plan: Plan,
    *,
    profile: LensProfile | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[PreparedPhoto | NotAudited]:
    """Make close-ups ready to be audited with whatever a person may mark in them.

    Parameters
    ----------
    paths : sequence of Path
        The photos; those of one camera and focal length share a lens that is learned from all of them.
    targets : sequence of Target
        The targets of the job.
    plan : Plan
        What the work is held against.
    profile : LensProfile, optional
        A calibrated lens, instead of learning it.
    progress : callable, optional
        Called with (steps done, steps in all); a photo is two steps.

    Returns
    -------
    list of PreparedPhoto or NotAudited
        In the order of the photos; each can be pickled, and holds no picture.

    Raises
    ------
    FileError
        If a photo is missing.
    """
    ready: list[PreparedPhoto | NotAudited] = []
    for prepared, image in prepare_each(paths, targets, plan, profile, progress):
        ready.append(prepared if isinstance(prepared, NotAudited) else prepared.with_lines(image))
    return ready


def prepare_each(
    paths: Sequence[Path],
    targets: Sequence[Target],
    plan: Plan,
    profile: LensProfile | None,
    progress: Callable[[int, int], None] | None,
) -> Iterator[tuple[PreparedPhoto | NotAudited, Image]]:
    """Yield every photo ready but for its lines, with its picture (empty where it could not be measured)."""
    steps = _Steps(2 * len(paths), progress)
    sights: list[_Seen | NotAudited] = []
    kept = 0
    for path in paths:
        seen = _sight(path, targets, profile)
        if isinstance(seen, _Seen):
            kept += seen.sight.photo.image.nbytes
            seen = seen if kept <= _KEPT_BYTES else seen.without_image()
        sights.append(seen)
        steps.next()
    good = [sight for sight in sights if isinstance(sight, _Seen) and not sight.sight.problem]
    poses = pose_photos([seen.sight.sighted for seen in good])
    for seen in sights:
        if isinstance(seen, NotAudited):
            yield seen, _NO_IMAGE
        else:
            whole = seen.with_image()
            yield _prepare(whole.sight, poses.get(seen.key), targets, plan), whole.sight.photo.image
        steps.next()


_NO_IMAGE: Image = np.empty((0, 0, 3), np.uint8)


class _Steps:
    """Counts steps towards a progress bar."""

    def __init__(self, total: int, progress: Callable[[int, int], None] | None) -> None:
        self._done, self._total, self._progress = 0, total, progress

    def next(self) -> None:
        self._done += 1
        if self._progress is not None:
            self._progress(self._done, self._total)


@dataclass(frozen=True, eq=False)
class _Seen:
    """A photo after the first pass; its picture may have been let go to save memory."""

    path: Path
    sight: Sight

    @property
    def key(self) -> str:
        # Two photos may have the same name in different folders: the path tells them apart.
        return str(self.path)

    def without_image(self) -> "_Seen":
        photo = replace(self.sight.photo, image=_NO_IMAGE)
        return replace(self, sight=replace(self.sight, photo=photo))

    def with_image(self) -> "_Seen":
        if self.sight.photo.image.size:
            return self
        return replace(self, sight=replace(self.sight, photo=load_photo(self.path)))


def _sight(path: Path, targets: Sequence[Target], profile: LensProfile | None) -> "_Seen | NotAudited":
    try:
        return _Seen(path, sight_photo(path, str(path), targets, profile))
    except (PhotoError, LensError) as error:
        return NotAudited(path.name, "", str(error), ())


def _prepare(
    sight: Sight, pose: PosedPhoto | UnposedPhoto | None, targets: Sequence[Target], plan: Plan
) -> PreparedPhoto | NotAudited:
    photo = sight.photo
    if not isinstance(pose, PosedPhoto):
        why = sight.problem if pose is None else pose.why
        return NotAudited(photo.name, photo.sha256, why, sight.notes)
    by_name = {target.name: target for target in targets}
    return PreparedPhoto(
        photo.name,
        photo.sha256,
        plan,
        pose.rms_px,
        (*sight.notes, *pose.notes),
        tuple(
            _look_at_flange(photo.image, by_name[name], pose.labels[name], view, plan)
            for name, view in pose.views.items()
        ),
    )


def _look_at_flange(
    image: Image, target: Target, labels: tuple[str, ...], view: View, plan: Plan
) -> PreparedFlange:
    """Find the flange that one target lies on, and the rivets on it."""
    flange = find_flange(image, view, z_mm=target.thickness_mm, outline_mm=target.outline_mm)
    z_mm, outline_mm = target.thickness_mm, _outline_mm(target)
    found = find_fasteners(
        image,
        view,
        z_mm=z_mm,
        head_mm=plan.rivet_head_mm,
        region_mm=flange.polygon_mm,
        target_outline_mm=outline_mm,
    )
    sheet = flatten_sheet(image, view, flange, z_mm=z_mm, target_mm=outline_mm)
    return PreparedFlange(target, labels, view, flange, found, sheet, None)


def _outline_mm(target: Target) -> Array:
    width, height = target.outline_mm
    return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])


def _flatten(image: Image, view: View, flange: Flange, z_mm: float) -> Rectified:
    """Return the whole flange as lines across it are looked for first."""
    aspect = _FLAT_MM_PER_PX / _FLAT_MM_PER_ROW
    return flatten_flange(image, view, flange, z_mm=z_mm, mm_per_px=_FLAT_MM_PER_PX, aspect=aspect)
