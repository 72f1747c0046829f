"""Every pitch scheme against its plain words, bit by bit; range, folding and voice-leading."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sonify
from sonify.errors import InputError
from sonify.music.pitch.schemes import SCHEMES, Scheme
from sonify.music.theory.scales import note_number
from tests.music import pitch_reference as reference

BITS = st.integers(2, 40).flatmap(
    lambda n: st.lists(st.text("01", min_size=n, max_size=n), min_size=1, max_size=5)
)


def degrees(rows, scheme, **more):
    """The degrees that a scheme gives the positions of a disc, all of them."""
    kind = SCHEMES[scheme](**more)
    m = sonify.perform(sonify.Disc.from_bits(rows)).bit_stream
    return kind.degrees(m, np.arange(len(m.bits)))


small, span = st.integers(1, 5), st.integers(1, 30)
degree = st.integers(-20, 20)
SETTINGS = {
    "row-ladder": {"span": span, "way": st.sampled_from(["up", "down", "middle"])},
    "place": {"spread": small, "way": st.sampled_from(["up", "down"]), "row_step": degree},
    "sweep": {"span": span, "way": st.sampled_from(["up", "down", "arch"])},
    "character": {"span": span},
    "last-character": {"span": span},
    "number": {"bits": st.integers(1, 7), "span": span},
    "walk": {"span": span, "up": st.integers(0, 5), "down": st.integers(0, 5), "start": degree},
    "run-length": {"span": span, "row_step": degree},
    "gap": {"span": span, "step": small},
    "count": {"span": span, "step": small, "turn": st.booleans()},
    "density": {"window": st.integers(2, 60), "span": span},
    "one-tone": {"degree": degree},
    "table": {
        "degrees_of": st.lists(degree, min_size=1, max_size=9).map(tuple),
        "by": st.sampled_from(
            ["position", "place", "row", "character", "one", "value", "number"]
        ),
    },
    "arpeggio": {
        "span": span, "tones": st.integers(2, 6), "stack": small,
        "way": st.sampled_from(["up", "down", "turn"]),
    },
    "motif": {
        "of": st.sampled_from(["letter", "row"]), "late": st.booleans(),
        "size": st.integers(1, 3), "transpose": degree,
        "way": st.sampled_from(["forward", "inverted", "backward", "both"]),
        "speed": st.sampled_from([0.5, 1.0, 2.0]),
    },
    "isorhythm": {
        "color": st.lists(degree, min_size=1, max_size=7).map(tuple),
        "talea": st.text("x.", min_size=1, max_size=12).filter(lambda t: "x" in t),
    },
}  # fmt: skip
"""The settings of each scheme that its reference knows."""


def test_only_what_goes_with_a_line_has_no_reference():
    """What test_harmony.py and test_form.py hold against other sources."""
    assert set(SCHEMES) - set(SETTINGS) == {"triad", "progression"}


@pytest.mark.parametrize("scheme", SETTINGS)
@given(rows=BITS, data=st.data())
@settings(max_examples=40, deadline=None)
def test_schemes_do_what_their_words_say(scheme, rows, data):
    usual = {} if scheme != "table" else {"degrees_of": (0, 4, 7)}
    assert degrees(rows, scheme, **usual).tolist() == reference.degrees(rows, scheme, **usual)
    more = data.draw(st.fixed_dictionaries(SETTINGS[scheme]))
    assert degrees(rows, scheme, **more).tolist() == reference.degrees(rows, scheme, **more)


@pytest.mark.parametrize(
    ("by", "expected"),
    [
        ("position", [0, 4, 7, 0, 0, 4, 7, 0]),
        ("row", [0, 0, 0, 0, 4, 4, 4, 4]),
        ("place", [0, 4, 7, 0, 4, 7, 0, 4]),
        ("character", [0] * 8),
        ("one", [0, 0, 4, 7, 7, 7, 7, 7]),
        ("value", [(0, 4, 7)[0xB0 % 3]] * 8),
        # two bits, the last one lowest: 00, 01, 10, 01 (of 101), 11, 10, 00, 00
        ("number", [0, 4, 7, 4, 0, 7, 0, 0]),
    ],
)
def test_a_table_goes_by_what_it_is_told(by, expected):
    kind = SCHEMES["table"](by=by, degrees_of=(0, 4, 7))
    disc = sonify.Disc.from_bits(["1011", "0000"])
    m = sonify.perform(disc).bit_stream
    assert kind.degrees(m, np.arange(8)).tolist() == expected


def test_there_are_at_least_ten_and_each_says_what_it_does():
    assert len(SCHEMES) >= 10
    for name, kind in SCHEMES.items():
        line = (kind.__doc__ or "").splitlines()[0]
        assert len(line) > 20, name
        assert line.endswith(".")
        assert kind.lead is not Scheme.lead or name == "progression"


def pitches(**pitch):
    rng = np.random.default_rng(5)
    disc = sonify.Disc.from_bits(rng.integers(0, 2, (6, 64)).astype(np.int8))
    walk = {"scheme": "walk", "span": 40, "start": 20}
    voice = {"source": "clock", "pitch": pitch if "scheme" in pitch else {**walk, **pitch}}
    return sonify.perform(disc, settings={"music.voice": [voice], "music.root": "C3"}).notes[
        "pitch"
    ]


@pytest.mark.parametrize("fold", ["octave", "turn", "nearest"])
@pytest.mark.parametrize("span", [("C4", "C5"), ("D4", "E6"), ("C4", "F4"), ("G4", "G4")])
@pytest.mark.parametrize("leading", ["free", "nearest"])
def test_a_range_is_kept_and_only_tones_of_the_scale_sound(fold, span, leading):
    inside = pitches(range=span, fold=fold, leading=leading)
    low, high = (note_number(n) for n in span)
    assert inside.min() >= low
    assert inside.max() <= high
    dorian = {0, 2, 3, 5, 7, 9, 10}
    assert {int(p) % 12 for p in inside} <= dorian


def test_octave_folding_keeps_the_tone():
    free = pitches()
    folded = pitches(range=("C4", "C6"))
    assert np.array_equal(free % 12, folded % 12)
    inside = (free >= 60) & (free <= 84)
    assert np.array_equal(free[inside], folded[inside])


def test_leading_takes_the_nearest_octave():
    near = pitches(scheme="number", bits=6, span=40, leading="nearest", range=("C2", "C7"))
    rows = near.reshape(6, 64)
    leaps = np.diff(rows, axis=1)
    # farther only where the nearest octave lies outside the range
    for before, after in zip(rows[:, :-1].ravel(), rows[:, 1:].ravel(), strict=True):
        nearer = after - 12 * np.sign(after - before)
        assert abs(after - before) <= 6 or not 36 <= nearer <= 96
    assert (np.abs(leaps) <= 6).mean() > 0.9


@pytest.mark.parametrize(
    ("span", "part"),
    [
        (("C#4", "C#4"), "no tone of the scale"),
        (("C5", "C4"), "lies above"),
        (("C4", "H5"), "not a note"),
    ],
)
def test_a_range_that_can_not_be(span, part):
    with pytest.raises(InputError, match=part) as e:
        pitches(range=span)
    assert "music.voice[0].pitch.range" in str(e.value)


@given(seed=st.integers(0, 2**20), name=st.sampled_from(sorted(SCHEMES)), octave=st.integers(-5, 5))
@settings(max_examples=60, deadline=None)
def test_all_pitches_stay_within_midi(seed, name, octave):
    more = {"progression": {"chords": "i9 bVI V7/V"}, "table": {"degrees": [-64, 0, 64]}}
    rng = np.random.default_rng(seed)
    disc = sonify.Disc.from_bits(rng.integers(-1, 2, (8, 24)).astype(np.int8))
    voice = {
        "source": "clock",
        "octave": octave,
        "pitch": {"scheme": name, **more.get(name, {})},
        "rhythm": [{"rule": "echoes", "shift": 24}],
    }
    scale = ["chromatic", "bohlen-pierce", "hijaz"][seed % 3]
    voice["rhythm"] += [{"rule": "gate", "amount": 0.1}]
    show = sonify.perform(disc, settings={"music.voice": [voice], "music.scale": scale})
    assert show.notes["pitch"].min() >= 0
    assert show.notes["pitch"].max() <= 127
