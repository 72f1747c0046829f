"""Recordings that a program changed: voices merged, notes moved to a grid, tempos, lost bits."""

from __future__ import annotations

import mido
import numpy as np
import pytest

import sonify
from sonify.recover.sources.midi.quantising import Quantised
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import read_source


def disc_of(text, positions):
    return sonify.Disc.from_message(text, layout=sonify.Layout(positions=positions))


def exported(disc, preset, path):
    """The file of a disc, as mido reads it."""
    return mido.MidiFile(sonify.perform(disc, presets=[preset]).save(path))


def merged(midi):
    """All on one track and on one channel."""
    track = mido.merge_tracks(midi.tracks)
    kept = mido.MidiTrack(m.copy(channel=0) if not m.is_meta else m for m in track)
    return mido.MidiFile(type=0, ticks_per_beat=midi.ticks_per_beat, tracks=[kept])


def moved(midi, to):
    """Each onset where `to` puts it, in ticks; notes keep their lengths."""
    for track in midi.tracks:
        now, by, sent = 0, {}, []
        for n, m in enumerate(track):
            now += m.time
            at = now
            if m.type in ("note_on", "note_off"):
                key = m.channel, m.note
                if m.type == "note_on" and m.velocity:
                    at = to(now)
                    by.setdefault(key, []).append(at - now)
                elif by.get(key):
                    at += by[key].pop(0)
            sent.append((at, m.type == "note_on", n, m))
        last = 0
        track.clear()
        for at, _, _, m in sorted(sent, key=lambda e: (e[0], *e[1:3])):
            track.append(m.copy(time=at - last))
            last = at
    return midi


def comes_back(disc, midi, preset, path, sure=0.9):
    """No bit is wrong, and most are known."""
    midi.save(path)
    seen = read_source(path, ReadOptions(presets=(preset,)))
    bits = seen.bits()
    assert bits.shape == disc.grid.shape
    known = (bits >= 0) & (disc.grid >= 0)
    np.testing.assert_array_equal(bits[known], disc.grid[known])
    assert known.mean() >= sure
    return seen


@pytest.mark.parametrize("preset", ["bell-tower", "choir-mist"])
def test_voices_that_were_merged_into_one_channel_come_back(preset, tmp_path):
    """Their notes share keys, so that nothing tells which note each note-off ends."""
    disc = disc_of("FOG 9", 18)
    midi = exported(disc, preset, tmp_path / "a.mid")
    comes_back(disc, merged(midi), preset, tmp_path / "t.mid")


def test_notes_between_short_rows_do_not_rule_a_disc_out(tmp_path):
    """A roll between rows has a third of the notes of rows with 22 positions."""
    disc = disc_of("WIND W 12, TAKE THE", 22)
    midi = exported(disc, "tin-roof", tmp_path / "a.mid")
    comes_back(disc, midi, "tin-roof", tmp_path / "t.mid")


def test_a_tempo_that_slows_down_is_the_players_own(tmp_path):
    """By the mean of its tempos, rows would have fewer positions than 109."""
    disc = disc_of("SNOW LINE 1100, SADDLE: SNOW", 109)
    midi = exported(disc, "string-weather", tmp_path / "a.mid")
    seen = comes_back(disc, midi, "string-weather", tmp_path / "t.mid")
    assert seen.facts["rpm"] == pytest.approx(10, rel=1e-6)


@pytest.mark.parametrize("ties", ["even", "up"])
def test_notes_on_a_grid_coarser_than_positions_come_back(ties, tmp_path):
    """Positions are thirty-seconds; every second note went to a neighbour's sixteenth."""
    disc = disc_of("KEEP LEFT", 112)
    midi = exported(disc, "glass-rain", tmp_path / "a.mid")
    step = midi.ticks_per_beat / 4

    def to(tick):
        return int(
            step
            * (np.rint(tick / step) if ties == "even" else tick // step + (tick % step >= step / 2))
        )

    seen = comes_back(disc, moved(midi, to), "glass-rain", tmp_path / "t.mid", 0.8)
    assert any("edited" in str(c) for c in seen.cautions)


def test_middles_go_down_up_or_to_the_even_line():
    on = np.array([0, 119, 120, 121, 240, 360])
    want = {
        "down": [0, 0, 0, 240, 240, 240],
        "up": [0, 0, 240, 240, 240, 480],
        "even": [0, 0, 0, 240, 240, 480],
    }
    for ties, line in want.items():
        assert Quantised(240.0, 0.0, ties).moved(on).tolist() == line
        assert Quantised(240.0, 60.0, ties).moved(on + 60).tolist() == [x + 60 for x in line]


def test_unreadable_bits_come_back_from_an_edited_file(tmp_path):
    """They are silent, and a walk stays where it is: neither ones nor zeros explain the rest."""
    grid = disc_of("FOG 9", 18).grid.copy()
    grid[0, 9] = -1
    disc = sonify.Disc(grid, layout=sonify.Layout(positions=18))
    midi = exported(disc, "kalimba-path", tmp_path / "a.mid")
    rng = np.random.default_rng(2)
    late = moved(midi, lambda tick: max(0, tick + int(rng.integers(-4, 5))))
    comes_back(disc, late, "kalimba-path", tmp_path / "t.mid")
