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

__all__ = ["Tune", "alignment_cost", "tune_likeness"]

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
