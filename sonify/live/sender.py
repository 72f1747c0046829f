"""Sends what a scheduler gives over a port, each message on time, and leaves no note sounding.

All times count from one start on one monotonic clock, so delays don't add up. Sleeps end a little
late, so the thread sleeps until shortly before a message is due and then polls the clock.
"""

from __future__ import annotations

import contextlib
import gc
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Protocol, TypeVar

from sonify.errors import OutputError
from sonify.live.commands import Command, State
from sonify.live.scheduler import Scheduler

if TYPE_CHECKING:
    from sonify.live.ports import MidiPort

__all__ = ["Sender", "WallClock", "punctual"]

_SPIN_S = 0.0008
"""How long before a message the thread starts to poll the clock: own choice."""

_LEAD_S = 0.05
"""From the start of the thread to the first message: own choice."""

_SWITCH_S = 0.0005
_PRIORITY = 10
"""Low among real-time priorities, so that the system's own come first: own choice."""

T = TypeVar("T")


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


class Clock(Protocol):
    """A clock that one waits by."""

    def now(self) -> float:
        """The moment, in s."""

    def wait(self, until: float) -> None:
        """Wait until a moment, or until woken."""

    def wake(self) -> None:
        """End a wait."""


class WallClock:
    """The computer's monotonic clock."""

    def __init__(self) -> None:
        self._woken = threading.Event()

    now = staticmethod(time.monotonic)

    def wait(self, until: float) -> None:
        """Wait until a moment, or until woken."""
        while (left := until - time.monotonic()) > 0 and not self._woken.is_set():
            if left > _SPIN_S:
                self._woken.wait(min(left - _SPIN_S, threading.TIMEOUT_MAX))
        self._woken.clear()

    def wake(self) -> None:
        """End a wait."""
        self._woken.set()


class Sender(threading.Thread):
    """A thread that sends what a scheduler gives.

    Parameters
    ----------
    scheduler : Scheduler
    port : MidiPort
    clock : Clock, optional
    """

    def __init__(self, scheduler: Scheduler, port: MidiPort, clock: Clock | None = None) -> None:
        super().__init__(name="sender", daemon=True)
        self._scheduler, self._port = scheduler, port
        self._clock = WallClock() if clock is None else clock
        self._halt, self._lock = threading.Event(), threading.Lock()
        self.error: OutputError | None = None

    def stop(self) -> None:
        """Stop; `join` waits until all notes are off."""
        self._halt.set()
        self._clock.wake()

    def command(self, command: Command) -> None:
        """Do something now."""
        self.change(lambda scheduler, now: scheduler.command(now, command))

    def change(self, act: Callable[[Scheduler, float], T]) -> T:
        """Do something with the scheduler, at a moment."""
        with self._lock:
            out = act(self._scheduler, self._clock.now())
        self._clock.wake()
        return out

    def state(self) -> State:
        """What plays."""
        with self._lock:
            return self._scheduler.state(self._clock.now())

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
        s, clock = self._scheduler, self._clock
        with self._lock:
            s.start(clock.now() + _LEAD_S)
        while not self._halt.is_set():
            with self._lock:
                for _, data in s.advance(clock.now()):
                    self._port.send(data)
                if s.done:
                    return
                due = s.due()
            clock.wait(due)

    def _silence(self) -> None:
        with self._lock:
            for data in self._scheduler.silence():
                self._port.send(data)
