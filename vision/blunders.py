"""What went wrong, in plain words: the blunder that best explains picks, targets or tapes that do not fit.

Each function looks at an adjusted network and returns sentences; none for what chance explains.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.camera import Array
from vision.adjust import Solution
from vision.ends import SolvedEnds
from vision.equations import point_residuals_px
from vision.network import Network, PointSighting
from vision.picks import ENDS

# A pick this near to where the other end should be was given the wrong letter, px; picks at the wrong end of
# a ridge are hundreds of px off.
_SWAPPED_PX = 40.0
# Root mean square of the printing errors, in standard deviations, above which a target is not as its file
# says: adjusted errors scatter by less than 1, because the prior holds them.
_WRONG_FILE = 2.0
# A tape this many standard deviations off is a blunder: 1 in 30,000 for a normal law.
_TAPE_SIGMA = 4.2


def name_pick_blunders(solved: SolvedEnds) -> list[str]:
    """Name what is wrong with the picks that were left out, photo by photo."""
    notes = []
    for station in sorted({pick.station for pick in solved.left_out}):
        own = [pick for pick in solved.left_out if pick.station == station]
        notes.append(_name_of_photo(solved.solution, own))
    for end, letter in enumerate(ENDS):
        if sum(pick.point == end for pick in solved.kept) < 3:
            notes.append(
                f"end {letter.upper()} rests on two photos only: a wrong pick along a line of sight would "
                "not be noticed; pick it in a third photo"
            )
    if solved.noise_factor > 1.0:
        notes.append(
            f"the picks scatter {solved.noise_factor:.1f} times as much as they were said to; the "
            "uncertainty was enlarged accordingly"
        )
    return notes


def _name_of_photo(solution: Solution, picks: Sequence[PointSighting]) -> str:
    """Name the blunder that explains the picks of one photo that do not fit."""
    name = solution.network.stations[picks[0].station].name
    off = [_off_text(size) for size in _sizes_px(solution.network, picks)]
    if _are_swapped(solution.network, picks):
        return f"ends A and B of {name} are swapped: its picks were left out"
    if len(picks) < len(ENDS):
        return (
            f"end {ENDS[picks[0].point].upper()} in {name} is {off[0]} off and was left out: picked on the "
            "wrong corner? If not, the target was moved before or after the photo was taken"
        )
    return (
        f"both ends in {name} are off ({off[0]} and {off[1]}) and were left out: was the target moved before "
        "or after it was taken, or are both picked on the wrong corners?"
    )


def name_doubtful_photo(solved: SolvedEnds, station: int) -> str:
    """Name a photo of which one pick is off, and fits as well with another lens."""
    network = solved.solution.network
    pick = next(pick for pick in solved.left_out if pick.station == station)
    off = _off_text(float(_sizes_px(network, [pick])[0]))
    name = network.stations[station].name
    return (
        f"end {ENDS[pick.point].upper()} in {name} is {off} off: picked on the wrong corner, or was the "
        "photo taken with another lens or zoom than its data say? If neither, the target was moved before or "
        "after it was taken. None of its picks was used"
    )


def _off_text(size_px: float) -> str:
    return f"{size_px:.0f} px" if np.isfinite(size_px) else "far"


def _sizes_px(network: Network, picks: Sequence[PointSighting]) -> Array:
    sizes: Array = np.hypot(*point_residuals_px(network, picks).T)
    return sizes


def _are_swapped(network: Network, picks: Sequence[PointSighting]) -> bool:
    """Say whether the picks of a photo fit once A and B change places."""
    changed = [replace(pick, point=1 - pick.point) for pick in picks]
    sizes = _sizes_px(network, changed)
    return bool(np.all(sizes < np.minimum(_SWAPPED_PX, 0.5 * _sizes_px(network, picks))))


def name_target_faults(network: Network) -> list[str]:
    """Name targets whose tags do not have the sizes or places that their files give them."""
    notes = []
    for index, placement in enumerate(network.placements):
        shapes = [p.shape for p in network.patterns if p.placement == index]
        if shapes and np.sqrt(np.mean(np.square(shapes))) > _WRONG_FILE:
            notes.append(
                f"{placement.name} is not as its file says ({_worst_tag(network, index)}): is it "
                "the right target file, and was it printed at the right scale and hung flat?"
            )
    return notes


def _worst_tag(network: Network, placement: int) -> str:
    """Say by how much the tag that fits worst differs in size from its file."""
    changes = {}
    for pattern in network.patterns:
        if pattern.placement == placement:
            seen = pattern.corners_mm + pattern.tolerance_mm @ pattern.shape
            changes[pattern.label] = _mean_side_mm(seen) / _mean_side_mm(pattern.corners_mm) - 1.0
    label = max(changes, key=lambda item: abs(changes[item]))
    word = "larger" if changes[label] > 0.0 else "smaller"
    return f"{label} looks {100.0 * abs(changes[label]):.1f} % {word} than its place among the others allows"


def _mean_side_mm(corners_mm: Array) -> float:
    return float(np.linalg.norm(corners_mm - np.roll(corners_mm, 1, axis=0), axis=1).mean())


def name_tape_faults(solution: Solution) -> list[str]:
    """Name taped distances that the photos contradict."""
    notes = []
    equations = solution.equations
    rows = [i for i, source in enumerate(equations.sources) if source == "tape"]
    for row, tape in zip(rows, solution.network.tapes, strict=True):
        gradient = equations.jacobian[[row]].toarray()
        checked = 1.0 - float(solution.covariance(gradient)[0, 0]) / solution.variance_factor
        # What the tape misses by when it is left out, and how many standard deviations that is.
        if checked > 1e-6 and abs(equations.residuals[row]) / np.sqrt(checked) > _TAPE_SIGMA:
            off_mm = equations.residuals[row] * tape.u_mm / checked
            word = "longer" if off_mm > 0.0 else "shorter"
            notes.append(
                f"the {equations.labels[row]} is {abs(off_mm):.0f} mm {word} than the targets and photos "
                "say: check the tape, the target files and the scale that they were printed at"
            )
    return notes
