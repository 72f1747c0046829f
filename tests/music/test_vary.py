"""Variations: seeded, playable, and at peace with the chords of the preset they come from."""

from __future__ import annotations

import pytest

import sonify
from sonify.music.measures.nearness import piece_distance, profile_of_parts
from sonify.music.relatives import relative
from sonify.music.vary import variation
from sonify.performance_settings import load_setup
from tests.nightly import sampled
from tests.shipped import MUSIC


@pytest.mark.parametrize("preset", sampled([p.stem for p in MUSIC], 6))
def test_every_preset_has_variations_that_play(preset):
    music = load_setup([preset]).music
    disc = sonify.load_disc("cairn-small")
    seen = set()
    for seed in range(5):
        found = variation(music, seed)
        assert found == variation(music, seed)
        seen.add(str(found))
        show = sonify.perform(disc, presets=[preset], settings=found)
        assert len(show.notes) > 5
    assert len(seen) == 5


def test_where_others_play_chords_the_tune_goes_along():
    found = variation(load_setup(["ridge-run"]).music, 3)
    assert found["music.voice.0.pitch"]["scheme"] == "progression"
    assert "music.scale" not in found
    found = variation(load_setup(["music-box"]).music, 3)
    assert "chords" not in found["music.voice.0.pitch"]
    assert "music.scale" in found


def profile(preset, settings=()):
    show = sonify.perform(sonify.load_disc("cairn-small"), [preset], dict(settings))
    assert len(show.notes) > 5
    return profile_of_parts(show.parts, show.grid, show.tick_s)


@pytest.mark.parametrize("preset", sampled([p.stem for p in MUSIC], 6))
def test_relatives_play_and_lie_further_away_the_larger_the_amount(preset):
    music, own = load_setup([preset]).music, profile(preset)
    apart = []
    for amount in (0.1, 1.0):
        found = [relative(music, seed, amount) for seed in range(6)]
        assert found == [relative(music, seed, amount) for seed in range(6)]
        assert all(found)
        apart.append(sum(piece_distance(own, profile(preset, f)) for f in found))
    assert apart[0] < apart[1]


def test_relatives_are_nearer_than_variations():
    close = far = 0.0
    for preset in ("music-box", "ridge-run", "koto-pond"):
        music, own = load_setup([preset]).music, profile(preset)
        for seed in range(6):
            close += piece_distance(own, profile(preset, relative(music, seed, 0.2)))
            far += piece_distance(own, profile(preset, variation(music, seed)))
    assert close < far / 2


def test_an_amount_of_nothing_still_makes_a_difference():
    music = load_setup(["music-box"]).music
    assert len({str(relative(music, seed, 0.0)) for seed in range(20)}) > 8


def test_chords_are_turned_for_all_voices_together():
    music = load_setup(["organ-loft"]).music
    own = music.harmony.chords
    turned = 0
    for seed in range(12):
        found = relative(music, seed, 1.0)
        chords = found.get("music.harmony.chords", own)
        turned += chords != own
        # the same chords, begun at another of them
        assert f" {chords} " in f" {own} {own} "
        assert "music.scale" not in found
    assert turned > 4
