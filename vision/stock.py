"""Cap pieces cut from stock pieces of one length: the least stock, and offcuts worth keeping. Lengths in mm.

Every way to cut one stock piece is a pattern; integer programming picks how often each is used (the pattern
formulation of Gilmore and Gomory, Operations Research 9, 1961), so the result is the least there is.
"""

import math
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, linprog, milp

from calib.errors import PlanError

TIME_LIMIT_S = 2.0
"""Default limit of one search; a job of a dozen ridges takes a few hundredths of a second."""

MOST_PATTERNS = 20_000
"""Most patterns given to the integer program, so that it stays fast: fifty short pieces, all different."""

_TRIES_PER_PIECE = 20_000
"""Combinations looked at to fill one stock piece when there are too many patterns; a tenth of a second."""

_SAME_MM = 1e-6
_INFEASIBLE = 2  # scipy.optimize.milp's status


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
        patterns = _Patterns.of(shared, stock_mm, kerf_mm)
        if patterns is None:
            cuts = min(cuts, _fullest_first(shared, room_mm, kerf_mm), key=len)
        else:
            deadline_s = time.monotonic() + time_limit_s
            cuts, bound = patterns.fewest(cuts, bound, deadline_s)
            cuts = patterns.longest_offcuts(cuts, keep_mm, deadline_s)
    everything = sorted(([*alone, *cuts]), reverse=True)
    return StockPlan(stock_mm, kerf_mm, tuple(map(tuple, everything)), bound + len(alone), keep_mm)


def linear_bound(pieces_mm: Sequence[float], stock_mm: float, *, kerf_mm: float = 0.0) -> float:
    """Return the least stock if patterns could be used in fractions: the linear program's bound.

    Raises
    ------
    PlanError
        If a length is not positive, a piece is longer than the stock, or there are too many patterns.
    """
    _check(pieces_mm, stock_mm, kerf_mm)
    patterns = _Patterns.of(pieces_mm, stock_mm, kerf_mm)
    if patterns is None:
        msg = f"more than {MOST_PATTERNS} ways to cut one stock piece; ask for fewer or longer pieces"
        raise PlanError(msg)
    return patterns.linear_bound()


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


def _fullest_first(pieces: Sequence[float], room_mm: float, kerf_mm: float) -> list[list[float]]:
    """Fill one stock piece after the other as well as can be, each around the longest piece left.

    The rule of least slack (Gupta and Ho, Production Planning and Control 10, 1999, from memory).
    """
    left, cuts = list(pieces), []
    while left:
        chosen = _fullest_fill(left, room_mm, kerf_mm)
        cuts.append([left[index] for index in chosen])
        left = [piece for index, piece in enumerate(left) if index not in chosen]
    return cuts


def _fullest_fill(pieces: Sequence[float], room_mm: float, kerf_mm: float) -> set[int]:
    """Return which pieces, the first (longest) among them, fill the room best within so many tries."""
    best: tuple[float, tuple[int, ...]] = (math.inf, ())
    tries = 0
    stack: list[tuple[float, tuple[int, ...]]] = [(room_mm - pieces[0] - kerf_mm, (0,))]
    while stack and tries < _TRIES_PER_PIECE and best[0] > _SAME_MM:
        slack, chosen = stack.pop()
        tries += 1
        best = min(best, (slack, chosen))
        further = [
            (slack - piece - kerf_mm, (*chosen, index))
            for index, piece in enumerate(pieces[chosen[-1] + 1 :], start=chosen[-1] + 1)
            if piece + kerf_mm <= slack + _SAME_MM
        ]
        stack += reversed(further)
    return set(best[1])


class _Patterns:
    """Every way to cut one stock piece into the pieces wanted, one a row, and the programs over them."""

    def __init__(
        self, lengths: NDArray[np.float64], demand: NDArray[np.int64], patterns: NDArray[np.int64]
    ) -> None:
        self.lengths, self.demand, self.patterns = lengths, demand, patterns
        self.offcuts = np.zeros(len(patterns))

    @classmethod
    def of(cls, pieces: Sequence[float], stock_mm: float, kerf_mm: float) -> Self | None:
        """Work out the patterns for these pieces; None if there are more than MOST_PATTERNS."""
        counted = Counter(round(piece, 9) for piece in pieces)
        lengths = np.array(sorted(counted, reverse=True))
        demand = np.array([counted[length] for length in lengths.tolist()])
        room_mm = stock_mm + kerf_mm + _SAME_MM
        every = _every_pattern((lengths + kerf_mm).tolist(), demand.tolist(), room_mm)
        rows = list(islice(every, MOST_PATTERNS + 1))
        if len(rows) > MOST_PATTERNS:
            return None
        found = cls(lengths, demand, np.array(rows, dtype=np.int64))
        found.offcuts = np.maximum(0.0, stock_mm - found.patterns @ (lengths + kerf_mm))
        return found

    def linear_bound(self) -> float:
        """Return the value of the linear program: no cutting needs less."""
        answer = linprog(
            np.ones(len(self.patterns)), A_ub=-self.patterns.T, b_ub=-self.demand, method="highs"
        )
        return float(answer.fun or 0.0)

    def fewest(self, cuts: list[list[float]], bound: int, deadline_s: float) -> tuple[list[list[float]], int]:
        """Improve a cutting to the fewest stock pieces; return it with the best bound proven."""
        if len(cuts) > bound:
            bound = max(bound, math.ceil(self.linear_bound() - _SAME_MM))
        if len(cuts) == bound:
            return cuts, bound
        # Anything but a cutting better than the one at hand is of no use, so the program asks for just that.
        answer = self._solve(np.ones(len(self.patterns)), (bound, len(cuts) - 1), np.inf, deadline_s)
        if answer.x is not None:
            cuts = self._cuts(answer.x)
        elif answer.status == _INFEASIBLE:
            bound = len(cuts)
        proven = answer.mip_dual_bound
        if proven is not None and math.isfinite(proven):
            bound = max(bound, min(len(cuts), math.ceil(proven - _SAME_MM)))
        return cuts, bound

    def longest_offcuts(
        self, cuts: list[list[float]], keep_mm: float, deadline_s: float
    ) -> list[list[float]]:
        """Among cuttings with as many stock pieces, find one that leaves the most length worth keeping."""
        if not math.isfinite(keep_mm):
            return cuts
        worth = np.where(self.offcuts >= keep_mm, self.offcuts, 0.0)
        answer = self._solve(-worth, (len(cuts), len(cuts)), self.demand, deadline_s)
        return cuts if answer.x is None else self._cuts(answer.x)

    def _solve(
        self, cost: NDArray[np.float64], count: tuple[int, int], most: Any, deadline_s: float
    ) -> OptimizeResult:
        """Solve the integer program: every piece cut, by a number of patterns within ``count``."""
        return milp(
            cost,
            integrality=np.ones(len(cost), dtype=int),
            bounds=Bounds(0, np.inf),
            constraints=[
                LinearConstraint(self.patterns.T, self.demand, most),
                LinearConstraint(np.ones(len(cost)), *count),
            ],
            options={"time_limit": max(0.01, deadline_s - time.monotonic()), "mip_rel_gap": 0.0},
        )

    def _cuts(self, solution: NDArray[np.float64]) -> list[list[float]]:
        """Write the used patterns out as pieces, leaving out what is more than was asked for."""
        uses, left, cuts = np.rint(solution).astype(np.int64), self.demand.copy(), []
        for index in np.flatnonzero(uses):
            for _ in range(uses[index]):
                pattern = np.minimum(self.patterns[index], left)
                left -= pattern
                cuts.append(np.repeat(self.lengths, pattern).tolist())
        return [cut for cut in cuts if cut]


def _every_pattern(needs: list[float], demand: list[int], room_mm: float) -> Iterator[list[int]]:
    """Yield every way to cut one stock piece, the empty one left out."""
    pattern = [0] * len(needs)

    def fill(index: int, left_mm: float) -> Iterator[list[int]]:
        if index == len(pattern):
            if any(pattern):
                yield pattern.copy()
            return
        most = min(demand[index], int(left_mm // needs[index]))
        for count in range(most, -1, -1):
            pattern[index] = count
            yield from fill(index + 1, left_mm - count * needs[index])
        pattern[index] = 0

    return fill(0, room_mm)
