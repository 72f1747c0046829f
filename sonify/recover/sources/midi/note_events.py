"""The notes of a recorded MIDI file, and what went wrong among its messages."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.bends import BEND_RANGE

__all__ = ["NOTE", "MidiRecording", "read_recorded_midi"]

NOTE = np.dtype(
    [
        *(("on_s", "f8"), ("off_s", "f8"), ("on_beat", "f8"), ("off_beat", "f8")),
        *(("pitch", "i2"), ("bend", "i4"), ("velocity", "u1"), ("channel", "u1")),
    ]
)
"""One recorded note. Beats are quarter notes of the file, bends are for a range of two semitones;
ends are nan where no note-off came."""

MAX_BYTES = 64 * 1024 * 1024  # a day of dense playing is about a tenth of it

TWIN_S = 0.005
"""A message that repeats another within this time, in s, is its duplicate: a few times the 1 ms
that a three-byte message takes at 31.25 kbit/s (MIDI 1.0)."""

TWINS = 0.45
"""The share of messages that must be duplicates before any of them is dropped: nearly half of all
where two inputs were recorded."""


@dataclass(frozen=True, eq=False)
class MidiRecording:
    """The notes of a MIDI file.

    Attributes
    ----------
    path : Path
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
    notes: NDArray[np.void]
    orphans: NDArray[np.float64]
    struck_again: NDArray[np.float64]
    seconds: float
    beats: float
    remarks: tuple[str, ...] = ()
    tick_s: float = 0.0


@dataclass(frozen=True)
class _Message:
    """A note-on or note-off with its time, and the bend of its channel at that time."""

    time_s: float
    beat: float
    channel: int
    pitch: int
    velocity: int
    bend: int


def read_recorded_midi(path: Path, *, queue: bool = False) -> MidiRecording:
    """Read a MIDI file.

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
    import mido

    size = path.stat().st_size
    if size > MAX_BYTES:
        raise InputError(
            f"it has {size:,} bytes; a recording may have {MAX_BYTES:,} at most", file=path
        )
    try:
        file = mido.MidiFile(str(path), clip=True)
        if file.type == 2 and len(file.tracks) > 1:
            raise InputError(
                "its tracks are separate pieces (format 2); save it as format 0 or 1", file=path
            )
        clock = _Clock(file, _frame_tick(path))
        messages = list(_messages(file, clock))
    except InputError:
        raise
    except (OSError, ValueError, KeyError, IndexError, EOFError, TypeError, AttributeError) as e:
        raise InputError(
            f"this is not a MIDI file that can be read ({str(e) or 'it is cut short'}); record it "
            "again as a .mid of format 0 or 1",
            file=path,
        ) from None
    remarks = []
    twins = _twins(messages)
    if twins:
        messages = [m for k, m in enumerate(messages) if k not in twins]
        remarks.append(
            "each note came twice within a few milliseconds, as if two inputs or a loop had been "
            "recorded; only the first of each was used"
        )
    notes, orphans, again = _paired(messages, queue)
    if not len(notes):
        raise InputError("it has no notes; record the player again", file=path)
    if all(m.velocity for m in messages):
        remarks.append(
            "it has no note-offs: the player sends none, or the recorder leaves them out"
        )
    return MidiRecording(
        path, notes, orphans, again, clock.now_s, clock.now_beat, tuple(remarks),
        clock.longest_tick_s,
    )  # fmt: skip


class _Clock:
    """The time of a file's events, in s and in beats."""

    def __init__(self, file: Any, frame_tick_s: float | None) -> None:
        self.per_beat = max(1, file.ticks_per_beat)
        self.frame_tick_s = frame_tick_s
        # in microseconds per quarter note, until the file gives one (Standard MIDI Files 1.0)
        self.tempo = 500_000
        self.longest_tick_s = frame_tick_s or 0.0
        self.now_s = self.now_beat = 0.0

    def advance(self, ticks: int) -> None:
        if not ticks:
            return
        if self.frame_tick_s is not None:
            self.now_s += ticks * self.frame_tick_s
        else:
            self.now_s += ticks * self.tempo / self.per_beat * 1e-6
            self.longest_tick_s = max(self.longest_tick_s, self.tempo / self.per_beat * 1e-6)
        self.now_beat += ticks / self.per_beat


def _frame_tick(path: Path) -> float | None:
    """The length of a tick in s, where the header counts film frames instead of beats.

    Standard MIDI Files 1.0 (RP-001): a division whose highest bit is set holds the frames per
    second, as a negative number (29 for 29.97, drop frame), and the ticks per frame.
    """
    with path.open("rb") as f:
        head = f.read(14)
    if len(head) < 14 or not head[12] & 0x80:
        return None
    frames = 256 - head[12]
    rate = 30000 / 1001 if frames == 29 else float(frames)
    return 1.0 / (rate * max(1, head[13]))


def _messages(file: Any, clock: _Clock) -> Iterator[_Message]:
    """Note-ons and note-offs (velocity 0) in order; runs the clock to the end of the file."""
    from mido import merge_tracks

    wheel = [0] * 16
    bend_range = [float(BEND_RANGE)] * 16
    parameter = [(127, 127)] * 16
    for message in merge_tracks(file.tracks):
        clock.advance(message.time)
        kind = message.type
        if kind == "set_tempo":
            clock.tempo = message.tempo
        elif kind == "pitchwheel":
            wheel[message.channel] = message.pitch
        elif kind == "control_change":
            # registered parameter 0 is the bend range (MIDI 1.0)
            c, value = message.channel, message.value
            if message.control == 101:
                parameter[c] = (value, parameter[c][1])
            elif message.control == 100:
                parameter[c] = (parameter[c][0], value)
            elif message.control == 6 and parameter[c] == (0, 0):
                bend_range[c] = float(value)
        elif kind in ("note_on", "note_off"):
            c = message.channel
            yield _Message(
                clock.now_s, clock.now_beat, c, message.note,
                message.velocity if kind == "note_on" else 0,
                round(wheel[c] * bend_range[c] / BEND_RANGE),
            )  # fmt: skip


def _twins(messages: list[_Message]) -> set[int]:
    """Messages that came a second time, if so many did that it can't be chance."""
    last: dict[tuple[int, int, bool], float] = {}
    twins = set()
    for k, m in enumerate(messages):
        key = m.channel, m.pitch, m.velocity > 0
        if m.time_s - last.get(key, -1.0) <= TWIN_S:
            twins.add(k)
            last.pop(key)
        else:
            last[key] = m.time_s
    return twins if len(twins) > TWINS * len(messages) else set()


def _paired(
    messages: list[_Message], queue: bool
) -> tuple[NDArray[np.void], NDArray[np.float64], NDArray[np.float64]]:
    """Notes by onset, orphaned note-offs and second strikes."""
    nan = float("nan")
    sounding: dict[tuple[int, int], list[_Message]] = {}
    found: list[tuple[float, ...]] = []
    orphans, again = [], []

    def end(m: _Message, time_s: float, beat: float) -> None:
        found.append((m.time_s, time_s, m.beat, beat, m.pitch, m.bend, m.velocity, m.channel))

    for m in messages:
        open_notes = sounding.setdefault((m.channel, m.pitch), [])
        if m.velocity:
            if open_notes:
                again.append(m.time_s)
                if not queue:
                    end(open_notes.pop(), nan, nan)
            open_notes.append(m)
        elif open_notes:
            end(open_notes.pop(0), m.time_s, m.beat)
        else:
            orphans.append(m.time_s)
    for open_notes in sounding.values():
        for m in open_notes:
            end(m, nan, nan)
    notes = np.array(found, NOTE)
    return notes[np.argsort(notes["on_s"], kind="stable")], np.array(orphans), np.array(again)
