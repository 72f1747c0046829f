"""The one reader of Standard MIDI Files.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association). mido parses the bytes;
ticks become seconds here, by the tempo events or by film frames.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.input_file import input_file
from sonify.midi.tempo import DEFAULT_TEMPO, TempoMap
from sonify.midi.writer import MAX_DELTA

__all__ = ["MAX_BYTES", "MidiFile", "read_midi"]

MAX_BYTES = 64 * 1024 * 1024
"""Own limit: a day of dense playing is about a tenth of it."""

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class MidiFile:
    """The channel messages of all tracks, by time and, within a tick, in the order of tracks.

    Attributes
    ----------
    tick, track : ndarray of int64, shape (messages,)
    time_s : ndarray of float64, shape (messages,)
    beat : ndarray of float64, shape (messages,)
        In quarter notes; all 0 in a file that counts film frames.
    message : ndarray of uint8, shape (messages, 3)
        Status and data bytes, padded with 0.
    end_s, end_beat : float
        The end of the longest track.
    longest_tick_s : float
        The longest tick before that end, in s.
    metre : tuple of int or None
        The first time signature, if there is one.
    """

    tick: Ints
    track: Ints
    time_s: Floats
    beat: Floats
    message: NDArray[np.uint8]
    end_s: float
    end_beat: float
    longest_tick_s: float
    metre: tuple[int, int] | None = None


def read_midi(path: Path) -> MidiFile:
    """Read a file of format 0 or 1.

    Raises
    ------
    InputError
        There is no such file, or it is not a MIDI file, or damaged, too large or of format 2.
    """
    import mido

    with input_file(path, MAX_BYTES):
        data = io.BytesIO(path.read_bytes())
    try:
        file = mido.MidiFile(file=data, clip=True)
    # a damaged file makes mido raise nearly anything
    except Exception as e:
        raise InputError(
            f"this is not a MIDI file that can be read ({str(e) or 'it is cut off'}); export it "
            "again as format 0 or 1",
            file=path,
        ) from None
    if file.type == 2 and len(file.tracks) > 1:
        raise InputError(
            "its tracks are separate pieces (format 2); export it as format 0 or 1", file=path
        )
    rows: list[tuple[int, ...]] = []
    tempos: list[tuple[int, int]] = []
    metres: list[tuple[int, tuple[int, int]]] = []
    end = 0
    for number, track in enumerate(file.tracks):
        tick = 0
        for m in track:
            if m.time > MAX_DELTA:
                raise InputError(
                    f"{m.time:.3g} ticks pass before a message, and a MIDI file can hold "
                    f"{MAX_DELTA:,}; export it again",
                    file=path,
                    place=f"track {number + 1}",
                )
            tick += m.time
            if m.type == "set_tempo":
                tempos.append((tick, m.tempo))
            elif m.type == "time_signature":
                metres.append((tick, (m.numerator, m.denominator)))
            elif not m.is_meta and hasattr(m, "channel"):
                rows.append((tick, number, *m.bytes(), 0)[:5])
        end = max(end, tick)
    table = np.array(rows, np.int64).reshape(-1, 5)
    table = table[np.argsort(table[:, 0], kind="stable")]
    tempo = _tempo_map(tempos, file.ticks_per_beat)
    ticks, division = np.append(table[:, 0], end), file.ticks_per_beat
    when, beat = tempo.seconds(ticks), ticks / max(1, division) * (division >= 0)
    used = tempo.tempo[(tempo.tick < end) & (np.diff(tempo.tick, append=end) > 0)]
    longest = float(used.max(initial=0)) * 1e-6 / tempo.ticks_per_quarter
    return MidiFile(
        table[:, 0], table[:, 1], when[:-1], beat[:-1], table[:, 2:].astype(np.uint8),
        float(when[-1]), float(beat[-1]), longest, min(metres)[1] if metres else None,
    )  # fmt: skip


def _tempo_map(tempos: list[tuple[int, int]], division: int) -> TempoMap:
    """The tempo map of a file, by the division in its header.

    A negative division counts film frames: its high byte is minus the frames per second (29 stands
    for 29.97, drop frame), its low byte the ticks per frame. Tempo events then have no effect.
    """
    if division < 0:
        frames, ticks = -(division >> 8), max(1, division & 0xFF)
        tempos = [(0, 1_000_000)]
        per_quarter = (30000 / 1001 if frames == 29 else frames) * ticks
    else:
        tempos = [(0, DEFAULT_TEMPO), *sorted(tempos, key=lambda t: t[0])]
        per_quarter = float(max(1, division))
    tick, tempo = np.array(tempos, np.int64).T
    return TempoMap(tick, tempo.astype(np.float64), per_quarter)
