"""A beam search for all discs whose music is what was recorded.

Beginnings of discs grow bit by bit in the order of reading. Those whose notes are certain to differ
from the recorded ones are dropped. Those whose notes will be equal whatever follows are merged; the
mapping loses the bits in which they differ.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from sonify.music.trials import Before
from sonify.recover.sources.midi.matcher import COSTS, WAYS, Matcher, Reals

__all__ = ["SearchLimits", "Solution", "search"]

Bits = NDArray[np.int8]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

# Positions of trials that are made side by side: a few megabytes of notes
AT_ONCE = 20_000
# The most bits to add at once; 2 ** 6 branches of each beginning
MOST_STEPS = 6
# How many rows before the row of the last note the reading may have ended
ENDS = 3
_SAME = 1e-6  # costs that differ by less are equal


@dataclass(frozen=True)
class SearchLimits:
    """How widely to search.

    Attributes
    ----------
    margin : float
        How much more than the best a beginning may cost to be followed.
    per_row : float
        The cost per row at which to give up.
    width : int
        The most beginnings to follow.
    symbols : tuple of int
        What bits may be; -1 is an unreadable one.
    """

    margin: float
    per_row: float
    width: int
    symbols: tuple[int, ...] = (0, 1)


@dataclass(frozen=True, eq=False)
class Solution:
    """The discs that fit.

    Attributes
    ----------
    bits : ndarray of int8, shape (rows * positions,)
        Of the one that fits best, in the order of reading.
    lost : ndarray of bool, shape (rows * positions,)
        Bits that may be otherwise.
    rows : int
    cost : float
        Missing and surplus notes; a wrong length or velocity counts half.
    off : ndarray of int64
        The slots of the differences.
    crowded : bool
        Whether more beginnings fitted than could be followed.
    detours : ndarray of bool, shape (detours, rows * positions)
        Bits that may all be otherwise at once, at the cost of some difference.
    """

    bits: Bits
    lost: Mask
    rows: int
    cost: float
    off: Ints
    crowded: bool
    detours: Mask


@dataclass(frozen=True, eq=False)
class _Beam:
    """The beginnings that are followed: `bits` and `lost` have the shape (beginnings, bits).

    `detours` holds in which bits costlier beginnings differed from the best one where they led to
    the same end.
    """

    bits: Bits
    lost: Mask
    settled: Reals
    cost: Reals
    crowded: bool = False
    detours: set[tuple[int, ...]] = field(default_factory=set)

    def keep(self, which: Ints) -> _Beam:
        return replace(
            self, bits=self.bits[which], lost=self.lost[which], settled=self.settled[which],
            cost=self.cost[which],
        )  # fmt: skip

    def cut(self, total: int) -> _Beam:
        return replace(self, bits=self.bits[:, :total].copy(), lost=self.lost[:, :total].copy())


def search(matcher: Matcher, rows: int, limits: SearchLimits) -> Solution | int:
    """Find the discs of up to so many rows whose music is what was recorded.

    Parameters
    ----------
    matcher : Matcher
        On a timeline of at least one row more.
    rows : int
        The row of the last note, and all before it.
    limits : SearchLimits

    Returns
    -------
    Solution or int
        The number of bits after which all cost too much or the budget was spent.
    """
    shape = 1, matcher.total
    beam = _Beam(np.zeros(shape, np.int8), np.zeros(shape, bool), np.zeros(1), np.zeros(1))
    # only the notes of the last rows depend on where the reading ends
    sure = max(0, rows - ENDS)
    begun = _followed(matcher, beam, 0, sure, limits)
    if isinstance(begun, int):
        return begun
    best: Solution | int = 0
    # all rows first, so that a budget that is spent leaves these; fewer where they cost no more
    for count in range(rows, max(1, sure) - 1, -1):
        end = matcher.ending(count)
        done = _followed(end, begun.cut(end.total), sure, count, limits)
        if isinstance(done, int):
            best = max(best, done) if isinstance(best, int) else best
            continue
        found = _best_of(end, done, count)
        if isinstance(best, int) or found.cost < best.cost + _SAME:
            best = found
    return best


def _followed(
    matcher: Matcher, beam: _Beam, first: int, last: int, limits: SearchLimits
) -> _Beam | int:
    """The beam after some more rows, or the number of bits after which all cost too much or the
    budget was spent."""
    n = matcher.positions
    for row in range(first, last):
        known, end = row * n, (row + 1) * n
        window = (matcher.last_row(row) - matcher.first_row(row)) * n
        while known < end:
            step, work = 1, len(beam.bits) * window
            while step < min(MOST_STEPS, end - known) and (
                work * len(limits.symbols) ** (step + 1) <= AT_ONCE
            ):
                step += 1
            beam = _grown(matcher, beam, known, known + step, row, limits)
            known += step
            if matcher.budget.spent or beam.cost.min() > limits.per_row * (row + 1):
                return known
    return beam


def _grown(
    matcher: Matcher, beam: _Beam, known: int, after: int, row: int, limits: SearchLimits
) -> _Beam:
    """The beam with some more bits."""
    ends = np.array(list(product(limits.symbols, repeat=after - known)), np.int8)
    count = len(beam.bits)
    parent = np.repeat(np.arange(count), len(ends))
    bits = beam.bits[parent]
    bits[:, known:after] = np.tile(ends, (count, 1))
    before = Before.of(beam.bits[:, : matcher.first_row(row) * matcher.positions])
    # one way to go on rules most of them out; only the rest is tried in all ways
    for ways in (1, WAYS):
        earlier, here, sign = matcher.judge(bits, before.keep(parent), after, row, ways)
        cost = beam.settled[parent] + earlier + here
        good = np.flatnonzero(cost <= cost.min() + limits.margin)
        bits, parent = bits[good], parent[good]
    settled = beam.settled[parent]
    if after == (row + 1) * matcher.positions:
        # nothing can change the row before any more
        settled = settled + earlier[good]
    lost = beam.lost[parent]
    grown = _Beam(bits, lost, settled, cost[good], beam.crowded, beam.detours)
    return _thinned(_merged(grown, sign[good], after), after, limits.width)


def _merged(beam: _Beam, sign: NDArray[np.uint64], known: int) -> _Beam:
    """One of each group of beginnings that sound alike for ever, and the bits that are lost."""
    order = np.lexsort((beam.cost, sign))
    new = np.append(True, np.diff(sign[order]) != 0)
    if new.all():
        return beam
    first = np.flatnonzero(new)
    of = np.cumsum(new) - 1
    best = beam.keep(order[first])
    bits, lost = beam.bits[order, :known], beam.lost[order, :known]
    differ = (bits != best.bits[of, :known]) | lost
    # worse ones are no alternatives, but ways to read the notes with one more or less
    worse = beam.cost[order] > best.cost[of] + _SAME
    for k in np.flatnonzero(worse & (best.cost[of] <= best.cost.min() + _SAME)):
        beam.detours.add(tuple(np.flatnonzero(differ[k] & ~best.lost[of[k], :known])))
    differ[worse] = False
    best.lost[:, :known] = np.logical_or.reduceat(differ, first, axis=0)
    return best


def _thinned(beam: _Beam, known: int, width: int) -> _Beam:
    """The best `width` beginnings; bits in which the others differ count as lost."""
    if len(beam.bits) <= width:
        return beam
    order = np.argsort(beam.cost, kind="stable")
    stay, go = beam.keep(order[:width]), order[width:]
    alike = go[beam.cost[go] <= beam.cost.min() + _SAME]
    if not len(alike):
        return stay
    differ = (beam.bits[alike, :known] != stay.bits[0, :known]) | beam.lost[alike, :known]
    stay.lost[:, :known] |= differ.any(axis=0)
    return replace(stay, crowded=True)


def _best_of(matcher: Matcher, beam: _Beam, rows: int) -> Solution:
    """The whole disc that fits best, with what else it may be."""
    cost = COSTS @ matcher.whole(beam.bits)[0]
    at = int(np.argmin(cost))
    _, off = matcher.whole(beam.bits[at : at + 1])
    alike = np.flatnonzero(cost <= cost[at] + _SAME)
    lost = beam.lost[alike].any(axis=0) | (beam.bits[alike] != beam.bits[at]).any(axis=0)
    ways = sorted(way for way in beam.detours if way and way[-1] < matcher.total)
    detours = np.zeros((len(ways), matcher.total), bool)
    for one, way in zip(detours, ways, strict=True):
        one[list(way)] = True
    return Solution(
        beam.bits[at], lost, rows, float(cost[at]), off, beam.crowded, detours
    )  # fmt: skip
