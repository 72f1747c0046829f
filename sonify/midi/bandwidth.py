"""How much of a 5-pin MIDI line a piece needs, and how late its notes arrive.

Source: MIDI 1.0 Detailed Specification (MIDI Manufacturers Association): 31,250 bit/s and ten bits
per byte, so 320 µs per byte; with running status, a message omits its status byte if the message
before it had the same, and a note-on of velocity 0 may end a note.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.midi.events import Ints, TimedEvents

__all__ = ["BYTE_S", "LineLoad", "Traffic", "caution_of", "keeps_up", "line_load", "traffic_of"]

BYTE_S = 10 / 31250
WINDOW_S = 0.1
"""The time over which the load is measured: own choice."""

LATE_S = 0.010
"""From this delay on, a note sounds late beside others: common practice, no source."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LineLoad:
    """The load of a line.

    Attributes
    ----------
    fullest : float
        The share of the line that the busiest 100 ms take; above 1, more than it can carry.
    fullest_s : float
        When those 100 ms begin.
    late_s : float
        The longest time from when a note is due until all of it has arrived.
    late_at_s : float
        When that note is due.
    """

    fullest: float = 0.0
    fullest_s: float = 0.0
    late_s: float = 0.0
    late_at_s: float = 0.0


@dataclass(frozen=True)
class Traffic:
    """The load of a piece with each message in full, and with running status."""

    full: LineLoad
    running: LineLoad

    def line(self) -> str:
        """The figures as a line of text."""
        return (
            f"5-pin MIDI: the fullest 100 ms take {self.full.fullest:.0%} of the line "
            f"({self.running.fullest:.0%} with running status), the latest note arrives "
            f"{self.full.late_s * 1000:.1f} ms late ({self.running.late_s * 1000:.1f} ms)"
        )


def traffic_of(
    events: TimedEvents | Iterable[TimedEvents],
    seconds: Callable[[Floats], Floats],
    clock_ticks: float | None = None,
) -> Traffic:
    """The load that a piece's notes and bends (and its MIDI clock, if any) put on a line.

    Parameters
    ----------
    events : TimedEvents or iterable of them
        Of the piece, or of its blocks, one after the other.
    seconds : callable
        The times of ticks, in s.
    clock_ticks : float, optional
        Ticks between two clock messages; without it, none are sent.
    """
    full, running, status, clocks = _Line(), _Line(), np.zeros(0, np.uint8), 0
    for block in [events] if isinstance(events, TimedEvents) else events:
        counted = np.isin(block.kind, (0x80, 0x90, 0xE0))
        # what sets a channel up is sent before the piece begins
        counted &= (block.kind != 0xE0) | (block.tick > 0)
        tick = block.tick[counted].astype(np.float64)
        if not len(tick):
            continue
        sent, on = block.message[counted, 0], block.kind[counted] == 0x90
        size = np.full(len(tick), 3.0)
        # with running status, note-offs are sent as note-ons of velocity 0
        run = np.concatenate([status, np.where((sent & 0xF0) == 0x80, sent | 0x10, sent)])
        short = size.copy()
        short[len(tick) + 1 - len(run) :][run[1:] == run[:-1]] = 2.0
        status = run[-1:]
        if clock_ticks:
            clock = np.arange(clocks, np.ceil((tick[-1] + 1) / clock_ticks)) * clock_ticks
            clocks += len(clock)
            at = np.searchsorted(tick, clock)
            tick, on = np.insert(tick, at, clock), np.insert(on, at, False)
            size, short = np.insert(size, at, 1.0), np.insert(short, at, 1.0)
        time = seconds(tick)
        full.add(time, size, on)
        running.add(time, short, on)
    return Traffic(full.load(), running.load())


def line_load(time_s: Floats, size: Floats, note: NDArray[np.bool_]) -> LineLoad:
    """The load of messages sent one after the other.

    Parameters
    ----------
    time_s : ndarray of float64, shape (messages,)
        When each is due, in ascending order.
    size : ndarray of float64, shape (messages,)
        In bytes.
    note : ndarray of bool, shape (messages,)
        Which begin notes.
    """
    line = _Line()
    line.add(time_s, size, note)
    return line.load()


class _Line:
    """What `line_load` counts, as messages come."""

    def __init__(self) -> None:
        self._any, self._total, self._free = False, 0.0, -np.inf
        # messages whose 100 ms go on: when each is due, and the bytes before it
        self._time, self._before = np.zeros(0), np.zeros(0)
        self._fullest = 0.0, 0.0
        # each message that was later than all before it, but for rounding: by how much, and when
        self._latest: list[tuple[float, float]] = [(-np.inf, 0.0)]

    def add(self, time_s: Floats, size: Floats, note: NDArray[np.bool_]) -> None:
        if not len(time_s):
            return
        self._any |= bool(note.any())
        total = self._total + np.cumsum(size)
        before = total - size
        # a message ends its own length after its time, or after the end of the one before
        free = np.maximum(np.maximum.accumulate(time_s - before * BYTE_S), self._free)
        late = np.where(note, free + total * BYTE_S - time_s, 0.0)
        top = np.maximum.accumulate(np.append(self._latest[-1][0], late))
        new = np.flatnonzero(late > top[:-1])
        found = [*self._latest, *zip(late[new].tolist(), time_s[new].tolist(), strict=True)]
        self._latest = [one for one in found if one[0] > top[-1] - 1e-9]
        self._total, self._free = float(total[-1]), float(free[-1])
        self._time = np.concatenate([self._time, time_s])
        self._before = np.concatenate([self._before, before])
        self._count(over=False)

    def _count(self, over: bool) -> None:
        """Count the bytes of the 100 ms that have passed; all of them when the piece is over."""
        time = self._time
        # rounding must not put a message that comes 100 ms later into the same 100 ms
        last = np.searchsorted(time, time + WINDOW_S * (1 - 1e-9), side="left")
        known = len(time) if over else int(np.searchsorted(last, len(time)))
        if known:
            until = np.append(self._before, self._total)[last[:known]]
            share = (until - self._before[:known]) * BYTE_S / WINDOW_S
            at = int(share.argmax())
            if share[at] > self._fullest[0]:
                self._fullest = float(share[at]), float(time[at])
            self._time, self._before = time[known:], self._before[known:]

    def load(self) -> LineLoad:
        if not self._any:
            return LineLoad()
        self._count(over=True)
        return LineLoad(*self._fullest, *self._latest[0])


def keeps_up(voices: Iterable[tuple[Ints, Ints]], tick_s: float) -> bool:
    """Whether no note can be late, without counting messages; True only if that is certain.

    A voice that plays one note at a time sends at most an on, a bend and an off per note, and two
    notes' worth arrives before the next.

    Parameters
    ----------
    voices : iterable of (ndarray, ndarray)
        The ticks at which the notes of each voice begin and end, by onset.
    tick_s : float
        The length of the shortest tick.
    """
    least, count = LATE_S / tick_s, 0
    for on, off in voices:
        count += 1
        if (off[:-1] > on[1:]).any() or np.diff(on).min(initial=1 << 60) < least:
            return False
    return count * 15 * BYTE_S <= LATE_S


def caution_of(traffic: Traffic) -> str | None:
    """A caution if a piece is too much for a 5-pin line, else None."""
    worst, best = traffic.full, traffic.running
    if worst.late_s <= LATE_S and worst.fullest <= 1.0:
        return None
    says = (
        f"a 5-pin MIDI line carries 31,250 bit/s and falls behind: the fullest 100 ms "
        f"(at {worst.fullest_s:.1f} s) take {worst.fullest:.0%} of it, and the note at "
        f"{worst.late_at_s:.1f} s is {worst.late_s * 1000:.0f} ms late"
    )
    if best.late_s <= LATE_S and best.fullest <= 1.0:
        return f"{says}; with running status only {best.late_s * 1000:.0f} ms"
    return (
        f"{says}; with running status {best.fullest:.0%} and {best.late_s * 1000:.0f} ms: a real "
        "player could not send this in time; use fewer voices or a slower player"
    )
