"""Standard MIDI files.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association). Format 1: a first track
with what belongs to the whole piece, then a track a voice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.atomic import whole
from sonify.errors import InputError
from sonify.export.midi_bends import bend_messages, bend_range_bytes, said
from sonify.midi.bends import Tuned
from sonify.music.notes import Part
from sonify.music.theory.key_signatures import key_signature
from sonify.music.theory.scales import find_scale, note_number
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "midi_bytes", "write"]

Ticks = NDArray[np.int64]
Bytes = NDArray[np.uint8]

MAX_DELTA = 0x0FFFFFFF
MAX_TEMPO = 0xFFFFFF
_CHUNK = 1 << 15
# what a tempo in whole microseconds may drift: 5 ms in an hour
_DRIFT = 5e-3 / 3600


class Options(Settings, frozen=True):
    """`only_notes` leaves out all but the notes and the tempo that their times need."""

    only_notes: bool = False


@dataclass(frozen=True, eq=False)
class Messages:
    """Messages of a track: ticks, bytes (each padded to one width) and lengths in bytes."""

    tick: Ticks
    body: Bytes
    length: Ticks


def write(show: Performance, path: Path, options: Options) -> None:
    """Write a performance as a Standard MIDI File."""
    data = midi_bytes(show, options)
    with whole(path) as beside, open(beside, "wb") as out:
        for block in data:
            out.write(block)


def midi_bytes(show: Performance, options: Options | None = None) -> list[bytes]:
    """The file, as blocks of bytes to put one after the other.

    Raises
    ------
    InputError
        A tempo that a MIDI file can't hold.
    """
    options = options or Options()
    end = end_tick(show)
    tracks = [_conductor(show, end, options)]
    tracks += [_voice(part, end, options) for part in show.parts]
    head = b"MThd" + (6).to_bytes(4, "big") + (1).to_bytes(2, "big")
    head += len(tracks).to_bytes(2, "big") + show.grid.ticks_per_quarter.to_bytes(2, "big")
    out = [head]
    for blocks in tracks:
        size = sum(map(len, blocks))
        out.append(b"MTrk" + size.to_bytes(4, "big"))
        out.extend(blocks)
    return out


def end_tick(show: Performance) -> int:
    """The tick at which the last bar is full."""
    last = show.timeline.end_slot * show.grid.step_ticks
    for part in show.parts:
        if len(part):
            last = max(last, int(part.off.max()))
    return -(-last // show.grid.bar_ticks) * show.grid.bar_ticks


def vlq(value: Ticks) -> tuple[Bytes, NDArray[np.bool_]]:
    """Variable-length quantities, right-aligned in four bytes, and which of those count."""
    v = value.astype(np.uint32)
    out = np.empty((len(v), 4), np.uint8)
    used = np.empty((len(v), 4), bool)
    for k, shift in enumerate((21, 14, 7, 0)):
        out[:, k] = (v >> np.uint32(shift)) & np.uint32(0x7F)
        used[:, k] = True if shift == 0 else v >> np.uint32(shift) > 0
    out[:, :3] |= 0x80
    return out, used


def _fixed(*values: int) -> tuple[Bytes, int]:
    return np.array([values], np.uint8), len(values)


def _one(tick: int, body: bytes) -> Messages:
    return Messages(np.array([tick]), np.frombuffer(body, np.uint8)[None, :], np.array([len(body)]))


def _meta(kind: int, data: bytes) -> bytes:
    size, used = vlq(np.array([len(data)]))
    return bytes((0xFF, kind)) + size[used].tobytes() + data


def _merged(parts: list[Messages]) -> Messages:
    """Several lots of messages by tick; on one tick, in the order of the list."""
    wide = max(p.body.shape[1] for p in parts)
    tick = np.concatenate([p.tick for p in parts])
    body = np.zeros((len(tick), wide), np.uint8)
    at = 0
    for p in parts:
        body[at : at + len(p.tick), : p.body.shape[1]] = p.body
        at += len(p.tick)
    length = np.concatenate([p.length for p in parts])
    order = np.argsort(tick, kind="stable")
    return Messages(tick[order], body[order], length[order])


def _track(m: Messages, end: int) -> list[bytes]:
    """A track's bytes: each message with the time since the one before, then the end of track."""
    return [*_packed(m), _pause(end - (int(m.tick[-1]) if len(m.tick) else 0)) + b"\xff\x2f\x00"]


def _pause(delta: int) -> bytes:
    size, used = vlq(np.array([min(delta, MAX_DELTA)]))
    return size[used].tobytes()


def _packed(m: Messages) -> Iterator[bytes]:
    before = 0
    wide = m.body.shape[1]
    for at in range(0, len(m.tick), _CHUNK):
        tick = m.tick[at : at + _CHUNK]
        delta = np.diff(tick, prepend=before)
        before = int(tick[-1])
        if int(delta.max()) > MAX_DELTA:
            raise InputError("a rest is too long for a MIDI file; take a longer step")
        yield _pack(delta, m.body[at : at + _CHUNK], m.length[at : at + _CHUNK], wide)


def _pack(delta: Ticks, body: Bytes, length: Ticks, wide: int) -> bytes:
    lead, used = vlq(delta)
    full = np.empty((len(delta), 4 + wide), np.uint8)
    mask = np.empty(full.shape, bool)
    full[:, :4], mask[:, :4] = lead, used
    full[:, 4:] = body
    mask[:, 4:] = np.arange(wide) < length[:, None]
    return full[mask].tobytes()


def _voice(part: Part, end: int, options: Options) -> list[bytes]:
    head: list[Messages] = []
    channels = (part.channel,) if part.tuned is None else part.tuned.channels
    if not options.only_notes:
        head.append(_one(0, _meta(0x03, part.name.encode("utf-8"))))
        if part.tuned is not None:
            head.append(_one(0, _meta(0x01, said(part.tuned).encode("utf-8"))))
    for c in channels:
        if part.tuned is not None:
            head += [_one(0, body) for body in bend_range_bytes(c)]
        if options.only_notes:
            continue
        if part.voice.drum is None:
            head.append(_one(0, bytes((0xC0 | c, part.program))))
        if part.voice.volume is not None:
            head.append(_one(0, bytes((0xB0 | c, 7, part.voice.volume))))
        if part.voice.pan is not None:
            pan = min(127, round(64 + part.voice.pan * 64))
            head.append(_one(0, bytes((0xB0 | c, 10, pan))))
    blocks = list(_packed(_merged(head))) if head else []
    blocks.extend(_notes(part) if part.tuned is None else _tuned_notes(part, part.tuned))
    last = int(part.off.max()) if len(part) else 0
    return [*blocks, _pause(end - last) + b"\xff\x2f\x00"]


def _notes(part: Part) -> Iterator[bytes]:
    """Note-ons and note-offs by tick, note-offs first; in pieces, so that caches are used well."""
    n = len(part)
    if not n:
        return
    pitch = np.rint(part.pitch).astype(np.uint8)
    on_status, off_status = 0x90 | part.channel, 0x80 | part.channel
    if n == 1 or bool((part.off[:-1] <= part.on[1:]).all()):
        # one note at a time: on, off, on, off ... is in order as it stands
        before = 0
        for at in range(0, n, _CHUNK):
            on, off = part.on[at : at + _CHUNK], part.off[at : at + _CHUNK]
            k = len(on)
            full = np.empty((k, 2, 7), np.uint8)
            mask = np.ones((k, 2, 7), bool)
            wait = np.empty(k, np.int64)
            wait[0] = on[0] - before
            wait[1:] = on[1:] - off[:-1]
            before = int(off[-1])
            _check_rest(wait)
            full[:, 0, :4], mask[:, 0, :4] = vlq(wait)
            full[:, 1, :4], mask[:, 1, :4] = vlq(off - on)
            full[:, 0, 4], full[:, 1, 4] = on_status, off_status
            full[:, :, 5] = pitch[at : at + k, None]
            full[:, 0, 6] = part.velocity[at : at + k]
            full[:, 1, 6] = 64
            yield full[mask].tobytes()
        return
    tick = np.concatenate([part.off, part.on])
    body = np.empty((2 * n, 3), np.uint8)
    body[:n, 0], body[n:, 0] = off_status, on_status
    body[:n, 1], body[n:, 1] = pitch, pitch
    body[:n, 2], body[n:, 2] = 64, part.velocity
    order = np.argsort(tick, kind="stable")
    yield from _packed(Messages(tick[order], body[order], np.full(2 * n, 3)))


def _tuned_notes(part: Part, tuned: Tuned) -> Iterator[bytes]:
    """Notes with fractional pitches; on one tick note-offs, then bends, then note-ons."""
    n = len(part)
    bend_tick, bend_body = bend_messages(part.on, tuned)
    k = n + len(bend_tick)
    tick = np.concatenate([part.off, bend_tick, part.on])
    body = np.empty((k + n, 3), np.uint8)
    body[:n, 0], body[k:, 0] = 0x80 | tuned.channel, 0x90 | tuned.channel
    body[:n, 1], body[k:, 1] = tuned.key, tuned.key
    body[:n, 2], body[k:, 2] = 64, part.velocity
    body[n:k] = bend_body
    order = np.argsort(tick, kind="stable")
    yield from _packed(Messages(tick[order], body[order], np.full(k + n, 3)))


def _check_rest(wait: Ticks) -> None:
    if int(wait.max()) > MAX_DELTA:
        raise InputError("a rest is too long for a MIDI file; take a longer step")


def _conductor(show: Performance, end: int, options: Options) -> list[bytes]:
    grid, music = show.grid, show.setup.music
    parts = [tempo_messages(show)]
    if not options.only_notes:
        head = []
        title = show.disc.title or show.disc.name
        head.append(_one(0, _meta(0x03, title.encode("utf-8"))))
        beats, value = grid.metre
        # 24 MIDI clocks a quarter, 8 thirty-seconds a quarter
        clocks = min(255, max(1, 96 // value))
        head.append(_one(0, _meta(0x58, bytes((beats, value.bit_length() - 1, clocks, 8)))))
        key = key_signature(find_scale(music.scale), note_number(music.root), music.root)
        if key is not None:
            sharps, minor = key
            head.append(_one(0, _meta(0x59, bytes((sharps & 0xFF, int(minor))))))
        parts = [*head, *parts, _markers(show), _lyrics(show)]
    return _track(_merged(parts), end)


def tempo_messages(show: Performance) -> Messages:
    """The tempo, in whole microseconds a quarter note.

    Where rounding it would add up to more than 5 ms in an hour, rows take the whole number below
    or above by turns, so that no row begins more than a fraction of a millisecond off.

    Raises
    ------
    InputError
        A tempo that a MIDI file can't hold.
    """
    grid, t = show.grid, show.timeline
    exact = 1e6 * t.position_s / grid.step_beats
    if not 1 <= round(exact) <= MAX_TEMPO:
        way = "longer" if exact > MAX_TEMPO else "shorter"
        raise InputError(
            f"a quarter note would last {exact / 1e6:.3g} s, and a MIDI file holds up to "
            f"{MAX_TEMPO / 1e6:.1f} s; take a {way} note value for a position",
            place="music.step",
        )
    if abs(round(exact) - exact) <= exact * _DRIFT:
        tick = np.zeros(1, np.int64)
        value = np.array([round(exact)])
    else:
        tick, value = _alternating(show, exact)
    body = np.zeros((len(tick), 6), np.uint8)
    body[:, :3] = 0xFF, 0x51, 3
    for k, shift in ((3, 16), (4, 8), (5, 0)):
        body[:, k] = (value >> shift) & 0xFF
    return Messages(tick, body, np.full(len(tick), 6))


def _alternating(show: Performance, exact: float) -> tuple[Ticks, Ticks]:
    """Tempo changes at row starts whose running error stays below a row's rounding."""
    start = show.timeline.row_slot
    quarters = np.diff(np.append(start, show.timeline.end_slot)) * show.grid.step_beats
    low = int(np.floor(exact))
    # the share of time owed above `low`, spread by carrying the rest on
    owed = np.cumsum(quarters) * (exact - low)
    unit = quarters[0]
    paid = np.rint(owed / unit)
    value = low + np.diff(paid, prepend=0.0).astype(np.int64)
    moved = np.ones(len(value), bool)
    moved[1:] = value[1:] != value[:-1]
    return start[moved] * show.grid.step_ticks, value[moved]


def _texts(tick: Ticks, kind: int, text: Bytes, length: Ticks) -> Messages:
    """Meta events of short texts (under 128 bytes), shape of `text`: (events, bytes)."""
    body = np.empty((len(tick), 3 + text.shape[1]), np.uint8)
    body[:, 0], body[:, 1], body[:, 2] = 0xFF, kind, length
    body[:, 3:] = text
    return Messages(tick, body, length + 3)


def _markers(show: Performance) -> Messages:
    t = show.timeline
    words = np.char.add("row ", np.arange(1, t.rows + 1).astype("U")).astype("S")
    text = np.ascontiguousarray(words).view(np.uint8).reshape(t.rows, -1)
    length = np.count_nonzero(text, axis=1).astype(np.int64)
    return _texts(t.row_slot * show.grid.step_ticks, 0x06, text, length)


def _lyrics(show: Performance) -> Messages:
    """The characters at the moments at which their last bits are read, in UTF-8."""
    slot = show.character_slots()
    order = np.argsort(slot, kind="stable")
    points = show.captions["codepoint"][order].astype(np.int64)
    text, length = utf8(points)
    return _texts(slot[order] * show.grid.step_ticks, 0x05, text, length)


def utf8(points: Ticks) -> tuple[Bytes, Ticks]:
    """Code points as UTF-8 (RFC 3629), shape (n, 4), and how many of the bytes count."""
    length = 1 + (points > 0x7F) + (points > 0x7FF) + (points > 0xFFFF).astype(np.int64)
    out = np.zeros((len(points), 4), np.uint8)
    lead = np.array([0, 0, 0xC0, 0xE0, 0xF0])[length]
    for k in range(4):
        shift = np.maximum(6 * (length - 1 - k), 0)
        part = points >> shift
        out[:, k] = np.where(k == 0, lead | part, 0x80 | (part & 0x3F)) * (k < length)
    return out, length
