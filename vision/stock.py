"""Cap pieces cut from stock pieces of one length: the least stock, and offcuts worth keeping. Lengths in mm.

Every way to cut one stock piece is a pattern; integer programming picks how often each is used (the pattern
formulation of Gilmore and Gomory, Operations Research 9, 1961), so the result is the least there is.
"""

import math
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from calib.errors import PlanError

TIME_LIMIT_S = 2.0
"""Default limit of one search; a job of a dozen ridges takes a few hundredths of a second."""

MOST_PATTERNS = 20_000
"""Patterns held at once, so that the integer program stays fast; beyond that, columns are generated."""

_SAME_MM = 1e-6


@dataclass(frozen=True, slots=True)
class StockPlan:
    """Which pieces come out of which stock piece.

    Attributes
    ----------
    piece_mm : float
        Length of a stock piece.
    kerf_mm : float
        Width that one cut takes.
    cuts : tuple of tuple of float
        Pieces out of each stock piece, longest first.
    bound : int
        No cutting can do with fewer stock pieces than this.
    keep_mm : float
        Offcuts at least this long are worth keeping.
    """

    piece_mm: float
    kerf_mm: float
    cuts: tuple[tuple[float, ...], ...]
    bound: int
    keep_mm: float = math.inf

    @property
    def count(self) -> int:
        """Number of stock pieces."""
        return len(self.cuts)

    @property
    def optimal(self) -> bool:
        """Whether it is proven that fewer stock pieces cannot do."""
        return self.count == self.bound

    @property
    def waste_mm(self) -> float:
        """Length bought and not used: kerfs and all offcuts, also the ones kept."""
        return round(self.count * self.piece_mm - sum(map(sum, self.cuts)), 9)

    @property
    def offcuts_mm(self) -> tuple[float, ...]:
        """What is left of each stock piece after its last cut; 0 where nothing usable is left."""
        return tuple(_offcut(cut, self.piece_mm, self.kerf_mm) for cut in self.cuts)

    @property
    def kept_mm(self) -> tuple[float, ...]:
        """Offcuts worth keeping, longest first."""
        return tuple(sorted((offcut for offcut in self.offcuts_mm if offcut >= self.keep_mm), reverse=True))


def cut_stock(
    pieces_mm: Sequence[float],
    stock_mm: float,
    *,
    kerf_mm: float = 0.0,
    keep_mm: float = math.inf,
    time_limit_s: float = TIME_LIMIT_S,
) -> StockPlan:
    """Cut pieces from the fewest stock pieces, and among such ways leave the most length in useful offcuts.

    Parameters
    ----------
    pieces_mm : sequence of float
        Lengths wanted, in mm, in any order.
    stock_mm : float
        Length of a stock piece, in mm.
    kerf_mm : float
        Width that one saw cut takes, in mm; 0 for snips.
    keep_mm : float
        Offcuts of at least this length are worth keeping; by default none is.
    time_limit_s : float
        Time for the search, in seconds. When it runs out, the best cutting found is returned with
        ``optimal`` false and the best bound proven.

    Returns
    -------
    StockPlan
        Never more stock than first-fit-decreasing needs.

    Raises
    ------
    PlanError
        If a length is not positive, or a piece is longer than the stock.
    """
    _check(pieces_mm, stock_mm, kerf_mm)
    room_mm = stock_mm + kerf_mm  # every piece brings its own kerf; the last one may run off the end
    alone, shared = _split_lone_pieces(
        sorted((round(piece, 9) for piece in pieces_mm), reverse=True), room_mm, kerf_mm
    )
    cuts, bound = _first_fit(shared, room_mm, kerf_mm), _volume_bound(shared, room_mm, kerf_mm)
    if len(shared) <= 4:
        # With at most four pieces first-fit-decreasing is always the least (case by case in the tests).
        bound = len(cuts)
    if len(cuts) > bound or (math.isfinite(keep_mm) and len(shared) > 1):
        search = _PatternSearch(shared, stock_mm, kerf_mm, time.monotonic() + time_limit_s)
        cuts, bound = search.fewest(cuts, bound)
        cuts = search.longest_offcuts(cuts, keep_mm)
    everything = sorted(([*alone, *cuts]), reverse=True)
    return StockPlan(stock_mm, kerf_mm, tuple(map(tuple, everything)), bound + len(alone), keep_mm)


def linear_bound(pieces_mm: Sequence[float], stock_mm: float, *, kerf_mm: float = 0.0) -> float:
    """Return the least stock if patterns could be used in fractions: the linear program's bound.

    Raises
    ------
    PlanError
        If a length is not positive, or a piece is longer than the stock.
    """
    _check(pieces_mm, stock_mm, kerf_mm)
    return _PatternSearch(pieces_mm, stock_mm, kerf_mm, math.inf).linear_bound()


def _check(pieces_mm: Sequence[float], stock_mm: float, kerf_mm: float) -> None:
    if not (stock_mm > 0.0 and math.isfinite(stock_mm) and 0.0 <= kerf_mm < stock_mm):
        msg = f"stock of {stock_mm} mm and a kerf of {kerf_mm} mm: both must be lengths, the stock the longer"
        raise PlanError(msg)
    for piece in pieces_mm:
        if not 0.0 < piece <= stock_mm + _SAME_MM:
            msg = f"a piece of {piece:g} mm cannot be cut from stock of {stock_mm:g} mm; ask for longer stock"
            raise PlanError(msg)


def _offcut(cut: Sequence[float], stock_mm: float, kerf_mm: float) -> float:
    return round(max(0.0, stock_mm - sum(cut) - len(cut) * kerf_mm), 9)


def _split_lone_pieces(
    pieces: Sequence[float], room_mm: float, kerf_mm: float
) -> tuple[list[list[float]], list[float]]:
    """Set apart the pieces, longest first, that no other piece fits beside: each has its own stock piece."""
    if not pieces:
        return [], []
    shortest = pieces[-1] + kerf_mm
    lone = sum(piece + kerf_mm + shortest > room_mm + _SAME_MM for piece in pieces)
    return [[piece] for piece in pieces[:lone]], list(pieces[lone:])


def _first_fit(pieces: Sequence[float], room_mm: float, kerf_mm: float) -> list[list[float]]:
    """Put each piece, longest first, into the first stock piece that still has room."""
    cuts: list[list[float]] = []
    rooms: list[float] = []
    for piece in pieces:
        need = piece + kerf_mm
        for i, room in enumerate(rooms):
            if need <= room + _SAME_MM:
                cuts[i].append(piece)
                rooms[i] -= need
                break
        else:
            cuts.append([piece])
            rooms.append(room_mm - need)
    return cuts


def _volume_bound(pieces: Sequence[float], room_mm: float, kerf_mm: float) -> int:
    return math.ceil(sum(piece + kerf_mm for piece in pieces) / room_mm - _SAME_MM)


class _PatternSearch:
    """Patterns for one set of pieces, and the programs over them."""

    def __init__(self, pieces: Sequence[float], stock_mm: float, kerf_mm: float, deadline_s: float) -> None:
        counted = Counter(round(piece, 9) for piece in pieces)
        self.lengths = np.array(sorted(counted, reverse=True))
        self.demand = np.array([counted[length] for length in self.lengths.tolist()])
        self.stock_mm, self.kerf_mm, self.deadline_s = stock_mm, kerf_mm, deadline_s
        self.needs = (self.lengths + kerf_mm).tolist()
        self.room_mm = stock_mm + kerf_mm + _SAME_MM
        self.all_patterns, self.patterns, self.bound_value = False, self._columns(), math.nan

    def linear_bound(self) -> float:
        """Solve the linear program over the patterns at hand (all of them, or all that could improve it)."""
        if math.isnan(self.bound_value):
            self.bound_value, _ = self._solve_linear(self.patterns)
        return self.bound_value

    def fewest(self, cuts: list[list[float]], bound: int) -> tuple[list[list[float]], int]:
        """Improve a cutting to the fewest stock pieces; return it with the best bound proven."""
        if len(cuts) == bound:
            return cuts, bound
        bound = max(bound, math.ceil(self.linear_bound() - _SAME_MM))
        if len(cuts) == bound or self._seconds_left() <= 0.0:
            return cuts, bound
        total = len(cuts)
        answer = self._solve_integer(np.ones(len(self.patterns)), (bound, total - 1), exact_cover=False)
        if answer is None:
            return cuts, total if self.all_patterns and self._seconds_left() > 0.0 else bound
        better, proven = answer
        bound = max(bound, proven) if self.all_patterns else bound
        return better, bound

    def longest_offcuts(self, cuts: list[list[float]], keep_mm: float) -> list[list[float]]:
        """Among cuttings with as many stock pieces, find one that leaves the most length worth keeping."""
        if not (math.isfinite(keep_mm) and self.all_patterns and self._seconds_left() > 0.0):
            return cuts
        offcuts = np.array(
            [_offcut(self._cut(pattern), self.stock_mm, self.kerf_mm) for pattern in self.patterns]
        )
        worth = np.where(offcuts >= keep_mm, offcuts, 0.0)
        answer = self._solve_integer(-worth, (len(cuts), len(cuts)), exact_cover=True)
        return cuts if answer is None else answer[0]

    def _seconds_left(self) -> float:
        return self.deadline_s - time.monotonic()

    def _columns(self) -> NDArray[np.int64]:
        """Return every pattern, one a row; or, when they are too many, those a linear program asks for."""
        found: list[list[int]] = []
        for pattern in self._every_pattern():
            found.append(pattern)
            if len(found) > MOST_PATTERNS:
                return self._generated_columns()
        self.all_patterns = True
        return np.array(found, dtype=np.int64)

    def _every_pattern(self) -> Iterator[list[int]]:
        """Yield every way to cut one stock piece, the empty one left out."""
        pattern = [0] * len(self.needs)

        def fill(index: int, room_mm: float) -> Iterator[list[int]]:
            if index == len(pattern):
                if any(pattern):
                    yield pattern.copy()
                return
            most = min(int(self.demand[index]), int(room_mm // self.needs[index]))
            for count in range(most, -1, -1):
                pattern[index] = count
                yield from fill(index + 1, room_mm - count * self.needs[index])
            pattern[index] = 0

        return fill(0, self.room_mm)

    def _generated_columns(self) -> NDArray[np.int64]:
        """Generate patterns until no further one can lower the linear program, each priced by a knapsack."""
        size = len(self.needs)
        most = np.minimum(self.demand, np.floor(self.room_mm / np.array(self.needs)).astype(int))
        patterns = np.diag(most)
        while self._seconds_left() > 0.0:
            value, prices = self._solve_linear(patterns)
            priced = milp(
                -prices,
                integrality=np.ones(size, dtype=int),
                bounds=Bounds(0, most),
                constraints=LinearConstraint(np.array(self.needs), ub=self.room_mm),
            )
            if priced.x is None or -priced.fun <= 1.0 + 1e-9:
                self.bound_value = value
                break
            patterns = np.vstack([patterns, np.rint(priced.x).astype(np.int64)])
        else:
            self.bound_value = 0.0  # stopped early: the program over some of the columns bounds nothing
        return patterns

    def _solve_linear(self, patterns: NDArray[np.int64]) -> tuple[float, NDArray[np.float64]]:
        answer = linprog(np.ones(len(patterns)), A_ub=-patterns.T, b_ub=-self.demand, method="highs")
        return float(answer.fun or 0.0), -np.asarray(answer.ineqlin.marginals)

    def _solve_integer(
        self, cost: NDArray[np.float64], count: tuple[int, int], *, exact_cover: bool
    ) -> tuple[list[list[float]], int] | None:
        """Solve the integer program; return the cutting and the bound proven, None if none was found."""
        high = self.demand if exact_cover else np.full(len(self.demand), np.inf)
        answer = milp(
            cost,
            integrality=np.ones(len(cost), dtype=int),
            bounds=Bounds(0, np.inf),
            constraints=[
                LinearConstraint(self.patterns.T, self.demand, high),
                LinearConstraint(np.ones(len(cost)), *count),
            ],
            options={"time_limit": max(0.01, min(self._seconds_left(), 1e6)), "mip_rel_gap": 0.0},
        )
        if answer.x is None:
            return None
        proven = math.ceil((answer.mip_dual_bound or 0.0) - _SAME_MM)
        return self._cuts(np.rint(answer.x).astype(np.int64)), proven

    def _cuts(self, uses: NDArray[np.int64]) -> list[list[float]]:
        """Write the used patterns out as pieces, leaving out what is more than was asked for."""
        left = self.demand.copy()
        cuts = []
        for index in np.flatnonzero(uses):
            for _ in range(uses[index]):
                pattern = np.minimum(self.patterns[index], left)
                left -= pattern
                cuts.append(self._cut(pattern))
        return [cut for cut in cuts if cut]

    def _cut(self, pattern: NDArray[np.int64]) -> list[float]:
        return np.repeat(self.lengths, pattern).tolist()
