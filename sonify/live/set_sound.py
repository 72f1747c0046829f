"""The sound of a set for the speakers: rendered pieces, at the places that the scheduler gives."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sonify.errors import OutputError
from sonify.export.sound.audio import RATE, Samples
from sonify.live.commands import Command, State
from sonify.live.playing import Playing
from sonify.live.schedule import Schedule
from sonify.live.scheduler import Scheduler

if TYPE_CHECKING:
    from sonify.export.sound.master import Master

__all__ = ["SetSound"]

_BLOCK = RATE // 100
_IN, _OUT = RATE // 200, RATE // 10
"""How long sound fades in after a jump, and out where it is left: own choice, without a click."""


@dataclass(eq=False)
class _Heard:
    """A rendered piece that sounds, from a sample on."""

    master: Master
    at: int
    gain: float
    fresh: int
    left: int | None = None

    def read(self, count: int, gain: float) -> Samples:
        """The next samples, on their way to a gain."""
        out = self.master.read(self.at, self.at + count)
        shape = np.linspace(self.gain, gain, count, endpoint=False, dtype=np.float32)
        n = np.arange(count, dtype=np.float32)
        if self.fresh:
            shape *= np.clip((n + _IN - self.fresh) / _IN, 0, 1)
            self.fresh = max(0, self.fresh - count)
        if self.left is not None:
            shape *= np.clip((self.left - n) / _OUT, 0, 1)
            self.left -= count
        self.at, self.gain = self.at + count, gain
        return out * shape[:, None]

    @property
    def over(self) -> bool:
        return self.at >= self.master.size or (self.left is not None and self.left <= 0)


class SetSound:
    """A source for the speakers. It takes the place of a sender.

    Parameters
    ----------
    scheduler : Scheduler
        Its places are seconds; what it sends is not heard.
    masters : mapping
        The sound of each schedule.
    late_s : float
        How much later it is heard than it is read.
    """

    def __init__(
        self, scheduler: Scheduler, masters: Mapping[Schedule, Master], late_s: float
    ) -> None:
        self._scheduler, self._masters, self._late = scheduler, masters, late_s
        self._lock = threading.Lock()
        self._now: dict[Playing, _Heard] = {}
        self._leaving: list[_Heard] = []
        self._read = 0
        # several discs at once are as loud as one
        self._share = {
            s: 1 / len(p.schedules) ** 0.5 for p in scheduler.pieces for s in p.schedules
        }
        self.error: OutputError | None = None
        scheduler.start(0.0)

    def read(self, start: int, end: int) -> Samples:
        """The samples from `start`, where the last call ended, to `end`."""
        parts = [self._block(a, min(a + _BLOCK, end)) for a in range(start, end, _BLOCK)]
        return np.clip(np.concatenate(parts), -1.0, 1.0)

    def _block(self, start: int, end: int) -> Samples:
        with self._lock:
            # what begins within the block is read from before its start, so that it is in time
            self._scheduler.advance(end / RATE)
            heard = self._scheduler.heard(start / RATE)
            self._read = end
        self._follow(heard)
        count = end - start
        out = np.zeros((count, 2), np.float32)
        for playing, one in self._now.items():
            silent = playing.silent or not playing.gain
            share = self._share.get(playing.schedule, 1.0)
            out += one.read(count, 0.0 if silent else playing.gain * share)
        for one in self._leaving:
            out += one.read(count, one.gain)
        self._leaving = [one for one in self._leaving if not one.over]
        return out

    def _follow(self, heard: Mapping[Playing, float]) -> None:
        """Go on with what sounds, jump where it jumped, and leave what has ended."""
        for playing, one in list(self._now.items()):
            place = heard.get(playing)
            if place is None or abs(round(place * RATE) - one.at) > 1:
                del self._now[playing]
                ended = one.at >= playing.schedule.end * RATE - _BLOCK
                # after its end a piece rings out, unless it has faded out
                one.left = None if ended and playing.gain > 0.5 else _OUT
                self._leaving.append(one)
        for playing, place in heard.items():
            if playing not in self._now:
                at = round(place * RATE)
                master = self._masters[playing.schedule]
                share = self._share.get(playing.schedule, 1.0)
                gain = 0.0 if playing.silent else playing.gain * share
                self._now[playing] = _Heard(master, at, gain, 0 if at <= 0 else _IN)

    # ---- as a sender

    def command(self, command: Command) -> None:
        """Do something now."""
        with self._lock:
            self._scheduler.command(self._read / RATE, command)

    def state(self) -> State:
        """What is heard."""
        with self._lock:
            return self._scheduler.state(max(0.0, self._read / RATE - self._late))

    def is_alive(self) -> bool:
        """Whether anything is to come."""
        return not self._scheduler.done or bool(self._leaving or self._now)
