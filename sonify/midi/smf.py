"""A Standard MIDI File as events in time, and pieces of it as small files to render.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.export.midi import vlq

__all__ = ["BLOCK", "RATE", "Song", "piece", "scan"]

RATE = 48000
BLOCK = 64
"""Samples a second of a rendering, and the samples after which the renderer looks for events."""

MAX_EVENTS = 4_000_000
_TICKS = 2
"""Ticks a sample in the pieces that are rendered."""

_DIVISION = 24000
_TEMPO = (1_000_000 * _DIVISION // (_TICKS * RATE)).to_bytes(3, "big")

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Song:
    """The channel messages of a file, in the order of time and, within a tick, of the tracks.

    Attributes
    ----------
    time_s : ndarray of float64, shape (events,)
    body : ndarray of uint8, shape (events, 3)
        Status and two data bytes (the second 0 where a message has but one).
    track : ndarray of int64, shape (events,)
    end_s : float
        The end of the longest track.
    """

    time_s: Floats
    body: NDArray[np.uint8]
    track: Ints
    end_s: float

    @cached_property
    def _kind(self) -> NDArray[np.uint8]:
        kind: NDArray[np.uint8] = self.body[:, 0] & np.uint8(0xF0)
        kind[(kind == 0x90) & (self.body[:, 2] == 0)] = 0x80
        return kind

    @cached_property
    def ons(self) -> Ints:
        """The events that begin notes, by time."""
        return np.flatnonzero(self._kind == 0x90)

    @cached_property
    def offs(self) -> Ints:
        """For each of `ons`, the event that ends it; -1 where nothing does."""
        key = (self.body[:, 0] & 15).astype(np.int64) * 128 + self.body[:, 1]
        notes = np.flatnonzero((self._kind == 0x90) | (self._kind == 0x80))
        order = notes[np.argsort(key[notes], kind="stable")]
        at = np.full(len(self.body), -1, np.int64)
        after = order[1:]
        paired = (key[after] == key[order[:-1]]) & (self._kind[after] == 0x80)
        paired &= self._kind[order[:-1]] == 0x90
        at[order[:-1][paired]] = after[paired]
        return at[self.ons]

    @cached_property
    def controls(self) -> Ints:
        """All other events: programs, controllers, bends."""
        return np.flatnonzero((self._kind != 0x90) & (self._kind != 0x80))

    @cached_property
    def note_on_s(self) -> Floats:
        """When each note begins, shape (notes,)."""
        return self.time_s[self.ons]

    @cached_property
    def note_off_s(self) -> Floats:
        """When each note ends, shape (notes,)."""
        out: Floats = np.where(self.offs >= 0, self.time_s[self.offs], self.end_s)
        return out

    def programs(self) -> list[tuple[int, int, bool]]:
        """The programs that notes sound with, each as bank, program (0 to 127) and drums or not."""
        out = set()
        channel = self.body[:, 0] & 15
        # counted, not np.unique: that imports masked arrays, 5 ms of a command's start
        for c in np.flatnonzero(np.bincount(channel[self.ons], minlength=16)).tolist():
            mine = channel == c
            changes = mine & (self._kind == 0xC0)
            banks = mine & (self._kind == 0xB0) & (self.body[:, 1] == 0)
            bank = int(self.body[banks, 2][-1]) if banks.any() else 0
            numbers = np.flatnonzero(np.bincount(self.body[changes, 1])).tolist() or [0]
            out |= {(bank, p, c == 9) for p in numbers}
        return sorted(out)


def scan(data: bytes) -> Song:
    """The events of a Standard MIDI File, with the times that its tempos give them.

    Raises
    ------
    InputError
        Not such a file, or more events than are worked with.
    """
    if data[:4] != b"MThd" or len(data) < 14:
        raise InputError("this is no Standard MIDI File")
    division = int.from_bytes(data[12:14], "big")
    if division & 0x8000 or not division:
        raise InputError("times in this MIDI file are not in ticks a quarter note")
    rows: list[tuple[int, int, int, int, int]] = []
    tempos: list[tuple[int, int]] = []
    end = 0
    at = 8 + int.from_bytes(data[4:8], "big")
    track = 0
    while at + 8 <= len(data):
        size = int.from_bytes(data[at + 4 : at + 8], "big")
        if data[at : at + 4] == b"MTrk":
            end = max(end, _track(data[at + 8 : at + 8 + size], track, rows, tempos))
            track += 1
        at += 8 + size
        if len(rows) > MAX_EVENTS:
            raise InputError(
                f"the piece has more than {MAX_EVENTS:,} events, too many to render; "
                "take a smaller disc"
            )
    if rows:
        table = np.array(rows, np.int64)
        table = table[np.argsort(table[:, 0], kind="stable")]
    else:
        table = np.empty((0, 5), np.int64)
    tempos.sort(key=lambda t: t[0])
    seconds = _clock(tempos, division)
    return Song(
        seconds(table[:, 0]),
        table[:, 2:].astype(np.uint8),
        table[:, 1],
        float(seconds(np.array([end]))[0]),
    )


def _track(
    data: bytes,
    track: int,
    rows: list[tuple[int, int, int, int, int]],
    tempos: list[tuple[int, int]],
) -> int:
    """Take in a track's events; the tick at which it ends."""
    at = tick = status = 0
    size = len(data)
    while at < size:
        byte = data[at]
        at += 1
        delta = byte & 0x7F
        while byte & 0x80:
            byte = data[at]
            at += 1
            delta = delta << 7 | byte & 0x7F
        tick += delta
        byte = data[at]
        if byte & 0x80:
            at += 1
            if byte < 0xF0:
                status = byte
        if byte == 0xFF or byte == 0xF0 or byte == 0xF7:
            kind = 0
            if byte == 0xFF:
                kind = data[at]
                at += 1
            long = 0
            while True:
                part = data[at]
                at += 1
                long = long << 7 | part & 0x7F
                if not part & 0x80:
                    break
            if kind == 0x51 and byte == 0xFF:
                tempos.append((tick, int.from_bytes(data[at : at + 3], "big")))
            at += long
        elif 0xC0 <= status < 0xE0:
            rows.append((tick, track, status, data[at], 0))
            at += 1
        else:
            rows.append((tick, track, status, data[at], data[at + 1]))
            at += 2
    return tick


class _clock:
    """Ticks to seconds."""

    def __init__(self, tempos: list[tuple[int, int]], division: int) -> None:
        if not tempos or tempos[0][0] > 0:
            tempos = [(0, 500_000), *tempos]
        self._tick = np.array([t for t, _ in tempos], np.int64)
        micros = np.array([m for _, m in tempos], np.int64)
        spans = np.diff(self._tick) * micros[:-1]
        self._start = np.concatenate([[0], np.cumsum(spans)])
        self._micros = micros
        self._unit = 1e-6 / division

    def __call__(self, tick: Ints) -> Floats:
        k = np.searchsorted(self._tick, tick, side="right") - 1
        exact = self._start[k] + (tick - self._tick[k]) * self._micros[k]
        out: Floats = exact * self._unit
        return out


def piece(song: Song, notes: NDArray[np.bool_], start: int, tail_s: float) -> bytes:
    """Some of a song's notes as a file of its own, with all its other messages.

    Parameters
    ----------
    song : Song
    notes : ndarray of bool, shape (notes,)
        Which notes.
    start : int
        The sample at which the piece begins, a multiple of `BLOCK`; earlier messages come first.
    tail_s : float
        Silence after the last note's end.

    Returns
    -------
    bytes
        The file, of format 0.
    """
    on, off = song.ons[notes], song.offs[notes]
    last_s = float(song.note_off_s[notes].max()) if len(on) else start / RATE
    controls = song.controls[song.time_s[song.controls] <= last_s]
    ended = off >= 0
    # the renderer takes up an event at the first block on or after its time, half a block late
    # on average: so each is asked for half a block early, and half a sample more, so that none
    # falls on the edge between two blocks, where rounding would decide
    when = [
        np.maximum(
            (np.rint(song.time_s[e] * RATE).astype(np.int64) - start - BLOCK // 2) * _TICKS - 1, 0
        )
        for e in (off[ended], controls, on)
    ]
    when[0] = np.maximum(when[0], when[2][ended] + 1)
    # note-offs first within a tick, then what shapes the notes that begin
    order, tick = np.concatenate([off[ended], controls, on]), np.concatenate(when)
    by = np.argsort(tick, kind="stable")
    order, tick = order[by], tick[by]
    end = int(np.ceil((last_s + tail_s) * RATE)) - start
    end = -(-end // BLOCK) * BLOCK
    body = song.body[order]
    lead, used = vlq(np.diff(tick, prepend=0))
    full = np.concatenate([lead, body], axis=1)
    mask = np.ones(full.shape, bool)
    mask[:, :4] = used
    mask[:, 6] = ~np.isin(body[:, 0] & 0xF0, (0xC0, 0xD0))
    size, fill = vlq(np.array([end * _TICKS - (int(tick[-1]) if len(tick) else 0)]))
    events = b"\x00\xff\x51\x03" + _TEMPO + full[mask].tobytes()
    events += size[fill].tobytes() + b"\xff\x2f\x00"
    head = b"MThd" + (6).to_bytes(4, "big") + bytes((0, 0, 0, 1))
    head += _DIVISION.to_bytes(2, "big")
    return head + b"MTrk" + len(events).to_bytes(4, "big") + events
