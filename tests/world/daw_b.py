"""MIDI files of sonify's notes as they leave a music program.

The notes are those of `sonify.perform` (its table of events). A person then works on them in a
music program, which keeps beats, not seconds: notes are drawn to a grid, loosened by up to 10 ms,
1 note in 100 is lost or a wrong one slips in, the tempo is changed or ramped, the piece starts a
bar later, velocities are levelled, tracks are split by channel or by key, or joined. The file is
written anew: type 0 or 1, another resolution, note-offs as such or as note-ons of velocity 0, its
own names. Standard MIDI Files 1.0 (RP-001) for the file; what programs do: from memory.

Nothing here but the notes' table comes from sonify. Seeds with seed % 3 == 0 are kept back.
"""

from __future__ import annotations

import io
from collections.abc import Iterable

import mido
import numpy as np
from numpy.typing import NDArray

import sonify
from sonify import Disc
from tests.world.disc_b import disc_of
from tests.world.notes_b import MUSIC

LETTER_NUMBER = 2
MOST_BITS = 500
PLAYERS = ("usual", "quick", "slow")
NOTE = np.dtype(
    [
        ("on", "f8"),
        ("off", "f8"),
        ("track", "i4"),
        ("channel", "u1"),
        ("key", "u1"),
        ("velocity", "u1"),
    ]
)
Rng = np.random.Generator
Notes = NDArray[np.void]


def notes_of(show: sonify.Performance) -> Notes:
    """All notes, in beats."""
    e, beat = show.events, show.grid.ticks_per_quarter
    out = np.zeros(len(e.ons), NOTE)
    out["on"], out["off"] = e.tick[e.ons] / beat, e.tick[e.offs] / beat
    out["track"], out["channel"] = e.track[e.ons], e.channel[e.ons]
    out["key"], out["velocity"] = e.message[e.ons, 1], e.message[e.ons, 2]
    return out


def changed(rng: Rng, notes: Notes, beat_s: float) -> tuple[Notes, list[str]]:
    """Notes after somebody's work on them, and what was done."""
    done: list[str] = []
    n = notes.copy()
    if rng.random() < 0.4:
        grid = float(rng.choice([1 / 4, 1 / 8, 1 / 16, 1 / 6, 1 / 12]))
        strength = float(rng.choice([1.0, 1.0, rng.uniform(0.5, 1)]))
        length = n["off"] - n["on"]
        n["on"] += strength * (np.round(n["on"] / grid) * grid - n["on"])
        if rng.random() < 0.5:
            length = np.maximum(np.round(length / grid), 1) * grid
        n["off"] = n["on"] + length
        done.append(f"quantised to {grid:.3g} beats by {strength:.2g}")
    if rng.random() < 0.5:
        width = float(rng.uniform(0.002, 0.010)) / beat_s
        shift = rng.uniform(-width, width, len(n))
        n["on"], n["off"] = n["on"] + shift, n["off"] + shift
        n["off"] += rng.uniform(-width, width, len(n))
        velocity = n["velocity"] + rng.integers(-8, 9, len(n))
        n["velocity"] = np.clip(velocity, 1, 127)
        done.append("humanised")
    if rng.random() < 0.25:
        n["velocity"] = int(rng.integers(60, 120))
        done.append("velocities levelled")
    if rng.random() < 0.4:
        n = n[rng.random(len(n)) >= 0.01]
        done.append("1 in 100 lost")
    if rng.random() < 0.3 and len(n):
        wrong = n[rng.random(len(n)) < 0.01].copy()
        wrong["on"] += rng.uniform(-2, 2, len(wrong))
        wrong["off"] = wrong["on"] + rng.uniform(0.1, 1, len(wrong))
        wrong["key"] = np.clip(wrong["key"] + rng.integers(-7, 8, len(wrong)), 0, 127)
        n = np.concatenate((n, wrong))
        done.append("1 in 100 added")
    if rng.random() < 0.3:
        late = float(rng.choice([4.0, 4.0, 8.0, rng.uniform(0, 4)]))
        n["on"], n["off"] = n["on"] + late, n["off"] + late
        done.append(f"moved by {late:.3g} beats")
    n["on"] = np.maximum(n["on"], 0)
    n["off"] = np.maximum(n["off"], n["on"] + 1 / 64)
    return n[np.argsort(n["on"], kind="stable")], done


def _tempos(rng: Rng, beat_s: float, beats: float) -> tuple[list[tuple[float, float]], str]:
    """(beat, seconds a beat) of each tempo."""
    way = rng.choice(["kept", "changed", "ramped", "rounded"], p=[0.35, 0.3, 0.15, 0.2])
    if way == "changed":
        return [(0.0, beat_s * float(np.exp(rng.uniform(-0.5, 0.5))))], "tempo changed"
    if way == "ramped":
        steps = np.linspace(0, beats, 12)
        shape = 1 + rng.uniform(-0.12, 0.12) * np.linspace(0, 1, 12)
        return list(zip(steps.tolist(), (beat_s * shape).tolist(), strict=True)), "tempo ramped"
    if way == "rounded":
        return [(0.0, 60 / max(1.0, np.round(60 / beat_s)))], "tempo rounded to a whole number"
    return [(0.0, beat_s)], "tempo kept"


def _parts(rng: Rng, n: Notes) -> tuple[list[NDArray[np.bool_]], str]:
    """Which notes go to which track."""
    way = str(rng.choice(["as given", "one", "by channel", "by key"], p=[0.4, 0.25, 0.2, 0.15]))
    if way == "one":
        return [np.ones(len(n), bool)], "one track"
    if way == "by channel":
        return [n["channel"] == c for c in np.unique(n["channel"])], way
    given = [n["track"] == t for t in np.unique(n["track"])]
    if way == "by key":
        out = []
        for mask in given:
            middle = np.median(n["key"][mask])
            low = mask & (n["key"] <= middle)
            out += [m for m in (low, mask & ~low) if m.any()]
        return out, way
    return given, way


def _track(events: Iterable[tuple[float, int, mido.Message]], ppq: int) -> mido.MidiTrack:
    track, last = mido.MidiTrack(), 0
    for beat, _, message in sorted(events, key=lambda e: (round(e[0] * ppq), e[1])):
        tick = round(beat * ppq)
        track.append(message.copy(time=tick - last))
        last = tick
    track.append(mido.MetaMessage("end_of_track", time=ppq))
    return track


def take(seed: int) -> tuple[Disc, tuple[str, ...], bytes, list[str]]:
    """Disc, presets, file, and what was done to it."""
    rng = np.random.default_rng([seed, LETTER_NUMBER, 3])
    while True:
        disc = disc_of(rng, largest_bits=MOST_BITS)
        presets = [MUSIC[int(rng.integers(len(MUSIC)))]]
        if rng.random() < 0.6:
            presets.append(str(rng.choice(PLAYERS)))
        show = sonify.perform(disc, presets=presets)
        if len(show.events.ons):
            break
    given = notes_of(show)
    beat_s = float(show.tick_s * show.grid.ticks_per_quarter)
    notes, done = changed(rng, given, beat_s)
    tempos, said = _tempos(rng, beat_s, float(notes["off"].max()))
    parts, split = _parts(rng, notes)
    ppq = int(rng.choice([96, 120, 192, 240, 384, 480, 960]))
    kind = 0 if rng.random() < 0.3 else 1
    zero = bool(rng.random() < 0.4)
    done += [said, split, f"{ppq} ticks", f"type {kind}"]
    e = show.events
    tracks: list[list[tuple[float, int, mido.Message]]] = []
    head: list[tuple[float, int, mido.Message]] = [
        (beat, -3, mido.MetaMessage("set_tempo", tempo=min(round(s * 1e6), 16_777_215)))
        for beat, s in tempos
    ]
    head.append((0.0, -4, mido.MetaMessage("time_signature", numerator=4, denominator=4)))
    moved = float(notes["on"].min() - given["on"].min()) if len(notes) else 0.0
    moved = moved if any(d.startswith("moved") for d in done) else 0.0
    for number, mask in enumerate(parts):
        mine = notes[mask]
        events = [(0.0, -5, mido.MetaMessage("track_name", name=f"Track {number + 1}"))]
        channels = set(mine["channel"].tolist())
        for i in e.controls.tolist():
            if int(e.channel[i]) in channels:
                size = 2 if int(e.kind[i]) in (0xC0, 0xD0) else 3
                beat = float(e.tick[i] / show.grid.ticks_per_quarter)
                message = mido.Message.from_bytes(e.message[i, :size].tolist())
                events.append((beat + moved if beat > 0 else 0.0, -1, message))
        for note in mine:
            channel, key = int(note["channel"]), int(note["key"])
            on = mido.Message("note_on", channel=channel, note=key, velocity=int(note["velocity"]))
            off = mido.Message("note_off", channel=channel, note=key, velocity=64)
            if zero:
                off = mido.Message("note_on", channel=channel, note=key, velocity=0)
            begin, end = float(note["on"]), float(note["off"])
            end = max(end, (round(begin * ppq) + 1) / ppq)
            events += [(begin, 1, on), (end, -2, off)]
        tracks.append(events)
    if kind == 0 or (split == "one track" and rng.random() < 0.5):
        tracks = [head + [event for events in tracks for event in events]]
    else:
        tracks = [head, *tracks]
    out = io.BytesIO()
    written = [_track(events, ppq) for events in tracks]
    mido.MidiFile(type=kind, ticks_per_beat=ppq, tracks=written).save(file=out)
    return disc, tuple(presets), out.getvalue(), done


def daw(seed: int) -> tuple[Disc, tuple[str, ...], bytes]:
    """A disc, the presets it was played with, and the file that a music program exported."""
    return take(seed)[:3]
