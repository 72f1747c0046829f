"""Chords in roman numerals against music21's, and progressions over a reading."""

from __future__ import annotations

import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.music.theory.roman import parse_chords, parse_numeral

FIGURES = ["", "6", "64", "7", "65", "43", "42", "2", "9"]
HEADS = {
    "C": ["I", "ii", "iii", "IV", "V", "vi", "viio", "bII", "bIII", "bVI", "bVII", "iv", "v", "i",
          "II", "III", "VI", "VII", "I+", "#ivo", "#iv"],
    "c": ["i", "iio", "ii", "III", "iv", "IV", "v", "V", "VI", "VII", "viio", "III+", "bII", "vi",
          "vii", "I", "#iv", "#VI"],
}  # fmt: skip
OTHERS = [
    "V/V", "V7/V", "V7/ii", "viio7/V", "V65/IV", "V/vi", "viio/ii", "V43/iii", "V/bVI", "iiø7",
    "viiø7", "viiø65", "iiø43", "viio65", "V7/VII", "V/III",
]  # fmt: skip


@pytest.mark.parametrize("key", ["C", "c"])
def test_numerals_are_music21s(key):
    from music21 import key as keys
    from music21 import roman

    theirs = keys.Key(key)
    for text in [h + f for h in HEADS[key] for f in FIGURES] + OTHERS:
        chord = parse_numeral(text, key == "c")
        assert not isinstance(chord, int), text
        pitches = [p.midi % 12 for p in roman.RomanNumeral(text, theirs).pitches]
        ours = [t % 12 for t in chord]
        assert ours[0] == pitches[0], text
        assert set(ours) == set(pitches), text
        assert list(chord) == sorted(set(chord))


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("i VI Q VII", ["numeral 3, 'Q'", "'Q'", "character 6"]),
        ("I IVx", ["numeral 2, 'IVx'", "'x'", "character 5"]),
        ("V7/", ["numeral 1", "its end"]),
        ("I6maj", ["'m'"]),
        ("  ", ["no numerals"]),
    ],
)
def test_a_numeral_that_does_not_parse_is_pointed_at(text, parts):
    with pytest.raises(InputError) as e:
        parse_chords(text, False, "here")
    for part in parts:
        assert part in str(e.value)


def progression(each, **more):
    voice = {"pitch": {"scheme": "progression", "chords": "I IV V I6", "each": each, **more}}
    disc = sonify.Disc.from_message("CLEAR SKY", layout=sonify.Layout(positions=16))
    return sonify.perform(
        disc, settings={"music.root": "C4", "music.scale": "major", "music.voice": [voice]}
    )


SETS = [{0, 4, 7}, {5, 9, 0}, {7, 11, 2}, {0, 4, 7}]


@pytest.mark.parametrize("each", ["row", "character", "bar"])
def test_chords_change_by_row_character_and_bar(each):
    show = progression(each)
    notes = show.notes
    place = notes["row"] * 16 + notes["position"]
    number = {
        "row": notes["row"],
        "character": place // 7,
        "bar": np.floor(notes["onset_beat"] * 4 / 16 + 1e-9).astype(int),
    }[each]
    assert len(set((number % 4).tolist())) > 1
    for pitch, n in zip(notes["pitch"].tolist(), number.tolist(), strict=True):
        assert pitch % 12 in SETS[n % 4]


def test_a_chord_can_hold_for_several_rows():
    notes = progression("row", hold=2).notes
    for pitch, row in zip(notes["pitch"].tolist(), notes["row"].tolist(), strict=True):
        assert pitch % 12 in SETS[row // 2 % 4]


def test_nearest_leading_moves_less():
    free = progression("row", line="number").notes["pitch"]
    near = progression("row", line="number", leading="nearest").notes["pitch"]
    assert np.array_equal(free % 12, near % 12)
    assert np.abs(np.diff(near)).mean() < np.abs(np.diff(free)).mean()
