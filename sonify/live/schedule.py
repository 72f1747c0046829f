"""The messages of a performance by their places, ready to send from any place on.

Places count in seconds at the playing speed, or in quarter notes where an incoming clock sets the
tempo.

Source: MIDI 1.0 Detailed Specification (MIDI Manufacturers Association): the real-time messages
timing clock (24 per quarter note), start, continue and stop, and the song position, in MIDI beats
of six clocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.channels import DRUM_CHANNEL
from sonify.midi.events import sizes

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["CLOCK", "CLOCKS_PER_QUARTER", "CONTINUE", "START", "STOP", "Schedule", "schedule_of"]

CLOCK, START, CONTINUE, STOP, POSITION = 0xF8, 0xFA, 0xFB, 0xFC, 0xF2
CLOCK_MESSAGES = (CLOCK, START, CONTINUE, STOP, POSITION)
CLOCKS_PER_QUARTER = 24
CLOCKS_PER_BEAT = 6
MOST_BEATS = 1 << 14
"""A song position has 14 bits."""

FUZZ = 1e-6
"""Places closer than this are the same: rounding of the tempo must not drop a row's first note."""

_PARAMETER = (6, 38, 98, 99, 100, 101)
"""Data entry and the numbers of parameters, which mean something only in their order."""

Places = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Schedule:
    """The messages of a performance.

    Attributes
    ----------
    show : Performance
    speed : float
        1 is as written.
    in_beats : bool
        Whether places are quarter notes, or else seconds at the playing speed.
    place : ndarray of float64, shape (messages,)
        Ascending.
    messages : list of bytes
    """

    show: Performance
    speed: float
    in_beats: bool
    place: Places
    messages: list[bytes]

    def at_ticks(self, ticks: NDArray[Any]) -> Places:
        """The places of ticks."""
        if self.in_beats:
            return np.asarray(ticks / self.show.grid.ticks_per_quarter, np.float64)
        return self.show.seconds(ticks) / self.speed

    def seconds(self, place: float) -> float:
        """The time of a place in the performance, in s."""
        if self.in_beats:
            return float(self.show.seconds(np.array(place * self.show.grid.ticks_per_quarter)))
        return place * self.speed

    @cached_property
    def rows(self) -> Places:
        """Where rows begin, and after the last one the end, shape (rows + 1,)."""
        ticks = self.show.timeline.row_slot * self.show.grid.step_ticks
        return self.at_ticks(np.append(ticks, self.show.end_tick))

    @cached_property
    def bars(self) -> Places:
        """Where bars begin, and the end."""
        grid = self.show.grid
        return self.at_ticks(np.arange(0, self.show.end_tick + 1, grid.bar_ticks))

    @cached_property
    def clock(self) -> Places:
        """Where the clocks are, 24 a quarter note."""
        step = self.show.grid.ticks_per_quarter / CLOCKS_PER_QUARTER
        return self.at_ticks(np.arange(int(np.ceil(self.show.end_tick / step - FUZZ))) * step)

    @property
    def end(self) -> float:
        """Where the last bar ends."""
        return float(self.rows[-1])

    @cached_property
    def channels(self) -> tuple[int, ...]:
        """All channels that are used, 0 to 15."""
        return tuple(np.unique(self.show.events.channel).tolist())

    @cached_property
    def voices(self) -> tuple[str, ...]:
        """The names of the voices; `voice` counts in them."""
        return tuple(p.name for p in self.show.parts)

    @cached_property
    def voice(self) -> list[int]:
        """The voice of each message."""
        out: list[int] = self.show.events.track.tolist()
        return out

    def prepare(self) -> None:
        """Make what is otherwise made when it is first asked for."""
        _ = self.rows, self.bars, self.clock, self.voice, self.setup, self.show.events.offs

    def row_at(self, place: float) -> int:
        """The row at a place, counted from 0."""
        k = int(np.searchsorted(self.rows, place + FUZZ, side="right")) - 1
        return min(max(k, 0), len(self.rows) - 2)

    def index(self, place: float) -> int:
        """The first message at or after a place."""
        return int(np.searchsorted(self.place, place - FUZZ))

    def sounding(self, place: float) -> list[tuple[bytes, int]]:
        """The notes that have begun before a place and end after it, with their voices; no drums.

        Parameters
        ----------
        place : float

        Returns
        -------
        list of (bytes, int)
            Their note-ons.
        """
        e = self.show.events
        on, off = self.place[e.ons], self.place[e.offs]
        which = e.ons[
            (on < place - FUZZ) & (off > place + FUZZ) & (e.channel[e.ons] != DRUM_CHANNEL)
        ]
        return [(self.messages[k], self.voice[k]) for k in which.tolist()]

    @cached_property
    def setup(self) -> list[bytes]:
        """The messages that set up the channels before the first note."""
        controls = self.show.events.controls
        return [self.messages[k] for k in controls[self.place[controls] <= 0].tolist()]

    def state(self, place: float) -> list[bytes]:
        """Programs, controllers and bends as they are at a place, each once."""
        controls = self.show.events.controls
        last: dict[tuple[int, ...], bytes] = {}
        for k in controls[self.place[controls] < place - FUZZ].tolist():
            data = self.messages[k]
            if data[0] & 0xF0 != 0xB0 or data[1] not in _PARAMETER:
                last[target(data)] = data
        return list(last.values())


def target(data: bytes) -> tuple[int, ...]:
    """What a message sets: its status and, of a controller or key pressure, the number."""
    return tuple(data[:2]) if data[0] & 0xF0 in (0xA0, 0xB0) else (data[0],)


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


def schedule_of(show: Performance, *, speed: float = 1.0, in_beats: bool = False) -> Schedule:
    """The messages of a performance.

    Parameters
    ----------
    show : Performance
    speed : float
        1 is as written.
    in_beats : bool
        Places are quarter notes, or else seconds at the playing speed.
    """
    events = show.events
    place = events.tick / show.grid.ticks_per_quarter if in_beats else events.time_s / speed
    body = events.message
    messages = [b[:n].tobytes() for b, n in zip(body, sizes(body).tolist(), strict=True)]
    return Schedule(show, speed, in_beats, place, messages)
