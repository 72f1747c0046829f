"""Events as the bytes of Standard MIDI Files.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.events import MidiEvents, sizes

__all__ = ["file_blocks", "meta", "packed", "single_track", "system_exclusive", "vlq"]

MAX_DELTA = 0x0FFFFFFF
_CHUNK = 1 << 15
"""How many events are packed at a time: few enough to stay in the processor's cache."""


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


def packed(events: MidiEvents) -> Iterator[bytes]:
    """Events, each after the ticks since the previous one, as blocks of bytes.

    Raises
    ------
    InputError
        A rest is too long for a file.
    """
    before = 0
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


def track_blocks(blocks: Iterable[bytes], last_tick: int, end_tick: int) -> list[bytes]:
    """A track chunk of packed events, the last of them at `last_tick`."""
    out = [*blocks, _quantity(end_tick - last_tick) + meta(0x2F, b"")]
    return [b"MTrk" + sum(map(len, out)).to_bytes(4, "big"), *out]


def file_blocks(form: int, ticks_per_quarter: int, tracks: list[list[bytes]]) -> list[bytes]:
    """A file of format 0 or 1, as blocks of bytes to join."""
    head = b"MThd" + (6).to_bytes(4, "big")
    head += b"".join(n.to_bytes(2, "big") for n in (form, len(tracks), ticks_per_quarter))
    return [head, *(block for track in tracks for block in track)]


def single_track(events: MidiEvents, end_tick: int, ticks_per_quarter: int, tempo: int) -> bytes:
    """A file of format 0 with one tempo, in microseconds per quarter note."""
    first = b"\0" + meta(0x51, tempo.to_bytes(3, "big"))
    last = int(events.tick[-1]) if len(events.tick) else 0
    track = track_blocks([first, *packed(events)], last, end_tick)
    return b"".join(file_blocks(0, ticks_per_quarter, [track]))
