"""Discs for tunes, and mappings from tunes."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

import sonify
from sonify.compose.mapping import fit_mapping, preset_of
from sonify.compose.pieces import DRUMS
from sonify.compose.tune_disc import disc_for_tune
from sonify.disc.code.code import Code
from sonify.disc.layout import Layout
from sonify.disc.sizes import FitSpec
from sonify.errors import InputError
from sonify.music.measures.alignment import Tune
from sonify.performance import perform
from sonify.performance_settings import load_setup
from tests.nightly import sampled

SPEC = FitSpec()
# mappings of all kinds: a tone by place, by position, by row, by earlier bits; runs as one note;
# several voices, drums; all timings of rows
MAPPINGS = [
    {},
    {"music.timing": "bars"},
    {"music.voice.0.pitch": "sweep", "player.row-start": "next-position"},
    {"music.voice.0.pitch": {"scheme": "number", "bits": 4, "span": 12}},
    {"music.voice.0.pitch": "walk", "music.timing": "bars"},
    {"music.voice.0.pitch": "row-ladder", "music.voice.0.rhythm": ["joined"]},
    {"music.voice.0.pitch": "gap"},
    {"music.voice.0.pitch": "character", "music.timing": "bars"},
    {"music.voice": [{"pitch": "place"}, {"source": "zeros", "pitch": "sweep", "octave": -1}]},
    {"music.voice": [{"pitch": "count"}, {"source": "row-starts", "drum": "closed hi hat"}]},
]


def tune_of(show):
    """What a performance plays, as a tune with lengths."""
    notes = show.notes
    drum = np.array([v.drum is not None for v in show.setup.music.voice])[notes["voice"]]
    pitch = notes["pitch"] + DRUMS * drum
    order = np.lexsort((pitch, notes["onset_beat"]))
    return Tune(notes["onset_beat"][order], pitch[order]), notes["duration_beat"][order]


def same(one, other):
    (a, a_length), (b, b_length) = one, other
    return len(a.beat) == len(b.beat) and all(
        np.allclose(x, y) for x, y in ((a.beat, b.beat), (a.pitch, b.pitch), (a_length, b_length))
    )


@pytest.mark.parametrize("number", sampled(range(len(MAPPINGS)), 5))
def test_twenty_tunes_that_a_disc_can_play_come_back_exactly(number):
    setup = load_setup((), MAPPINGS[number])
    rng = np.random.default_rng(number)
    for _ in range(20):
        rows, positions = int(rng.integers(1, 4)), int(rng.integers(10, 22))
        grid = (rng.random((rows, positions)) < rng.uniform(0.2, 0.6)).astype(np.int8)
        grid[-1, -1] = 1
        tune, length = tune_of(perform(sonify.Disc.from_bits(grid), setup=setup))
        spec = msgspec.structs.replace(SPEC, positions=positions)
        found = disc_for_tune(tune, length, setup, Layout(), spec)
        assert same(tune_of(perform(found.disc, setup=setup)), (tune, length))
        assert (found.cost, found.missed, found.added) == (0, (), 0)


@pytest.mark.parametrize("number", [0, 1, 3])
def test_the_number_of_positions_is_found(number):
    setup = load_setup((), MAPPINGS[number])
    grid = (np.random.default_rng(5).random((3, 19)) < 0.5).astype(np.int8)
    tune, length = tune_of(perform(sonify.Disc.from_bits(grid), setup=setup))
    found = disc_for_tune(tune, length, setup, Layout(), SPEC)
    assert same(tune_of(perform(found.disc, setup=setup)), (tune, length))


def test_a_preset_with_an_ending_comes_back():
    setup = load_setup(["music-box"])
    grid = (np.random.default_rng(1).random((3, 20)) < 0.4).astype(np.int8)
    tune, length = tune_of(perform(sonify.Disc.from_bits(grid), setup=setup))
    found = disc_for_tune(
        tune, length, setup, Layout(), msgspec.structs.replace(SPEC, positions=20)
    )
    np.testing.assert_array_equal(found.disc.grid, grid)


def test_what_can_not_be_reached_is_named():
    # D dorian from D4 on, sixteenths: a flat fifth, a note between two positions, one in a pause
    tune = Tune(np.array([0.0, 0.5, 1.125]), np.array([62.0, 68.0, 62.0]))
    setup = load_setup((), {"music.voice.0.pitch": "one-tone", "music.step": "1/16"})
    spec = msgspec.structs.replace(SPEC, positions=8)
    found = disc_for_tune(tune, np.full(3, 0.25), setup, Layout(), spec)
    missed = {m.beat: m.why for m in found.missed}
    assert missed[0.5] == "no voice has this tone"
    long = Tune(np.arange(0, 6, 0.25), np.full(24, 62.0))
    found = disc_for_tune(long, np.full(24, 0.25), setup, Layout(), spec)
    assert found.waits
    assert not found.missed


def test_a_message_and_a_tune_share_a_disc():
    code = Code(framing="framed", check="crc-16", filling="free")
    setup = load_setup((), {"music.timing": "bars", "music.step": "1/16"})
    rng = np.random.default_rng(8)
    grid = (rng.random((2, 24)) < 0.4).astype(np.int8)
    grid[-1, -1] = 1
    own = sonify.Disc.from_message("SNOW", code=code, layout=Layout(positions=24))
    whole = sonify.Disc.from_bits(np.concatenate([own.grid, grid]), code=code)
    tune, length = tune_of(perform(whole, setup=setup))
    start = perform(whole, setup=setup).timeline.row_slot[own.rows] / 4
    late = tune.beat >= start
    tune = Tune(tune.beat[late] - start, tune.pitch[late])
    spec = msgspec.structs.replace(SPEC, positions=24)
    found = disc_for_tune(tune, length[late], setup, Layout(), spec, "SNOW", code)
    assert found.disc.message == "SNOW"
    assert found.disc.decoding.verdict == "valid"
    assert found.first_row == own.rows
    np.testing.assert_array_equal(found.disc.grid[own.rows :], grid)


def test_a_tune_too_large_for_the_material_is_refused():
    tune = Tune(np.arange(0, 400, 0.25), np.full(1600, 62.0))
    spec = msgspec.structs.replace(SPEC, outer_diameter=70.0)
    with pytest.raises(InputError, match="no disc of this size"):
        disc_for_tune(tune, np.ones(1600), load_setup(()), Layout(), spec)


@pytest.mark.parametrize("settings", [
    {"music.voice.0.pitch": {"scheme": "table", "degrees": [0, 4, 2, 5, 1, 3, 6], "by": "place"},
     "music.root": "G4", "music.scale": "major"},
    {"music.voice.0.pitch": {"scheme": "table", "degrees": [0, 2, 4, 7, 5], "by": "row"},
     "music.root": "E4", "music.scale": "minor-pentatonic", "music.timing": "bars"},
])  # fmt: skip
def test_a_mapping_is_found_from_its_tune(settings):
    disc = sonify.Disc.from_message("WIND SW 6, CLOUD BASE 900 M")
    tune, _ = tune_of(perform(disc, settings=settings))
    found = fit_mapping(disc, tune, load_setup(()))
    assert found.likeness == 1
    preset = preset_of(found, "a test")
    again = tune_of(perform(disc, setup=load_setup((), {"music": preset["music"]})))
    np.testing.assert_allclose(again[0].pitch, tune.pitch)


def test_a_tune_of_drums_alone_has_no_mapping():
    disc = sonify.Disc.from_message("FOG")
    with pytest.raises(InputError, match="pitches"):
        fit_mapping(disc, Tune(np.zeros(1), np.array([DRUMS + 38.0])), load_setup(()))
