"""Laps by chain: pieces of known length, and how far their exposed ends lie apart along a run of photos.

Neighbouring photos share rivets of the run row, as many as a person counted; by these their stations are
strung together, from left to right as the photos show the ridge, mm. Lap = piece - distance from one exposed
end to the next.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from calib.camera import Array
from calib.errors import GeometryError
from calib.uncertainty import COVERAGE_FACTOR_95
from vision.audit import FlangeAudit, PhotoAudit
from vision.laps import LapSighting
from vision.plan import Plan
from vision.plane import to_px
from vision.rules import judge_chained_lap

# A piece cut to a tape's mark; common practice, no source.
U_PIECE_MM = 1.0
# Two rivets are the same one when their stations agree within this many standard uncertainties, and this.
_SAME_SIGMA, _SAME_MM = 3.0, 0.5
# One spacing holds nothing against a miscount but its own length; a photo shares this many rivets at least.
_SHARED_MIN = 2
# Ends that lie nearer to each other are one.
_ONE_END_MM = 20.0
# A miscount puts a lap off by a whole spacing: no lap is shorter or longer than this. Common practice, no
# source.
_LAP_MIN_MM, _LAP_MAX_MM = 40.0, 320.0


@dataclass(frozen=True, slots=True)
class ChainedLap:
    """A lap whose length follows from a chain.

    Attributes
    ----------
    photo : str
        The photo that shows it.
    lap_mm, u_mm : float
        Length and standard uncertainty.
    between_mm : float
        Distance of the two exposed ends.
    """

    photo: str
    lap_mm: float
    u_mm: float
    between_mm: float


@dataclass(frozen=True, slots=True)
class NoChain:
    """Two neighbouring laps that no chain leads between, and why."""

    photo: str
    why: str


@dataclass(frozen=True, eq=False, slots=True)
class _Stretch:
    """One photo's run row and laps as stations along the ridge, from left to right."""

    photo: str
    rivets: Array
    u_rivets: Array
    u_per_mm: float
    ends: tuple[tuple[float, float, int], ...]
    u_scale: float


@dataclass(frozen=True, slots=True)
class _Link:
    """How a photo's stations are moved onto the one before: shift, uncertainty, middle of what both show."""

    shift_mm: float
    u_mm: float
    middle_mm: float


def chain_laps(
    audits: Sequence[FlangeAudit],
    shared: Sequence[int],
    piece_mm: float,
    u_piece_mm: float = U_PIECE_MM,
) -> tuple[ChainedLap | NoChain, ...]:
    """Measure laps from a run of photos.

    Parameters
    ----------
    audits : sequence of FlangeAudit
        Close-ups of one flange in their order from left to right.
    shared : sequence of int
        How many rivets of the run row each photo has in common with the next, counted by a person: two at
        least, the last ones of a photo and the first ones of the next.
    piece_mm, u_piece_mm : float
        Length of the pieces between neighbouring laps, and its standard uncertainty.

    Returns
    -------
    tuple of ChainedLap or NoChain
        One for each pair of neighbouring laps.

    Raises
    ------
    GeometryError
        If there is not one number for each pair of neighbouring photos.

    Notes
    -----
    Of a pair it is the lap at which the piece between them lies below. Within a photo the errors of its
    spacings are taken as wholly in common, from photo to photo as independent but for the scale of the print;
    JCGM 100:2008, 5.1.2 and 5.2.2 (correlation 1).
    """
    if len(shared) != max(0, len(audits) - 1):
        pairs = f"{len(audits)} photos have {max(0, len(audits) - 1)} neighbours"
        msg = f"{pairs}: give as many numbers of shared rivets, not {len(shared)}"
        raise GeometryError(msg)
    stretches = [_stretch(audit) for audit in audits]
    links = [_link(one, other, n) for (one, other), n in zip(pairwise(stretches), shared, strict=True)]
    ends = [(i, end) for i, stretch in enumerate(stretches) for end in stretch.ends]
    merged = _without_repeats(ends, links)
    return tuple(
        _chained(stretches, links, first, second, piece_mm, u_piece_mm) for first, second in pairwise(merged)
    )


def with_chained_laps(audits: Sequence[PhotoAudit], shared: Sequence[int], plan: Plan) -> list[PhotoAudit]:
    """Return audits with the laps that a chain of photos gives: judged where nothing else measures them.

    Parameters
    ----------
    audits : sequence of PhotoAudit
        Close-ups of one flange in their order from left to right.
    shared : sequence of int
        How many rivets of the run row each photo has in common with the next.
    plan : Plan
        The pieces' length and the least lap.

    Returns
    -------
    list of PhotoAudit
        Each lap of a chain has a note with its length, or why there is none.

    Raises
    ------
    GeometryError
        If a photo could not be measured, or the numbers do not belong to the photos.
    """
    whole = [audit for audit in audits if isinstance(audit, FlangeAudit)]
    if len(whole) < len(audits):
        lost = next(audit.photo for audit in audits if not isinstance(audit, FlangeAudit))
        msg = (
            f"{lost} could not be measured, so that no chain leads across it: shoot it again, or ask for none"
        )
        raise GeometryError(msg)
    found = {lap.photo: lap for lap in chain_laps(whole, shared, plan.piece_mm)}
    return [_with_chain(audit, found.get(audit.photo), plan) for audit in whole]


def _with_chain(audit: FlangeAudit, lap: ChainedLap | NoChain | None, plan: Plan) -> FlangeAudit:
    if lap is None:
        return audit
    if isinstance(lap, NoChain):
        return replace(audit, notes=(*audit.notes, f"no lap by chain: {lap.why}"))
    note = f"lap by chain: {lap.lap_mm:.1f} mm (U {COVERAGE_FACTOR_95 * lap.u_mm:.1f} mm)"
    judged = [each for each in audit.verdicts if each.rule == "lap length"]
    verdicts = audit.verdicts
    if judged and judged[0].judgement.measured_mm is None:
        chained = judge_chained_lap(lap.lap_mm, lap.u_mm, plan)
        verdicts = tuple(chained if each is judged[0] else each for each in verdicts)
    return replace(audit, verdicts=verdicts, notes=(*audit.notes, note))


_End = tuple[int, tuple[float, float, int]]


def _stretch(audit: FlangeAudit) -> _Stretch:
    along = audit.flange.along
    middle = audit.flange.polygon_mm.mean(axis=0)
    ends_px = to_px(audit.view, [middle, middle + 10.0 * along], audit.target.thickness_mm)
    along = along if ends_px[1, 0] >= ends_px[0, 0] else -along
    extra = {other for _, other in audit.rows.doubled}
    row = [i for i in (audit.rows.runs[0] if audit.rows.runs else ()) if i not in extra]
    row.sort(key=lambda i: float(audit.rivets[i].mm @ along))
    stations = np.array([audit.rivets[i].mm @ along for i in row])
    u = np.array([audit.rivets[i].u_mm for i in row])
    # Errors in common add up along a row.
    reach_mm = sum(s.mm for s in audit.rows.spacings)
    u_per_mm = sum(s.u_mm for s in audit.rows.spacings) / reach_mm if reach_mm else math.inf
    laps = [lap for lap in audit.laps if isinstance(lap, LapSighting)]
    ends = tuple(
        sorted(
            (
                float((lap.edge_mm @ along).mean()),
                min((row.u_mm for row in lap.rows), default=0.5),
                1 if float(lap.upper @ along) > 0.0 else -1,
            )
            for lap in laps
        )
    )
    return _Stretch(audit.photo, stations, u, u_per_mm, ends, _u_print(audit))


def _u_print(audit: FlangeAudit) -> float:
    """Return the standard uncertainty of a print's scale: of the spread of its corners along one axis."""
    corners = np.concatenate([tag.corners_mm() for tag in audit.target.tags])
    spread = float(np.sqrt(((corners - corners.mean(axis=0))[:, 0] ** 2).sum()))
    return audit.target.sigma_mm / spread


def _link(one: _Stretch, other: _Stretch, shared: int) -> _Link | None:
    """Join two photos by their shared rivets; None if there are too few, or they do not agree."""
    if shared < _SHARED_MIN or min(len(one.rivets), len(other.rivets)) < shared:
        return None
    off = one.rivets[-shared:] - other.rivets[:shared]
    u = np.hypot(one.u_rivets[-shared:], other.u_rivets[:shared])
    weight = u**-2.0 / (u**-2.0).sum()
    shift = float(weight @ off)
    if (np.abs(off - shift) > _SAME_SIGMA * u + _SAME_MM).any():
        return None
    # The rivets' errors within a photo are largely in common: several are no surer than the best.
    return _Link(shift, float(u.min()), float(weight @ one.rivets[-shared:]))


def _without_repeats(ends: Sequence[_End], links: Sequence[_Link | None]) -> list[_End]:
    """Leave out an exposed end that the photo before shows too."""
    kept: list[_End] = []
    for i, end in ends:
        if kept and kept[-1][0] == i - 1:
            link = links[i - 1]
            if link is not None and abs(end[0] + link.shift_mm - kept[-1][1][0]) < _ONE_END_MM:
                continue
        kept.append((i, end))
    return kept


_COUNT_AGAIN = "count the rivets that neighbouring photos share again, or overlap the photos more"


def _chained(
    stretches: Sequence[_Stretch],
    links: Sequence[_Link | None],
    first: _End,
    second: _End,
    piece_mm: float,
    u_piece_mm: float,
) -> ChainedLap | NoChain:
    (i, (start, u_start, upper)), (j, (end, u_end, other_upper)) = first, second
    # The piece between lies below at the lap whose upper piece lies beyond it.
    photo = stretches[j if upper > 0 else i].photo
    if upper != other_upper:
        return NoChain(photo, "the upper pieces of two neighbouring laps lie on different sides")
    used = links[i:j]
    if any(link is None for link in used):
        k = i + next(k for k, link in enumerate(used) if link is None)
        pair = f"{stretches[k].photo} and {stretches[k + 1].photo}"
        return NoChain(
            photo, f"{pair} do not show the rivets alike that they are said to share: {_COUNT_AGAIN}"
        )
    known = [link for link in used if link is not None]
    # Each photo carries the chain from where the one before handed it over.
    enters = [start, *(link.middle_mm - link.shift_mm for link in known)]
    leaves = [*(link.middle_mm for link in known), end]
    spans = [b - a for a, b in zip(enters, leaves, strict=True)]
    between = float(sum(spans))
    if not _LAP_MIN_MM < piece_mm - between < _LAP_MAX_MM:
        why = f"the exposed ends would lie {between:.0f} mm apart: no lap of pieces of {piece_mm:g} mm"
        return NoChain(photo, f"{why}: {_COUNT_AGAIN}")
    carried = [abs(span) * stretches[i + k].u_per_mm for k, span in enumerate(spans)]
    variance = (
        u_start**2
        + u_end**2
        + sum(u**2 for u in carried)
        + sum(link.u_mm**2 for link in known)
        + (between * max(stretch.u_scale for stretch in stretches[i : j + 1])) ** 2
        + u_piece_mm**2
    )
    return ChainedLap(photo, piece_mm - between, math.sqrt(variance), between)
