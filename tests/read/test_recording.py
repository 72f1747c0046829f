"""Recordings: a player's MIDI and its preset, back to bits."""

from __future__ import annotations

import mido
import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.read.find import find_message
from sonify.read.source import Options, read_source


def recorded(show, path, speed=1.0, jitter=0.0, seed=0):
    """The notes as a sequencer writes them down at 120 quarters a minute: nothing but notes."""
    rng = np.random.default_rng(seed)
    events = []
    for note in show.notes:
        on = note["onset_s"] / speed + rng.uniform(0, jitter)
        off = on + note["duration_s"] / speed
        pitch, channel = round(float(note["pitch"])), int(note["channel"])
        events.append((on, 1, mido.Message("note_on", note=pitch, channel=channel,
                                           velocity=int(note["velocity"]))))  # fmt: skip
        events.append((off, 0, mido.Message("note_off", note=pitch, channel=channel)))
    events.sort(key=lambda e: e[:2])
    midi = mido.MidiFile(type=0, ticks_per_beat=960)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    now = 0
    for seconds, _, message in events:
        tick = round(seconds * 960 * 2)
        track.append(message.copy(time=tick - now))
        now = tick
    midi.save(path)


@pytest.mark.parametrize("preset", ["ridge-run", "snow-parade"])
def test_its_own_file_comes_back(preset, tmp_path):
    disc = sonify.load_disc("cairn-small")
    sonify.perform(disc, presets=[preset]).save(tmp_path / "t.mid")
    seen = read_source(tmp_path / "t.mid", Options(presets=(preset,)))
    found = find_message(seen)
    np.testing.assert_array_equal(found.disc.grid, disc.grid)
    assert found.disc.message == disc.message


def test_a_real_players_speed_is_found(tmp_path):
    disc = sonify.load_disc("cairn-small")
    show = sonify.perform(disc, presets=["ridge-run"])
    recorded(show, tmp_path / "t.mid", speed=1.013, jitter=0.002)
    seen = read_source(tmp_path / "t.mid", Options(positions=56, presets=("ridge-run",)))
    np.testing.assert_array_equal(find_message(seen).disc.grid, disc.grid)
    assert seen.facts["rpm"] == pytest.approx(show.setup.player.rpm * 1.013, rel=1e-3)
    assert any("of its profile's speed" in n for n in seen.notes)


def test_lost_bits_are_unknown_and_the_rule_is_named(tmp_path):
    """With every second note of a row left out, no bit is wrong and the rule is named."""
    disc = sonify.Disc.from_message("FOG 9", layout=sonify.Layout(positions=18))
    rule = 'music.voice=[{name="bells", pitch="place", rhythm=[{rule="pattern", pattern="x."}]}]'
    key, _, value = rule.partition("=")
    import tomllib

    show = sonify.perform(disc, settings={key: tomllib.loads(f"v={value}")["v"]})
    show.save(tmp_path / "t.mid")
    seen = read_source(tmp_path / "t.mid", Options(positions=18, settings=(rule,)))
    bits = seen.bits()
    assert bits.shape == disc.grid.shape
    known = bits >= 0
    np.testing.assert_array_equal(bits[known], disc.grid[known])
    assert not known[:, 1::2].any()
    assert any("rule 'pattern'" in n for n in seen.notes)


def test_bad_recordings(tmp_path):
    for name, data, says in (
        ("text.mid", b"hello", "not a MIDI file"),
        ("cut.mid", b"MThd\0\0\0\6\0\1\0\1\1\xe0MTrk\0\0\1\0\0\x90", "MIDI file|notes are too few"),
        ("none.mid", b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk\0\0\0\4\0\xff\x2f\0", "notes are too few"),
    ):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(InputError, match=says) as e:
            read_source(tmp_path / name)
        assert "\n" not in str(e.value)
