"""Bits from notes: all discs whose music is what was heard, found bit by bit.

Beginnings of a disc are built up in the order of reading. Those whose notes are certain to differ
from what was heard are dropped; those whose notes will be the same whatever follows are put
together, and the bits in which they differ are lost by the mapping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.music.trials import Before
from sonify.recover.sources.midi.matcher import Ear, Reals

__all__ = ["Effort", "Found", "search"]

Bits = NDArray[np.int8]
Mask = NDArray[np.bool_]

AT_ONCE = 20_000
"""Positions of trials that are made side by side."""
MOST_STEPS = 6
ENDS = 3
"""How many rows before the last note the reading may have ended."""
_SAME = 1e-6


@dataclass(frozen=True)
class Effort:
    """How widely to search.

    Attributes
    ----------
    margin : float
        How much more than the best a beginning may cost and still be followed.
    limit : float
        The cost a row at which to give up.
    most : int
        How many beginnings are followed at most.
    """

    margin: float
    limit: float
    most: int


@dataclass(frozen=True, eq=False)
class Found:
    """The discs that fit.

    Attributes
    ----------
    bits : ndarray of int8, shape (rows * positions,)
        In the order of reading, of the one that fits best.
    lost : ndarray of bool, shape (rows * positions,)
        Bits that might be otherwise.
    rows : int
    cost : float
        Notes that are missing or too many; a wrong length or force counts half.
    off : ndarray of int64
        Slots at which something is off.
    crowded : bool
        Whether more beginnings fitted than could be followed.
    """

    bits: Bits
    lost: Mask
    rows: int
    cost: float
    off: NDArray[np.int64]
    crowded: bool


@dataclass(eq=False)
class _Crowd:
    """Beginnings that are followed: bits and which of them are lost, shape (beginnings, bits)."""

    bits: Bits
    lost: Mask
    settled: Reals
    cost: Reals
    crowded: bool = False

    def keep(self, which: NDArray[np.int64]) -> _Crowd:
        return _Crowd(
            self.bits[which], self.lost[which], self.settled[which], self.cost[which], self.crowded
        )


def search(ear: Ear, rows: int, how: Effort, symbols: tuple[int, ...] = (0, 1)) -> Found | int:
    """The discs of up to so many rows whose music is what was heard.

    Parameters
    ----------
    ear : Ear
        On a timeline of at least one row more.
    rows : int
        The row in which the last note was heard, and all before it.
    how : Effort
    symbols : tuple of int
        What bits may be: -1 is a bit that nobody could read.

    Returns
    -------
    Found or int
        Where all cost too much, after how many bits they did.
    """
    crowd = _Crowd(
        np.zeros((1, ear.total), np.int8), np.zeros((1, ear.total), bool), np.zeros(1), np.zeros(1)
    )
    # only the last row's notes depend on where the reading ends
    sure = max(0, rows - ENDS)
    begun = _followed(ear, crowd, 0, sure, how, symbols)
    if isinstance(begun, int):
        return begun
    best: Found | int = 0
    for count in range(max(1, sure), rows + 1):
        end = ear.ending(count)
        one = _cut(begun, end.total)
        done = _followed(end, one, sure, count, how, symbols)
        if isinstance(done, int):
            best = max(best, done) if isinstance(best, int) else best
            continue
        found = _best_of(end, done, count)
        if isinstance(best, int) or found.cost < best.cost - _SAME:
            best = found
    return best


def _followed(
    ear: Ear, crowd: _Crowd, first: int, last: int, how: Effort, symbols: tuple[int, ...]
) -> _Crowd | int:
    """The crowd after some more rows, or after how many bits all beginnings cost too much."""
    n = ear.positions
    for row in range(first, last):
        known = row * n
        low = ear.first_row(row) * n
        while known < (row + 1) * n:
            window = ear.last_row(row) * n - low
            step = _steps(len(crowd.bits) * window, len(symbols), (row + 1) * n - known)
            crowd = _grown(ear, crowd, known, step, row, low, how, symbols)
            known += step
            if crowd.cost.min() > how.limit * (row + 1):
                return known
    return crowd


def _cut(crowd: _Crowd, total: int) -> _Crowd:
    return _Crowd(
        crowd.bits[:, :total].copy(), crowd.lost[:, :total].copy(), crowd.settled, crowd.cost,
        crowd.crowded,
    )  # fmt: skip


def _steps(work: int, symbols: int, left: int) -> int:
    """How many bits to grow by at once."""
    step = 1
    while step < min(MOST_STEPS, left) and work * symbols ** (step + 1) <= AT_ONCE:
        step += 1
    return step


def _grown(
    ear: Ear, crowd: _Crowd, known: int, step: int, row: int, low: int, how: Effort,
    symbols: tuple[int, ...],
) -> _Crowd:  # fmt: skip
    """The crowd with some more bits."""
    lots = len(crowd.bits)
    ends = np.stack(
        np.meshgrid(*[np.array(symbols, np.int8)] * step, indexing="ij"), axis=-1
    ).reshape(-1, step)
    family = len(ends)
    parent = np.repeat(np.arange(lots), family)
    after = known + step
    bits = crowd.bits[parent]
    bits[:, known:after] = np.tile(ends, (lots, 1))
    before = Before.of(crowd.bits[:, :low])
    # most are out by the notes that they make; only the rest is made in all ways
    rough = ear.judge(bits, before.keep(parent), after, row, ways=1)
    cost = crowd.settled[parent] + rough.before + rough.here
    good = np.flatnonzero(cost <= cost.min() + how.margin)
    bits, parent = bits[good], parent[good]
    verdict = ear.judge(bits, before.keep(parent), after, row)
    settled = crowd.settled[parent]
    cost = settled + verdict.before + verdict.here
    if after == (row + 1) * ear.positions:
        # the row before is judged for good
        settled = settled + verdict.before
    good = np.flatnonzero(cost <= cost.min() + how.margin)
    grown = _Crowd(bits[good], crowd.lost[parent[good]], settled[good], cost[good], crowd.crowded)
    return _thinned(_merged(grown, verdict.sign[good], after), after, how.most)


def _merged(crowd: _Crowd, sign: NDArray[np.uint64], known: int) -> _Crowd:
    """One of all beginnings that no note will ever tell apart, with the bits that are lost."""
    order = np.lexsort((crowd.cost, sign))
    new = np.ones(len(order), bool)
    new[1:] = sign[order][1:] != sign[order][:-1]
    if new.all():
        return crowd
    first = np.flatnonzero(new)
    of = np.cumsum(new) - 1
    best = crowd.keep(order[first])
    bits, lost = crowd.bits[order, :known], crowd.lost[order, :known]
    differ = (bits != best.bits[of, :known]) | lost
    # what fits worse is no rival
    differ[crowd.cost[order] > best.cost[of] + _SAME] = False
    best.lost[:, :known] = np.logical_or.reduceat(differ, first, axis=0)
    return best


def _thinned(crowd: _Crowd, known: int, most: int) -> _Crowd:
    """At most so many; the bits of those that are let go count as lost."""
    if len(crowd.bits) <= most:
        return crowd
    order = np.argsort(crowd.cost, kind="stable")
    stay, go = crowd.keep(order[:most]), order[most:]
    alike = go[crowd.cost[go] <= crowd.cost.min() + _SAME]
    if len(alike):
        stay.crowded = True
        differ = (crowd.bits[alike, :known] != stay.bits[0, :known]) | crowd.lost[alike, :known]
        stay.lost[:, :known] |= differ.any(axis=0)
    return stay


def _best_of(ear: Ear, crowd: _Crowd, rows: int) -> Found:
    """The whole disc that fits best, with what else it might be."""
    cost, off = ear.whole(crowd.bits)
    at = int(np.argmin(cost))
    alike = np.flatnonzero(cost <= cost[at] + _SAME)
    lost = crowd.lost[alike].any(axis=0) | (crowd.bits[alike] != crowd.bits[at]).any(axis=0)
    return Found(crowd.bits[at], lost, rows, float(cost[at]), off[at], crowd.crowded)
