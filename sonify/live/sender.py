"""Sends a schedule over a port, each message on time, and leaves no note sounding.

All times count from one start on one monotonic clock, so delays don't add up. Sleeps end a little
late, so the thread sleeps until shortly before a message is due and then polls the clock.
"""

from __future__ import annotations

import contextlib
import gc
import itertools
import math
import os
import sys
import threading
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

from sonify.errors import OutputError
from sonify.live.schedule import CONTINUE, START, STOP, Schedule

if TYPE_CHECKING:
    from sonify.live.ports import MidiPort

__all__ = ["Sender", "punctual"]

_SPIN_S = 0.0008
"""How long before a message the thread starts to poll the clock: own choice."""

_LEAD_S = 0.05
"""From the start of the thread to the first message: own choice."""

_SWITCH_S = 0.0005
_PRIORITY = 10
"""Low among real-time priorities, so that the system's own come first: own choice."""

ALL_NOTES_OFF = 123
"""A channel mode message of the MIDI 1.0 Detailed Specification."""


@contextlib.contextmanager
def punctual() -> Iterator[None]:
    """Punctual sending: fast thread switching, no garbage collection of older objects, and high
    priority for the calling thread too, as it may hold Python's lock."""
    before = sys.getswitchinterval()
    gc.collect()
    gc.freeze()
    sys.setswitchinterval(_SWITCH_S)
    _hurry(_PRIORITY - 1)
    try:
        yield
    finally:
        sys.setswitchinterval(before)
        gc.unfreeze()
        _hurry(0)


def _hurry(priority: int) -> None:
    """Give this thread real-time priority, if the system allows it."""
    if hasattr(os, "sched_setscheduler"):
        policy = os.SCHED_RR if priority else os.SCHED_OTHER
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, policy, os.sched_param(priority))


class Sender(threading.Thread):
    """A thread that sends a schedule.

    Parameters
    ----------
    schedule : Schedule
    port : MidiPort
    loop : bool
        Repeat until stopped.
    """

    def __init__(self, schedule: Schedule, port: MidiPort, *, loop: bool = False) -> None:
        super().__init__(name="sender", daemon=True)
        self._schedule, self._port, self._loop = schedule, port, loop
        self._halt = threading.Event()
        self._start_s = math.inf
        self._sounding: dict[tuple[int, int], None] = {}
        self._clock_on = False
        self.error: OutputError | None = None

    def stop(self) -> None:
        """Stop; `join` waits until all notes are off."""
        self._halt.set()

    def position_s(self) -> float:
        """The position in the piece, in s."""
        s = self._schedule
        gone = max(0.0, time.monotonic() - self._start_s)
        if self._loop and s.period_s > 0:
            gone %= s.period_s
        return s.start_s + gone * s.speed

    def run(self) -> None:
        """Play until the end, or until stopped."""
        _hurry(_PRIORITY)
        try:
            try:
                self._play()
            finally:
                self._silence()
        except Exception as e:
            self.error = OutputError(f"the MIDI port no longer accepts messages ({e})")

    def _play(self) -> None:
        s = self._schedule
        start = self._start_s = time.monotonic() + _LEAD_S
        times = s.time_s.tolist()
        for begin in (start + k * s.period_s for k in itertools.count()):
            for after, data in zip(times, s.messages, strict=True):
                if not self._wait(begin + after):
                    return
                self._send(data)
            if not self._wait(begin + s.period_s) or not self._loop or s.period_s <= 0:
                return
            self._notes_off()

    def _wait(self, due: float) -> bool:
        """Wait until a time; false if stopped."""
        while (left := due - time.monotonic()) > 0:
            if left > _SPIN_S and self._halt.wait(left - _SPIN_S):
                return False
        return not self._halt.is_set()

    def _send(self, data: bytes) -> None:
        kind, channel = data[0] & 0xF0, data[0] & 15
        # noted before sending, so that after an error the note is still stopped
        if kind == 0x90 and data[2]:
            self._sounding[channel, data[1]] = None
        elif data[0] in (START, CONTINUE):
            self._clock_on = True
        self._port.send(data)
        if kind == 0x80 or (kind == 0x90 and not data[2]):
            self._sounding.pop((channel, data[1]), None)

    def _silence(self) -> None:
        """Stop all notes and the clock, and send "all notes off" on every channel."""
        self._notes_off()
        for channel in self._schedule.channels:
            self._port.send(bytes((0xB0 | channel, ALL_NOTES_OFF, 0)))

    def _notes_off(self) -> None:
        for channel, key in list(self._sounding):
            self._port.send(bytes((0x80 | channel, key, 64)))
        self._sounding.clear()
        if self._clock_on:
            self._clock_on = False
            self._port.send(bytes((STOP,)))
