"""The close-up audit: photos of finished runs and laps to findings, findings to verdicts against the plan.

Frames: findings are on the flange's surface, in the frame of the target that lies on it (mm), and in upright
pixels. A photo that shows a target on each flange gives one audit per target.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.camera import Array
from calib.profile import LensProfile
from calib.targets import Target
from calib.uncertainty import COVERAGE_FACTOR_95
from vision.cover import is_covered
from vision.flange import Flange
from vision.laps import ByHand, LapSighting, NoLap, measure_lap
from vision.marked import HandLine, MarkedRivets, line_across, mark_rivets, outline_px, share_out
from vision.marks import MarkedLine, Marks
from vision.plan import Plan
from vision.plane import PlanePoints, View, covariance_mm2, to_mm
from vision.prepared import NotAudited, PreparedFlange, PreparedPhoto, prepare_each
from vision.rivets import RivetSighting, spots_at
from vision.rows import Gap, LapGroup, Role, Rows, Surroundings, group_rows
from vision.rules import (
    RuleVerdict,
    judge_lap_count,
    judge_lap_length,
    judge_lap_rows,
    judge_missing,
    judge_set_out,
    judge_spacings,
)
from vision.set_out import SetOut, measure_set_out
from vision.unevenness import sheet_depths

__all__ = ["FlangeAudit", "NotAudited", "PhotoAudit", "RivetFinding", "audit_photos", "audit_prepared"]

# A witness mark drawn with a tape on site; common practice, no source.
_U_WITNESS_MM = 0.5
# On a head of a lower score the count of a lap's rivets does not rest.
_SURE_SCORE = 0.7
# A head is not overlooked when it is this many pixels across and seen no flatter than this (sine of 55
# degrees): on rendered photos the heads missed were 8.5 and 9.6 px across, seen at 62 and 57 degrees.
_SURE_HEAD_PX = 11.0
_SURE_SIN_TILT = 0.82
# A rivet's place is reckoned from its neighbours: what a person took away may lie this far from it, in heads.
_SAME_PLACE_HEADS = 3.0
# A lap of which nothing but its marked lines is known.
_NO_RIVETS = LapGroup((), ())


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
    by_hand : bool
        True if it stands where a person marked it.
    """

    px: Array
    mm: Array
    u_mm: float
    role: Role
    score: float
    partly_seen: bool
    by_hand: bool = False

    def record(self) -> dict[str, Any]:
        """Return the contract's entry of one rivet; it says so where the rivet is a person's mark."""
        entry = {
            "px": self.px.tolist(),
            "mm": self.mm.tolist(),
            "u_mm": self.u_mm,
            "role": str(self.role),
            "score": self.score,
        }
        return entry | ({"by_hand": True} if self.by_hand else {})


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
    laps : tuple of LapSighting or NoLap
        The laps whose rivets or marked edges the photo shows, along the ridge; or why one was not found.
    set_out : SetOut
        What a person marked of a flange that is still open: sealant, z-closure, the lower piece's end.
    marks : Marks
        What a person marked on this flange.
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
    laps: tuple[LapSighting | NoLap, ...]
    set_out: SetOut
    marks: Marks
    verdicts: tuple[RuleVerdict, ...]
    notes: tuple[str, ...]

    measured = True

    @property
    def lap(self) -> LapSighting | NoLap | None:
        """The first lap, or why it was not found; None where the photo shows no sign of one."""
        return self.laps[0] if self.laps else None

    def record(self) -> dict[str, Any]:
        """Return the contract's entry of one photo; further keys where there is more to say.

        ``laps`` holds every lap where there is more than one, ``marks`` what a person marked, ``set_out``
        the lengths that follow from marked lines alone.
        """
        laps = [_lap_record(lap) for lap in self.laps if isinstance(lap, LapSighting)]
        record = {
            "photo": self.photo,
            "sha256": self.sha256,
            "measured": True,
            "kind": "lap" if self.laps else "run",
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
            "lap": laps[0] if laps else None,
            "verdicts": [verdict.record() for verdict in self.verdicts],
            "notes": list(self.notes),
        }
        more = {
            "laps": laps if len(laps) > 1 else None,
            "set_out": self.set_out.record(),
            "marks": self.marks.record(),
        }
        return record | {key: value for key, value in more.items() if value}


def _lap_record(lap: LapSighting) -> dict[str, Any]:
    entry = {
        "edge_px": lap.edge_px.tolist(),
        "edge_mm": lap.edge_mm.tolist(),
        "edge_to_witness_mm": lap.edge_to_witness_mm,
        "lap_mm": lap.lap_mm,
        "u95_mm": lap.u95_mm,
    }
    return entry | ({"by_hand": list(lap.by_hand)} if lap.by_hand else {})


PhotoAudit = FlangeAudit | NotAudited
OnAudit = Callable[[FlangeAudit, NDArray[np.uint8]], None]


def audit_photos(
    paths: Sequence[Path],
    targets: Sequence[Target],
    plan: Plan,
    *,
    profile: LensProfile | None = None,
    marks: Mapping[Path, Marks] | None = None,
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
    marks : mapping of Path to Marks, optional
        What a person marked in which photo.
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
    audits: list[PhotoAudit] = []
    each = prepare_each(paths, targets, plan, profile, progress)
    for path, (prepared, image) in zip(paths, each, strict=True):
        if isinstance(prepared, NotAudited):
            audits.append(prepared)
            continue
        for audit in audit_prepared(prepared, (marks or {}).get(path, _NO_MARKS), image):
            audits.append(audit)
            if on_audit is not None:
                on_audit(audit, image)
    return audits


_NO_MARKS = Marks()


def audit_prepared(
    prepared: PreparedPhoto, marks: Marks = _NO_MARKS, image: NDArray[np.uint8] | None = None
) -> tuple[FlangeAudit, ...]:
    """Audit a photo that was made ready, with what a person marked in it.

    Parameters
    ----------
    prepared : PreparedPhoto
        The photo, made ready once.
    marks : Marks
        What a person marked; everything that follows from it is measured again.
    image : ndarray of shape (H, W, 3), optional
        The upright photo, where nobody has looked for lines across its flanges yet.

    Returns
    -------
    tuple of FlangeAudit
        One for each flange, as `audit_photos` gives them.
    """
    outlines = [outline_px(each.view, each.flange.polygon_mm, each.z_mm) for each in prepared.flanges]
    return tuple(
        _audit_flange(prepared, flange, own, image)
        for flange, own in zip(prepared.flanges, share_out(marks, outlines), strict=True)
    )


def _audit_flange(
    photo: PreparedPhoto, part: PreparedFlange, marks: Marks, image: NDArray[np.uint8] | None
) -> FlangeAudit:
    plan, view, flange = photo.plan, part.view, part.flange
    heads = mark_rivets(part.found.rivets, marks, view, z_mm=part.z_mm, head_mm=plan.rivet_head_mm)
    placed = _place(heads.rivets, part)
    cover = _Cover.of(marks, part, plan)
    rows = _order(heads.rivets, placed, part, plan, cover)
    lines = _MarkedLines.of(marks, part)
    if image is not None and (rows.laps or lines.edge or marks.lower_end):
        part = part.with_lines(image)
    laps = _find_laps(part, rows, placed, lines, plan)
    if laps:
        # Beyond a lap's edge the sheet is a step higher or lower: rivets there lie elsewhere than it seemed.
        placed = _place(heads.rivets, part, laps)
        rows = _order(heads.rivets, placed, part, plan, cover)
    set_out = measure_set_out(
        marks, part.lines or (), view, flange, z_mm=part.z_mm, target_mm=part.outline_mm
    )
    return FlangeAudit(
        photo.photo,
        photo.sha256,
        part.target,
        part.labels,
        photo.rms_px,
        _scale(view, part.target, part.z_mm),
        view,
        flange,
        _findings(heads, placed, rows),
        rows,
        laps,
        set_out,
        marks,
        (
            *_verdicts(heads.rivets, rows, laps, plan, lambda gap: _is_clear(gap, view, part.z_mm, plan)),
            *judge_set_out(set_out, plan),
        ),
        (
            *photo.notes,
            *flange.notes,
            *heads.notes,
            *lines.notes,
            *(n for lap in laps for n in _lap_notes(lap)),
        ),
    )


def _scale(view: View, target: Target, z_mm: float) -> float:
    middle = np.array(target.outline_mm)[None] / 2.0
    camera_distance = float(view.to_camera(np.append(middle[0], z_mm))[0, 2])
    return camera_distance / (0.5 * (view.camera.fx + view.camera.fy))


@dataclass(frozen=True, eq=False, slots=True)
class _Placed:
    """Rivets on the plane: points, their joint covariance, and covariances by each one's own pixel alone."""

    points: PlanePoints
    cov_mm2: Array
    own_mm2: Array


def _place(
    rivets: Sequence[RivetSighting], part: PreparedFlange, laps: Sequence[LapSighting | NoLap] = ()
) -> _Placed:
    if not rivets:
        none = PlanePoints(np.zeros((0, 2)), np.zeros((0, 2, 2)), np.zeros((0, 2, 15)), np.zeros((0, 2)))
        return _Placed(none, np.zeros((0, 0)), np.zeros((0, 2, 2)))
    px, cov_px2 = (np.array([getattr(rivet, name) for rivet in rivets]) for name in ("px", "cov_px2"))
    level = to_mm(part.view, px, part.z_mm)
    depths = sheet_depths(level.mm, part.flange, part.outline_mm, laps)
    points = to_mm(part.view, px, part.z_mm + depths.mm)
    own = points.by_px @ cov_px2 @ points.by_px.transpose(0, 2, 1)
    cov = covariance_mm2(points, part.view, cov_px2)
    # x and y of a point both follow its depth.
    cov += np.kron(depths.cov_mm2, np.ones((2, 2))) * np.outer(points.by_z.ravel(), points.by_z.ravel())
    return _Placed(points, cov, own)


@dataclass(frozen=True, eq=False, slots=True)
class _Cover:
    """Where something lies on the sheet, but for the places of which a person said that no rivet is there."""

    part: PreparedFlange
    plan: Plan
    looked_at_mm: Array
    doubtful_mm: Array

    @classmethod
    def of(cls, marks: Marks, part: PreparedFlange, plan: Plan) -> "_Cover":
        doubtful = [sighting.px for sighting in part.found.doubtful]
        looked_at, maybe = (
            to_mm(part.view, px, part.z_mm).mm if len(px) else np.zeros((0, 2))
            for px in (marks.removed, doubtful)
        )
        return cls(part, plan, looked_at, maybe)

    def is_over(self, place_mm: Array) -> bool:
        head_mm = self.plan.rivet_head_mm
        if np.any(np.linalg.norm(self.looked_at_mm - place_mm, axis=1) < _SAME_PLACE_HEADS * head_mm):
            return False
        # What might be a head counts as far off as the plan lets a head stand.
        away_mm = np.linalg.norm(self.doubtful_mm - place_mm, axis=1)
        if np.any(away_mm < self.plan.rivet_spacing_tolerance_mm):
            return True
        return is_covered(self.part.sheet, place_mm, head_mm)


def _order(
    rivets: Sequence[RivetSighting], placed: _Placed, part: PreparedFlange, plan: Plan, cover: _Cover
) -> Rows:
    return group_rows(
        placed.points.mm,
        placed.cov_mm2,
        along=part.flange.along,
        plan=plan,
        partly_seen=[rivet.partly_seen for rivet in rivets],
        around=Surroundings(
            part.flange.polygon_mm,
            (part.outline_mm,),
            cover.is_over,
        ),
    )


def _findings(heads: MarkedRivets, placed: _Placed, rows: Rows) -> tuple[RivetFinding, ...]:
    mm = placed.points.mm
    u_mm = np.sqrt(np.diag(placed.cov_mm2)).reshape(-1, 2).max(axis=1, initial=0.0)
    return tuple(
        RivetFinding(
            rivet.px, mm[i], float(u_mm[i]), rows.roles[i], rivet.score, rivet.partly_seen, heads.by_hand[i]
        )
        for i, rivet in enumerate(heads.rivets)
    )


@dataclass(frozen=True, eq=False, slots=True)
class _MarkedLines:
    """The lines of a lap that a person marked, on the plane under the target; and what could not be used."""

    edge: HandLine | None
    witness: HandLine | None
    notes: tuple[str, ...]

    @classmethod
    def of(cls, marks: Marks, part: PreparedFlange) -> "_MarkedLines":
        notes: list[str] = []

        def on_flange(line: MarkedLine | None, name: str) -> HandLine | None:
            if line is None:
                return None
            found = line_across(line, part.view, part.z_mm, part.flange.along)
            if found is None:
                notes.append(f"the line marked as {name} does not run across the flange; it is left out")
            return found

        edge = on_flange(marks.edge, "the upper sheet's end")
        witness = on_flange(marks.witness, "the witness mark")
        return cls(edge, witness, tuple(notes))


def _find_laps(
    part: PreparedFlange, rows: Rows, placed: _Placed, lines: _MarkedLines, plan: Plan
) -> tuple[LapSighting | NoLap, ...]:
    """Measure the lap of every group of lap rivets; a marked edge without rivets makes a lap of its own."""
    groups = rows.laps or ((_NO_RIVETS,) if lines.edge else ())
    homes = [_nearest_lap(line, rows) for line in (lines.edge, lines.witness)]
    return tuple(
        _measure_lap(
            part,
            group,
            placed,
            ByHand(
                *(
                    line if home == i else None
                    for line, home in zip((lines.edge, lines.witness), homes, strict=True)
                )
            ),
            plan,
        )
        for i, group in enumerate(groups)
    )


def _nearest_lap(line: HandLine | None, rows: Rows) -> int:
    """Return which lap a marked line belongs to: the one whose rivets are nearest."""
    if line is None or not rows.laps:
        return 0
    return int(np.argmin([min(abs(s - line.station_mm) for s in lap.stations_mm) for lap in rows.laps]))


def _measure_lap(
    part: PreparedFlange, group: LapGroup, placed: _Placed, by_hand: ByHand, plan: Plan
) -> LapSighting | NoLap:
    columns = [list(column) for column in group.columns]
    along = part.flange.along
    return measure_lap(
        part.lines or (),
        part.view,
        part.z_mm,
        part.flange,
        target_mm=part.outline_mm,
        columns_mm=[placed.points.mm[column] for column in columns],
        u_columns_mm=[_u_mean(placed.own_mm2[column], along) for column in columns],
        witness_mm=plan.witness_mm,
        u_witness_mm=_U_WITNESS_MM,
        by_hand=by_hand,
    )


def _u_mean(cov_mm2: Array, along: Array) -> float:
    """Return the standard uncertainty along the ridge of the mean of points that are independent."""
    return math.sqrt(float((along @ cov_mm2 @ along).sum())) / len(cov_mm2)


def _lap_notes(lap: LapSighting | NoLap) -> tuple[str, ...]:
    return lap.notes if isinstance(lap, LapSighting) else (str(lap.why),)


def _is_clear(gap: Gap, view: View, z_mm: float, plan: Plan) -> bool:
    """Say whether a head at a gap's place would be so large and so square that it could not be overlooked."""
    spot = spots_at(view, z_mm, plan.rivet_head_mm, gap.place_mm[None])
    return bool(spot.head_px[0] >= _SURE_HEAD_PX and spot.sin_tilt[0] <= _SURE_SIN_TILT)


def _verdicts(
    rivets: Sequence[RivetSighting],
    rows: Rows,
    laps: Sequence[LapSighting | NoLap],
    plan: Plan,
    is_clear: Callable[[Gap], bool],
) -> tuple[RuleVerdict, ...]:
    verdicts = [*judge_spacings(rows, plan), *judge_missing(rows, is_clear)]
    doubtful = {i for i, rivet in enumerate(rivets) if rivet.score < _SURE_SCORE}
    verdicts += [judge_lap_count(group, rows, plan, doubtful) for group in rows.laps]
    verdicts += [judge_lap_length(lap, plan) for lap in laps]
    verdicts += [row for lap in laps if isinstance(lap, LapSighting) for row in judge_lap_rows(lap, plan)]
    return tuple(verdicts)
