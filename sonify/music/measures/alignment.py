"""How near two tunes are: their alignment note by note, at the least cost.

Dynamic programming as in M. Mongeau and D. Sankoff, "Comparison of musical sequences", Computers
and the Humanities 24 (1990); the costs are an own choice. A note that only one tune has costs 1.
Two notes that are paired cost their distance in time (a beat costs 1) and in pitch (an octave
costs 1), so far-off notes are not paired.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Tune", "alignment_cost", "alignment_pairs", "tune_likeness"]

Ints = NDArray[np.int64]
Reals = NDArray[np.float64]


class Tune(NamedTuple):
    """Notes by onset and, of those that begin together, from the lowest up; shapes are (notes,).

    Attributes
    ----------
    beat : ndarray of float64
        When they begin, in quarter notes.
    pitch : ndarray of float64
        MIDI note numbers; drums lie 1000 higher.
    """

    beat: Reals
    pitch: Reals

    @classmethod
    def of(cls, beat: Reals, pitch: Reals) -> Tune:
        """The notes in order."""
        order = np.lexsort((pitch, beat))
        return cls(beat[order], pitch[order])

    def onsets(self) -> Tune:
        """Its rhythm: each onset once, with the pitch 0."""
        beat = np.unique(self.beat)
        return Tune(beat, np.zeros(len(beat)))


def alignment_cost(tune: Tune, beat: Reals, pitch: Reals, count: Ints) -> Reals:
    """The least cost of aligning a tune with each of many pieces.

    Parameters
    ----------
    tune : Tune
    beat, pitch : ndarray of float64, shape (pieces, most notes)
        The notes of each piece in order; what follows the last one is not used.
    count : ndarray of int64, shape (pieces,)
        How many notes each has.

    Returns
    -------
    ndarray of float64, shape (pieces,)
    """
    most = beat.shape[1]
    step = np.arange(most + 1, dtype=np.float64)
    cost = np.tile(step, (len(beat), 1))
    for on, tone in zip(tune.beat.tolist(), tune.pitch.tolist(), strict=True):
        pair = np.minimum(np.abs(beat - on) + np.abs(pitch - tone) / 12, 2.0)
        best = cost + 1
        np.minimum(best[:, 1:], cost[:, :-1] + pair, out=best[:, 1:])
        # a note that only the piece has costs 1 more than the one before it
        cost = np.minimum.accumulate(best - step, axis=1) + step
    out: Reals = cost[np.arange(len(beat)), count]
    return out


def tune_likeness(tune: Tune, beat: Reals, pitch: Reals, count: Ints) -> Reals:
    """How near each piece comes to a tune: 1 for the same notes, 0 if no two can be paired."""
    room = np.maximum(len(tune.beat) + count, 1)
    out: Reals = 1 - alignment_cost(tune, beat, pitch, count) / room
    return out


def alignment_pairs(tune: Tune, piece: Tune) -> tuple[Ints, Ints]:
    """The notes that the best alignment of two tunes pairs: those of the piece, and of the tune."""
    n, m = len(tune.beat), len(piece.beat)
    pair = np.minimum(
        np.abs(piece.beat - tune.beat[:, None]) + np.abs(piece.pitch - tune.pitch[:, None]) / 12,
        2.0,
    )
    step = np.arange(m + 1, dtype=np.float64)
    cost = np.empty((n + 1, m + 1))
    cost[0] = step
    for k in range(n):
        best = cost[k] + 1
        best[1:] = np.minimum(best[1:], cost[k, :-1] + pair[k])
        cost[k + 1] = np.minimum.accumulate(best - step) + step
    mine, theirs = [], []
    while n and m:
        if abs(cost[n, m] - cost[n - 1, m - 1] - pair[n - 1, m - 1]) < 1e-9:
            n, m = n - 1, m - 1
            mine.append(m)
            theirs.append(n)
        elif abs(cost[n, m] - cost[n - 1, m] - 1) < 1e-9:
            n -= 1
        else:
            m -= 1
    return np.array(mine[::-1], np.int64), np.array(theirs[::-1], np.int64)
