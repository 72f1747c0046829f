"""Pieces of a performance as small MIDI files, which is what renderers take."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.export.sound.audio import RATE
from sonify.midi.events import MidiEvents, TimedEvents
from sonify.midi.writer import single_track

__all__ = ["BLOCK", "midi_piece"]

BLOCK = 64
"""Samples after which midirenderer looks for events."""

_TICKS = 2
"""Ticks per sample in the files that are rendered."""

_DIVISION = 24000
_TEMPO = 1_000_000 * _DIVISION // (_TICKS * RATE)


def midi_piece(events: TimedEvents, notes: NDArray[np.bool_], start: int, tail_s: float) -> bytes:
    """Some of the notes of a performance, with all its other messages, as a file of format 0.

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
    controls = events.controls[events.time_s[events.controls] <= last_s]
    # the renderer acts on an event at the first block on or after its time, half a block late on
    # average: so events are half a block early, and half a sample more, so that none falls on the
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
