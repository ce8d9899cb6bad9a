"""Where the laps of a cap may fall when some places must stay free of them: an exact search.

Stations here count from the cap's own beginning, in mm. The starts of a piece from which the rest of the cap
can still be finished form a few closed intervals; they are worked out backward, then one start is chosen
after the other, going forward. No grid is involved, so nothing is missed between two marks.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from vision.layout import TINY_MM

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Rules:
    """What every piece and every lap of a cap must respect, in mm.

    ``keep_clear`` holds stretches of the cap, (from, to), that no lap may touch. ``least_end_mm`` and
    ``least_inner_mm`` are the shortest pieces allowed at the cap's ends and between them.
    """

    cap_mm: float
    full_mm: float
    lap_mm: float
    least_end_mm: float
    least_inner_mm: float
    keep_clear: tuple[Interval, ...] = ()


def place_joints(rules: Rules) -> list[float] | None:
    """Find pieces with the fewest cuts, then the fewest joints, whose laps stay off the given stretches.

    Parameters
    ----------
    rules : Rules
        The cap and what its pieces and laps must respect.

    Returns
    -------
    list of float or None
        Lengths of the pieces, in mm; full pieces come first where there is a choice. None when no number of
        pieces respects the rules.
    """
    search = _Search(rules)
    if not search.is_possible():
        return None
    for cuts, pieces in search.orders():
        found = search.pieces(pieces, cuts)
        if found is not None:
            return found
    return None


@dataclass(slots=True)
class _Search:
    """Intervals of starts, remembered by how many pieces and how many cut ones are still to come."""

    rules: Rules
    allowed: list[Interval] = field(init=False)
    known: dict[tuple[int, int], list[Interval]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.allowed = _allowed_starts(self.rules)

    def is_possible(self) -> bool:
        """Tell whether any number of pieces, cut or not, keeps to the rules."""
        rules = self.rules
        if rules.cap_mm <= rules.full_mm + TINY_MM:
            return True
        most_mm, least_mm = rules.full_mm - rules.lap_mm, rules.least_inner_mm - rules.lap_mm
        reached: list[Interval] = []
        grown = self._starts(1, 1)
        while grown != reached:
            reached = grown
            before = [(low - most_mm, high - least_mm) for low, high in reached]
            grown = _union([*reached, *_overlap(before, self.allowed)])
        return bool(_overlap(reached, [(rules.least_end_mm - rules.lap_mm, most_mm)]))

    def orders(self) -> Iterator[tuple[int, int]]:
        """Yield (cuts, pieces), fewest cuts first, then fewest pieces: all that there is room for."""
        rules = self.rules
        advance_mm = rules.full_mm - rules.lap_mm
        least_mm = min(rules.least_end_mm, rules.least_inner_mm) - rules.lap_mm
        to_cover_mm = rules.cap_mm - rules.lap_mm
        fewest = max(1, math.ceil((to_cover_mm - TINY_MM) / advance_mm))
        for cuts in range(int(to_cover_mm / least_mm + TINY_MM) + 2):
            full = max(0, math.floor((to_cover_mm - cuts * least_mm + TINY_MM) / advance_mm))
            yield from ((cuts, pieces) for pieces in range(max(fewest, cuts), max(fewest, cuts + full) + 1))

    def pieces(self, count: int, cuts: int) -> list[float] | None:
        """Return the lengths of that many pieces, that many of them cut, or None."""
        rules = self.rules
        if count == 1:
            fits = rules.cap_mm <= rules.full_mm + TINY_MM and (
                cuts == 1 or rules.cap_mm >= rules.full_mm - TINY_MM
            )
            return [rules.cap_mm] if fits else None
        start_mm, lengths = 0.0, []
        for left in range(count, 1, -1):
            least_mm = rules.least_end_mm if left == count else rules.least_inner_mm
            step = self._next_start(start_mm, left, cuts, least_mm)
            if step is None:
                return None
            next_mm, cuts = step
            lengths.append(next_mm + rules.lap_mm - start_mm)
            start_mm = next_mm
        return [*lengths, rules.cap_mm - start_mm]

    def _next_start(self, start_mm: float, left: int, cuts: int, least_mm: float) -> tuple[float, int] | None:
        """Choose the next piece's start: after a full piece if possible, else amid the widest choice."""
        rules = self.rules
        after_full_mm = start_mm + rules.full_mm - rules.lap_mm
        if _holds(self._starts(left - 1, cuts), after_full_mm):
            return after_full_mm, cuts
        if cuts == 0:
            return None
        reach = [(start_mm + least_mm - rules.lap_mm, after_full_mm)]
        choices = _overlap(self._starts(left - 1, cuts - 1), reach)
        if not choices:
            return None
        low, high = max(choices, key=lambda interval: interval[1] - interval[0])
        return (low + high) / 2.0, cuts - 1

    def _starts(self, left: int, cuts: int) -> list[Interval]:
        """Return the starts from which ``left`` pieces, ``cuts`` of them cut, end the cap exactly."""
        key = (left, cuts)
        if key not in self.known:
            self.known[key] = self._work_out_starts(left, cuts)
        return self.known[key]

    def _work_out_starts(self, left: int, cuts: int) -> list[Interval]:
        rules = self.rules
        if left == 1:
            low_mm = rules.cap_mm - rules.full_mm
            high_mm = low_mm if cuts == 0 else rules.cap_mm - rules.least_end_mm
            last = [(low_mm, high_mm)] if cuts <= 1 and high_mm >= low_mm - TINY_MM else []
            return _overlap(last, self.allowed)
        advance_mm = rules.full_mm - rules.lap_mm
        before = [(low - advance_mm, high - advance_mm) for low, high in self._starts(left - 1, cuts)]
        if cuts:
            least_mm = rules.least_inner_mm - rules.lap_mm
            before += [(low - advance_mm, high - least_mm) for low, high in self._starts(left - 1, cuts - 1)]
        return _overlap(_union(before), self.allowed)


def _allowed_starts(rules: Rules) -> list[Interval]:
    """Return where a piece may start so that its lap, one lap long from there, touches no kept stretch."""
    free = [(0.0, rules.cap_mm - rules.lap_mm)]
    for low, high in rules.keep_clear:
        blocked_low, blocked_high = low - rules.lap_mm, high
        free = _overlap(free, [(-float("inf"), blocked_low), (blocked_high, float("inf"))])
    return free


def _overlap(first: Sequence[Interval], second: Sequence[Interval]) -> list[Interval]:
    """Return the parts that two unions of intervals share; touching within TINY_MM counts."""
    shared = []
    for a_low, a_high in first:
        for b_low, b_high in second:
            low, high = max(a_low, b_low), min(a_high, b_high)
            if high >= low - TINY_MM:
                shared.append((min(low, high), max(low, high)))
    return shared


def _union(intervals: Sequence[Interval]) -> list[Interval]:
    merged: list[Interval] = []
    for low, high in sorted(intervals):
        if merged and low <= merged[-1][1] + TINY_MM:
            merged[-1] = (merged[-1][0], max(merged[-1][1], high))
        else:
            merged.append((low, high))
    return merged


def _holds(intervals: Sequence[Interval], value: float) -> bool:
    return any(low - TINY_MM <= value <= high + TINY_MM for low, high in intervals)
