"""A way to cut a log into rows that pass once.

A *cut* says how many positions make a turn, at which position of the log the first row begins, and
how the next row is found: after a pause in seconds (a player that reads on at the next position),
or after a number of whole turns.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.code import Code
from sonify.disc.code.decoding import decode_grid
from sonify.recover.search.plain import confirming, is_intact
from sonify.recover.signal.next_start import next_start
from sonify.recover.sources.log.passes import laid_out

__all__ = ["Cut", "begins_of", "following", "grid_of", "is_confirmed", "repairable", "turned"]

Reals = NDArray[np.float64]
Bits = NDArray[np.int8]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Cut:
    """A way to cut a log into rows.

    Attributes
    ----------
    positions : int
        Of a turn.
    start : int
        Where in the log the first row begins.
    pause : float
        From the end of a row to where reading goes on, in s; nan if it goes on after whole turns.
    turns : int
        From the beginning of a row to the next one; 0 if a pause tells it.
    """

    positions: int
    start: int = 0
    pause: float = np.nan
    turns: int = 0


def begins_of(bits: Bits, times: Reals, cut: Cut, most: float = np.inf) -> list[int]:
    """Where the first rows of a cut begin, as indices of the log's positions."""
    size = cut.positions
    out = [cut.start]
    while len(out) < most:
        begin = _after(times, out[-1], cut)
        if begin + size // 3 >= len(times):
            break
        rest = bits[out[-1] + size :]
        if begin + size > len(times) and (rest == bits[out[-1] : len(bits) - size]).all():
            # what passes once more is the last row: the stage did not move
            break
        out.append(begin)
    return out


def _after(times: Reals, begin: int, cut: Cut) -> int:
    """The same as `following` for one row, as there are many thousand."""
    if cut.turns:
        return begin + cut.turns * cut.positions
    top = len(times) - 1
    last = min(begin + cut.positions - 1, top)
    ready = times[last] + (times[min(last + 1, top)] - times[last]) / 2 + cut.pause
    if times[top] < ready:
        return len(times)
    start = min(max(bisect_right(times, ready), min(last + 1, top)), top)
    return max(start, begin + cut.positions)


def following(
    times: Reals,
    begin: Index,
    positions: Index | int,
    pause: Reals | float,
    turns: Index | int,
) -> Index:
    """Where the row after the one that begins there begins; the log's length if nowhere."""
    last = np.minimum(begin + positions - 1, len(times) - 1)
    half = (times[np.minimum(last + 1, len(times) - 1)] - times[last]) / 2
    start, _, late = next_start(times, last, half + np.nan_to_num(pause))
    start = np.where(late >= 0, np.maximum(start, begin + positions), len(times))
    return np.where(np.asarray(turns) > 0, begin + turns * positions, start)


def grid_of(bits: Bits, times: Reals, cut: Cut) -> Bits:
    """The bits by row and position, -1 where the log ends."""
    return laid_out(bits, begins_of(bits, times, cut), cut.positions, -1).astype(np.int8)


def turned(bits: Bits, sense: int) -> Bits:
    """Bits in which a one is a one."""
    return np.where(bits < 0, bits, bits ^ (1 - sense)).astype(np.int8)


def is_confirmed(bits: Bits, times: Reals, cut: Cut, code: Code) -> bool:
    """Whether a check of the whole text is right with a cut: that of a code, or if it has none,
    CRC-16, or nearly a Reed-Solomon check."""
    grid = grid_of(bits, times, cut)
    if code.check in ("crc-16", "reed-solomon"):
        both = (decode_grid(turned(grid, sense), code) for sense in (1, 0))
        return any(decoding.verdict == "valid" for decoding in both)
    intact = (is_intact(turned(grid, sense), code) for sense in (1, 0))
    return any(intact) or bool(confirming(grid.reshape(1, -1), *grid.shape)[0])


def repairable(bits: Bits, times: Reals, cuts: Sequence[Cut]) -> list[Cut]:
    """The cuts with which Reed-Solomon checks are right, then those with which they nearly are."""
    groups: dict[tuple[int, ...], list[tuple[Cut, Bits]]] = {}
    for cut in cuts:
        grid = grid_of(bits, times, cut)
        groups.setdefault(grid.shape, []).append((cut, grid.reshape(-1)))
    out = []
    for (rows, positions), some in groups.items():
        right = confirming(np.array([line for _, line in some]), rows, positions)
        out += [(-int(right[k]), k, some[k][0]) for k in np.flatnonzero(right)]
    return [cut for _, _, cut in sorted(out, key=lambda v: v[:2])]
