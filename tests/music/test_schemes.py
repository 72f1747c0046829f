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

BITS = st.integers(2, 40).flatmap(
    lambda n: st.lists(st.text("01", min_size=n, max_size=n), min_size=1, max_size=5)
)


def degrees(rows, scheme, **more):
    """The degrees that a scheme gives the positions of a disc, all of them."""
    voice = {"source": "clock", "pitch": {"scheme": scheme, **more}}
    show = sonify.perform(
        sonify.Disc.from_bits(rows),
        settings={
            "music.voice": [voice],
            "music.root": "C4",
            # a scale whose degrees can be read off the pitches
            "music.scale": {"divisions": 64, "of": "2/1"},
        },
    )
    kind = SCHEMES[scheme](**{k.replace("-", "_"): v for k, v in more.items()})
    return kind.degrees(show.bit_stream, np.arange(len(show.bit_stream.bits)))


def reflected(value, span):
    path = [*range(span), *range(span - 2, 0, -1)]
    return path[value % len(path)]


def plain(rows, scheme):
    """The same degrees, step by step, from the schemes' words alone (their usual settings)."""
    width = len(rows[0])
    flat = [int(b) for row in rows for b in row]
    out = []
    walk, run, count, last_one = 7, 0, 0, None
    for i, bit in enumerate(flat):
        row, position = divmod(i, width)
        place, unit = i % 8, i // 8
        padded = (flat[unit * 8 : unit * 8 + 8] + [0] * 8)[:8]
        value = int("".join(map(str, padded)), 2)
        before = flat[unit * 8 - 8 : unit * 8] if unit else None
        walk += 1 if bit else -1
        run = run + 1 if i and flat[i - 1] == bit else 0
        count += bit
        gap = 0 if last_one is None else i - last_one - 1
        window = flat[max(0, i - 13) : i + 1]
        slot = 2 * row * width + position  # a turn passes between two rows
        out.append(
            {
                "row-ladder": row % 8,
                "place": place,
                "sweep": reflected(position * 29 // width, 15),
                "character": value % 15,
                "last-character": (
                    int("".join(map(str, before)), 2) % 15 if before is not None else 0
                ),
                "number": int("".join(map(str, ([0, 0, *flat[: i + 1]])[-3:])), 2) % 12,
                "walk": reflected(walk, 15),
                "run-length": reflected(run, 8),
                "gap": reflected(gap * 2, 9),
                "count": reflected(max(count - 1, 0), 8),
                "density": int(sum(window) * 14 / len(window) + 0.5),
                "arpeggio": value % 7 + 2 * (place % 4),
                "motif": (5, 4, 0, 2, -1, -2, 1, 3)[value // 32] + LINES[value // 4 % 8][place],
                "one-tone": 0,
                "triad": place,  # those of its line
                "isorhythm": (0, 2, 4)[(slot // 8 * 4 + (0, 0, 1, 1, 2, 3, 3, 3)[slot % 8]) % 3],
            }[scheme]
        )
        if bit:
            last_one = i
    return out


LINES = (
    (0, 1, 2, 3, 4, 3, 2, 1), (0, -1, -2, -3, -4, -3, -2, -1), (0, 2, 4, 2, 0, 2, 4, 2),
    (0, -1, 0, 1, 2, 1, 0, -1), (0, 1, 0, -1, -2, -1, 0, 1), (0, 4, 3, 2, 1, 0, 1, 2),
    (0, 2, 1, 3, 2, 4, 3, 1), (0, -3, -2, -1, 0, 1, 0, -1),
)  # fmt: skip
NAMES = sorted(set(SCHEMES) - {"progression", "table"})


@pytest.mark.parametrize("scheme", NAMES)
@given(rows=BITS)
@settings(max_examples=25, deadline=None)
def test_schemes_do_what_their_words_say(scheme, rows):
    assert degrees(rows, scheme).tolist() == plain(rows, scheme)


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
