"""The close-up audit: photos of finished runs and laps to findings, findings to verdicts against the plan.

Frames: findings are on the flange's surface, in the frame of the target that lies on it (mm), and in upright
pixels. A photo that shows a target on each flange gives one audit per target.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from calib.errors import LensError, PhotoError
from calib.profile import LensProfile
from calib.targets import Target
from calib.uncertainty import COVERAGE_FACTOR_95
from vision.flange import Flange, find_flange
from vision.laps import LapSighting, NoLap, find_lap
from vision.photo import load_photo
from vision.plan import Plan
from vision.plane import Rectified, View, covariance_mm2, rectify, to_mm
from vision.pose import PosedPhoto, UnposedPhoto, pose_photos
from vision.rivets import Fasteners, RivetSighting, find_fasteners, spots_at
from vision.rows import Gap, Role, Rows, Surroundings, group_rows
from vision.rules import (
    RuleVerdict,
    judge_lap_count,
    judge_lap_length,
    judge_lap_rows,
    judge_missing,
    judge_spacings,
    second_lap,
)
from vision.sight import Sight, sight_photo

# Sheet metal between its fasteners is not flat: standard uncertainty of a point's height over the plane that
# the target lies on. Common practice, no source.
_U_FLATNESS_MM = 0.3
# Scale of the flattened flange in which the lap's edge is looked for first.
_FLAT_MM_PER_PX = 0.4
# A witness mark drawn with a tape on site; common practice, no source.
_U_WITNESS_MM = 0.5
# A head between these scores is neither counted nor ruled out.
_DOUBTFUL_SCORE = (0.3, 0.7)
# A head is not overlooked when it is this many pixels across and seen no flatter than this (sine of 55
# degrees): on rendered photos the heads missed were 8.5 and 9.6 px across, seen at 62 and 57 degrees.
_SURE_HEAD_PX = 11.0
_SURE_SIN_TILT = 0.82
# Photos are kept decoded between the two passes up to this much memory; the rest are decoded again.
_KEPT_BYTES = 400_000_000


@dataclass(frozen=True, eq=False)
class RivetFinding:
    """One rivet head on the flange.

    Attributes
    ----------
    px, mm : ndarray of shape (2,)
        Centre of its base circle in the photo and on the flange.
    u_mm : float
        Standard uncertainty of that place relative to the target, the larger of both axes.
    role : Role
        Of a run or of a lap.
    score : float
        Probability that it is a rivet head.
    partly_seen : bool
        True if the photo's border cuts it.
    """

    px: Array
    mm: Array
    u_mm: float
    role: Role
    score: float
    partly_seen: bool

    def record(self) -> dict[str, Any]:
        """Return the contract's entry of one rivet."""
        return {
            "px": self.px.tolist(),
            "mm": self.mm.tolist(),
            "u_mm": self.u_mm,
            "role": str(self.role),
            "score": self.score,
        }


@dataclass(frozen=True, eq=False)
class FlangeAudit:
    """What one photo shows of one flange, and the verdicts on it.

    Attributes
    ----------
    photo, sha256 : str
        The photo and its hash.
    target : Target
        The target that lies on the flange.
    tags : tuple of str
        Tags used.
    rms_px : float
        Root mean square residual of the tags' corners.
    mm_per_px : float
        Scale at the target's middle.
    view : View
        Camera and pose relative to the target.
    flange : Flange
        The band of sheet that was searched.
    rivets : tuple of RivetFinding
        Rivet heads found.
    rows : Rows
        How they are ordered.
    lap : LapSighting, NoLap or None
        The lap, or why its edge was not found; None where no rivets of a lap were found.
    verdicts : tuple of RuleVerdict
        The plan's rules.
    notes : tuple of str
        What a person should know.
    """

    photo: str
    sha256: str
    target: Target
    tags: tuple[str, ...]
    rms_px: float
    mm_per_px: float
    view: View
    flange: Flange
    rivets: tuple[RivetFinding, ...]
    rows: Rows
    lap: LapSighting | NoLap | None
    verdicts: tuple[RuleVerdict, ...]
    notes: tuple[str, ...]

    measured = True

    def record(self) -> dict[str, Any]:
        """Return the contract's entry of one photo."""
        return {
            "photo": self.photo,
            "sha256": self.sha256,
            "measured": True,
            "kind": "lap" if self.rows.laps else "run",
            "target": {
                "name": self.target.name,
                "tags": [int(label.removeprefix("tag ")) for label in self.tags],
                "rms_px": self.rms_px,
            },
            "mm_per_px": self.mm_per_px,
            "rivets": [rivet.record() for rivet in self.rivets],
            "spacings": [
                {"from": s.first, "to": s.second, "mm": s.mm, "u95_mm": COVERAGE_FACTOR_95 * s.u_mm}
                for s in self.rows.spacings
            ],
            "lap": _lap_record(self.lap) if isinstance(self.lap, LapSighting) else None,
            "verdicts": [verdict.record() for verdict in self.verdicts],
            "notes": list(self.notes),
        }


def _lap_record(lap: LapSighting) -> dict[str, Any]:
    return {
        "edge_px": lap.edge_px.tolist(),
        "edge_mm": lap.edge_mm.tolist(),
        "edge_to_witness_mm": lap.edge_to_witness_mm,
        "lap_mm": lap.lap_mm,
        "u95_mm": lap.u95_mm,
    }


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


PhotoAudit = FlangeAudit | NotAudited
OnAudit = Callable[[FlangeAudit, NDArray[np.uint8]], None]


def audit_photos(
    paths: Sequence[Path],
    targets: Sequence[Target],
    plan: Plan,
    *,
    profile: LensProfile | None = None,
    on_audit: OnAudit | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[PhotoAudit]:
    """Audit close-ups against a plan.

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
    on_audit : callable, optional
        Called with each audit and its upright photo, to draw on.
    progress : callable, optional
        Called with (steps done, steps in all); a photo is two steps.

    Returns
    -------
    list of PhotoAudit
        In the order of the photos; one that cannot be measured says why.

    Raises
    ------
    FileError
        If a photo is missing.
    """
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
    audits: list[PhotoAudit] = []
    for seen in sights:
        if isinstance(seen, NotAudited):
            audits.append(seen)
        else:
            audits += _audit(seen.with_image(), poses.get(seen.key), targets, plan, on_audit)
        steps.next()
    return audits


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
        photo = replace(self.sight.photo, image=np.empty((0, 0, 3), np.uint8))
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


def _audit(
    seen: _Seen,
    pose: PosedPhoto | UnposedPhoto | None,
    targets: Sequence[Target],
    plan: Plan,
    on_audit: OnAudit | None,
) -> list[PhotoAudit]:
    photo, sight = seen.sight.photo, seen.sight
    if not isinstance(pose, PosedPhoto):
        why = sight.problem if pose is None else pose.why
        return [NotAudited(photo.name, photo.sha256, why, sight.notes)]
    by_name = {target.name: target for target in targets}
    audits: list[PhotoAudit] = []
    for name, view in pose.views.items():
        audit = audit_flange(sight, pose, by_name[name], view, plan)
        audits.append(audit)
        if on_audit is not None:
            on_audit(audit, photo.image)
    return audits


def audit_flange(sight: Sight, pose: PosedPhoto, target: Target, view: View, plan: Plan) -> FlangeAudit:
    """Audit the flange that one target lies on.

    Parameters
    ----------
    sight : Sight
        The photo.
    pose : PosedPhoto
        Its pose.
    target : Target
        The target on the flange.
    view : View
        The photo's view relative to it.
    plan : Plan
        What the work is held against.

    Returns
    -------
    FlangeAudit
        Findings and verdicts.
    """
    image, z_mm = sight.photo.image, target.thickness_mm
    outline = _outline(target)
    flange = find_flange(image, view, z_mm=z_mm, outline_mm=target.outline_mm)
    found = find_fasteners(
        image,
        view,
        z_mm=z_mm,
        head_mm=plan.rivet_head_mm,
        region_mm=flange.polygon_mm,
        target_outline_mm=outline,
    )
    mm, cov = _place(found.rivets, view, z_mm)
    rows = group_rows(
        mm,
        cov,
        along=flange.along,
        plan=plan,
        partly_seen=[rivet.partly_seen for rivet in found.rivets],
        around=Surroundings(flange.polygon_mm, (outline,)),
    )
    lap = _find_lap(image, view, flange, rows, mm, outline, z_mm, plan)
    return FlangeAudit(
        sight.photo.name,
        sight.photo.sha256,
        target,
        pose.labels[target.name],
        pose.rms_px,
        _scale(view, target, z_mm),
        view,
        flange,
        _findings(found.rivets, mm, cov, rows),
        rows,
        lap,
        _verdicts(found, rows, lap, plan, lambda gap: _is_clear(gap, view, z_mm, plan)),
        (*sight.notes, *pose.notes, *flange.notes, *_lap_notes(lap)),
    )


def _outline(target: Target) -> Array:
    width, height = target.outline_mm
    return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])


def _scale(view: View, target: Target, z_mm: float) -> float:
    middle = np.array(target.outline_mm)[None] / 2.0
    camera_distance = float(view.to_camera(np.append(middle[0], z_mm))[0, 2])
    return camera_distance / (0.5 * (view.camera.fx + view.camera.fy))


def _place(rivets: Sequence[RivetSighting], view: View, z_mm: float) -> tuple[Array, Array]:
    if not rivets:
        return np.zeros((0, 2)), np.zeros((0, 0))
    points = to_mm(view, np.array([rivet.px for rivet in rivets]), z_mm)
    cov = covariance_mm2(points, view, np.array([rivet.cov_px2 for rivet in rivets]), _U_FLATNESS_MM)
    return points.mm, cov


def _findings(rivets: Sequence[RivetSighting], mm: Array, cov: Array, rows: Rows) -> tuple[RivetFinding, ...]:
    u_mm = np.sqrt(np.diag(cov)).reshape(-1, 2).max(axis=1, initial=0.0)
    return tuple(
        RivetFinding(rivet.px, mm[i], float(u_mm[i]), rows.roles[i], rivet.score, rivet.partly_seen)
        for i, rivet in enumerate(rivets)
    )


def _find_lap(
    image: NDArray[np.uint8],
    view: View,
    flange: Flange,
    rows: Rows,
    mm: Array,
    outline: Array,
    z_mm: float,
    plan: Plan,
) -> LapSighting | NoLap | None:
    if not rows.laps:
        return None
    return find_lap(
        image,
        _flatten(image, view, flange, z_mm),
        flange,
        target_mm=outline,
        columns_mm=[mm[list(column)] for column in rows.laps[0].columns],
        witness_mm=plan.witness_mm,
        u_witness_mm=_U_WITNESS_MM,
    )


def _flatten(image: NDArray[np.uint8], view: View, flange: Flange, z_mm: float) -> Rectified:
    """Return the whole flange straight from above, the ridge along the picture's x axis."""
    axes = np.array([flange.along, flange.across])
    places = flange.polygon_mm @ axes.T
    low, extent = places.min(axis=0), np.ptp(places, axis=0)
    return rectify(
        image,
        view,
        z_mm=z_mm,
        corner_mm=low @ axes,
        size_mm=(float(extent[0]), float(extent[1])),
        mm_per_px=_FLAT_MM_PER_PX,
        along=flange.along,
    )


def _lap_notes(lap: LapSighting | NoLap | None) -> tuple[str, ...]:
    if lap is None:
        return ()
    return lap.notes if isinstance(lap, LapSighting) else (str(lap.why),)


def _is_clear(gap: Gap, view: View, z_mm: float, plan: Plan) -> bool:
    """Say whether a head at a gap's place would be so large and so square that it could not be overlooked."""
    spot = spots_at(view, z_mm, plan.rivet_head_mm, gap.place_mm[None])
    return bool(spot.head_px[0] >= _SURE_HEAD_PX and spot.sin_tilt[0] <= _SURE_SIN_TILT)


def _verdicts(
    found: Fasteners,
    rows: Rows,
    lap: LapSighting | NoLap | None,
    plan: Plan,
    is_clear: Callable[[Gap], bool],
) -> tuple[RuleVerdict, ...]:
    verdicts = [*judge_spacings(rows, plan), *judge_missing(rows, is_clear)]
    low, high = _DOUBTFUL_SCORE
    for group in rows.laps:
        doubtful = sum(low <= found.rivets[i].score < high for i in group.rivets)
        verdicts.append(judge_lap_count(group, rows, plan, doubtful))
    if lap is not None:
        verdicts.append(judge_lap_length(lap, plan))
        verdicts += [second_lap(plan) for _ in rows.laps[1:]]
    if isinstance(lap, LapSighting):
        verdicts += judge_lap_rows(lap, plan)
    return tuple(verdicts)
