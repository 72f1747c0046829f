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

__all__ = ["BLANK", "Dwell", "angles_of", "dwells_of"]

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


LEAP = 9.0
"""Price of a leap of the disc's angle, in nats: one in 8,000 positions."""

MOST_STATES = 100_000_000
"""Rows x positions x slots that are searched: 100 MB, 3 s of processor time at the most."""


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


def angles_of(seen: Reals, grid: NDArray[np.int8]) -> list[tuple[int, int, int]]:
    """How far the disc had turned, as it is seen: the first slot and the one after the last, and
    the position of slot 0 if all slots were like those; empty for too much to search.

    A hidden Markov model of the row under the detector and of the disc's angle, which pulses that
    are counted right never change.

    Parameters
    ----------
    seen, grid : ndarray
        As for `dwells_of`.
    """
    rows, n = grid.shape
    if len(seen) * (rows + 1) * n > MOST_STATES:
        return []
    signs = np.vstack([signs_of(grid), np.full((1, n), -1, np.int8)]).astype(np.float64)
    wide = np.hstack([signs, signs])
    hole, web = np.log1p(TRUST * seen), np.log1p(-TRUST * seen)
    usual, told = (hole + web) / 2, (hole - web) / 2
    leave, enter, leap = -math.log(n), -math.log(rows + 1), -LEAP - math.log(n)
    on, moving = np.full((rows + 1, n), -np.inf), np.full(n, -math.log(n))
    came = np.zeros((len(seen), rows + 1, n), bool)
    left, leapt = (np.full((len(seen), n), -1, np.int32) for _ in range(2))
    every = np.arange(n)
    for t in range(len(seen)):
        row = on.argmax(axis=0)
        go = on[row, every] + leave
        left[t] = np.where(go > moving, row, -1)
        moving = np.maximum(go, moving)
        best = int(moving.argmax())
        leapt[t] = np.where(moving < moving[best] + leap, best, -1)
        moving = np.maximum(moving, moving[best] + leap)
        came[t] = moving + enter > on
        k = t % n
        on = np.maximum(on, moving + enter) + usual[t] + told[t] * wide[:, k : k + n]
    now, angle = (int(k) for k in np.unravel_index(int(on.argmax()), on.shape))
    out, moves = [(0, len(seen), angle)], False
    for t in range(len(seen) - 1, 0, -1):
        if not moves and came[t, now, angle]:
            moves, out[-1] = True, (t, *out[-1][1:])
        if moves and leapt[t, angle] >= 0:
            angle = int(leapt[t, angle])
        if moves and left[t, angle] >= 0:
            moves, now = False, int(left[t, angle])
            if angle != out[-1][2]:
                out.append((0, t, angle))
    return [(0, *out[-1][1:]), *out[-2::-1]]
