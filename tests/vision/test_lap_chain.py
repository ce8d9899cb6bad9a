"""Laps by chain on simulated photos along a run: the truth is known, the photos share rivets."""

from itertools import pairwise

import numpy as np
import pytest

from calib.errors import GeometryError
from tests.vision.simulated_audits import TrueCap, audit_job, card, draw_print, draw_prior, take
from vision.audit import NotAudited
from vision.lap_chain import ChainedLap, NoChain, chain_laps, with_chained_laps
from vision.plan import Plan

PIECE_MM, LAP_MM = 3048.0, 160.0
# The exposed ends of two laps whose pieces above lie to the right, and where the card lies in each photo.
ENDS_MM = (0.0, PIECE_MM - LAP_MM)
CARDS_MM = tuple(np.linspace(-110.0, 2600.0, 19).tolist())


def _job(seed: int, *, skip: tuple[int, ...] = ()):
    """Return the audits of photos from lap to lap, and how many run rivets each shares with the next."""
    rng, target = np.random.default_rng(seed), card()
    prior, print_mm = draw_prior(rng, has_profile=True), draw_print(rng, target)
    inner = np.arange(-650.0, 3800.0, 304.8)
    rivets = inner + rng.normal(0.0, 6.0, len(inner))
    # A lap's own rivets stand where a run rivet would be too near.
    for end in ENDS_MM:
        rivets = rivets[np.abs(rivets - (end + 60.0)) > 75.0]
    photos, places = [], []
    for i, at in enumerate(CARDS_MM):
        ends = [end for end in ENDS_MM if abs(end - at - 95.0) < 450.0]
        rows = tuple(float(row + rng.normal(0.0, 1.0)) for row in (28.0, 91.5))
        cap = TrueCap(rivets - at, ends[0] - at, -1, LAP_MM, rows) if ends else TrueCap(rivets - at)
        if i not in skip:
            seed_i = int(rng.integers(2**40))
            photos.append(take(seed_i, cap, f"photo {i}", prior, target, print_mm, good=True))
            places.append(at)
    audits = audit_job(photos, target)
    seen = [_true_rivets(audit, at, rivets) for audit, at in zip(audits, places, strict=True)]
    kept = [0]
    while kept[-1] < len(seen) - 1:
        # A person goes on to the right as far as two rivets are still in both photos.
        before = seen[kept[-1]]
        further = [i for i in range(kept[-1] + 1, len(seen)) if _is_further(before, seen[i])]
        kept.append(further[-1] if further else len(seen) - 1)
    shared = [len(seen[i] & seen[j]) for i, j in pairwise(kept)]
    return [audits[i] for i in kept], shared


def _is_further(before: set[int], after: set[int]) -> bool:
    """Say whether a photo shows more on the right, less on the left, and two rivets of another in common."""
    return max(after) > max(before) and min(after) > min(before) and len(before & after) >= 2


def _true_rivets(audit, at: float, rivets) -> set[int]:
    """Return which rivets of the run a photo shows: what a person counts."""
    run = audit.rows.runs[0]
    return {int(np.abs(rivets - at - audit.rivets[i].mm[0]).argmin()) for i in run}


def test_lap_by_chain_is_right_within_its_uncertainty():
    errors, us, found = [], [], 0
    for seed in range(24):
        for lap in chain_laps(*_job(seed), PIECE_MM):
            if isinstance(lap, ChainedLap):
                found += 1
                errors.append(lap.lap_mm - LAP_MM)
                us.append(lap.u_mm)
    assert found >= 12
    error, u = np.array(errors), np.array(us)
    # The interval's share among n values has a standard deviation of sqrt(0.05 x 0.95 / n); three of them.
    assert np.mean(np.abs(error) <= 1.96 * u) >= 0.95 - 3.0 * np.sqrt(0.05 * 0.95 / len(u))
    assert np.median(u) < 4.0


def test_chain_with_a_gap_is_named():
    results = [
        lap for seed in range(4) for lap in chain_laps(*_job(seed, skip=tuple(range(6, 13))), PIECE_MM)
    ]
    assert results
    assert all(isinstance(lap, NoChain) for lap in results)
    assert "overlap the photos more" in results[0].why


def test_photos_without_two_laps_give_nothing():
    audits, shared = _job(1)
    assert chain_laps(audits[:2], shared[:1], PIECE_MM) == ()
    assert chain_laps([], [], PIECE_MM) == ()


def test_miscounted_rivets_never_give_a_lap_that_is_grossly_wrong():
    for seed in range(12):
        audits, shared = _job(seed)
        for k in range(len(shared)):
            wrong = [n + (i == k) for i, n in enumerate(shared)]
            for lap in chain_laps(audits, wrong, PIECE_MM):
                # Where the miscount lies outside the two ends it does no harm.
                assert isinstance(lap, NoChain) or abs(lap.lap_mm - LAP_MM) <= 3.0 * lap.u_mm


def test_numbers_that_do_not_belong_to_the_photos_are_refused():
    audits, shared = _job(1)
    with pytest.raises(GeometryError, match="neighbours: give as many numbers"):
        chain_laps(audits, shared[:-1], PIECE_MM)


@pytest.mark.parametrize("u_piece_mm", [1.0, 5.0])
def test_doubt_of_the_piece_is_counted(u_piece_mm):
    for seed in range(8):
        laps = chain_laps(*_job(seed), PIECE_MM, u_piece_mm)
        if laps and isinstance(laps[0], ChainedLap):
            assert laps[0].u_mm > u_piece_mm
            return
    pytest.fail("no chain was found")


def test_chained_lap_stands_beside_the_one_by_its_mark():
    audits, shared = _job(1)
    chained = with_chained_laps(audits, shared, Plan(piece_mm=PIECE_MM))
    assert [any("lap by chain" in note for note in audit.notes) for audit in chained] == [False] * len(
        shared
    ) + [True]
    # This lap was measured by its witness mark already: that verdict stays.
    assert chained[-1].verdicts == audits[-1].verdicts


def test_photo_that_was_not_measured_breaks_the_chain():
    audits, shared = _job(1)
    with pytest.raises(GeometryError, match=r"x\.jpg could not be measured"):
        with_chained_laps([NotAudited("x.jpg", "", "dark", ()), *audits[1:]], shared, Plan())
