"""Standard MIDI files.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association). Format 1: a track for the
whole piece, then one track per voice. Format 0: one track.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Literal, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from sonify.atomic import atomic_write, write_data
from sonify.export.drum_map import drum_map
from sonify.export.file_formats import voice_path
from sonify.export.melody import melody_of
from sonify.midi.channels import (
    BEND_RANGE,
    DRUM_CHANNEL,
    GM_SYSTEM_ON,
    channel_reset,
)
from sonify.midi.events import MidiEvents, merged
from sonify.midi.general_midi import DRUMS
from sonify.midi.tempo import TempoMap
from sonify.midi.tuning_output import closing, opening
from sonify.midi.writer import TrackChunk, file_head, meta, system_exclusive
from sonify.music.blocks import Block
from sonify.music.notes import Part
from sonify.music.theory.key_signatures import key_signature
from sonify.music.theory.scales import find_scale, note_number
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "midi_bytes", "write"]

Ints = NDArray[np.int64]

_TEXT, _NAME, _LYRIC, _MARKER, _TEMPO, _METRE, _KEY = 0x01, 0x03, 0x05, 0x06, 0x51, 0x58, 0x59
_MOST_LETTERS = 30
"""The most characters in one lyric, so that its size takes one byte."""

_TUNED = {
    "bends": f"fractional pitches: bend range {BEND_RANGE} semitones (RPN 0), one bend per "
    "channel, channels {}",
    "one-channel": f"fractional pitches: bend range {BEND_RANGE} semitones (RPN 0), channel {{}}",
    "mpe": "fractional pitches: MPE zone, manager and member channels {}",
    "mts": "fractional pitches: keys retuned by the MIDI Tuning Standard, channel {}",
}


class Options(Settings, frozen=True):
    """How a MIDI file is laid out.

    `tracks` is a track for each voice (`voices`), for each channel and each drum (`apart`), or a
    single one, format 0 (`one`). `lyrics` puts the message on the first track, on that of the
    melody, where each character goes to a note, or on both. `mixer` sends programs, volumes and
    pans (`usual`), also the reset and the settings of a General MIDI instrument (`full`), or none
    of them. `split` is a folder for one file per voice. `drum_map` is a file for the names of the
    drums (see `sonify.export.drum_map`). `only_notes` leaves out everything but the
    notes and the tempo events that they need.
    """

    tracks: Literal["voices", "apart", "one"] = "voices"
    lyrics: Literal["first", "melody", "both"] = "first"
    mixer: Literal["usual", "full", "none"] = "usual"
    split: str | None = None
    drum_map: str | None = None
    only_notes: bool = False


class Written(NamedTuple):
    """What was written: the length of the music in s, to the end of its last bar."""

    seconds: float


class _Track(NamedTuple):
    """What a block has of a track: messages at its start, events, and messages at the end of the
    piece. Starts and ends are right in the first block."""

    head: list[bytes]
    events: MidiEvents
    tail: list[bytes]


def write(show: Performance, path: Path, options: Options) -> Written:
    """Write a performance as a Standard MIDI File.

    A long one is made in blocks; its tracks then grow in files without names beside it, because
    each begins with its length.
    """
    drums = None if options.drum_map is None else Path(options.drum_map)
    names = "" if drums is None else drum_map(show, drums)
    whole = options.split is not None or options.tracks == "apart" or _sung(options)
    files = [(path, iter([Block(show.parts)]) if whole else show.blocks())]
    if options.split is not None:
        for n, part in enumerate(show.parts):
            files.append((voice_path(options.split, show, n, path.suffix), iter([Block([part])])))
    ends = []
    for file, blocks in files:
        with contextlib.ExitStack() as kept:
            beside = kept.enter_context(atomic_write(file))

            def beside_it(folder: Path = file.parent) -> BinaryIO:
                return cast("BinaryIO", kept.enter_context(tempfile.TemporaryFile(dir=folder)))

            end, data = _made(show, options, blocks, beside_it)
            with open(beside, "wb") as out:
                out.writelines(data)
            ends.append(end)
    if drums is not None:
        write_data(drums, names)
    return Written(float(show.seconds(np.array(ends[0]))))


def midi_bytes(
    show: Performance, options: Options | None = None, parts: Sequence[Part] | None = None
) -> list[bytes]:
    """The file, as blocks of bytes to join; with all voices or some of them.

    Raises
    ------
    InputError
        A tempo or a rest that a MIDI file can't hold.
    """
    block = Block(show.parts if parts is None else list(parts))
    return list(_made(show, options or Options(), [block], io.BytesIO)[1])


def _sung(options: Options) -> bool:
    return not options.only_notes and options.lyrics != "first"


def _made(
    show: Performance, options: Options, blocks: Iterable[Block], kept: Callable[[], BinaryIO]
) -> tuple[int, Iterator[bytes]]:
    """The tick at which the last bar ends, and the file in blocks of bytes.

    If there are several blocks of notes, the tracks grow in files that `kept` gives.
    """
    stretch, last = show.tempo_map.stretch, 0
    conductor: _Track | None = None
    chunks: list[TrackChunk] = []
    tails: list[list[bytes]] = []
    for block in blocks:
        # the file of one voice is as long as the piece
        played = show.parts if block.whole else block.parts
        last = max([last, *(int(p.off.max()) for p in played if len(p))])
        melody = melody_of(show, block.parts) if _sung(options) else None
        if conductor is None:
            conductor = _conductor(show, options, melody)
        tracks = [conductor._replace(events=block.events(conductor.events))]
        for part in block.parts:
            tracks += _voice(show, part, block, options, part is melody)
        if options.tracks == "one":
            tracks = [_joined(tracks)]
        if not chunks:
            files = (io.BytesIO() if block.whole else kept() for _ in tracks)
            chunks = [TrackChunk(f, t.head) for f, t in zip(files, tracks, strict=True)]
            tails = [t.tail for t in tracks]
        for chunk, track in zip(chunks, tracks, strict=True):
            chunk.add(track.events if stretch == 1.0 else _stretched(track.events, stretch))
    tick = show.end_of(last)
    end = round(tick * stretch)
    head = file_head(int(options.tracks != "one"), len(chunks), show.grid.ticks_per_quarter)
    ended = (c.ended(end, tail) for c, tail in zip(chunks, tails, strict=True))
    return tick, itertools.chain([head], *ended)


def _stretched(events: MidiEvents, by: float) -> MidiEvents:
    return MidiEvents(np.rint(events.tick * by).astype(np.int64), events.message, events.size)


def _joined(tracks: list[_Track]) -> _Track:
    """All tracks as one; only the first keeps its name."""
    name = bytes((0xFF, _NAME))
    head = [m for n, t in enumerate(tracks) for m in t.head if not n or not m.startswith(name)]
    return _Track(head, merged([t.events for t in tracks]), [m for t in tracks for m in t.tail])


def _voice(
    show: Performance, part: Part, block: Block, options: Options, melody: bool
) -> Iterator[_Track]:
    """What a block has of the tracks of a voice."""
    bare = options.only_notes
    played = block.events(part.note_events() if bare else part.moving_events())
    words = [_lyrics(show, part)] if melody else []
    tuned = part.tuned
    moved = tuple(np.unique(played.message[(played.message[:, 0] & 0xF0) == 0xB0, 1]).tolist())
    for n, (name, channels, events) in enumerate(_shares(part, played, options.tracks)):
        head, tail = [], []
        if not bare:
            head.append(meta(_NAME, name.encode("utf-8")))
            if tuned is not None and not n:
                told = ", ".join(str(c + 1) for c in part.channels)
                head.append(meta(_TEXT, _TUNED[tuned.way].format(told).encode("ascii")))
        if not bare and options.mixer != "none":
            head += part.channel_setup(channels, full=options.mixer == "full")
        elif tuned is not None:
            head += [m for c in channels for m in opening(tuned, c)]
        head = [system_exclusive(m) if m[0] == 0xF0 else m for m in head]
        for c in channels:
            if not bare and (part.moves or part.voice.glide is not None):
                tail += channel_reset(c, moved)
            if tuned is not None:
                tail += closing(tuned, c)
        yield _Track(head, merged([*words, events]) if words and not n else events, tail)


def _shares(
    part: Part, played: MidiEvents, tracks: str
) -> Iterator[tuple[str, tuple[int, ...], MidiEvents]]:
    """The name, the channels and the events of each track of a voice."""
    if tracks != "apart":
        yield part.name, part.channels, played
        return
    status = played.message[:, 0]
    if part.channel == DRUM_CHANNEL:
        names = {key: name for name, key in DRUMS.items()}
        note = (status & 0xE0) == 0x80
        key = np.where(note, played.message[:, 1].astype(np.int16), -1)
        for n, drum in enumerate(np.unique(part.keys).tolist()):
            # controllers, which are for all drums, go to the first
            mine = (key == drum) | ((key < 0) & (n == 0))
            name = names.get(drum, f"note {drum}")
            yield f"{part.name}: {name}", part.channels, _some(played, mine)
        return
    for c in part.channels:
        share = _some(played, (status & 0x0F) == c)
        if len(share.tick) or c == part.channels[0]:
            name = f"{part.name}, channel {c + 1}" if len(part.channels) > 1 else part.name
            yield name, (c,), share


def _some(events: MidiEvents, which: NDArray[np.bool_]) -> MidiEvents:
    size = None if events.size is None else events.size[which]
    return MidiEvents(events.tick[which], events.message[which], size)


def _conductor(show: Performance, options: Options, melody: Part | None) -> _Track:
    """The first track."""
    if options.only_notes:
        return _Track([], _tempos(show.tempo_map), [])
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
    if options.mixer == "full":
        head.append(system_exclusive(GM_SYSTEM_ON))
    tables = [_tempos(show.tempo_map), _markers(show)]
    if melody is None or options.lyrics == "both":
        tables.append(_lyrics(show))
    return _Track(head, merged(tables), [])


def _tempos(tempo: TempoMap) -> MidiEvents:
    value = tempo.written[:, None] >> np.array([16, 8, 0]) & 0xFF
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


def _lyrics(show: Performance, melody: Part | None = None) -> MidiEvents:
    """The message's characters in UTF-8, each when its last bit is read.

    With a melody, each is at its next note (or the last one), where music programs look for words.
    """
    slot = show.character_slots()
    order = np.argsort(slot, kind="stable")
    points = show.captions["codepoint"][order].astype(np.int64)
    tick = slot[order] * show.grid.step_ticks
    if melody is None:
        return _metas(tick, _LYRIC, *utf8(points))
    # programs keep one text a note, so characters that share a note share an event
    tick = melody.on[np.minimum(np.searchsorted(melody.on, tick), len(melody) - 1)]
    first = np.flatnonzero(np.diff(tick, prepend=-1))
    first = np.unique(np.concatenate([first, np.arange(0, len(tick), _MOST_LETTERS)]))
    words = ["".join(map(chr, w)) for w in np.split(points, first[1:])]
    data = [word.encode("utf-8") for word in words]
    size = np.array([len(d) for d in data], np.int64)
    text = np.array(data, "S")[:, None].view(np.uint8).reshape(len(data), -1)
    return _metas(tick[first], _LYRIC, text, size)


def utf8(points: Ints) -> tuple[NDArray[np.uint8], Ints]:
    """Code points as UTF-8 (RFC 3629), shape (n, 4), and how many of the bytes count."""
    size = 1 + (points > 0x7F) + (points > 0x7FF) + (points > 0xFFFF).astype(np.int64)
    out = np.zeros((len(points), 4), np.uint8)
    lead = np.array([0, 0, 0xC0, 0xE0, 0xF0])[size]
    for k in range(4):
        part = points >> np.maximum(6 * (size - 1 - k), 0)
        out[:, k] = np.where(k == 0, lead | part, 0x80 | (part & 0x3F)) * (k < size)
    return out, size
