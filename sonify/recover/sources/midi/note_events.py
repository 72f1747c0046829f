"""The notes of a recorded MIDI file, and what went wrong among its messages."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.bends import BEND_RANGE
from sonify.midi.reader import MidiFile, read_midi

__all__ = ["NOTE", "MidiRecording", "read_recorded_midi"]

# One recorded note. Beats are quarter notes of the file, bends are for a range of two semitones;
# ends are nan where no note-off came.
NOTE = np.dtype(
    [
        *(("on_s", "f8"), ("off_s", "f8"), ("on_beat", "f8"), ("off_beat", "f8")),
        *(("pitch", "i2"), ("bend", "i4"), ("velocity", "u1"), ("channel", "u1")),
    ]
)

# A message that repeats another within this time, in s, is its duplicate: a few times the 1 ms
# that a three-byte message takes at 31.25 kbit/s (MIDI 1.0)
TWIN_S = 0.005

# The share of messages that must be duplicates before any of them is dropped: nearly half of all
# where two inputs were recorded
TWINS = 0.45


@dataclass(frozen=True, eq=False)
class MidiRecording:
    """The notes of a MIDI file.

    Attributes
    ----------
    path : Path
    file : MidiFile
        All its messages.
    notes : ndarray of NOTE
        By onset.
    orphans : ndarray of float64
        When a note-off came that ended no note, in s.
    struck_again : ndarray of float64
        When a note-on came for a note that was sounding, in s.
    seconds, beats : float
        The length of the file.
    remarks : tuple of str
        What else a user should know about it.
    tick_s : float
        The length of its longest tick, in s.
    """

    path: Path
    file: MidiFile
    notes: NDArray[np.void]
    orphans: NDArray[np.float64]
    struck_again: NDArray[np.float64]
    seconds: float
    beats: float
    remarks: tuple[str, ...] = ()
    tick_s: float = 0.0


class _Message(NamedTuple):
    """A note-on or note-off with its time, and the bend of its channel at that time."""

    time_s: float
    beat: float
    channel: int
    pitch: int
    velocity: int
    bend: int


def read_recorded_midi(path: Path, *, queue: bool = False) -> MidiRecording:
    """Read the notes of a MIDI file.

    Parameters
    ----------
    path : Path
    queue : bool
        How note-offs are paired where a key is struck again while it sounds: the first note-off
        ends the first note (as in a file in which voices share keys), or the second strike cuts
        off the first note, whose own note-off was lost (as on a cable).

    Raises
    ------
    InputError
        Not a MIDI file, one that is broken or too large, or one without notes.
    """
    file = read_midi(path)
    every = list(_messages(file))
    messages, remarks = _without_twins(every), []
    if len(messages) < len(every):
        remarks.append(
            "each note came twice within a few milliseconds, as if two inputs or a loop had been "
            "recorded; only the first of each was used"
        )
    notes, orphans, again = _paired(messages, queue)
    if not len(notes):
        raise InputError("it has no notes; give a file with some", file=path)
    if all(m.velocity for m in messages):
        remarks.append(
            "it has no note-offs: the player sends none, or the recorder leaves them out"
        )
    return MidiRecording(
        path, file, notes, orphans, again, file.end_s, file.end_beat, tuple(remarks),
        file.longest_tick_s,
    )  # fmt: skip


def _messages(file: MidiFile) -> Iterator[_Message]:
    """Note-ons and note-offs (velocity 0) in order."""
    wheel = [0] * 16
    bend_range = [float(BEND_RANGE)] * 16
    parameter = [[127, 127] for _ in range(16)]
    for time_s, beat, (status, first, second) in zip(
        file.time_s.tolist(), file.beat.tolist(), file.message.tolist(), strict=True
    ):
        kind, c = status & 0xF0, status & 0x0F
        if kind in (0x80, 0x90):
            bend = round(wheel[c] * bend_range[c] / BEND_RANGE)
            yield _Message(time_s, beat, c, first, second if kind == 0x90 else 0, bend)
        elif kind == 0xE0:
            wheel[c] = first + 128 * second - 8192
        elif kind == 0xB0 and first in (100, 101):
            parameter[c][first - 100] = second
        elif kind == 0xB0 and first == 6 and parameter[c] == [0, 0]:
            # registered parameter 0 is the bend range (MIDI 1.0)
            bend_range[c] = float(second)


def _without_twins(messages: list[_Message]) -> list[_Message]:
    """The messages without those that came a second time, if these are too many for chance."""
    last: dict[tuple[int, int, bool], float] = {}
    once = []
    for m in messages:
        key = m.channel, m.pitch, m.velocity > 0
        if m.time_s - last.get(key, -1.0) <= TWIN_S:
            last.pop(key)
        else:
            last[key] = m.time_s
            once.append(m)
    return once if len(once) < (1 - TWINS) * len(messages) else messages


def _paired(
    messages: list[_Message], queue: bool
) -> tuple[NDArray[np.void], NDArray[np.float64], NDArray[np.float64]]:
    """Notes by onset, orphaned note-offs and second strikes."""
    nan = float("nan")
    sounding: dict[tuple[int, int], list[_Message]] = {}
    found: list[tuple[_Message, float, float]] = []
    orphans: dict[tuple[int, int], list[tuple[float, float]]] = {}
    again: list[tuple[int | None, float]] = []  # the note that was cut off, if it was
    cut: dict[tuple[int, int], list[int]] = {}
    for m in messages:
        key = m.channel, m.pitch
        notes, ended = sounding.setdefault(key, []), cut.setdefault(key, [])
        if m.velocity:
            if notes:
                again.append((None if queue else len(found), m.time_s))
                if not queue:
                    ended.append(len(found))
                    found.append((notes.pop(), nan, nan))
            else:
                ended.clear()
            notes.append(m)
        elif notes:
            found.append((notes.pop(0), m.time_s, m.beat))
        elif ended:
            # notes of one key that overlap: as many note-offs as strikes
            first = ended.pop()
            found[first] = found[first][0], m.time_s, m.beat
        else:
            orphans.setdefault(key, []).append((m.time_s, m.beat))
    found += [(m, nan, nan) for notes in sounding.values() for m in notes]
    hanging: dict[tuple[int, int], list[int]] = {}
    for k, (m, off_s, _) in enumerate(found):
        if math.isnan(off_s):
            hanging.setdefault((m.channel, m.pitch), []).append(k)
    # a queue holds messages up, so that some overtake others, and loses none: of a key, as many
    # note-offs as strikes
    for key, which in hanging.items():
        if len(which) == len(orphans.get(key, ())):
            for k, (off_s, beat) in zip(which, orphans.pop(key), strict=True):
                m = found[k][0]
                found[k] = m, max(m.time_s, off_s), max(m.beat, beat)
    lost = [time_s for k, time_s in again if k is None or math.isnan(found[k][1])]
    astray = sorted(time_s for time_s, _ in chain.from_iterable(orphans.values()))
    table = np.array(
        [
            (m.time_s, off_s, m.beat, off_beat, m.pitch, m.bend, m.velocity, m.channel)
            for m, off_s, off_beat in found
        ],
        NOTE,
    )
    return table[np.argsort(table["on_s"], kind="stable")], np.array(astray), np.array(lost)
