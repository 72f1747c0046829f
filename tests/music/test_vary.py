"""Variations: seeded, playable, and at peace with the chords of the preset they come from."""

from __future__ import annotations

import pytest

import sonify
from sonify.music.vary import variation
from sonify.performance_settings import load_setup
from tests.shipped import MUSIC


@pytest.mark.parametrize("preset", [p.stem for p in MUSIC])
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
    assert found["music.voice.0.pitch"]["chords"] == "i VI III VII"
    assert "music.scale" not in found
    found = variation(load_setup(["music-box"]).music, 3)
    assert "chords" not in found["music.voice.0.pitch"]
    assert "music.scale" in found
