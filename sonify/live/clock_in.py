"""The messages of an incoming clock, as what they do to a set.

Source: MIDI 1.0 Detailed Specification: start plays from the beginning, continue from where it was
or from the song position, which counts in sixteenths and is sent while the song stands.
"""

from __future__ import annotations

from sonify.live.schedule import (
    CLOCK,
    CLOCKS_PER_BEAT,
    CLOCKS_PER_QUARTER,
    CONTINUE,
    POSITION,
    START,
    STOP,
)
from sonify.live.scheduler import Scheduler
from sonify.live.transport import IncomingClock

__all__ = ["ClockIn"]


class ClockIn:
    """An incoming clock that a set follows.

    Parameters
    ----------
    scheduler : Scheduler
    transport : IncomingClock
        The scheduler's.
    """

    def __init__(self, scheduler: Scheduler, transport: IncomingClock) -> None:
        self._scheduler, self._transport = scheduler, transport

    def take(self, now: float, data: bytes) -> None:
        """Take a message."""
        scheduler, transport, kind = self._scheduler, self._transport, data[0]
        if kind == CLOCK:
            if transport.tick(now):
                scheduler.resume(now)
        elif kind in (START, STOP):
            scheduler.rest(now)
            transport.halt(now)
            if kind == START:
                self._locate(0.0)
                transport.run(now)
        elif kind == CONTINUE:
            transport.run(now)
        elif kind == POSITION and not transport.running:
            self._locate((data[1] + 128 * data[2]) * CLOCKS_PER_BEAT / CLOCKS_PER_QUARTER)

    def _locate(self, place: float) -> None:
        self._transport.locate(place)
        self._scheduler.locate(place)
