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


def even_tempo(exact: float, sections: Ints, end_tick: int, ticks_per_quarter: int) -> TempoMap:
    """A tempo map for a constant tempo that need not be a whole number.

    Where rounding the tempo to whole microseconds would add up to more than 5 ms in an hour,
    sections alternate between the whole numbers below and above it, so that no section begins more
    than a fraction of a millisecond off.

    Parameters
    ----------
    exact : float
        In microseconds per quarter note.
    sections : ndarray of int64, shape (sections,)
        The ticks at which sections start, ascending from 0.
    end_tick : int
        The end of the last one.
    ticks_per_quarter : int

    Raises
    ------
    InputError
        A tempo that a MIDI file can't hold.
    """
    if not 1 <= round(exact) <= MAX_TEMPO:
        way = "longer" if exact > MAX_TEMPO else "shorter"
        raise InputError(
            f"a quarter note would last {exact / 1e6:.3g} s, and a MIDI file holds up to "
            f"{MAX_TEMPO / 1e6:.1f} s; use a {way} note value for a position",
            place="music.step",
        )
    if abs(round(exact) - exact) <= exact * _DRIFT:
        return TempoMap(np.zeros(1, np.int64), np.array([round(exact)]), ticks_per_quarter)
    quarters = np.diff(np.append(sections, end_tick)) / ticks_per_quarter
    low = int(np.floor(exact))
    # the share of time owed above `low`, in units of the first section, carried on when rounded
    paid = np.rint(np.cumsum(quarters) * (exact - low) / quarters[0])
    tempo = low + np.diff(paid, prepend=0.0).astype(np.int64)
    moved = np.diff(tempo, prepend=-1) != 0
    return TempoMap(sections[moved], tempo[moved], ticks_per_quarter)
