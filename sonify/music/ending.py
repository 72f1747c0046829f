"""The ending: the tones that all voices play after the last row, whatever the disc says."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import NamedTuple

import numpy as np

from sonify.midi.general_midi import drum_note
from sonify.music.metre import Grid
from sonify.music.pitch.scheme import Pitches
from sonify.music.rhythm.copying_rules import Layered
from sonify.music.settings import Music
from sonify.music.theory.scale_table import Scale
from sonify.music.voices import frame_of, in_concert_pitch, rules_of, scheme_of, voice_pitch_sets

__all__ = ["Final", "ending_of", "sounding_sets"]

_PURE = 0.7
"""How far a tone of a scale may be from a third or a fifth of the twelve tones to stand for it: own
judgement, no source."""


class Final(NamedTuple):
    """A note of the ending. Ticks count from the start of the last row."""

    on: int
    length: int
    pitch: float
    velocity: int


def _nearest_tone(scale: Scale, wanted: tuple[float, ...]) -> float | None:
    tones = np.asarray(scale.semitones, np.float64)
    for want in wanted:
        at = int(np.argmin(np.abs(tones - want)))
        if abs(tones[at] - want) <= _PURE:
            return float(tones[at])
    return None


def _tonic(scale: Scale) -> list[float]:
    """Root, fifth and third above the root, as far as the scale has them."""
    if scale.period != 12.0:
        return [0.0]
    third = _nearest_tone(scale, (3.0, 4.0) if scale.minor else (4.0, 3.0))
    found = [0.0, _nearest_tone(scale, (7.0,)), third]
    return [t for t in found if t is not None]


def _near(tone: float, root: float, home: float, low: float, high: float, period: float) -> float:
    """A tone in the octave nearest to `home`, within a range if it can be."""
    pitch = root + tone + period * round((home - root - tone) / period)
    while pitch < low - 1e-6 and pitch + period <= 127:
        pitch += period
    while pitch > high + 1e-6 and pitch - period >= max(low - 1e-6, 0):
        pitch -= period
    return pitch


def _homes(
    music: Music, unit_bits: int, grid: Grid
) -> dict[int, tuple[float, float, float, float]]:
    """Root, usual pitch, lowest and highest pitch of each voice that plays the ending."""
    sets = voice_pitch_sets(music, unit_bits, grid)
    out = {}
    for n, voice in enumerate(music.voice):
        if voice.drum is not None or voice.ending is False:
            continue
        frame = frame_of(music, n, grid)
        bounds = scheme_of(voice, f"music.voice[{n}]").bounds(frame)
        known = sets[n]
        home = frame.root if known is None or not len(known) else float(np.median(known))
        low, high = bounds or (0.0, 127.0)
        home = (low + high) / 2 if bounds else home
        out[n] = frame.root, home, low, high
    return out


def _chords(music: Music, scale: Scale) -> list[list[float]]:
    """The chords of the ending, each as tones for the lowest voice, the highest, and the rest."""
    tonic = _tonic(scale)
    rest = [tonic[-1], *tonic[1:2], tonic[0]]
    out = [[0.0, 0.0, *rest]]
    if music.form.ending == "cadence" and scale.in_twelve and scale.period == 12.0:
        # the dominant with its leading tone, which the highest voice resolves upwards
        out.insert(0, [7.0, 11.0, 14.0, 7.0, 11.0])
    return out


def ending_of(music: Music, unit_bits: int, grid: Grid, positions: int) -> list[list[Final]]:
    """The notes that end a piece, for each voice.

    The lowest voice takes the root, the highest the root above it, the others the third and the
    fifth in turn, each where the voice usually sounds.
    """
    out: list[list[Final]] = [[] for _ in music.voice]
    if music.form.ending == "none" or not music.voice:
        return out
    scale = frame_of(music, 0, grid).scale
    homes = _homes(music, unit_bits, grid)
    order = sorted(homes, key=lambda n: (homes[n][1], n))
    beat, bar = grid.plan.beat, grid.plan.bar
    start = -(-Fraction(positions) // beat) * beat
    loud = grid.plan.dynamics[int(grid.plan.tables[1][-1])]
    chords = _chords(music, scale)
    for nth, tones in enumerate(chords):
        last = nth == len(chords) - 1
        length = bar * music.form.ending_bars if last else bar
        on, off = (round(t * grid.step_ticks) for t in (start, start + length))
        start += length
        bass = 0.0
        for rank, n in enumerate(order):
            root, home, low, high = homes[n]
            voice = music.voice[n]
            level = min(127, max(1, round(voice.velocity * loud)))
            place = min(rank, 1) if rank in (0, len(order) - 1) else 2 + (rank - 1) % 3
            wanted = [tones[place]]
            if any(isinstance(r, Layered) for r in rules_of(voice, f"music.voice[{n}]")):
                wanted = sorted({t % 12 for t in tones})
            pitches = {_near(t, root, home, low, high, scale.period) for t in wanted}
            if rank == 0:
                bass = min(pitches)
            # nothing goes below the bass
            pitches = {
                p + scale.period * max(0, math.ceil((bass - p) / scale.period)) for p in pitches
            }
            for pitch in sorted(pitches):
                sounding = float(in_concert_pitch(np.array([pitch]), music)[0])
                out[n].append(Final(on, off - on, sounding, level))
    _add_drums(music, out, grid, positions, loud)
    return out


def _add_drums(
    music: Music, out: list[list[Final]], grid: Grid, positions: int, loud: float
) -> None:
    """A stroke with the last chord for the drums that have one."""
    starts = [f.on for finals in out for f in finals]
    beat = grid.plan.beat
    on = max(starts, default=round(-(-Fraction(positions) // beat) * beat * grid.step_ticks))
    for n, voice in enumerate(music.voice):
        if voice.drum is not None and voice.ending:
            first = voice.drum[0] if isinstance(voice.drum, tuple) else voice.drum
            pitch = float(drum_note(first, f"music.voice[{n}].drum"))
            velocity = min(127, max(1, round(voice.velocity * loud)))
            out[n].append(Final(on, round(beat * grid.step_ticks), pitch, velocity))


def sounding_sets(music: Music, unit_bits: int, grid: Grid) -> list[Pitches | None]:
    """All pitches that each voice can sound, those of the ending included; None as in
    `voice_pitch_sets`."""
    sets = voice_pitch_sets(music, unit_bits, grid)
    finals = ending_of(music, unit_bits, grid, 1)
    return [
        s if s is None or not notes else np.union1d(s, [f.pitch for f in notes])
        for s, notes in zip(sets, finals, strict=True)
    ]
