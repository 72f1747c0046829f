"""Which row was under the data detector when: the path of the stage, seen in a log.

A log shows the data channel all the time, not only while the machine reads. So the stage's path can
be followed whatever the machine did: a hidden Markov model (L. R. Rabiner, A Tutorial on Hidden
Markov Models, 1989) of the rows, of solid material beyond them, and of the stage on its way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import signs_of

__all__ = ["BLANK", "Dwell", "dwells_of"]

Reals = NDArray[np.float64]

BLANK = -1
"""In place of a row: solid material."""

TRUST = 0.9
"""How far a bit is trusted: one in twenty may be wrong, so that a noisy log and one of a dirty disc
are followed too."""

ODD = 0.02
"""How often the stage goes elsewhere than to the next row. A row of ten positions outweighs it."""

NEARLY = 3.9
"""The log likelihood by which a moment may be worse than the best: one stage in fifty is early
or late, and needs as much evidence."""


@dataclass(frozen=True)
class Dwell:
    """A row under the detector.

    Attributes
    ----------
    row : int
        Or `BLANK`.
    begin, end : int
        The first slot in which it shows, and the one after the last.
    begins, ends : tuple of int
        The least and the most that these may be: rows have many bits in common.
    """

    row: int
    begin: int
    end: int
    begins: tuple[int, int]
    ends: tuple[int, int]

    @property
    def length(self) -> int:
        """In slots."""
        return self.end - self.begin


def dwells_of(seen: Reals, grid: NDArray[np.int8], phase: int) -> list[Dwell]:
    """The rows under the detector, in the order of time (A. J. Viterbi, 1967).

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        The evidence for a hole, from -1 to 1; 0 where nothing is known.
    grid : ndarray of int8, shape (rows, positions)
        1 for a hole, 0 for none, -1 for unknown.
    phase : int
        Slot k is position (k + phase) % positions.
    """
    rows, n = grid.shape
    signs = np.vstack([signs_of(grid), np.full((1, n), -1, np.int8)])
    place = (np.arange(len(seen)) + phase) % n
    # against a coin that falls for each bit, which is what the stage shows on its way
    gain = np.log1p(TRUST * signs.T[place] * seen[:, None])
    leave, on, odd = -math.log(n), math.log(1 - ODD), math.log(ODD / (rows + 1))
    on_row, moving = np.full(rows + 1, -math.log(rows + 1)), np.full(rows + 1, -np.inf)
    came = np.full((len(seen), rows + 1), -1, np.int16)  # the row left for this one; -1 stayed
    left = np.zeros((len(seen), rows + 1), bool)  # whether the stage left this row just now
    every = np.arange(rows + 1)
    for k in range(len(seen)):
        go = on_row + leave
        left[k] = go > moving
        moving = np.maximum(moving, go)
        best = int(np.argmax(moving))
        source, arrive = np.full(rows + 1, best), np.full(rows + 1, moving[best] + odd)
        step = np.concatenate([[-np.inf], moving[: rows - 1] + on, [-np.inf]])
        source, arrive = np.where(step > arrive, every - 1, source), np.maximum(step, arrive)
        moved = arrive > on_row
        came[k] = np.where(moved, source, -1)
        on_row = np.where(moved, arrive, on_row) + gain[k]
    stays = _stays(came, left, int(np.argmax(on_row)))
    total = np.vstack([np.zeros((1, rows + 1)), np.cumsum(gain, axis=0)])
    begins, ends = [(0, 0)], []
    for (row, begin, _), (other, _, upto) in pairwise(stays):
        # from the first row's beginning to the second one's end: this one up to some slot, then
        # nothing, then that one
        this, that = total[begin : upto + 1, row], -total[begin : upto + 1, other]
        until = this + np.maximum.accumulate(that[::-1])[::-1]
        since = that + np.maximum.accumulate(this)
        ends.append(_likely(until, begin))
        begins.append(_likely(since, begin))
    ends.append((len(seen), len(seen)))
    return [
        Dwell(row if row < rows else BLANK, begin, end, *both)
        for (row, begin, end), both in zip(stays, zip(begins, ends, strict=True), strict=True)
    ]


def _likely(score: Reals, first: int) -> tuple[int, int]:
    """The least and the most slot of those whose likelihood is within `NEARLY` of the best."""
    at = first + np.flatnonzero(score >= score.max() - NEARLY)
    return int(at[0]), int(at[-1])


def _stays(
    came: NDArray[np.int16], left: NDArray[np.bool_], row: int
) -> list[tuple[int, int, int]]:
    """Row, begin and end of each stay, back from the last slot."""
    out: list[tuple[int, int, int]] = []
    k = end = len(came)
    while k > 0:
        k -= 1
        if came[k, row] < 0:
            continue
        out.append((row, k, end))
        row = int(came[k, row])
        while not left[k, row]:
            k -= 1
        end = k
    out.append((row, 0, end))
    return out[::-1]
