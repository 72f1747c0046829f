"""The musical presets that ship: enough, well apart, and fit to be heard."""

from __future__ import annotations

import itertools
import tomllib
from functools import cache

import numpy as np
import pytest

import sonify
from sonify.export.midi import midi_bytes
from sonify.music.theory.scales import find_scale
from tests.nightly import sampled, sampled_product
from tests.shipped import DISCS, MUSIC

NAMES = [p.stem for p in MUSIC]
LOWEST, HIGHEST = 21, 108
"""The keys of a piano."""


@cache
def played(preset: str, disc: str = "cairn-small"):
    return sonify.perform(sonify.load_disc(disc), presets=["usual", preset])


def voices(preset):
    table = tomllib.loads(next(p for p in MUSIC if p.stem == preset).read_text(encoding="utf-8"))
    return table["music"]["voice"]


def test_there_are_enough_of_each_kind():
    assert len(NAMES) >= 20
    arrangements = []
    for name in NAMES:
        drums = any("drum" in v for v in voices(name))
        if drums and len(voices(name)) >= 4:
            arrangements.append(name)
    assert len(arrangements) >= 4
    outside = [n for n in NAMES if not find_scale(played(n).setup.music.scale).in_twelve]
    assert len(outside) >= 2
    for name in outside:
        assert (played(name).notes["pitch"] % 1 != 0).any(), name


@pytest.mark.parametrize("path", MUSIC, ids=NAMES)
def test_each_is_described_in_a_line(path):
    about = tomllib.loads(path.read_text(encoding="utf-8"))["about"]
    assert 30 <= len(about) <= 120
    assert "\n" not in about


@pytest.mark.parametrize(
    ("preset", "disc"),
    sampled_product(NAMES, [d.stem for d in DISCS if d.stem != "cairn-large"]),
)
def test_density_with_the_usual_player(preset, disc):
    show = played(preset, disc)
    assert 0.5 <= len(show.notes) / show.read_s <= 12


@pytest.mark.parametrize(
    ("preset", "disc"), sampled_product(NAMES, ["cairn-small", "cairn-middle"])
)
def test_no_tone_is_clipped_and_the_bass_is_clear(preset, disc):
    show = played(preset, disc)
    pitched = [p.number for p in show.parts if p.voice.drum is None]
    assert all(len(p) for p in show.parts)
    notes = show.notes[np.isin(show.notes["voice"], pitched)]
    if not len(notes):
        return
    assert notes["pitch"].min() >= LOWEST
    assert notes["pitch"].max() <= HIGHEST
    start, end = notes["onset_s"], notes["onset_s"] + notes["duration_s"]
    # below C3, no two tones a second apart sound together for longer than a passing moment
    for low in np.flatnonzero(notes["pitch"] < 48):
        together = np.minimum(end, end[low]) - np.maximum(start, start[low])
        apart = np.abs(notes["pitch"] - notes["pitch"][low])
        assert not ((together > 0.12) & (apart > 0.3) & (apart < 2.6)).any()


def first_seconds(preset, seconds=5.0):
    """What a listener gets of a preset at once: programs, register, density, lengths."""
    show = played(preset)
    notes = show.notes[show.notes["onset_s"] < seconds]
    sounds = {p.program if p.voice.drum is None else -1 for p in show.parts}
    return (
        sounds,
        np.array(
            [
                np.log2(1 + len(notes) / seconds),
                np.median(notes["pitch"]) / 6,
                np.log2(np.median(notes["duration_s"])),
                len(sounds),
            ]
        ),
    )


def test_each_can_be_told_from_every_other_in_five_seconds():
    heard = {name: first_seconds(name) for name in NAMES}
    for a, b in itertools.combinations(NAMES, 2):
        (sounds_a, shape_a), (sounds_b, shape_b) = heard[a], heard[b]
        other_sounds = len(sounds_a ^ sounds_b) >= 2
        assert other_sounds or np.linalg.norm(shape_a - shape_b) > 1, (a, b)


@pytest.mark.parametrize("preset", sampled(NAMES, 5))
def test_each_renders_to_sound_with_all_its_voices(preset):
    midirenderer = pytest.importorskip("midirenderer")
    import io
    from pathlib import Path

    import pretty_midi
    import soundfile

    font = (Path(pretty_midi.__file__).parent / "TimGM6mb.sf2").read_bytes()
    data = midirenderer.render_wave_from(font, b"".join(midi_bytes(played(preset))))
    sound, rate = soundfile.read(io.BytesIO(data))
    assert 0.05 < np.abs(sound).max() < 0.99
    # something is heard in the first five seconds, and soon
    level = np.sqrt((sound[: 5 * rate].mean(axis=1) ** 2).reshape(-1, rate // 2).mean(axis=1))
    assert level[:2].max() > 0.003
    assert (level > 0.001).mean() > 0.5


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ("scales", ["dorian ", "messiaen-7", "also ionian"]),
        ("schemes", ["walk ", "[span = 15, up = 1, down = 1, start = 7]"]),
        ("rules", ["swing ", "[amount = 0.58]"]),
        ("sources", ["row-end-chords"]),
        ("forms", ["rondo", "A B A' C A''"]),
        ("walks", ["minor V", "i = 6, VI = 2"]),
        # General MIDI level 1: program 15 is tubular bells, drum 37 the side stick
        ("programs", ["tubular bells            15"]),
        ("drums", ["side stick          37"]),
    ],
)
def test_what_a_preset_may_name_can_be_listed(run, what, words):
    result = run("presets", "--list", what)
    assert result.status == 0
    for word in words:
        assert word in result.out
    assert run("presets", "--list", what[:-1]).status == 2
