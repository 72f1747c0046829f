"""A clock that tests turn, a port that keeps what it is sent, and sets played with them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import mido
import numpy as np

import sonify
from sonify.live.commands import Command, Piece
from sonify.live.schedule import Schedule, schedule_of
from sonify.live.scheduler import Scheduler
from sonify.live.sender import Sender
from sonify.live.transport import OwnTempo, Transport

LEAD_S = 0.05
"""When the sender lets the first message come."""


def show_of(disc="cairn-small", presets=("hut-band", "quick"), **settings) -> sonify.Performance:
    disc = sonify.load_disc(disc) if isinstance(disc, str) else disc
    return sonify.perform(disc, presets=presets, settings=settings)


@dataclass
class Simulated:
    """A clock that stands where a wait ended; `script` has what happens when."""

    script: list[tuple[float, Callable[[], None]]] = field(default_factory=list)
    t: float = 0.0
    end: Callable[[], None] = lambda: None

    def now(self) -> float:
        return self.t

    def wait(self, until: float) -> None:
        if self.script and self.script[0][0] <= until:
            self.t, act = max(self.t, self.script[0][0]), self.script.pop(0)[1]
            act()
        elif math.isinf(until):
            self.end()
        else:
            self.t = max(self.t, until)

    def wake(self) -> None:
        pass


class Tape:
    """A port that keeps what it is sent."""

    def __init__(self, clock: Simulated) -> None:
        self.clock = clock
        self.times: list[float] = []
        self.data: list[bytes] = []

    def send(self, data: bytes) -> None:
        self.times.append(self.clock.now() - LEAD_S)
        self.data.append(data)

    @property
    def messages(self) -> list[mido.Message]:
        return [mido.Message.from_bytes(d) for d in self.data]

    def of(self, kind: int) -> list[tuple[float, bytes]]:
        """The messages of a kind, with their times."""
        return [
            (t, d)
            for t, d in zip(self.times, self.data, strict=True)
            if (d[0] if kind >= 0xF0 else d[0] & 0xF0) == kind
        ]


def piece_of(*shows: sonify.Performance, speed: float = 1.0, **options) -> Piece:
    schedules = tuple(schedule_of(s, speed=speed) for s in shows)
    return Piece(shows[0].disc.title, schedules, **options)


class Played:
    """A set, played with a simulated clock.

    Commands come at moments counted from the first message; `stop` ends it.
    """

    def __init__(
        self,
        pieces: Iterable[Piece],
        commands: Iterable[tuple[float, Command]] = (),
        *,
        stop: float | None = None,
        transport: Transport | None = None,
        port: type[Tape] = Tape,
        script: Iterable[tuple[float, Callable[[Sender, float], None]]] = (),
        **options,
    ) -> None:
        self.clock = Simulated()
        self.tape = port(self.clock)
        self.scheduler = Scheduler(list(pieces), transport or OwnTempo(), **options)
        self.sender = Sender(self.scheduler, self.tape, self.clock)
        self.clock.end = self.sender.stop
        self.before_end = 0
        acts = [(t, lambda c=c: self.sender.command(c)) for t, c in commands]
        acts += [(t, lambda a=a: a(self.sender, self.clock.t)) for t, a in script]
        if stop is not None:
            acts.append((stop, self._stop))
        self.clock.script = sorted(((t + LEAD_S, a) for t, a in acts), key=lambda x: x[0])
        self.sender.run()

    def _stop(self) -> None:
        self.before_end = len(self.tape.data)
        self.sender.stop()


@dataclass
class Sent:
    """What one performance sends, from its first message to its end."""

    time_s: np.ndarray
    messages: list[bytes]
    schedule: Schedule
    period_s: float


def sent(show: sonify.Performance, *, from_row=1, speed=1.0, clock=False) -> Sent:
    piece = piece_of(show, speed=speed)
    scheduler = Scheduler([piece], OwnTempo(), clock=clock, from_row=from_row)
    scheduler.start(0.0)
    out = scheduler.advance(1e9)
    s = piece.schedules[0]
    if clock:
        assert out.pop()[1] == b"\xfc"
    period = s.end - float(s.rows[from_row - 1])
    return Sent(np.array([t for t, _ in out]), [d for _, d in out], s, period)
