"""Tempo maps: from ticks to seconds.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association): a tempo is a whole number
of microseconds per quarter note, 500,000 until the first tempo event.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["DEFAULT_TEMPO", "TempoMap"]

DEFAULT_TEMPO = 500_000

Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class TempoMap:
    """Tempo changes.

    Attributes
    ----------
    tick : ndarray of int64, shape (changes,)
        Rising, from 0.
    tempo : ndarray of int64, shape (changes,)
        In microseconds per quarter note.
    ticks_per_quarter : float
    """

    tick: Ints
    tempo: Ints
    ticks_per_quarter: float

    def seconds(self, tick: Ints) -> NDArray[np.float64]:
        """The times of ticks, in s."""
        start = np.concatenate([[0], np.cumsum(np.diff(self.tick) * self.tempo[:-1])])
        k = np.searchsorted(self.tick, tick, side="right") - 1
        micros = start[k] + (tick - self.tick[k]) * self.tempo[k]
        out: NDArray[np.float64] = micros * (1e-6 / self.ticks_per_quarter)
        return out
