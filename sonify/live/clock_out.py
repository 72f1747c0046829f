"""The MIDI clock that goes out with what plays.

Source: MIDI 1.0 Detailed Specification: the clock goes on between start (or continue) and stop, and
a song position is sent while it is stopped.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from sonify.live.playing import Playing
from sonify.live.schedule import (
    CLOCK,
    CLOCKS_PER_BEAT,
    CONTINUE,
    FUZZ,
    MOST_BEATS,
    POSITION,
    START,
    STOP,
)

__all__ = ["ClockOut"]


class ClockOut:
    """Clock, start, stop, continue and song position.

    Parameters
    ----------
    send : callable
        Takes one message.
    """

    def __init__(self, send: Callable[[bytes], None]) -> None:
        self._send = send
        self._on, self._at = False, 0

    def due(self, lead: Playing) -> float:
        """The set's place of the next clock."""
        clock = lead.schedule.clock
        return lead.origin + float(clock[self._at]) if self._at < len(clock) else math.inf

    def set(self, lead: Playing, here: float) -> None:
        """Follow what leads, from a place that a song position can name."""
        self.stop()
        at = int(np.searchsorted(lead.schedule.clock, here - lead.origin - FUZZ))
        self._at = -(-at // CLOCKS_PER_BEAT) * CLOCKS_PER_BEAT

    def tick(self) -> None:
        """Send the next clock."""
        beat = self._at // CLOCKS_PER_BEAT
        if not self._on and 0 < beat < MOST_BEATS:
            self._send(bytes((POSITION, beat & 0x7F, beat >> 7)))
            self._send(bytes((CONTINUE,)))
        elif not self._on:
            self._send(bytes((START,)))
        self._on = True
        self._at += 1
        self._send(bytes((CLOCK,)))

    def stop(self) -> None:
        """Send stop, if the clock is on."""
        if self._on:
            self._on = False
            self._send(bytes((STOP,)))
