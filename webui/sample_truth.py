"""The exact truth of the sample photos, and how far a check of them is from it.

The samples are renderings, so their lengths are known without measuring; see sample_images/README.md. Places
are in the card's frame, mm.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.records import read_json
from vision.plan import Plan

# A finding this near to a true rivet is that rivet: two thirds of the head of a 3/16 in rivet.
_SAME_RIVET_MM = 6.0

Record = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Comparison:
    """One length held against the truth, mm."""

    measured_mm: float
    u95_mm: float
    truth_mm: float

    @property
    def error_mm(self) -> float:
        """Measured less true length."""
        return self.measured_mm - self.truth_mm

    @property
    def is_inside(self) -> bool:
        """Whether the interval (95 %) around the measured length holds the true one."""
        return abs(self.error_mm) <= self.u95_mm


@dataclass(frozen=True, slots=True)
class CloseUpScore:
    """What a check of the sample close-ups got right and wrong.

    Attributes
    ----------
    rivets, found, invented : int
        True rivets, those of them that were found, and findings that are no rivet.
    spacings, laps : tuple of Comparison
        Spacings between found rivets, and laps.
    wrong_meets : tuple of str
        Photo and rule of every "meets" that the truth contradicts.
    """

    rivets: int
    found: int
    invented: int
    spacings: tuple[Comparison, ...]
    laps: tuple[Comparison, ...]
    wrong_meets: tuple[str, ...]


def load_truth(folder: Path) -> Record:
    """Return the truth file of a folder of samples."""
    return read_json(folder / "truth.json")


def score_close_ups(photos: Sequence[Record], truth: Record, plan: Plan) -> CloseUpScore:
    """Hold entries of the contract's `check --json` against the truth.

    Parameters
    ----------
    photos : sequence of mapping
        The entries.
    truth : mapping
        As `load_truth` returns it.
    plan : Plan
        The plan they were checked against.

    Returns
    -------
    CloseUpScore
        The sum over all photos.
    """
    rivets = found = invented = 0
    spacings: list[Comparison] = []
    laps: list[Comparison] = []
    wrong: list[str] = []
    for photo in photos:
        true = truth["photos"][photo["photo"]]
        pairs = _pairs(photo["rivets"], true["rivets"])
        rivets, found = rivets + len(true["rivets"]), found + len(pairs)
        invented += len(photo["rivets"]) - len(pairs)
        its_spacings = list(_spacings(photo, true, pairs))
        its_laps = list(_laps(photo, true))
        spacings, laps = spacings + its_spacings, laps + its_laps
        wrong += _wrong_meets(photo, true, plan, its_spacings, its_laps)
    return CloseUpScore(rivets, found, invented, tuple(spacings), tuple(laps), tuple(wrong))


def _pairs(found: Sequence[Record], true_mm: Sequence[Sequence[float]]) -> dict[int, int]:
    """Return index of finding -> index of true rivet, nearest pairs first, each used once."""
    distances = sorted(
        (math.dist(rivet["mm"], place_mm), i, j)
        for i, rivet in enumerate(found)
        for j, place_mm in enumerate(true_mm)
    )
    pairs: dict[int, int] = {}
    for distance_mm, i, j in distances:
        if distance_mm <= _SAME_RIVET_MM and i not in pairs and j not in pairs.values():
            pairs[i] = j
    return pairs


def _spacings(photo: Record, true: Record, pairs: Mapping[int, int]) -> Iterator[Comparison]:
    for spacing in photo["spacings"]:
        ends = [pairs.get(spacing[end]) for end in ("from", "to")]
        if None not in ends:
            truth_mm = math.dist(*(true["rivets"][end] for end in ends))
            yield Comparison(spacing["mm"], spacing["u95_mm"], truth_mm)


def _laps(photo: Record, true: Record) -> Iterator[Comparison]:
    lap = photo["lap"]
    if lap is not None and lap["lap_mm"] is not None and true["lap_mm"] is not None:
        yield Comparison(lap["lap_mm"], lap["u95_mm"], true["lap_mm"])


def _wrong_meets(
    photo: Record, true: Record, plan: Plan, spacings: Sequence[Comparison], laps: Sequence[Comparison]
) -> Iterator[str]:
    """Name every "meets" that is false."""
    for entry in photo["verdicts"]:
        if entry["verdict"] == "meets" and not _is_true(entry, photo["kind"], true, plan, spacings, laps):
            yield f"{photo['photo']}: {entry['rule']}"


def _is_true(
    entry: Record,
    kind: str,
    true: Record,
    plan: Plan,
    spacings: Sequence[Comparison],
    laps: Sequence[Comparison],
) -> bool:
    if entry["rule"] == "rivet spacing" and spacings:
        spacing = min(spacings, key=lambda each: abs(each.measured_mm - entry["measured_mm"]))
        return abs(spacing.truth_mm - plan.rivet_spacing_mm) <= plan.rivet_spacing_tolerance_mm
    if entry["rule"] == "lap length":
        return all(lap.truth_mm >= plan.lap_min_mm for lap in laps)
    counts_missing = {"rivet missing": "run", "lap rivet count": "lap"}
    return counts_missing.get(entry["rule"]) != kind or not true["missing"]
