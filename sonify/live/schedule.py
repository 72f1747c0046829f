"""What is sent over a MIDI port, and when.

Source: MIDI 1.0 Detailed Specification (MIDI Manufacturers Association), system real time
messages: 24 timing clocks a quarter note, start, continue and stop; song position in MIDI beats of
six clocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.export.midi import end_tick, midi_bytes
from sonify.midi.smf import Song, scan

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["CLOCK", "CLOCKS_A_QUARTER", "CONTINUE", "START", "STOP", "Schedule", "schedule_of"]

CLOCK, START, CONTINUE, STOP, POSITION = 0xF8, 0xFA, 0xFB, 0xFC, 0xF2
CLOCKS_A_QUARTER = 24
CLOCKS_A_BEAT = 6
_MOST_BEATS = 1 << 14


@dataclass(frozen=True, eq=False)
class Schedule:
    """Messages of one pass, by time.

    Attributes
    ----------
    time_s : ndarray of float64, shape (messages,)
        After the start of the pass, as it is played.
    body : ndarray of uint8, shape (messages, 3)
    length : ndarray of int64, shape (messages,)
        How many of those bytes count.
    period_s : float
        How long a pass lasts, as it is played.
    start_s : float
        Where in the piece it begins.
    speed : float
    channels : tuple of int
        All channels that are used, 0 to 15.
    clock : bool
        Whether it keeps time for others.
    """

    time_s: NDArray[np.float64]
    body: NDArray[np.uint8]
    length: NDArray[np.int64]
    period_s: float
    start_s: float
    speed: float
    channels: tuple[int, ...]
    clock: bool

    def __len__(self) -> int:
        return len(self.time_s)


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
    """The messages of the MIDI file that `midi` writes, from a row on.

    Parameters
    ----------
    show : Performance
    from_row : int
        Counted from 1. What was set before it is set at its start.
    speed : float
        1 is as written.
    clock : bool
        With MIDI clock, start and stop.

    Returns
    -------
    Schedule
    """
    song = scan(b"".join(midi_bytes(show)))
    tick_s = show.grid.tick_s(show.timeline.position_s)
    start = row_start(show, from_row)
    end = end_tick(show) * tick_s
    order, time = _from(song, start)
    body = song.body[order]
    length = np.where(np.isin(body[:, 0] & 0xF0, (0xC0, 0xD0)), 2, 3)
    channels = tuple(np.unique(body[:, 0] & 15).tolist())
    time = time - start
    if clock:
        first = int(show.timeline.row_slot[from_row - 1]) * show.grid.step_ticks
        lead = _clock(show, first, end_tick(show), tick_s)
        time, body, length = _before(lead, (time, body, length))
    return Schedule(
        time / speed, body, length, (end - start) / speed, start, speed, channels, clock
    )


def _from(song: Song, start: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The events that play from a moment on, and when, what was set before it at its start."""
    tiny = 1e-6
    notes = song.note_on_s >= start - tiny
    on, off = song.ons[notes], song.offs[notes]
    order = np.concatenate([off[off >= 0], song.controls, on])
    time = np.maximum(song.time_s[order], start)
    by = np.argsort(time, kind="stable")
    return order[by], time[by]


Messages = tuple[NDArray[np.float64], NDArray[np.uint8], NDArray[np.int64]]


def _clock(show: Performance, first: int, end: int, tick_s: float) -> Messages:
    """Start (or where to go on) and the clocks, from a tick to the end."""
    step = show.grid.ticks_per_quarter / CLOCKS_A_QUARTER
    beat = step * CLOCKS_A_BEAT
    at = round(first / beat)
    if first == 0 or abs(at * beat - first) > 1e-6 or at >= _MOST_BEATS:
        head = [(START, 0, 0, 1)]
    else:
        head = [(POSITION, at & 0x7F, at >> 7, 3), (CONTINUE, 0, 0, 1)]
    count = int(np.ceil((end - first) / step - 1e-9))
    table = np.zeros((len(head) + count, 4), np.int64)
    table[: len(head)] = head
    table[len(head) :] = (CLOCK, 0, 0, 1)
    time = np.concatenate([np.zeros(len(head)), np.arange(count) * step * tick_s])
    return time, table[:, :3].astype(np.uint8), table[:, 3]


def _before(one: Messages, other: Messages) -> Messages:
    """Both by time; at one moment, `one` first."""
    time = np.concatenate([one[0], other[0]])
    by = np.argsort(time, kind="stable")
    return time[by], np.concatenate([one[1], other[1]])[by], np.concatenate([one[2], other[2]])[by]
