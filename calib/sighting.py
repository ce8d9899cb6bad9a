"""Tags found in a photo: their corners to a small part of a pixel, with covariance.

Frame: px of the upright picture, (0, 0) at the centre of the top-left pixel. The tag family is tag36h11.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.errors import PhotoError
from calib.tag_fit import TagFit, fit_tag
from calib.tag_search import (
    Candidate,
    halved_levels,
    search_around,
    search_covered,
    search_levels,
    search_small,
    sides_moved_out,
)
from calib.targets import FAMILY_CELLS

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

# Correlation of the picture with a fitted tag: right codes reach 0.97, or 0.9 in glare and shade, wrong ones
# in the right place 0.8 at most. Found by trial.
_LEAST_AGREEMENT = 0.88
# Part of the edges that must be seen: with less, what covers the tag may be taken for its edge.
_LEAST_SEEN = 0.5
# Part of the edges between cells that must lie where the fit says. Below the first value something may lie
# over a side, up to so many cells of it, and the fit is tried again with each side moved out.
_SURE_INNER, _LEAST_INNER = 0.93, 0.8
_HIDDEN_CELLS, _U_MOVED_PX = 0.5, 4.0
# A fit that ends farther than this part of a side from where the tag was read fitted something else.
_FARTHEST_SIDES = 0.35
# With a blur above half a cell (an eighth of a side) black and white do not come apart any more.
_MOST_BLUR_SIDES = 0.5 / FAMILY_CELLS
# A tag of this side at the level where it was read has corners good enough to start the fit from.
_ENOUGH_SIDE_PX = 36.0
# Where a tag is larger than this, the others of its target are not too small for the undoubled picture.
_LARGE_SIDE_PX = 50.0
_TRIALS = 3
# Shapes that are no tag at all read like one by chance up to 0.8; a refused one is not worth a note then.
_SURE_SCORE = 0.85


@dataclass(frozen=True, eq=False)
class TagSighting:
    """One tag seen in a photo.

    Attributes
    ----------
    tag_id : int
        Number of its code.
    corners_px : ndarray of shape (4, 2)
        Outer corners of the black square: top-left, top-right, bottom-right, bottom-left of the tag's own
        picture (the order of cv2.aruco), px. The edge bias has been taken out.
    cov_px2 : ndarray of shape (8, 8)
        Their covariance, x and y of each corner in turn, px^2, without the edge bias that the tags of a photo
        may have left in common.
    bias_direction : ndarray of shape (4, 2)
        Derivative of the corners by such an edge bias: every edge of the square farther inside by 1 px.
    side_px : float
        Mean side of the square, px.
    edge_bias_px, u_edge_bias_px : float
        How far the edges lay inside the square at half of the step from black to white, before it was taken
        out, and its standard uncertainty, px.
    blur_px : float
        Standard deviation of the blur, px.
    agreement : float
        Correlation of the picture with the tag's cells, at most 1.
    """

    tag_id: int
    corners_px: Array
    cov_px2: Array
    bias_direction: Array
    side_px: float
    edge_bias_px: float = 0.0
    u_edge_bias_px: float = 0.0
    blur_px: float = 0.0
    agreement: float = 1.0

    def __post_init__(self) -> None:
        for name in ("corners_px", "cov_px2", "bias_direction"):
            values = np.array(getattr(self, name), dtype=float)
            values.setflags(write=False)
            object.__setattr__(self, name, values)


@dataclass(frozen=True, eq=False)
class Sightings:
    """What was found in one photo.

    Attributes
    ----------
    tags : tuple of TagSighting
        In the order of their ids, each id once.
    mirrored_ids : tuple of int
        Tags that read only in a mirror: the photo was flipped.
    notes : tuple of str
        What a person should know: tags seen but not usable, and why.
    """

    tags: tuple[TagSighting, ...]
    mirrored_ids: tuple[int, ...]
    notes: tuple[str, ...]


def find_tags(grey: Grey, wanted_ids: Collection[int] | None = None) -> Sightings:
    """Find tags and measure their corners.

    Parameters
    ----------
    grey : ndarray of uint8 of shape (H, W)
        Upright picture.
    wanted_ids : collection of int or None
        Tags to look for. The search ends early when it has them all; others met on the way are returned too.

    Returns
    -------
    Sightings
        Tags with corners and covariance, mirrored tags, notes.

    Raises
    ------
    PhotoError
        If the picture is not a grey picture of bytes.

    Notes
    -----
    Tags are read on a pyramid of halved pictures, then fitted in the full picture (`calib.tag_fit`). Once all
    that is wanted has been read, finer levels are searched only around it, where that makes a better start.
    When a wanted tag is missing (with no ids given: when no tag larger than 50 px was found), the search goes
    on, more leniently for covered outlines, and for the smallest ones (12 px a side) on a doubled picture. A
    tag is refused, with a note, when its cells do not agree with the picture, when half of its edges are
    covered, when it is too blurred, and when it is seen twice.
    """
    if grey.ndim != 2 or grey.dtype != np.uint8 or min(grey.shape) < 1:
        msg = (
            f"a grey picture of bytes was expected, got {grey.dtype} of shape {grey.shape}; convert it first"
        )
        raise PhotoError(msg)
    levels = halved_levels(grey)
    wanted = None if wanted_ids is None else set(wanted_ids)
    candidates = _gather(levels, wanted)
    tags, notes = _fit_all(levels, [item for item in candidates if not item.is_mirrored], wanted)
    mirrored = _fit_mirrored(grey, [item for item in candidates if item.is_mirrored])
    seen = {tag.tag_id for tag in tags}
    return Sightings(tags, tuple(sorted(mirrored - seen)), notes)


def _gather(levels: tuple[Grey, ...], wanted: set[int] | None) -> list[Candidate]:
    """Search until all that is wanted has been read well enough to be fitted."""
    found: list[Candidate] = []
    for coarser, candidates in enumerate(search_levels(levels), start=1):
        found.extend(candidates)
        if wanted is not None and wanted <= {item.tag_id for item in found if not item.is_mirrored}:
            return _refined(levels[: len(levels) - coarser], found, wanted)
    # With no ids given, there is a reason to look harder only where nothing large has been found.
    if wanted is not None or not any(item.side_px > _LARGE_SIDE_PX for item in found):
        found.extend(search_covered(levels))
        found.extend(search_small(levels[0]))
    return found


def _refined(finer: Sequence[Grey], found: list[Candidate], wanted: set[int]) -> list[Candidate]:
    """Search finer levels around what was read, until all that is wanted is good enough to be fitted."""
    for level in range(len(finer) - 1, -1, -1):
        finest: dict[int, float] = {}
        for item in found:
            finest[item.tag_id] = min(item.px_per_px, finest.get(item.tag_id, np.inf))
        missing = wanted - {item.tag_id for item in found if _is_enough(item)}
        rest = [item for item in found if item.tag_id in missing and item.px_per_px == finest[item.tag_id]]
        found = [*found, *search_around(finer[level], rest, 2.0**level)]
    return found


def _is_enough(item: Candidate) -> bool:
    """Say whether a finer level would make no better start for the fit."""
    return not item.is_mirrored and (
        item.px_per_px <= 1.0 or item.side_px >= _ENOUGH_SIDE_PX * item.px_per_px
    )


def _by_id(candidates: Iterable[Candidate]) -> Mapping[int, list[Candidate]]:
    """Sort candidates by id, and those of one id so that the most promising start of a fit comes first."""
    groups: dict[int, list[Candidate]] = {}
    for item in sorted(candidates, key=lambda item: (-round(item.score, 1), item.px_per_px, -item.score)):
        groups.setdefault(item.tag_id, []).append(item)
    return dict(sorted(groups.items()))


def _fit_all(
    levels: tuple[Grey, ...], candidates: Iterable[Candidate], wanted: set[int] | None
) -> tuple[tuple[TagSighting, ...], tuple[str, ...]]:
    tags, notes = [], []
    for tag_id, group in _by_id(candidates).items():
        fits, problem = _fit_places(levels, tag_id, group)
        if len(fits) > 1:
            problem = "was seen more than once; none is used: cover the copy or the mirror image"
        if len(fits) == 1:
            tags.append(_sighting(tag_id, fits[0]))
        elif problem and (group[0].score >= _SURE_SCORE if wanted is None else tag_id in wanted):
            notes.append(f"tag {tag_id} {problem}")
    return _without_overlap(tags), tuple(notes)


def _fit_places(levels: tuple[Grey, ...], tag_id: int, group: list[Candidate]) -> tuple[list[TagFit], str]:
    """Fit one tag wherever it was read; with no good fit, say why the first one was refused."""
    fits: list[TagFit] = []
    problems: list[str] = []
    for item in group:
        if any(_is_at(item.corners_px, fit.corners_px) for fit in fits):
            continue
        fit = _fit(levels, item)
        problem = _problem(item, fit)
        if fit is not None and not problem:
            fits.append(fit)
            continue
        problems.append(problem)
        if len(problems) == _TRIALS:
            break
    return fits, problems[0] if problems and not fits else ""


def _fit(levels: tuple[Grey, ...], item: Candidate) -> TagFit | None:
    """Fit a tag; where its inner edges do not agree, try with each side farther out: it may be covered."""
    fit = fit_tag(levels, item.tag_id, item.corners_px, item.px_per_px)
    if fit is None or fit.inner_fraction >= _SURE_INNER:
        return fit
    fits = [fit]
    for corners_px in sides_moved_out(fit.corners_px, _HIDDEN_CELLS):
        again = fit_tag(levels, item.tag_id, corners_px, _U_MOVED_PX)
        if again is not None:
            fits.append(again)
    return max(fits, key=lambda one: one.inner_fraction)


def _problem(item: Candidate, fit: TagFit | None) -> str:
    """Say why a fit is refused; empty when it is good."""
    if fit is None or not np.abs(fit.corners_px - item.corners_px).max() < _FARTHEST_SIDES * item.side_px:
        return "was read, but its edges could not be followed; is it covered, bent or cut off?"
    if fit.agreement < _LEAST_AGREEMENT:
        return "was read, but the picture does not agree with it; is it dirty, bent or in glare?"
    if fit.blur_px > _MOST_BLUR_SIDES * item.side_px:
        return "is too blurred; come closer or hold the camera still"
    if fit.seen_fraction < _LEAST_SEEN or fit.inner_fraction < _LEAST_INNER:
        return "is covered too much; clear it and take the photo again"
    return ""


def _fit_mirrored(grey: Grey, candidates: list[Candidate]) -> set[int]:
    """Return the tags that fit the flipped picture."""
    if not candidates:
        return set()
    levels = halved_levels(np.ascontiguousarray(grey[:, ::-1]))
    found = set()
    for tag_id, group in _by_id(candidates).items():
        # Left and right change places, in the picture and in the order of the corners.
        corners = group[0].corners_px[[1, 0, 3, 2]] * (-1.0, 1.0) + (grey.shape[1] - 1.0, 0.0)
        fit = fit_tag(levels, tag_id, corners, group[0].px_per_px)
        if fit is not None and fit.agreement >= _LEAST_AGREEMENT:
            found.add(tag_id)
    return found


def _is_at(corners_px: Array, others_px: Array) -> bool:
    """Say whether two squares lie over each other: their middles closer than half a side."""
    apart = np.linalg.norm(corners_px.mean(axis=0) - others_px.mean(axis=0))
    return bool(apart < 0.5 * np.linalg.norm(others_px - np.roll(others_px, 1, axis=0), axis=1).mean())


def _without_overlap(tags: list[TagSighting]) -> tuple[TagSighting, ...]:
    """Keep the better of two codes read at one place."""
    return tuple(
        tag
        for tag in tags
        if not any(
            other.agreement > tag.agreement and _is_at(tag.corners_px, other.corners_px) for other in tags
        )
    )


def _sighting(tag_id: int, fit: TagFit) -> TagSighting:
    side_px = float(np.linalg.norm(fit.corners_px - np.roll(fit.corners_px, 1, axis=0), axis=1).mean())
    return TagSighting(
        tag_id,
        fit.corners_px,
        fit.cov_px2,
        fit.bias_direction,
        side_px,
        fit.edge_bias_px,
        fit.u_edge_bias_px,
        fit.blur_px,
        fit.agreement,
    )
