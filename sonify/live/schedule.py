"""The messages to send over a MIDI port, and when.

Source: MIDI 1.0 Detailed Specification (MIDI Manufacturers Association): the real-time messages
timing clock (24 per quarter note), start, continue and stop, and the song position, in MIDI beats
of six clocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.events import sizes

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["CLOCK", "CLOCKS_PER_QUARTER", "CONTINUE", "START", "STOP", "Schedule", "schedule_of"]

CLOCK, START, CONTINUE, STOP, POSITION = 0xF8, 0xFA, 0xFB, 0xFC, 0xF2
CLOCKS_PER_QUARTER = 24
CLOCKS_PER_BEAT = 6
_MOST_BEATS = 1 << 14
"""A song position has 14 bits."""


@dataclass(frozen=True, eq=False)
class Schedule:
    """The messages of one pass, by time.

    Attributes
    ----------
    time_s : ndarray of float64, shape (messages,)
        From the start of the pass, at the playing speed.
    messages : list of bytes
    period_s : float
        The length of a pass, at the playing speed.
    start_s : float
        Where in the piece it begins.
    speed : float
    channels : tuple of int
        All channels that are used, 0 to 15.
    """

    time_s: NDArray[np.float64]
    messages: list[bytes]
    period_s: float
    start_s: float
    speed: float
    channels: tuple[int, ...]


def row_start(show: Performance, row: int) -> float:
    """When a row, counted from 1, begins, in s.

    Raises
    ------
    InputError
        There is no such row.
    """
    if not 1 <= row <= show.timeline.rows:
        raise InputError(
            f"there is no row {row}; this disc has 1 to {show.timeline.rows}", key="from-row"
        )
    return float(show.timeline.row_start_s()[row - 1])


def schedule_of(
    show: Performance, *, from_row: int = 1, speed: float = 1.0, clock: bool = False
) -> Schedule:
    """The messages of a performance from a row on.

    Parameters
    ----------
    show : Performance
    from_row : int
        Counted from 1. Programs and controllers that earlier rows set are set at its start.
    speed : float
        1 is as written.
    clock : bool
        Also send MIDI clock, start and stop.
    """
    events, start = show.events, row_start(show, from_row)
    # rounding of the tempo must not drop the first note of the row
    early = events.note_on_s < start - 1e-6
    keep = np.ones(len(events.tick), bool)
    keep[events.ons[early]] = keep[events.offs[early]] = False
    time, body = np.maximum(events.time_s[keep], start) - start, events.message[keep]
    messages = [b[:n].tobytes() for b, n in zip(body, sizes(body).tolist(), strict=True)]
    if clock:
        first = int(show.timeline.row_slot[from_row - 1]) * show.grid.step_ticks
        clock_s, clocks = _clock(show, first)
        # a clock goes before notes that are due at the same time
        time, messages = np.append(clock_s, time), clocks + messages
        order = np.argsort(time, kind="stable")
        time, messages = time[order], [messages[k] for k in order.tolist()]
    channels = tuple(np.unique(events.channel).tolist())
    return Schedule(time / speed, messages, (show.music_s - start) / speed, start, speed, channels)


def _clock(show: Performance, first: int) -> tuple[NDArray[np.float64], list[bytes]]:
    """Times and messages of start (or position and continue) and the clock, from a tick on."""
    step = show.grid.ticks_per_quarter / CLOCKS_PER_QUARTER
    beat = step * CLOCKS_PER_BEAT
    at = round(first / beat)
    if first == 0 or abs(at * beat - first) > 1e-6 or at >= _MOST_BEATS:
        head = [bytes((START,))]
    else:
        head = [bytes((POSITION, at & 0x7F, at >> 7)), bytes((CONTINUE,))]
    count = int(np.ceil((show.end_tick - first) / step - 1e-9))
    ticks = show.seconds(first + np.arange(count) * step) - show.seconds(np.array(first))
    time = np.concatenate([np.zeros(len(head)), ticks])
    return time, head + [bytes((CLOCK,))] * count
