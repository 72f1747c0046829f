"""Read the tune in a MIDI file, with what a disc needs to know to play it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sonify.cli.common import guarded
from sonify.compose.pieces import DRUMS
from sonify.compose.tune_steps import TuneFile, TunePart
from sonify.errors import InputError
from sonify.midi.channels import DRUM_CHANNEL
from sonify.music.measures.alignment import Tune
from sonify.recover.sources.midi.note_events import read_recorded_midi

__all__ = ["read_tune"]

STEADY_S = 0.05
"""A tempo changes if an onset lies so far from where an even tempo puts it. Own choice: far beyond
what rounding to ticks does."""


def read_tune(path: Path) -> TuneFile:
    """The tune in a MIDI file.

    Raises
    ------
    InputError
        Not a MIDI file that can be read, or one without notes or without beats.
    """
    return guarded(_tune, path, path)


def _tune(path: Path) -> TuneFile:
    recording = read_recorded_midi(path, queue=True)
    file, notes = recording.file, recording.notes
    if not file.end_beat:
        raise InputError("it counts film frames and has no beats; export it with beats", file=path)
    drum = notes["channel"] == DRUM_CHANNEL
    beat, pitch = notes["on_beat"].astype(np.float64), notes["pitch"] + float(DRUMS) * drum
    order = np.lexsort((pitch, beat))
    length = np.nan_to_num(notes["off_beat"] - notes["on_beat"], nan=1.0)
    beats, seconds = np.ptp(notes["on_beat"]), np.ptp(notes["on_s"])
    second = seconds / beats if seconds else 0.5
    even = notes["on_s"][0] + (notes["on_beat"] - notes["on_beat"][0]) * second
    channels, part = np.unique(notes["channel"], return_inverse=True)
    parts = []
    for k, channel in enumerate(channels.tolist()):
        programs = file.message[file.message[:, 0] == 0xC0 | channel, 1].tolist()
        program = None if channel == DRUM_CHANNEL else (programs or [0])[0]
        parts.append(TunePart(program, int(np.median(notes["velocity"][part == k]))))
    return TuneFile(
        Tune(beat[order], pitch[order]), length[order], part[order], tuple(parts), 60 / second,
        bool(np.abs(notes["on_s"] - even).max() > STEADY_S), file.metre or (4, 4),
    )  # fmt: skip
