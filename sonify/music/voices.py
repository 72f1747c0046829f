"""A voice's own schemes, rules, root and pitches, from its settings."""

from __future__ import annotations

import numpy as np

from sonify.errors import InputError
from sonify.midi.channels import CHANNELS, DRUM_CHANNEL
from sonify.music.metre import Grid
from sonify.music.named import one_of
from sonify.music.pitch.pitch_set import pitch_set
from sonify.music.pitch.scheme import Frame, Pitches
from sonify.music.pitch.schemes import SCHEMES, Scheme
from sonify.music.rhythm.rules import RULES, Rule
from sonify.music.settings import Music, Voice
from sonify.music.theory.scales import find_scale, note_number
from sonify.music.theory.tuning import concert_shift

__all__ = [
    "assign_channels",
    "frame_of",
    "in_concert_pitch",
    "rules_of",
    "scheme_of",
    "voice_pitch_sets",
]


def assign_channels(voices: tuple[Voice, ...]) -> list[int]:
    """A channel for each voice: its own, or the lowest that is free; drums share channel 10.

    Raises
    ------
    InputError
        More voices than channels.
    """
    taken = {v.channel - 1 for v in voices if v.channel is not None}
    free = [c for c in range(CHANNELS) if c != DRUM_CHANNEL and c not in taken]
    out = []
    for n, voice in enumerate(voices):
        if voice.channel is not None:
            out.append(voice.channel - 1)
        elif voice.drum is not None:
            out.append(DRUM_CHANNEL)
        elif free:
            out.append(free.pop(0))
        else:
            raise InputError(
                f"no channel is free for voice {n + 1}; MIDI has {CHANNELS}, one of them for "
                "drums: give voices of the same program the same channel",
                place=f"music.voice[{n}]",
            )
    return out


def scheme_of(voice: Voice, place: str) -> Scheme:
    """A voice's pitch scheme."""
    return one_of(SCHEMES, "scheme", voice.pitch, f"{place}.pitch")


def rules_of(voice: Voice, place: str) -> list[Rule]:
    """A voice's rhythm rules, in order."""
    given = (voice.rhythm,) if isinstance(voice.rhythm, str) else voice.rhythm
    return [one_of(RULES, "rule", rule, f"{place}.rhythm[{n}]") for n, rule in enumerate(given)]


def frame_of(music: Music, n: int, grid: Grid) -> Frame:
    voice = music.voice[n]
    root = float(note_number(music.root)) + 12 * voice.octave
    return Frame(find_scale(music.scale), root, grid, f"music.voice[{n}].pitch")


def in_concert_pitch(pitch: Pitches, music: Music) -> Pitches:
    shift = concert_shift(music.concert_pitch)
    return np.clip(pitch + shift, 0.0, 127.0) if shift else pitch


def voice_pitch_sets(music: Music, unit_bits: int, grid: Grid) -> list[Pitches | None]:
    """All pitches that each voice can sound, whatever is read; None for drums and where the pitch
    scheme can't tell. Octaves that the form adds have the bends of the rest."""
    out: list[Pitches | None] = []
    for n, voice in enumerate(music.voice):
        place, pitch = f"music.voice[{n}]", None
        if voice.drum is None:
            scheme, rules = scheme_of(voice, place), rules_of(voice, place)
            pitch = pitch_set(scheme, rules, unit_bits, frame_of(music, n, grid))
        out.append(None if pitch is None else in_concert_pitch(pitch, music))
    return out
