"""Where the music is at a moment: by the computer's own clock, or by an incoming MIDI clock.

Source: MIDI 1.0 Detailed Specification: 24 clocks per quarter note; the first clock after start is
the first of the song, and after continue the first at the song position.
"""

from __future__ import annotations

import itertools
import math
from typing import Protocol

from sonify.live.schedule import CLOCKS_PER_QUARTER

__all__ = ["IncomingClock", "OwnTempo", "Transport"]

MEMORY = 7
"""How many clocks before the last one count for tempo and phase.

The loop's two gains are those of a straight line through them and the last one, by least squares.
For clocks that come up to 1 ms early or late (a frame of USB at full speed) and a tempo that moves
by 5 bpm a beat at 120, the lag and three standard deviations of the phase together are least with
7, 1.6 ms; `tests/live/test_clock_in.py` computes it again."""

_EVEN, _IN_A_ROW = 1.4, 4
"""So many gaps between clocks in a row, the longest at most this much longer than the shortest, are
a clock each, whatever the tempo was: own choice."""

_SHORTEST_S = 0.004
"""Clocks closer than this came late together; it would be 625 bpm."""

_COAST = CLOCKS_PER_QUARTER
"""For how many clocks the tempo is trusted when none come: a beat, own choice."""


class Transport(Protocol):
    """From moments to places and back."""

    @property
    def running(self) -> bool:
        """Whether places go on."""

    @property
    def rate(self) -> float:
        """Places a second."""

    @property
    def in_beats(self) -> bool:
        """Whether places are quarter notes, and someone else's."""

    @property
    def until(self) -> float:
        """The moment at which it stops by itself."""

    def place(self, now: float) -> float:
        """The place at a moment."""

    def when(self, place: float) -> float:
        """The moment of a place; infinity while nothing runs."""

    def run(self, now: float) -> None:
        """Go on from where it stopped."""

    def halt(self, now: float) -> None:
        """Stop there."""

    def lose(self, now: float) -> None:
        """Stop because the clock has ended."""


class OwnTempo:
    """Places are seconds of the computer's clock."""

    rate, until = 1.0, math.inf
    in_beats = False

    def __init__(self) -> None:
        self._zero, self._stopped = 0.0, 0.0
        self.running = False

    def place(self, now: float) -> float:
        """The place at a moment."""
        return now - self._zero if self.running else self._stopped

    def when(self, place: float) -> float:
        """The moment of a place."""
        return self._zero + place if self.running else math.inf

    def run(self, now: float) -> None:
        """Go on from where it stopped."""
        if not self.running:
            self._zero, self.running = now - self._stopped, True

    def halt(self, now: float) -> None:
        """Stop there."""
        self._stopped, self.running = self.place(now), False

    lose = halt


def gains(before: int) -> tuple[float, float]:
    """By how much of its error one more clock corrects phase and period, after `before` others."""
    both = (before + 1) * (before + 2)
    return 2 * (2 * before + 1) / both, 6 / both


class IncomingClock:
    """Places are quarter notes of an incoming MIDI clock, kept by a phase-locked loop.

    Clocks that are lost, or come late together, change neither tempo nor place. Without clocks the
    tempo goes on for a beat, and then all stops until they come again.
    """

    in_beats = True

    def __init__(self) -> None:
        self._count, self._before = 0, -1
        self._time, self._period = 0.0, 0.0
        self._came: list[tuple[float, int]] = []
        self._zero, self._stopped = 0, 0.0
        self._armed = self._lost = self.running = False

    @property
    def rate(self) -> float:
        """Places a second."""
        return 1 / (CLOCKS_PER_QUARTER * self._period) if self._period else 2.0

    @property
    def until(self) -> float:
        """The moment at which it stops by itself."""
        if not self.running or not self._period:
            return math.inf
        return self._time + _COAST * self._period

    def place(self, now: float) -> float:
        """The place at a moment."""
        if not self.running:
            return self._stopped
        gone = (now - self._time) / self._period if self._period else 0.0
        return (self._count - self._zero + gone) / CLOCKS_PER_QUARTER

    def when(self, place: float) -> float:
        """The moment of a place."""
        ahead = place * CLOCKS_PER_QUARTER - (self._count - self._zero)
        if not self.running or (ahead > 0 and not self._period):
            return math.inf
        return self._time + ahead * self._period

    def run(self, now: float) -> None:
        """Go on with the next clock."""
        self._armed = True

    def halt(self, now: float) -> None:
        """Stop there."""
        self._stopped = self.place(min(now, self.until))
        self.running = self._armed = self._lost = False

    def lose(self, now: float) -> None:
        """Stop because no clocks come; the next one goes on where its sender then is."""
        self.halt(now)
        self._lost = True

    def locate(self, place: float) -> None:
        """Go to a place while it is stopped."""
        self._stopped = place

    def tick(self, now: float) -> bool:
        """Take a clock that came; whether places go on from it."""
        self._follow(now)
        if not self._armed and not self._lost:
            return False
        if self._armed:
            self._zero = self._count - round(self._stopped * CLOCKS_PER_QUARTER)
        self._armed, self._lost, self.running = False, False, True
        return True

    def _follow(self, now: float) -> None:
        """Correct phase and period by a clock."""
        if self._before < 0:
            self._before, self._time = 0, now
        elif not self._period:
            self._before, self._count = 1, 1
            self._time, self._period = now, max(now - self._time, _SHORTEST_S)
        else:
            passed = round((now - self._time) / self._period)
            # one that comes late, together with the next, was counted with that
            if passed > 0:
                self._before = min(self._before + 1, MEMORY)
                phase, period = gains(self._before)
                expected = self._time + passed * self._period
                error = now - expected
                self._time, self._count = expected + phase * error, self._count + passed
                self._period += period * error / passed
        self._came = [*self._came[-_IN_A_ROW:], (now, self._count)]
        self._take_new_tempo()

    def _take_new_tempo(self) -> None:
        """Correct the count where the tempo leapt, so that clocks looked lost or doubled."""
        (first, count), times = self._came[0], [t for t, _ in self._came]
        gaps = [b - a for a, b in itertools.pairwise(times)]
        if len(gaps) < _IN_A_ROW or self._count == count + len(gaps):
            return
        if min(gaps) >= _SHORTEST_S and max(gaps) <= _EVEN * min(gaps):
            self._count, self._before = count + len(gaps), len(gaps)
            self._time, self._period = times[-1], (times[-1] - first) / len(gaps)
            self._came = [(self._time, self._count)]
