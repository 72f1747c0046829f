"""Tables of MIDI events: the one form that files, sound, live playing and the line load work on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sonify.midi.channels import BEND_CENTRE, DRUM_CHANNEL
from sonify.midi.tempo import TempoMap

__all__ = ["MidiEvents", "TimedEvents", "events_at", "merged", "note_events", "sizes", "timed"]

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

_RELEASE = 64
"""The release velocity where none is measured (MIDI 1.0 Detailed Specification)."""


@dataclass(frozen=True, eq=False)
class MidiEvents:
    """The events of a track, in order.

    Attributes
    ----------
    tick : ndarray of int64, shape (events,)
    message : ndarray of uint8, shape (events, width)
        Status and data bytes, padded with 0.
    size : ndarray of int64, shape (events,), optional
        Bytes per message; without it, all are channel messages.
    """

    tick: Ints
    message: Bytes
    size: Ints | None = None


def sizes(message: Bytes) -> Ints:
    """The bytes of each channel message: programs and channel pressure have one data byte."""
    return np.where((message[:, 0] & 0xE0) == 0xC0, 2, 3)


def events_at(tick: int, messages: Sequence[bytes]) -> MidiEvents:
    """Messages of any size at one tick."""
    size = np.array([len(m) for m in messages], np.int64)
    width = int(size.max(initial=3))
    table = np.frombuffer(b"".join(m.ljust(width, b"\0") for m in messages), np.uint8)
    return MidiEvents(np.full(len(size), tick), table.reshape(-1, width), size)


def merged(tables: list[MidiEvents]) -> MidiEvents:
    """Several tables as one, by tick and, within a tick, in the order of the list."""
    width = max(t.message.shape[1] for t in tables)
    tick = np.concatenate([t.tick for t in tables])
    message = np.concatenate(
        [np.pad(t.message, ((0, 0), (0, width - t.message.shape[1]))) for t in tables]
    )
    size = np.concatenate([sizes(t.message) if t.size is None else t.size for t in tables])
    order = np.argsort(tick, kind="stable")
    return MidiEvents(tick[order], message[order], size[order])


def note_events(
    on: Ints,
    off: Ints,
    channel: int | Bytes,
    key: Bytes,
    velocity: Bytes,
    bend: NDArray[np.int16] | None = None,
) -> MidiEvents:
    """Note-offs, pitch bend changes and note-ons, in this order within a tick.

    Parameters
    ----------
    on, off : ndarray of int64, shape (notes,)
        Ticks; `on` ascending, and each `off` after its `on`.
    channel : int or ndarray of uint8, shape (notes,)
    key, velocity : ndarray of uint8, shape (notes,)
    bend : ndarray of int16, shape (notes,), optional
        -8192 to 8191. A channel's bend is sent only where it changes, its first one at tick 0.

    Returns
    -------
    MidiEvents
    """
    n = len(on)
    if bend is None and bool((off[:-1] <= on[1:]).all()):
        # one note at a time: on, off, on, off ... needs no sorting
        tick = np.empty((n, 2), np.int64)
        tick[:, 0], tick[:, 1] = on, off
        pairs = np.empty((n, 2, 3), np.uint8)
        _fill(pairs[:, 0], 0x90, channel, key, velocity)
        _fill(pairs[:, 1], 0x80, channel, key, _RELEASE)
        return MidiEvents(tick.reshape(-1), pairs.reshape(-1, 3))
    bend_tick, bends = on[:0], np.empty((0, 3), np.uint8)
    if bend is not None:
        bend_tick, bends = _bend_changes(on, np.broadcast_to(channel, n), bend)
    tick = np.concatenate([off, bend_tick, on])
    message = np.empty((len(tick), 3), np.uint8)
    _fill(message[:n], 0x80, channel, key, _RELEASE)
    message[n : len(tick) - n] = bends
    _fill(message[len(tick) - n :], 0x90, channel, key, velocity)
    order = np.argsort(tick, kind="stable")
    return MidiEvents(tick[order], message[order])


def _fill(out: Bytes, kind: int, channel: int | Bytes, first: Bytes, second: int | Bytes) -> None:
    out[:, 0], out[:, 1], out[:, 2] = kind | channel, first, second


def _bend_changes(on: Ints, channel: Bytes, bend: NDArray[np.int16]) -> tuple[Ints, Bytes]:
    order = np.lexsort((on, channel))
    channel, value = channel[order], bend[order].astype(np.int64)
    first = np.diff(channel.astype(np.int64), prepend=-1) != 0
    change = first | (np.diff(value, prepend=0) != 0)
    value = value[change] + BEND_CENTRE
    out = np.empty((len(value), 3), np.uint8)
    out[:, 0], out[:, 1], out[:, 2] = 0xE0 | channel[change], value & 0x7F, value >> 7
    return np.where(first, 0, on[order])[change], out


@dataclass(frozen=True, eq=False)
class TimedEvents:
    """The channel messages of a piece by time: within a tick note-offs, then others, then note-ons.

    Attributes
    ----------
    tick, track : ndarray of int64, shape (events,)
    time_s : ndarray of float64, shape (events,)
    message : ndarray of uint8, shape (events, 3)
    end_s : float
        The end of the piece.
    """

    tick: Ints
    track: Ints
    time_s: Floats
    message: Bytes
    end_s: float

    @cached_property
    def kind(self) -> Bytes:
        """The kind of each message: the upper four bits of its status byte."""
        out: Bytes = self.message[:, 0] & np.uint8(0xF0)
        return out

    @cached_property
    def channel(self) -> Bytes:
        """0 to 15."""
        out: Bytes = self.message[:, 0] & np.uint8(0x0F)
        return out

    @cached_property
    def ons(self) -> Ints:
        """The events that begin notes, by time."""
        return np.flatnonzero(self.kind == 0x90)

    @cached_property
    def offs(self) -> Ints:
        """The event that ends each note of `ons`."""
        key = self.channel.astype(np.int64) * 128 + self.message[:, 1]
        ends = np.flatnonzero(self.kind == 0x80)
        # notes of one key on one channel never overlap, so the n-th note-off ends the n-th note
        out = np.empty_like(self.ons)
        out[np.argsort(key[self.ons], kind="stable")] = ends[np.argsort(key[ends], kind="stable")]
        return out

    @cached_property
    def controls(self) -> Ints:
        """All other events: programs, controllers, bends."""
        return np.flatnonzero((self.kind != 0x90) & (self.kind != 0x80))

    @cached_property
    def note_on_s(self) -> Floats:
        """When each note begins, shape (notes,)."""
        return self.time_s[self.ons]

    @cached_property
    def note_off_s(self) -> Floats:
        """When each note ends, shape (notes,)."""
        return self.time_s[self.offs]

    def programs(self) -> list[tuple[int, bool]]:
        """The programs (0 to 127) that notes use, and whether they are drum kits."""
        out = set()
        # counted, not np.unique: that imports masked arrays, 5 ms of a command's start
        for c in np.flatnonzero(np.bincount(self.channel[self.ons], minlength=16)).tolist():
            changes = (self.channel == c) & (self.kind == 0xC0)
            numbers = np.flatnonzero(np.bincount(self.message[changes, 1])).tolist() or [0]
            out |= {(p, c == DRUM_CHANNEL) for p in numbers}
        return sorted(out)


def timed(tracks: list[MidiEvents], tempo: TempoMap, end_tick: int) -> TimedEvents:
    """Tracks of channel messages as one table by time.

    Parameters
    ----------
    tracks : list of MidiEvents
    tempo : TempoMap
    end_tick : int
        The end of the piece.
    """
    tick = np.concatenate([np.zeros(0, np.int64), *(t.tick for t in tracks)])
    message = np.concatenate([np.empty((0, 3), np.uint8), *(t.message for t in tracks)])
    track = np.repeat(np.arange(len(tracks)), [len(t.tick) for t in tracks])
    kind = message[:, 0] & 0xF0
    rank = 1 + (kind == 0x90).astype(np.int64) - (kind == 0x80)
    order = np.argsort(tick * 3 + rank, kind="stable")
    tick = tick[order]
    end_s = float(tempo.seconds(np.array([end_tick]))[0])
    return TimedEvents(tick, track[order], tempo.seconds(tick), message[order], end_s)
