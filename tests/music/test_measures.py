"""Measures of a piece: by hand, and the key against music21 on chorales whose keys are known."""

from __future__ import annotations

import numpy as np
import pytest

import sonify
from sonify.music.measures.ending import ending_of
from sonify.music.measures.key import key_of
from sonify.music.measures.nearness import distances, nearness, piece_distance, profile_of_parts
from sonify.music.measures.phrases import repetition
from sonify.music.measures.piece import measured

# J. S. Bach's four-part chorales in music21's corpus; a chorale's last bass note is its tonic
# (common practice, no source)
CHORALES = (
    "bwv66.6", "bwv269", "bwv347", "bwv26.6", "bwv40.8", "bwv119.9", "bwv6.6", "bwv16.6",
    "bwv20.7", "bwv24.6", "bwv36.8-2", "bwv39.7",
)  # fmt: skip


def test_keys_of_chorales_are_music21s_and_nearly_always_the_known_ones():
    from music21 import analysis, corpus, pitch

    names = {"Eb": "E-", "Ab": "A-", "Bb": "B-"}
    right = 0
    for name in CHORALES:
        score = corpus.parse(f"bach/{name}")
        theirs = analysis.discrete.KrumhanslKessler().getSolution(score)
        notes = [(p.midi, n.quarterLength) for n in score.flatten().notes for p in n.pitches]
        key, clarity = key_of(*np.array(notes, float).T)
        tonic, mode = key.split()
        tonic = pitch.Pitch(names.get(tonic, tonic)).pitchClass
        assert (tonic, mode) == (theirs.tonic.pitchClass, theirs.mode), name
        assert clarity == pytest.approx(theirs.correlationCoefficient, abs=1e-6)
        last = score.parts[-1].flatten().notes[-1].pitches[0].pitchClass
        right += tonic == last
    assert right >= len(CHORALES) - 1


def piece(bits, **voice):
    show = sonify.perform(
        sonify.Disc.from_bits(bits),
        settings={
            "music.voice": [voice],
            "music.root": "C4",
            "music.scale": "major",
            "music.step": "1/16",
        },
    )
    return measured(show.parts, show.bit_stream, show.grid, show.setup.music)


def test_measures_by_hand():
    m = piece(["10100001"], pitch={"scheme": "table", "degrees": [0, 0, 2, 0, 0, 0, 0, 7]})
    assert (m.notes, m.lowest, m.highest, m.span) == (3, "C4", "C5", 12.0)
    assert m.density == pytest.approx(3 / 6, abs=0.01)
    assert m.rests == pytest.approx(5 / 8, abs=1e-3)
    # C4 to E4 to C5
    assert m.interval == 6.0
    assert m.repetition == 0.0
    assert not m.drums


def test_repetition_counts_what_was_heard_before():
    again = piece(["1" * 24], pitch={"scheme": "table", "degrees": [0, 1, 2, 3]})
    # 21 groups of four, of which four are different
    assert again.repetition == pytest.approx(1 - 4 / 21, abs=1e-3)
    assert piece(["1" * 12], pitch={"scheme": "sweep", "span": 12, "way": "up"}).repetition == 0


def test_drums_have_no_key_and_a_silent_piece_can_be_measured():
    m = piece(["1111"], drum="side stick")
    assert (m.key, m.lowest, m.drums, m.voices) == ("", "", True, 1)
    m = piece(["0000"])
    assert (m.notes, m.rests, m.voices) == (0, 1.0, 0)


def test_notes_that_overlap_are_no_rests():
    m = piece(["1000100010001000"], rhythm=[{"rule": "length", "steps": 6.0}])
    assert m.rests == 0.0


def test_arcs_by_hand():
    # four rows: dense and loud, then sparse and soft
    curve = {"over": "rows", "points": [1.0, 1.0, 0.5, 0.5]}
    bits = ["1" * 16, "1" * 16, "1000" * 4, "1000" * 4]
    m = piece(bits, pitch="one-tone", curves=[curve], velocity=100)
    assert m.dynamics_arc == pytest.approx(25, abs=3)
    # most of a minute is silence between rows, in which eight parts differ even more
    assert m.density_arc > 0.6
    flat = piece(["1" * 64], pitch="one-tone", velocity=100)
    assert (flat.density_arc, flat.dynamics_arc, flat.register_arc) == (0, 0, 0)
    rising = piece(["1" * 64], pitch={"scheme": "sweep", "span": 8, "way": "up"})
    # the eight parts lie on eight tones of C major
    assert rising.register_arc == pytest.approx(np.std([0, 2, 4, 5, 7, 9, 11, 12]), abs=0.01)


def test_repetition_between_phrases_and_within_them():
    # phrases A A' B A of four bars: within a phrase every bar is different
    notes = {"A": (1, 2, 3, 4), "B": (5, 6, 7, 8), "a": (1, 2, 3, 9)}
    code = np.array([n for phrase in "AaBA" for n in notes[phrase]])
    within, between = repetition(np.arange(16), code)
    assert within == 0
    assert between == pytest.approx(np.mean([0.75, 0, 1]))
    # one bar again and again
    assert repetition(np.arange(16), np.ones(16, np.int64)) == (1, 1)
    # half of the notes of each bar stay
    bar = np.repeat(np.arange(8), 2)
    code = np.stack([np.zeros(8, np.int64), np.arange(1, 9)], axis=1).reshape(-1)
    assert repetition(bar, code) == (pytest.approx(0.5), pytest.approx(0.5))
    assert repetition(bar[:0], code[:0]) == (0, 0)


# the roots of the last two chords as music21's roman numerals have them, and the ending
ENDINGS = [
    ("V", "I", "authentic"), ("V7", "I", "authentic"), ("IV", "I", "plagal"),
    ("ii", "I", "on the root"), ("V", "I6", "root above"), ("I", "V", "half"),
    ("I", "ii", "open"), ("V", "vi", "root above"),
]  # fmt: skip


@pytest.mark.parametrize("tonic", ["C", "E-", "F#"])
@pytest.mark.parametrize(("before", "last", "ending"), ENDINGS)
def test_endings_of_cadences_that_music21_writes(tonic, before, last, ending):
    from music21 import pitch, roman

    on, tones = [], []
    for n, numeral in enumerate((before, before, last)):
        chord = roman.RomanNumeral(numeral, tonic)
        tones += [p.midi for p in chord.pitches]
        on += [n] * len(chord.pitches)
    on, tones = np.array(on), np.array(tones, float)
    root = pitch.Pitch(tonic).pitchClass
    assert ending_of(on, on + 1, tones, root) == ending
    # strummed, with the bass first, it is the same
    strummed = on * 100 + np.arange(len(on)) * 10
    assert ending_of(strummed, strummed + 90, tones, root) == ending


def test_the_longest_silence_is_counted_in_beats():
    # a note, eleven sixteenths of rest, three notes; a row of 16 is 4/4
    assert piece(["1000000000001111"], pitch="one-tone").silence == 2.75
    # what follows the last note is no rest between notes
    assert piece(["1111000000000000"], pitch="one-tone").silence == 0


def profile(bits=("10110111" * 8,), rpm=10.0, **voice):
    show = sonify.perform(
        sonify.Disc.from_bits(list(bits)),
        settings={
            "music.voice": [voice],
            "music.root": "C4",
            "player.rpm": rpm,
            "music.step": "1/16",
        },
    )
    return profile_of_parts(show.parts, show.grid, show.tick_s)


def test_pieces_are_apart_only_in_what_differs():
    plain = profile(pitch="place")
    assert nearness(plain, profile(pitch="place")) == pytest.approx(1)
    octave = distances(plain, profile(pitch="place", octave=1))
    assert octave == {
        "key": pytest.approx(0), "density": pytest.approx(0, abs=1e-3),
        "register": pytest.approx(12 / 36), "rhythm": 0,
    }  # fmt: skip
    quick = distances(plain, profile(pitch="place", rpm=20.0))
    # one doubling of four
    assert quick["density"] == pytest.approx(0.25, abs=0.01)
    assert (quick["key"], quick["register"], quick["rhythm"]) == (pytest.approx(0), 0, 0)
    half = distances(plain, profile(pitch="place", rhythm=[{"rule": "thinned", "every": 2}]))
    assert half["rhythm"] > 0.1
    # the earth mover's distance of equal shares a fifth apart
    assert distances(profile(pitch="one-tone"), profile(pitch={"scheme": "one-tone", "degree": 4}))[
        "register"
    ] == pytest.approx(7 / 36)


def test_another_key_is_far_unless_transposed_and_other_instruments_are_apart():
    low, high = (profile(pitch={"scheme": "one-tone", "degree": d}) for d in (0, 4))
    assert distances(low, high)["key"] > 0.5
    assert distances(low, high, transposed=True)["key"] == pytest.approx(0)
    flute, organ = (profile(pitch="place", program=p) for p in ("flute", "church organ"))
    assert piece_distance(flute, organ) == pytest.approx(0.2)
    assert piece_distance(flute, flute) == pytest.approx(0)
    drum = profile(drum="side stick")
    assert piece_distance(drum, flute) > 0.4
