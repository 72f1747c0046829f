"""MIDI files of performances after they went through a program that edits music.

`daw(seed)` plays a disc of up to 500 bits with a preset that ships, takes the event table, and
changes it as such programs do on import, on editing and on export (all common practice, no
source):

- quantised: onsets move to a grid of a 1/16, 1/32, 1/64 or a triplet note not coarser than a
  position, wholly or by a strength of half or more; a note's length moves along or is quantised
  too;
- humanised: each onset and each release by up to 10 ms, evenly or by a bell;
- one note in a hundred missing, one in a hundred added (near another in time, pitch and channel);
- the tempo changed by a factor of 0.5 to 2, or set to a whole number of beats a minute;
- velocities scaled, curved or wavering; note lengths scaled a little or joined;
- a lead of whole bars before the first note;
- tracks as they were, by channel, by key range, or merged into one; on the channels they had or,
  where no note is bent and no drum plays, all on one;
- type 0 or 1, another resolution, note-offs or note-ons of velocity 0, programs kept or lost.

An ordinary file has two or three of these changes of notes; one in eight has none. Each file is
one that its maker would still call the same piece.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

import sonify
from tests.world.disc_c import LETTER, disc
from tests.world.midi_c import PRESETS
from tests.world.notes_c import Song, file, song

Rng = np.random.Generator
Reals = NDArray[np.float64]

_PLAYERS = ("", "", "quick", "slow", "usual")
_CHANGES = ("quantise", "humanise", "missing", "added", "tempo", "velocity", "length", "lead")


def _quantised(rng: Rng, made: Song, step: float) -> Song:
    """On a grid no coarser than a position lasts, in quarter notes."""
    grids = [g for g in (1 / 4, 1 / 6, 1 / 8, 1 / 12, 1 / 16) if g <= step + 1e-9] or [1 / 16]
    grid = float(rng.choice(grids))
    strength = 1.0 if rng.random() < 0.6 else float(rng.uniform(0.5, 1.0))
    on = made.on + strength * (np.round(made.on / grid) * grid - made.on)
    if rng.random() < 0.4:
        off = np.maximum(np.round(made.off / grid), np.round(on / grid) + 1) * grid
    else:
        off = made.off + on - made.on
    return made.at(on, off)


def _humanised(rng: Rng, made: Song, quarter_s: float) -> Song:
    n = len(made.on)
    if rng.random() < 0.5:
        moves = rng.uniform(-0.010, 0.010, (2, n))
    else:
        moves = np.clip(rng.normal(0, 0.004, (2, n)), -0.010, 0.010)
    moves /= quarter_s
    start = np.maximum(0.0, made.on + moves[0])
    return made.at(start, np.maximum(made.off + moves[1], start + 0.01))


def _missing(rng: Rng, made: Song) -> Song:
    kept = rng.random(len(made.on)) >= 0.01
    if kept.all():
        kept[rng.integers(len(kept))] = False
    return made.keep(kept)


def _added(rng: Rng, made: Song, step: float) -> Song:
    count = max(1, int(rng.binomial(len(made.on), 0.01)))
    like = np.sort(rng.choice(len(made.on), count))
    extra = made.keep(like)
    on = np.maximum(0.0, extra.on + step * rng.choice([-2, -1, -0.5, 0.5, 1, 2], count))
    key = np.clip(extra.key + rng.choice([-12, -5, -2, -1, 0, 1, 2, 7, 12], count), 0, 127)
    key = np.where(extra.channel == 9, extra.key, key)
    extra = replace(extra, on=on, off=on + extra.off - made.on[like], key=key)
    both = {
        name: np.concatenate([getattr(made, name), getattr(extra, name)])
        for name in ("on", "off", "channel", "key", "velocity", "voice", "row", "position", "ended")
    }
    return replace(made, **both).at(both["on"], both["off"])


def _velocities(rng: Rng, made: Song) -> Song:
    v = made.velocity / 127.0
    way = int(rng.integers(3))
    if way == 0:
        v = v * float(rng.uniform(0.6, 1.3))
    elif way == 1:
        v = v ** float(rng.uniform(0.6, 1.6))
    else:
        v = v + rng.uniform(-0.08, 0.08, len(v))
    return replace(made, velocity=np.clip(np.round(127 * v), 1, 127).astype(np.int64))


def _lengths(rng: Rng, made: Song) -> Song:
    if rng.random() < 0.6:
        return made.at(made.on, made.on + (made.off - made.on) * float(rng.uniform(0.7, 1.15)))
    # played as written: ends on the converter's own grid of a 1/64
    off = np.maximum(np.round(made.off * 16), np.round(made.on * 16) + 1) / 16
    return made.at(made.on, off)


def _tracks(rng: Rng, made: Song) -> Song:
    """Which track each note is in; controls stay with their channel's notes."""
    way = str(rng.choice(["as they were", "channels", "keys", "one"], p=[0.3, 0.3, 0.15, 0.25]))
    at = np.array([m[0] & 15 for m in made.controls], np.int64)
    if way == "channels":
        return replace(made, voice=made.channel, control_voice=at)
    if way == "keys":
        split = int(np.median(made.key)) if len(made.key) else 60
        return replace(made, voice=1 * (made.key >= split), control_voice=np.zeros_like(at))
    if way == "one":
        bent = any((m[0] & 0xF0) == 0xE0 for m in made.controls)
        made = replace(
            made, voice=np.zeros_like(made.voice), control_voice=np.zeros_like(made.control_voice)
        )
        if not bent and not (made.channel == 9).any() and rng.random() < 0.5:
            one = int(rng.integers(0, 3))
            few = [bytes([(m[0] & 0xF0) | one]) + m[1:] for m in made.controls if m[0] >> 4 == 0xC][
                :1
            ]
            made = replace(
                made,
                channel=np.full_like(made.channel, one),
                controls=few,
                control_at=made.control_at[: len(few)],
                control_voice=made.control_voice[: len(few)],
            )
            made = made.at(made.on, made.off)
            # what falls together on one key of one channel is one note
            first = np.ones(len(made.on), np.bool_)
            seen: dict[tuple[int, int], None] = {}
            for k, spot in enumerate(zip(np.round(made.on * 960), made.key, strict=True)):
                first[k] = spot not in seen
                seen[spot] = None
            made = made.keep(first)
        return made
    return made


def daw(seed: int) -> tuple[sonify.Disc, tuple[str, ...], bytes]:
    """A disc, the presets that it was played with, and the file that came out of the program.

    Every shipped preset for music comes once in as many seeds as there are presets.
    """
    rng = np.random.default_rng([seed, LETTER, 30])
    while True:
        made = disc(rng, most_bits=500)
        player = str(rng.choice(_PLAYERS))
        presets = (PRESETS[seed % len(PRESETS)], *((player,) if player else ()))
        show = sonify.perform(made, presets)
        if len(show.notes) >= 6 and show.music_s < 1800:
            break
    per_quarter = show.grid.ticks_per_quarter
    table = song(show)
    piece = replace(
        table,
        on=table.on / per_quarter,
        off=table.off / per_quarter,
        control_at=table.control_at / per_quarter,
    )
    quarter_s = show.tick_s * per_quarter
    step = show.grid.step_ticks / per_quarter
    some = 0 if rng.random() < 0.125 else int(rng.integers(1, 5))
    changes = set(rng.choice(_CHANGES, some, replace=False).tolist())
    if {"quantise", "humanise"} <= changes:
        changes.discard(str(rng.choice(["quantise", "humanise"])))

    tempo = quarter_s * 1e6
    if "quantise" in changes:
        piece = _quantised(rng, piece, step)
    if "humanise" in changes:
        piece = _humanised(rng, piece, quarter_s)
    if "missing" in changes:
        piece = _missing(rng, piece)
    if "added" in changes:
        piece = _added(rng, piece, step)
    if "length" in changes:
        piece = _lengths(rng, piece)
    if "velocity" in changes:
        piece = _velocities(rng, piece)
    if "tempo" in changes:
        tempo *= 0.5 * 4 ** float(rng.random())
        if rng.random() < 0.5:
            tempo = 60e6 / max(1, round(60e6 / tempo))
    lead = 4.0 * int(rng.integers(1, 4)) if "lead" in changes else 0.0
    piece = _tracks(rng, piece)
    if rng.random() < 0.3:
        kept = [k for k, m in enumerate(piece.controls) if m[0] >> 4 in (0xB, 0xE)]
        if not any(m[0] >> 4 == 0xE for m in piece.controls):
            kept = []
        piece = replace(
            piece,
            controls=[piece.controls[k] for k in kept],
            control_at=piece.control_at[kept],
            control_voice=piece.control_voice[kept],
        )
    # a tempo event has three bytes; programs write slower music in shorter notes
    while tempo > 0xFFFFFF:
        tempo /= 2
        piece = replace(piece, on=piece.on * 2, off=piece.off * 2, control_at=piece.control_at * 2)
    resolution = int(rng.choice([96, 120, 192, 240, 384, 480, 960, 1920]))
    # a resolution that can hold the music: ten milliseconds or a 48th of a note
    while resolution < 1920 and tempo / resolution > 5000:
        resolution *= 2
    ticks = replace(
        piece,
        on=(piece.on + lead) * resolution,
        off=(piece.off + lead) * resolution,
        control_at=np.where(piece.control_at > 0, piece.control_at + lead, 0.0) * resolution,
    )
    form = 0 if rng.random() < 0.35 else 1
    names = {int(v): f"Track {k + 1}" for k, v in enumerate(np.unique(ticks.voice))}
    end = math.ceil(float(ticks.off.max()) / resolution / 4) * 4 * resolution
    data = file(
        ticks,
        [(0, max(1, round(tempo)))],
        resolution,
        form,
        names if rng.random() < 0.6 else None,
        bool(rng.random() < 0.4),
        end,
    )
    return made, presets, data
