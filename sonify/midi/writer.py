"""Events as the bytes of Standard MIDI Files.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association).
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.events import MidiEvents, events_at, sizes

__all__ = ["TrackChunk", "file_head", "meta", "packed", "single_track", "system_exclusive", "vlq"]

MAX_DELTA = 0x0FFFFFFF
MAX_TRACK = 0xFFFFFFFF
"""A chunk's length has four bytes."""
_CHUNK = 1 << 15
"""How many events are packed at a time: few enough to stay in the processor's cache."""
_READ = 1 << 20


def vlq(value: NDArray[np.int64]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Variable-length quantities: bytes, right-aligned to the longest, and which of them count."""
    v = value.astype(np.uint32)
    width = max(1, -(-int(v.max(initial=0)).bit_length() // 7))
    out = np.empty((len(v), width), np.uint8)
    used = np.ones((len(v), width), bool)
    for k in range(width):
        part = v >> np.uint32(7 * (width - 1 - k))
        if k < width - 1:
            used[:, k] = part > 0
            part = part | np.uint32(0x80)
        else:
            part = part & np.uint32(0x7F)
        out[:, k] = part
    return out, used


def _quantity(value: int) -> bytes:
    out, _ = vlq(np.array([min(value, MAX_DELTA)]))
    return out.tobytes()


def meta(kind: int, data: bytes) -> bytes:
    """A meta event."""
    return bytes((0xFF, kind)) + _quantity(len(data)) + data


def system_exclusive(message: bytes) -> bytes:
    """A system exclusive message, from its F0 to its F7, as a file holds it."""
    return message[:1] + _quantity(len(message) - 1) + message[1:]


def packed(events: MidiEvents, before: int = 0) -> Iterator[bytes]:
    """Events, each after the ticks since the previous one, as blocks of bytes.

    The first one comes after tick `before`.

    Raises
    ------
    InputError
        A rest is too long for a file.
    """
    for at in range(0, len(events.tick), _CHUNK):
        some = slice(at, at + _CHUNK)
        tick, message = events.tick[some], events.message[some]
        delta = np.diff(tick, prepend=before)
        before = int(tick[-1])
        if int(delta.max()) > MAX_DELTA:
            raise InputError("a rest is too long for a MIDI file; use a longer step")
        size = sizes(message) if events.size is None else events.size[some]
        lead, used = vlq(delta)
        width = lead.shape[1]
        full = np.empty((len(tick), width + message.shape[1]), np.uint8)
        mask = np.ones(full.shape, bool)
        # column by column: copies of narrow blocks take several times as long
        for k, column in enumerate([*lead.T, *message.T]):
            full[:, k] = column
        for k in range(width - 1):
            mask[:, k] = used[:, k]
        if int(size.min()) < message.shape[1]:
            mask[:, width:] = np.arange(message.shape[1]) < size[:, None]
        yield np.compress(mask.reshape(-1), full).tobytes()


class TrackChunk:
    """A track chunk to which events are added as they are made.

    Parameters
    ----------
    file : binary file
        Where its bytes are kept.
    head : sequence of bytes
        Messages at tick 0.
    """

    def __init__(self, file: BinaryIO, head: Sequence[bytes] = ()) -> None:
        self._file, self._last = file, 0
        file.writelines(b"\0" + message for message in head)

    def add(self, events: MidiEvents) -> None:
        """Add events; none of them comes before those that are there.

        Raises
        ------
        InputError
            A rest is too long for a file.
        """
        self._file.writelines(packed(events, self._last))
        self._last = int(events.tick[-1]) if len(events.tick) else self._last

    def ended(self, end: int, tail: Sequence[bytes] = ()) -> Iterator[bytes]:
        """The whole chunk in blocks, with messages at its end, for a piece that ends at a tick."""
        if tail:
            self.add(events_at(end, tail))
        self._file.write(_quantity(end - self._last) + meta(0x2F, b""))
        size = self._file.tell()
        if size > MAX_TRACK:
            raise InputError(f"a track of {size:,} bytes; a MIDI file holds at most {MAX_TRACK:,}")
        yield b"MTrk" + size.to_bytes(4, "big")
        self._file.seek(0)
        while block := self._file.read(_READ):
            yield block


def file_head(form: int, tracks: int, ticks_per_quarter: int) -> bytes:
    """The first chunk of a file of format 0 or 1."""
    head = b"MThd" + (6).to_bytes(4, "big")
    return head + b"".join(n.to_bytes(2, "big") for n in (form, tracks, ticks_per_quarter))


def single_track(events: MidiEvents, end_tick: int, ticks_per_quarter: int, tempo: int) -> bytes:
    """A file of format 0 with one tempo, in microseconds per quarter note."""
    track = TrackChunk(io.BytesIO(), [meta(0x51, tempo.to_bytes(3, "big"))])
    track.add(events)
    return b"".join([file_head(0, 1, ticks_per_quarter), *track.ended(end_tick)])
