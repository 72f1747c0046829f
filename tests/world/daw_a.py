"""Recordings as a music program exports them: a performance, played by a person's sequencer.

What such programs do to notes (common practice, no source): quantise onsets to a grid, move each
note a little ("humanise", here up to 10 ms either way, even), change the tempo, keep a track for
each channel or merge all into one. A person deletes a note in a hundred, or adds one. A program
writes note-ons, note-offs, programs and bends; it drops lyrics and markers.

Seeds with seed % 3 == 0 are kept back: nobody looks at results of those.
"""

from __future__ import annotations

import io
from pathlib import Path
from tempfile import TemporaryDirectory

import mido
import numpy as np

import sonify
from sonify import Disc
from tests.world.disc_a import random_disc

LETTER_NUMBER = 1
MOST_BITS = 500
_PRESETS = Path(__file__).parents[2] / "presets" / "music"
Event = list  # tick, order within the tick, message


def _preset_names() -> list[str]:
    return sorted(p.stem for p in _PRESETS.glob("*.toml"))


def _performance(disc: Disc, preset: str) -> mido.MidiFile:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "plain.mid"
        sonify.perform(disc, presets=[preset]).save(str(path))
        return mido.MidiFile(str(path))


def _parted(file: mido.MidiFile) -> tuple[list[Event], list[Event], list[Event]]:
    """Tempos; notes as [on, off, note-on message]; other channel messages."""
    tempos, notes, others = [], [], []
    for track in file.tracks:
        now, open_notes = 0, {}
        for m in track:
            now += m.time
            if m.type == "set_tempo":
                tempos.append([now, m])
            elif m.type == "note_on" and m.velocity:
                open_notes.setdefault((m.channel, m.note), []).append([now, now, m])
            elif m.type in ("note_on", "note_off"):
                started = open_notes.get((m.channel, m.note))
                if started:
                    note = started.pop(0)
                    note[1] = now
                    notes.append(note)
            elif not m.is_meta:
                others.append([now, m])
        notes += [n for some in open_notes.values() for n in some]
    return tempos, sorted(notes, key=lambda n: (n[0], n[2].channel, n[2].note)), others


def daw(seed: int) -> tuple[Disc, list[str], bytes]:
    """A disc, the presets that it was played with, and the MIDI file that came back."""
    rng = np.random.default_rng([seed, LETTER_NUMBER, 7])
    disc = random_disc(rng, most_rows=20, blank=False)
    while disc.grid.size > MOST_BITS:
        disc = random_disc(rng, most_rows=20, blank=False)
    preset = str(rng.choice(_preset_names()))
    file = _performance(disc, preset)
    tempos, notes, others = _parted(file)
    beat = file.ticks_per_beat
    per_ms = beat * 1000 / (tempos[0][1].tempo if tempos else 500_000)
    edits = {e: bool(rng.random() < p) for e, p in EDITS.items()}
    if edits["quantise"]:
        grid = beat // int(rng.choice([4, 8, 12]))
        for note in notes:
            long = max(note[1] - note[0], 1)
            note[0] = round(note[0] / grid) * grid
            note[1] = note[0] + long
    if edits["humanise"]:
        for note in notes:
            by = round(float(rng.uniform(-10, 10)) * per_ms)
            note[0], note[1] = max(note[0] + by, 0), max(note[1] + by, 1)
    if edits["delete"] and len(notes) > 1:
        gone = rng.random(len(notes)) < 0.01
        gone[rng.integers(len(notes))] = True
        notes = [n for n, lost in zip(notes, gone, strict=True) if not lost]
    if edits["add"]:
        for k in rng.integers(len(notes), size=max(1, len(notes) // 100)):
            on, off, m = notes[int(k)]
            by = int(rng.integers(-4, 5)) * beat // 4
            key = int(np.clip(m.note + rng.integers(-12, 13), 0, 127))
            notes.append([max(on + by, 0), max(off + by, 1), m.copy(note=key)])
    factor = float(rng.uniform(0.6, 1.6)) if edits["tempo"] else 1.0
    events = [[t, 0, m.copy(tempo=round(m.tempo / factor))] for t, m in tempos]
    events += [[t, 1, m] for t, m in others]
    for on, off, m in notes:
        events.append([on, 3, m])
        events.append(
            [max(off, on + 1), 2, mido.Message("note_off", channel=m.channel, note=m.note)]
        )
    return disc, [preset], _written(events, beat, edits["split"])


EDITS = {"quantise": 0.35, "humanise": 0.5, "delete": 0.4, "add": 0.4, "tempo": 0.4, "split": 0.5}
"""The chance of each edit."""


def _written(events: list[Event], beat: int, split: bool) -> bytes:
    """A file with a track for tempos and one for each channel, or with one for all."""
    groups: dict[int, list[Event]] = {}
    for event in events:
        key = getattr(event[2], "channel", -1) if split else 0
        groups.setdefault(key, []).append(event)
    file = mido.MidiFile(type=int(split), ticks_per_beat=beat)
    for key in sorted(groups):
        track, now = mido.MidiTrack(), 0
        for tick, _, m in sorted(groups[key], key=lambda e: (e[0], e[1])):
            track.append(m.copy(time=int(tick - now)))
            now = tick
        file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()
