"""Renders events through a SoundFont piece by piece, so that memory stays constant.

A synthesizer's notes simply add up. So a performance is divided into pieces by where notes begin,
each piece is rendered until its last note has rung out, and the pieces are mixed: the same sound as
in one pass, with less memory and on several cores.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError, OutputError
from sonify.export.sound.audio import PIECE, RATE, STRIDE, Samples
from sonify.export.sound.pool import Pool
from sonify.export.sound.soundfont import SoundFont, untuned_default
from sonify.midi.channels import DRUM_CHANNEL
from sonify.midi.events import MidiEvents, TimedEvents
from sonify.midi.writer import single_track

__all__ = ["BLOCK", "fluidsynth", "midi_piece", "midirenderer"]

# samples between the moments at which midirenderer looks for events
BLOCK = 64

# ticks per sample in the files that are rendered
_TICKS = 2

_DIVISION = 24000
_TEMPO = 1_000_000 * _DIVISION // (_TICKS * RATE)

# pieces come in multiples of this, so that two or four renderers finish together
_SHARES = 4

# sound of up to this many samples is divided into four pieces
_IN_FOUR = 5 * PIECE

# the gains in dB at which a piece is rendered, each tried if the one before clipped
_GAINS = (12.0, 6.0, 0.0, -12.0)

_CLIPPED = 32600

# the controller of the sustain pedal (MIDI 1.0)
_SUSTAIN = 64

# the silence after the last note, each tried if the one before cut off sound
_TAILS_S = (2.0, 8.0, 30.0)

_FLUID_LEAD = 3 * BLOCK
# samples by which FluidSynth starts notes late, besides half a block: measured with 2.3.1
_FLUID_LATE = 103

# programs, and drums by their keys, whose tones ring on for more than the first of the tails:
# measured on the SoundFont that ships, a tenth of a second at velocity 110, programs at C4
_RINGING = np.array([8, 9, 10, 14, 50, 88, 91, *range(96, 105), 112, 114, 116, 117, 122])
_RINGING_DRUMS = np.array([41, 43, 46, 49, 51, 52, 53, 55, 57, 58, 59])

# 16-bit steps at +12 dB: below -92 dBFS, where the music itself is at about -35
_SILENT = 4

# the most voices that midirenderer plays at once
_POLYPHONY = 64

# assumed voices per note: own choice, because many instruments have two layers
_LAYERS = 2

# assumed time that a note keeps its voices after its end: own choice
_RING_S = 1.5


_Job = tuple[int, NDArray[np.bool_]]
"""The sample at which notes to render together start, and which notes they are."""

_Piece = tuple[int, NDArray[np.int16], np.float32]
"""The sample at which what was rendered starts, its samples, and the gain that undoes its own."""


def midirenderer(
    events: TimedEvents,
    notes: NDArray[np.bool_],
    start: int,
    font: SoundFont,
    levels: dict[int, int] | None = None,
) -> Iterator[Samples]:
    """Render some of the notes, from a sample on, until the last has rung out.

    Parameters
    ----------
    events : TimedEvents
    notes : ndarray of bool, shape (notes,)
        Which notes.
    start : int
        The sample at which the sound begins; none of the notes begins before.
    font : SoundFont
    levels : dict of int to int, optional
        The index in `_GAINS` of each piece, by the sample at which it begins. Pieces listed here
        start at that gain; others are added. Parts of a mix that share it add up to the mix.

    Yields
    ------
    ndarray of float32, shape (samples, 2)
    """
    size = _piece_size(events, start)
    jobs = _jobs(events, notes, start, size)
    if not jobs:
        return
    pieces: list[_Piece] = []
    at = start
    levels = {} if levels is None else levels
    louder = cache(lambda number: font.amplified(_GAINS[number]))
    asked: deque[Future[NDArray[np.int16]]] = deque()
    foreign = font.path != untuned_default().path
    with Pool(louder, len(jobs), foreign) as pool:
        for n in range(len(jobs) + pool.size):
            if n < len(jobs):
                begin, chosen = jobs[n]
                midi = midi_piece(events, chosen, begin, _TAILS_S[_rings(events, chosen)])
                asked.append(pool.submit(levels.get(begin, 0), midi))
            if n < pool.size:
                continue
            job = jobs[n - pool.size]
            yield from _mixed(pieces, at, job[0])
            at = job[0]
            pieces = [one for one in pieces if one[0] + len(one[1]) > at]
            pieces.append(_finished(pool, events, job, asked.popleft().result(), levels))
    yield from _mixed(pieces, at, max(begin + len(sound) for begin, sound, _ in pieces))


def _mixed(pieces: list[_Piece], start: int, end: int) -> Iterator[Samples]:
    """Add up pieces from a sample to another one, in blocks that stay in the processor's cache."""
    for a in range(start, end, STRIDE):
        b = min(a + STRIDE, end)
        block = np.zeros((b - a, 2), np.float32)
        for begin, sound, gain in pieces:
            part = sound[max(a - begin, 0) : max(b - begin, 0)]
            block[max(begin - a, 0) :][: len(part)] += part * gain
        yield block


def _piece_size(events: TimedEvents, start: int) -> int:
    """Choose the number of samples between the starts of two pieces.

    It depends only on the performance, so that parts of a mix are divided at the same places.
    """
    whole = max(round(events.end_s * RATE) - start, 1)
    count = _SHARES if whole <= _IN_FOUR else -(-whole // (PIECE * _SHARES)) * _SHARES
    return max(-(-whole // count // BLOCK) * BLOCK, PIECE // _SHARES)


def _jobs(events: TimedEvents, notes: NDArray[np.bool_], start: int, size: int) -> list[_Job]:
    """List the pieces, split into layers if the renderer has too few voices for all notes."""
    out = []
    where = np.flatnonzero(notes)
    number = (np.rint(events.note_on_s[where] * RATE).astype(np.int64) - start) // size
    channel = events.channel[events.ons]
    for k in np.flatnonzero(np.bincount(number)).tolist():
        mine = where[number == k]
        lanes = -(-_most_at_once(events, mine) * _LAYERS // _POLYPHONY)
        # a channel's notes stay together: drums choke each other
        used = np.bincount(channel[mine], minlength=16) > 0
        rank = (np.cumsum(used) - 1)[channel[mine]]
        if lanes > rank.max() + 1:
            rank = np.where(channel[mine] == DRUM_CHANNEL, 0, np.arange(len(mine)))
        for lane in range(lanes):
            chosen = np.zeros(len(notes), bool)
            chosen[mine[rank % lanes == lane]] = True
            if chosen.any():
                out.append((start + k * size, chosen))
    return out


def _most_at_once(events: TimedEvents, notes: NDArray[np.int64]) -> int:
    """Count the most notes that sound together, including those ringing on."""
    on = np.sort(events.note_on_s[notes])
    off = np.sort(events.note_off_s[notes] + _RING_S)
    return int((np.arange(1, len(on) + 1) - np.searchsorted(off, on, side="right")).max())


def _rings(events: TimedEvents, notes: NDArray[np.bool_]) -> bool:
    """Whether some notes are known to ring on for more than the first tail."""
    sets = events.message[events.kind == 0xC0]
    ringing = sets[np.isin(sets[:, 1], _RINGING), 0] & 0x0F
    ons = events.ons[notes]
    channel, key = events.channel[ons], events.message[ons, 1]
    drum = channel == DRUM_CHANNEL
    return bool(np.where(drum, np.isin(key, _RINGING_DRUMS), np.isin(channel, ringing)).any())


def _finished(
    pool: Pool, events: TimedEvents, job: _Job, x: NDArray[np.int16], levels: dict[int, int]
) -> _Piece:
    """Finish a piece: render it again if it clipped or was cut off."""
    start, notes = job
    level, tail = levels.get(start, 0), int(_rings(events, notes))
    while True:
        loud = level + 1 < len(_GAINS) and _peak(x) >= _CLIPPED
        cut = tail + 1 < len(_TAILS_S) and _peak(x[-RATE // 10 :]) > _SILENT
        if not (loud or cut):
            break
        level, tail = level + loud, tail + cut
        x = pool.submit(level, midi_piece(events, notes, start, _TAILS_S[tail])).result()
    levels[start] = level
    return start, x, np.float32(10 ** (-_GAINS[level] / 20) / 32768)


def _peak(x: NDArray[np.int16]) -> int:
    return max(int(x.max()), -int(x.min())) if len(x) else 0


def fluidsynth(
    events: TimedEvents,
    notes: NDArray[np.bool_],
    start: int,
    font: SoundFont,
    levels: dict[int, int] | None = None,
) -> Iterator[Samples]:
    """Render with the program FluidSynth, which does not clip.

    Raises
    ------
    InputError
        It is not installed.
    OutputError
        It fails.
    """
    program = shutil.which("fluidsynth")
    if program is None:
        raise InputError(
            "FluidSynth is not installed",
            place="sound.renderer",
            hint="leave out {renderer} to use midirenderer",
        )
    if not notes.any():
        return
    with tempfile.TemporaryDirectory() as folder:
        source, sound = Path(folder, "piece.mid"), Path(folder, "piece.raw")
        bank = font.path
        if not font.own:
            bank = Path(folder, font.path.name)
            bank.write_bytes(font.data)
        source.write_bytes(midi_piece(events, notes, start - _FLUID_LEAD, _TAILS_S[1]))
        done = subprocess.run(
            [program, "-niq", "-r", str(RATE), "-o", "audio.file.type=raw",
             "-o", "audio.file.format=float", "-o", "audio.file.endian=little",
             "-F", str(sound), str(bank), str(source)],
            capture_output=True, check=False,
        )  # fmt: skip
        if done.returncode or not sound.is_file() or not sound.stat().st_size:
            says = done.stderr.decode("utf-8", "replace").strip().splitlines()
            raise OutputError(f"FluidSynth failed ({says[-1] if says else 'no reason given'})")
        with open(sound, "rb") as stream:
            stream.seek((_FLUID_LEAD + _FLUID_LATE) * 8)
            while block := stream.read(PIECE * 8):
                usable = len(block) // 8 * 8
                yield np.frombuffer(block[:usable], "<f4").reshape(-1, 2)


def midi_piece(events: TimedEvents, notes: NDArray[np.bool_], start: int, tail_s: float) -> bytes:
    """Make a MIDI file (format 0) of some notes of a performance and all its other messages.

    Parameters
    ----------
    events : TimedEvents
    notes : ndarray of bool, shape (notes,)
        Which notes.
    start : int
        The sample at which the piece begins, a multiple of `BLOCK`; earlier messages come first.
    tail_s : float
        Silence after the end of the last note.
    """
    on, off = events.ons[notes], events.offs[notes]
    last_s = float(events.note_off_s[notes].max()) if len(on) else start / RATE
    controls = events.controls
    heard = events.time_s[controls] <= last_s
    # a pedal that is released later must be, or its notes ring on
    pedal = (events.kind[controls] == 0xB0) & (events.message[controls, 1] == _SUSTAIN)
    controls = controls[heard | pedal & (events.time_s[controls] <= last_s + tail_s)]
    # the renderer acts on an event at the first block on or after its time, half a block late on
    # average; so make events half a block early, and half a sample more, so that none falls on the
    # edge between two blocks, where rounding would decide
    ends, others, begins = (
        np.maximum(
            (np.rint(events.time_s[e] * RATE).astype(np.int64) - start - BLOCK // 2) * _TICKS - 1, 0
        )
        for e in (off, controls, on)
    )
    # note-offs first within a tick, then what shapes the notes that begin
    order = np.concatenate([off, controls, on])
    tick = np.concatenate([np.maximum(ends, begins + 1), others, begins])
    by = np.argsort(tick, kind="stable")
    end = int(np.ceil((last_s + tail_s) * RATE)) - start
    end = -(-end // BLOCK) * BLOCK
    return single_track(
        MidiEvents(tick[by], events.message[order[by]]), end * _TICKS, _DIVISION, _TEMPO
    )
