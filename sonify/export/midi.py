"""Standard MIDI files.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association). Format 1: a track for the
whole piece, then one track per voice.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.atomic import atomic_write
from sonify.midi.channels import BEND_RANGE
from sonify.midi.events import MidiEvents, events_at, merged
from sonify.midi.tempo import TempoMap
from sonify.midi.writer import file_blocks, meta, packed, track_blocks
from sonify.music.notes import Part
from sonify.music.theory.key_signatures import key_signature
from sonify.music.theory.scales import find_scale, note_number
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "midi_bytes", "write"]

Ints = NDArray[np.int64]

_TEXT, _NAME, _LYRIC, _MARKER, _TEMPO, _METRE, _KEY = 0x01, 0x03, 0x05, 0x06, 0x51, 0x58, 0x59
_BEND_TEXT = (
    "fractional pitches: bend range {} semitones (RPN 0), one bend per channel, channels {}"
)


class Options(Settings, frozen=True):
    """`only_notes` leaves out everything but the notes and the tempo events that they need."""

    only_notes: bool = False


def write(show: Performance, path: Path, options: Options) -> None:
    """Write a performance as a Standard MIDI File."""
    data = midi_bytes(show, options)
    with atomic_write(path) as beside, open(beside, "wb") as out:
        for block in data:
            out.write(block)


def midi_bytes(show: Performance, options: Options | None = None) -> list[bytes]:
    """The file, as blocks of bytes to join.

    Raises
    ------
    InputError
        A tempo or a rest that a MIDI file can't hold.
    """
    only_notes = options is not None and options.only_notes
    end = show.end_tick
    conductor = merged(_conductor(show, only_notes))
    tracks = [track_blocks(packed(conductor), int(conductor.tick[-1]), end)]
    for part in show.parts:
        played = part.note_events() if only_notes else part.moving_events()
        last = int(played.tick.max(initial=0))
        tracks.append(track_blocks(_voice(part, played, only_notes), last, end))
    return file_blocks(1, show.grid.ticks_per_quarter, tracks)


def _voice(part: Part, played: MidiEvents, only_notes: bool) -> Iterator[bytes]:
    head = []
    if not only_notes:
        head.append(meta(_NAME, part.name.encode("utf-8")))
        if part.tuned is not None:
            channels = ", ".join(str(c + 1) for c in part.channels)
            head.append(meta(_TEXT, _BEND_TEXT.format(BEND_RANGE, channels).encode("ascii")))
    head += part.channel_setup(only_bends=only_notes)
    yield from (b"\0" + message for message in head)
    yield from packed(played)


def _conductor(show: Performance, only_notes: bool) -> list[MidiEvents]:
    """The events of the first track."""
    if only_notes:
        return [_tempos(show.tempo_map)]
    music, (beats, value) = show.setup.music, show.grid.metre
    # 24 MIDI clocks and 8 thirty-seconds per quarter note
    clocks = min(255, max(1, 96 // value))
    head = [
        meta(_NAME, (show.disc.display_name).encode("utf-8")),
        meta(_METRE, bytes((beats, value.bit_length() - 1, clocks, 8))),
    ]
    key = key_signature(find_scale(music.scale), note_number(music.root), music.root)
    if key is not None:
        sharps, minor = key
        head.append(meta(_KEY, bytes((sharps & 0xFF, int(minor)))))
    return [events_at(0, head), _tempos(show.tempo_map), _markers(show), _lyrics(show)]


def _tempos(tempo: TempoMap) -> MidiEvents:
    value = tempo.tempo[:, None] >> np.array([16, 8, 0]) & 0xFF
    return _metas(tempo.tick, _TEMPO, value.astype(np.uint8), np.full(len(value), 3))


def _metas(tick: Ints, kind: int, data: NDArray[np.uint8], size: Ints) -> MidiEvents:
    """Meta events of under 128 bytes each, `data` of shape (events, bytes)."""
    head = np.empty((len(tick), 3), np.uint8)
    head[:, 0], head[:, 1], head[:, 2] = 0xFF, kind, size
    return MidiEvents(tick, np.concatenate([head, data], axis=1), size + 3)


def _markers(show: Performance) -> MidiEvents:
    t = show.timeline
    words = np.char.add("row ", np.arange(1, t.rows + 1).astype("U")).astype("S")
    text = np.ascontiguousarray(words).view(np.uint8).reshape(t.rows, -1)
    tick = t.row_slot * show.grid.step_ticks
    return _metas(tick, _MARKER, text, np.count_nonzero(text, axis=1).astype(np.int64))


def _lyrics(show: Performance) -> MidiEvents:
    """The message's characters in UTF-8, each when its last bit is read."""
    slot = show.character_slots()
    order = np.argsort(slot, kind="stable")
    text, size = utf8(show.captions["codepoint"][order].astype(np.int64))
    return _metas(slot[order] * show.grid.step_ticks, _LYRIC, text, size)


def utf8(points: Ints) -> tuple[NDArray[np.uint8], Ints]:
    """Code points as UTF-8 (RFC 3629), shape (n, 4), and how many of the bytes count."""
    size = 1 + (points > 0x7F) + (points > 0x7FF) + (points > 0xFFFF).astype(np.int64)
    out = np.zeros((len(points), 4), np.uint8)
    lead = np.array([0, 0, 0xC0, 0xE0, 0xF0])[size]
    for k in range(4):
        part = points >> np.maximum(6 * (size - 1 - k), 0)
        out[:, k] = np.where(k == 0, lead | part, 0x80 | (part & 0x3F)) * (k < size)
    return out, size
