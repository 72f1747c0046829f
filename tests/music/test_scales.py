"""Scales, modes and tunings against music21, published pitch-class sets and measured sound."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
import pytest

import sonify
from sonify.export.midi import midi_bytes
from sonify.music.theory.scale_table import ALIASES
from sonify.music.theory.scales import SCALES, degrees_to_pitch, find_scale
from sonify.music.theory.tuning import OwnScale, concert_shift

MODES = {
    "harmonic-minor": [
        "harmonic-minor", "locrian-natural-6", "ionian-sharp-5", "dorian-sharp-4",
        "phrygian-dominant", "lydian-sharp-2", "altered-flat-flat-7",
    ],
    "melodic-minor": [
        "melodic-minor", "dorian-flat-2", "lydian-augmented", "lydian-dominant",
        "mixolydian-flat-6", "locrian-natural-2", "altered",
    ],
    "major": [
        "major", "dorian", "phrygian", "lydian", "mixolydian", "natural-minor", "locrian",
    ],
}  # fmt: skip


@pytest.mark.parametrize("parent", MODES)
def test_modes_are_music21s_scale_from_each_of_its_degrees(parent):
    from music21 import scale

    theirs = {
        "major": scale.MajorScale,
        "harmonic-minor": scale.HarmonicMinorScale,
        "melodic-minor": scale.MelodicMinorScale,
    }[parent]("A")
    up = scale.Direction.ASCENDING
    tones = [p.midi for p in theirs.getPitches("A3", "A5", direction=up)]
    for degree, name in enumerate(MODES[parent]):
        mode = [t - tones[degree] for t in tones[degree : degree + 7]]
        assert list(SCALES[name].semitones) == mode, name


# O. Messiaen, Technique de mon langage musical (1944), chapter XVI: the steps that each mode
# repeats, and how many transpositions it has (typed from memory)
MESSIAEN = {
    1: ((2,), 2),
    2: ((1, 2), 3),
    3: ((2, 1, 1), 4),
    4: ((1, 1, 3, 1), 6),
    5: ((1, 4, 1), 6),
    6: ((2, 2, 1, 1), 6),
    7: ((1, 1, 1, 2, 1), 6),
}


@pytest.mark.parametrize("number", MESSIAEN)
def test_messiaens_modes(number):
    cell, transpositions = MESSIAEN[number]
    steps = cell * (12 // sum(cell))
    tones = np.concatenate(([0], np.cumsum(steps)[:-1])).tolist()
    ours = SCALES[f"messiaen-{number}"].semitones
    assert list(ours) == tones
    sets = {frozenset((t + k) % 12 for t in ours) for k in range(12)}
    assert len(sets) == transpositions


# files of the Scala archive, which music21 brings along
SCALA = {
    "slendro": "slendro.scl",
    "pelog": "pelog_av.scl",
    "bohlen-lambda": "bohlen_lambda.scl",
    "just-major": "ptolemy.scl",
}


@pytest.mark.parametrize("name", SCALA)
def test_tunings_are_those_of_the_scala_archive(name):
    from music21.scale import scala

    theirs = np.array(scala.parse(SCALA[name]).getCentsAboveTonic()) / 100
    scale = SCALES[name]
    ours = [*scale.semitones[1:], scale.period]
    assert np.allclose(ours, theirs, atol=1e-3)


def test_every_scale_rises_from_its_root_and_has_a_word_on_its_sound():
    assert len(SCALES) >= 80
    for scale in SCALES.values():
        steps = np.diff([*scale.semitones, scale.period])
        assert scale.semitones[0] == 0
        assert (steps > 0).all(), scale.name
        assert scale.about
    for other, name in ALIASES.items():
        assert other not in SCALES
        assert find_scale(other) is SCALES[name]


def test_own_scales_in_all_four_ways_are_the_same_tones():
    ways = [
        OwnScale(semitones=(0, 4, 7)),
        OwnScale(cents=(0, 400, 700)),
        OwnScale(divisions=12, steps=(0, 4, 7)),
    ]
    assert {find_scale(w).semitones for w in ways} == {(0.0, 4.0, 7.0)}
    just = find_scale(OwnScale(ratios=("1/1", "5/4", 1.5), period="2/1"))
    assert np.allclose(just.semitones, [0, 12 * math.log2(5 / 4), 12 * math.log2(3 / 2)])
    third = find_scale(OwnScale(divisions=13, of="3/1"))
    assert third.period == pytest.approx(12 * math.log2(3))
    assert third.semitones[1] == pytest.approx(12 * math.log2(3) / 13)
    up = degrees_to_pitch(np.array([0, 13, 26]), third, 40)
    assert np.allclose(np.diff(up), third.period)


def test_concert_pitch():
    # ISO 16:1975 sets A4 to 440 Hz
    assert concert_shift(440.0) == 0
    assert concert_shift(415.3047) == pytest.approx(-1, abs=1e-4)
    show = sonify.perform(
        sonify.Disc.from_message("FOG"),
        settings={"music.concert-pitch": 432.0, "music.root": "A4", "music.scale": "major"},
    )
    shift = 12 * math.log2(432 / 440)
    assert np.allclose((show.notes["pitch"] - shift) % 1, 0)
    # one bend for all notes needs no second channel
    assert set(show.notes["channel"].tolist()) == {0}


def test_tones_that_need_no_bend_use_none():
    import mido

    show = sonify.perform(
        sonify.Disc.from_message("FOG LIFTS"),
        settings={"music.scale": {"cents": [0, 200, 350, 700]}, "music.voice": [{}]},
    )
    data = mido.MidiFile(file=io.BytesIO(b"".join(midi_bytes(show))))
    pitch = {0: show.setup.music.root}
    bends = dict.fromkeys(range(16), 0)
    straight = bent = 0
    for message in data.tracks[1]:
        if message.type == "pitchwheel":
            bends[message.channel] = message.pitch
        elif message.type == "note_on" and message.velocity:
            if bends[message.channel]:
                bent += 1
            else:
                straight += 1
    fractions = show.notes["pitch"] % 1
    assert bent == np.count_nonzero(fractions)
    assert straight == np.count_nonzero(fractions == 0) > 0
    assert pitch


SHAPES = {
    "twelve tones": "chromatic",
    "19 divisions": {"divisions": 19},
    "31 divisions": {"divisions": 31, "steps": [0, 5, 10, 13, 18, 23, 28, 30]},
    "ratios": {"ratios": ["1", "9/8", "5/4", "4/3", "3/2", "5/3", "15/8"]},
    "thirteen of a twelfth": "bohlen-pierce",
}


@pytest.fixture(scope="module")
def soundfont():
    pretty_midi = pytest.importorskip("pretty_midi")
    return (Path(pretty_midi.__file__).parent / "TimGM6mb.sf2").read_bytes()


def measured_cents(sound, rate, expected):
    """How far the strongest tone near `expected` Hz lies from it: parabola on an FFT's peak."""
    n = len(sound)
    power = np.abs(np.fft.rfft(sound * np.hanning(n), 4 * n))
    bin_hz = rate / (4 * n)
    low, high = (round(expected * 2 ** (c / 1200) / bin_hz) for c in (-60, 60))
    k = low + int(np.argmax(power[low:high]))
    a, b, c = np.log(power[k - 1 : k + 2])
    return 1200 * math.log2((k + 0.5 * (a - c) / (a - 2 * b + c)) * bin_hz / expected)


@pytest.mark.parametrize("shape", SHAPES)
def test_rendered_pitches_are_within_two_cents(shape, soundfont):
    # equal temperament and A4 = 440 Hz: ISO 16:1975
    midirenderer = pytest.importorskip("midirenderer")
    soundfile = pytest.importorskip("soundfile")
    voice = {
        "program": "music box",
        "pitch": {"scheme": "table", "degrees": list(range(9))},
        "rhythm": [{"rule": "gate", "amount": 1.0}],
    }
    show = sonify.perform(
        sonify.Disc.from_bits(["1" * 9]),
        settings={
            "music.scale": SHAPES[shape], "music.root": "A3", "music.voice": [voice],
            "player.rpm": 4.0,
        },
    )  # fmt: skip
    data = midirenderer.render_wave_from(soundfont, b"".join(midi_bytes(show)))
    sound, rate = soundfile.read(io.BytesIO(data))
    sound = sound.mean(axis=1)
    errors = []
    for note in show.notes:
        first = int((note["onset_s"] + 0.1) * rate)
        last = int((note["onset_s"] + note["duration_s"]) * rate)
        hz = 440 * 2 ** ((note["pitch"] - 69) / 12)
        errors.append(measured_cents(sound[first:last], rate, hz))
    assert np.abs(errors).max() < 2.0
    # the sample itself lies two cents off; between tones nearly nothing is
    assert np.ptp(errors) < 0.5
