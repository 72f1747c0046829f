"""Measures of a piece: by hand, and the key against music21 on chorales whose keys are known."""

from __future__ import annotations

import numpy as np
import pytest

import sonify
from sonify.music.measures.key import key_of
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
        settings={"music.voice": [voice], "music.root": "C4", "music.scale": "major"},
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
