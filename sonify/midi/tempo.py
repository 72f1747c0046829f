"""Tempo maps: from ticks to seconds.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association): a tempo is a whole number
of microseconds per quarter note, 500,000 until the first tempo event.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

__all__ = ["DEFAULT_TEMPO", "TempoMap", "even_tempo"]

DEFAULT_TEMPO = 500_000
MAX_TEMPO = 0xFFFFFF
"""A tempo event holds three bytes."""

_DRIFT = 5e-3 / 3600
"""How far a rounded tempo may drift: 5 ms in an hour, own limit."""

Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class TempoMap:
    """Tempo changes.

    Attributes
    ----------
    tick : ndarray of int64, shape (changes,)
        Ascending, from 0.
    tempo : ndarray of float64, shape (changes,)
        In microseconds per quarter note. A single tempo need not be a whole number.
    ticks_per_quarter : float
    """

    tick: Ints
    tempo: NDArray[np.float64]
    ticks_per_quarter: float

    def seconds(self, tick: Ints) -> NDArray[np.float64]:
        """The times of ticks, in s."""
        start = np.concatenate([[0], np.cumsum(np.diff(self.tick) * self.tempo[:-1])])
        k = np.searchsorted(self.tick, tick, side="right") - 1
        micros = start[k] + (tick - self.tick[k]) * self.tempo[k]
        out: NDArray[np.float64] = micros * (1e-6 / self.ticks_per_quarter)
        return out

    @property
    def written(self) -> Ints:
        """The tempos as a file holds them: whole numbers."""
        return np.rint(self.tempo).astype(np.int64)

    @property
    def stretch(self) -> float:
        """By how much a file's ticks must be stretched so that a rounded tempo does not drift.

        It is 1 if the drift is below 5 ms in an hour. Otherwise events lie up to half a tick from
        their times at the rounded tempo, and leave the bar lines by less than 2 ms in a minute.
        """
        if len(self.tempo) > 1:
            return 1.0
        ratio = float(self.tempo[0] / self.written[0])
        return 1.0 if abs(ratio - 1) <= _DRIFT else ratio


def even_tempo(exact: float, ticks_per_quarter: int) -> TempoMap:
    """A constant tempo.

    Parameters
    ----------
    exact : float
        In microseconds per quarter note.
    ticks_per_quarter : int

    Raises
    ------
    InputError
        A tempo that a MIDI file can't hold.
    """
    # rounded it must fit; infinity, of a player that hardly turns, has no whole number
    if not 0.5 < exact < MAX_TEMPO + 0.5:
        way = "longer" if exact > MAX_TEMPO else "shorter"
        raise InputError(
            f"a quarter note would last {exact / 1e6:.3g} s, and a MIDI file holds up to "
            f"{MAX_TEMPO / 1e6:.1f} s; use a {way} note value for a position",
            place="music.step",
        )
    return TempoMap(np.zeros(1, np.int64), np.array([exact]), ticks_per_quarter)
