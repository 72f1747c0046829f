"""A long reading made in blocks has the very notes of the same reading made in one piece."""

from __future__ import annotations

import contextlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sonify
from sonify.music import blocks
from sonify.music.bit_stream import Before
from sonify.music.pitch.schemes import SCHEMES
from sonify.music.rhythm.rules import RULES
from sonify.music.voice_sources import SOURCES
from tests.nightly import nightly, sampled
from tests.shipped import MUSIC

ROWS = 60
# pitches between the keys; and on some players notes that swing after the next row has begun
IN_ONE_PIECE = {"bayati-evening", "far-signal", "gong-terrace", "overtone-horn", "kalimba-path"}
GIVEN = {
    "progression": {"chords": "I IV V ii", "each": "bar"},
    "table": {"degrees": [0, 2, 4, 1, 6], "by": "one"},
    "pattern": {"pattern": "x..x."},
    "density": {"window": 40},
    "motif": {"of": "row"},
}


@pytest.fixture(autouse=True)
def _small_blocks(monkeypatch):
    """Blocks of a few rows, fewer than are made again around them."""
    monkeypatch.setattr(blocks, "AT_ONCE", 250)
    monkeypatch.setattr(blocks, "MOST_AROUND", 1 << 40)
    monkeypatch.setattr(blocks, "_SHARE", 0)


def disc_of(positions: int, share: float, seed: int) -> sonify.Disc:
    rng = np.random.default_rng(seed)
    grid = (rng.random((ROWS, positions)) < share).astype(np.int8)
    grid[rng.random(grid.shape) < 0.01] = -1
    # runs of equal bits that last for rows
    grid[20:26], grid[30:33] = 0, 1
    return sonify.Disc.from_bits(grid)


def compare(disc: sonify.Disc, presets=(), settings=None) -> bool:
    """Whether the music is made in blocks; if so, it must be that of one piece."""
    show = sonify.perform(disc, presets, settings)
    made = list(show.blocks())
    if made[0].whole:
        return False
    assert len(made) > 5
    assert "parts" not in vars(show)
    for n, part in enumerate(show.parts):
        tables = [b.events(b.parts[n].moving_events()) for b in made]
        expected = part.moving_events()
        assert np.array_equal(np.concatenate([t.tick for t in tables]), expected.tick)
        assert np.array_equal(np.concatenate([t.message for t in tables]), expected.message)
        begun = [b.parts[n].index[b.parts[n].on >= b.begin] for b in made]
        assert np.array_equal(np.concatenate(begun), part.index)
    return True


@pytest.mark.parametrize("preset", sampled(MUSIC, 12), ids=lambda p: p.stem)
@pytest.mark.parametrize("start", ["index", "next-position"])
def test_shipped_presets(preset, start):
    made = [
        compare(disc_of(positions, share, 5), preset, {"player.row-start": start})
        for positions, share in ((56, 0.5), (37, 0.08))
    ]
    assert all(made) == (preset.stem not in IN_ONE_PIECE)


@pytest.mark.parametrize(
    ("kind", "name"),
    [("rhythm", name) for name in RULES] + [("pitch", name) for name in SCHEMES],
)
def test_rules_and_schemes_say_how_far_they_reach(kind, name):
    own = {"rule" if kind == "rhythm" else "scheme": name}
    if (kind, name) != ("rhythm", "motif"):
        own |= GIVEN.get(name, {})
    voice = {kind: [own] if kind == "rhythm" else own}
    if name == "pick-up":
        voice["source"] = "row-changes"
    assert compare(disc_of(56, 0.4, 1), (), {"music.step": "1/16", "music.voice": [voice]})


def stack():
    """A few rules, one after the other."""
    some = {
        "pattern": {"pattern": "x..x.", "per": "piece"}, "held": {"across": True, "longest": 90.0},
        "entry": {"steps": 61.0}, "echoes": {"count": 2, "delay": 9.5, "shift": 1},
        "gate": {"amount": 2.5}, "repeat": {"times": 3}, "ornament": {"figure": "turn"},
    }  # fmt: skip
    rule = st.sampled_from(sorted(RULES)).map(lambda name: {"rule": name, **some.get(name, {})})
    return st.lists(rule, min_size=1, max_size=4)


def voice():
    scheme = st.sampled_from(sorted(SCHEMES)).map(lambda n: {"scheme": n, **GIVEN.get(n, {})})
    led = st.tuples(scheme, st.sampled_from(["free", "nearest"]))
    return st.fixed_dictionaries({
        "source": st.sampled_from(sorted(SOURCES)),
        "rhythm": stack(),
        "pitch": led.map(lambda pair: pair[0] | {"leading": pair[1]}),
        "curves": st.sampled_from([(), ({"over": "piece", "points": (0.5, 1.0)},)]),
        "controllers": st.sampled_from([(), ({"over": "bits"},), ({"send": "sustain"},)]),
        "channel": st.sampled_from([1, 2]),
    })  # fmt: skip


def any_music(voices, share, positions, start, form):
    settings = {"music.voice": voices, "music.step": "1/16", "player.row-start": start}
    # some need a setting that is not given
    with contextlib.suppress(sonify.InputError):
        compare(disc_of(positions, share, 2), (), settings | {"music.form": form})


ANY = {
    "voices": st.lists(voice(), min_size=1, max_size=2),
    "share": st.sampled_from([0.05, 0.5]),
    "positions": st.sampled_from([22, 48]),
    "start": st.sampled_from(["index", "next-position"]),
    "form": st.sampled_from([{}, {"ending": "cadence"}]),
}


@settings(max_examples=12, deadline=None)
@given(**ANY)
def test_some_rules_in_any_order(**music):
    any_music(**music)


@nightly
@settings(max_examples=1500, deadline=None)
@given(**ANY)
def test_any_rules_in_any_order(**music):
    any_music(**music)


def test_what_was_read_before_adds_up():
    rng = np.random.default_rng(4)
    bits = rng.choice(np.array([0, 1, -1], np.int8), (6, 40))
    bits[0, 5:30], bits[1] = 1, 0
    for cut in (0, 1, 7, 29, 40):
        twice = Before.of(bits[:, :cut]).then(bits[:, cut:])
        once = Before.of(bits)
        assert vars(twice).keys() == vars(once).keys()
        for name, column in vars(once).items():
            assert np.array_equal(getattr(twice, name), column), (cut, name)
