"""A recording of a player's MIDI output: only its messages, at its speed, a little late."""

from __future__ import annotations

from pathlib import Path

import mido
import numpy as np

LEAD = 1.3
PER_QUARTER = 960


def record(
    source: Path, to: Path, speed: float = 1.0, late: float = 0.002, seed: int = 0,
    lose: float = 0.0,
) -> None:  # fmt: skip
    """Play a MIDI file at `speed`, notes up to `late` s late, and write down what was sent.

    `lose` is the share of notes that never arrive.
    """
    rng = np.random.default_rng(seed)
    now, sent = LEAD, []
    for message in mido.MidiFile(str(source)):
        now += message.time / speed
        if message.is_meta or (message.type == "note_on" and rng.random() < lose):
            continue
        note = message.type in ("note_on", "note_off")
        sent.append((now + (rng.uniform(0, late) if note else 0.0), message))
    sent.sort(key=lambda e: e[0])
    midi = mido.MidiFile(type=0, ticks_per_beat=PER_QUARTER)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    last = 0
    for seconds, message in sent:
        tick = round(seconds * PER_QUARTER * 2)
        track.append(message.copy(time=tick - last))
        last = tick
    midi.save(str(to))
