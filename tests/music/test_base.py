"""Scales and note names against published tables; notes that never overlap."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sonify
from sonify.disc_player.profile import Player
from sonify.disc_player.timeline import read_times
from sonify.errors import InputError
from sonify.music.metre import grid_of, rows_to_bars
from sonify.music.pitch.schemes import SCHEMES
from sonify.music.rhythm.rules import RULES
from sonify.music.settings import Music
from sonify.music.theory.scales import SCALES, degrees_to_pitch, note_name, note_number
from sonify.music.voice_sources import SOURCES

ROOTS = ["C", "D", "E-", "F#", "A", "B-"]

# our name to the class of music21 that has the same scale
MUSIC21 = {
    "major": "MajorScale", "natural-minor": "MinorScale", "dorian": "DorianScale",
    "phrygian": "PhrygianScale", "lydian": "LydianScale", "mixolydian": "MixolydianScale",
    "locrian": "LocrianScale", "harmonic-minor": "HarmonicMinorScale",
    "whole-tone": "WholeToneScale", "chromatic": "ChromaticScale",
}  # fmt: skip


@pytest.mark.parametrize("name", MUSIC21)
@pytest.mark.parametrize("root", ROOTS)
def test_scales_are_music21s(name, root):
    from music21 import pitch, scale

    theirs = getattr(scale, MUSIC21[name])(root)
    low = pitch.Pitch(f"{root}3")
    tones = {
        p.midi
        for p in theirs.getPitches(low, low.transpose(12), direction=scale.Direction.ASCENDING)
    }
    ours = degrees_to_pitch(np.arange(len(SCALES[name].semitones) + 1), SCALES[name], low.midi)
    assert set(ours.astype(int).tolist()) == tones


def test_the_melodic_minor_is_music21s_on_the_way_up():
    from music21 import pitch, scale

    up = scale.MelodicMinorScale("A").getPitches("A3", "A4", direction=scale.Direction.ASCENDING)
    ours = degrees_to_pitch(np.arange(8), SCALES["melodic-minor"], pitch.Pitch("A3").midi)
    assert ours.tolist() == [p.midi for p in up]


@pytest.mark.parametrize(
    ("name", "kind", "mode"),
    [("octatonic-half-whole", 1, None), ("octatonic-whole-half", 2, None)],
)
def test_octatonic_scales_are_music21s(name, kind, mode):
    from music21 import scale

    theirs = scale.OctatonicScale("C", kind if kind == 2 else "m2")
    tones = {p.midi % 12 for p in theirs.getPitches("C4", "C5")}
    assert {int(s) for s in SCALES[name].semitones} == tones


def test_scales_rise_from_the_root_within_their_period():
    assert len(SCALES) >= 16
    for scale in SCALES.values():
        assert scale.semitones[0] == 0
        assert all(np.diff(scale.semitones) > 0)
        assert scale.semitones[-1] < scale.period


def test_note_frequencies_are_iso_16s():
    """ISO 16:1975: A in the treble stave is 440 Hz; equal temperament as common practice has it.

    The others are the usual table of frequencies to a hundredth of a hertz, from memory.
    """
    table = {"A4": 440.0, "C4": 261.63, "C-1": 8.18, "A0": 27.5, "C8": 4186.01, "G9": 12543.85}
    for name, hertz in table.items():
        number = note_number(name)
        assert round(440 * 2 ** ((number - 69) / 12), 2) == hertz
        assert note_name(number) == name


@pytest.mark.parametrize("bad", ["H4", "D", "4", "D##b4", "D11", "C-2", ""])
def test_what_is_no_note(bad):
    with pytest.raises(InputError, match="note"):
        note_number(bad)


def test_the_tables_are_as_long_as_promised():
    assert len(SCHEMES) >= 5
    assert len(RULES) >= 5
    assert {"ones", "zeros", "clock"} <= SOURCES.keys()


voices = st.fixed_dictionaries(
    {
        "source": st.sampled_from(["ones", "zeros", "clock", "row-starts", "character-starts"]),
        "pitch": st.sampled_from(
            ["row-ladder", "place", "character", "number", "walk", "one-tone"]
        ),
        "rhythm": st.lists(
            st.sampled_from(
                ["each", "joined", "held", "changes", "thinned", "gate", "swing", "accents",
                 "echoes", {"rule": "gate", "amount": 3.0}]
            ),
            max_size=4,
        ),
        "channel": st.sampled_from([1, 1, 2]),
        "octave": st.integers(-5, 5),
    }
)  # fmt: skip


@settings(deadline=None)
@given(
    rows=st.integers(1, 5),
    positions=st.integers(1, 40),
    seed=st.integers(0, 999),
    parts=st.lists(voices, min_size=1, max_size=3),
    row_start=st.sampled_from(["index", "next-position"]),
    timing=st.sampled_from(["player", "bars"]),
)
def test_no_pitch_overlaps_itself_on_a_channel(rows, positions, seed, parts, row_start, timing):
    rng = np.random.default_rng(seed)
    grid = rng.integers(-1, 2, (rows, positions)).astype(np.int8)
    disc = sonify.Disc.from_bits(grid, layout=sonify.Layout(positions=positions))
    show = sonify.perform(
        disc,
        settings={
            "music.voice": parts, "player.row-start": row_start, "music.timing": timing,
        },
    )  # fmt: skip
    notes = show.notes
    assert (np.diff(notes["onset_s"]) >= 0).all()
    assert (notes["duration_s"] > 0).all()
    assert (notes["pitch"] >= 0).all()
    assert (notes["pitch"] <= 127).all()
    assert (notes["velocity"] >= 1).all()
    sounding = {}
    for n in notes:
        key = int(n["channel"]), float(n["pitch"])
        on = round(float(n["onset_beat"]) * show.grid.ticks_per_quarter)
        long = round(float(n["duration_beat"]) * show.grid.ticks_per_quarter)
        assert sounding.get(key, -1) <= on
        sounding[key] = on + long


def test_auto_metre_makes_a_row_whole_bars():
    for positions in range(1, 200):
        grid = grid_of(Music(), positions)
        if grid.row_is_bars:
            assert (positions * grid.step / grid.bar).denominator == 1
        if positions % 16 == 0:
            assert grid.metre == (4, 4)
    assert grid_of(Music(), 56).metre == (2, 4)
    assert grid_of(Music(step="1/8"), 42).metre == (3, 4)


@pytest.mark.parametrize("positions", [7, 16, 48, 50, 53, 56, 112])
@pytest.mark.parametrize("metre", ["auto", "4/4", "7/8"])
@pytest.mark.parametrize("step", ["1/16", "1/8", "1/12"])
def test_in_bars_a_row_begins_on_a_bar_line(positions, metre, step):
    music = Music(timing="bars", metre=metre, step=step)
    player = Player()
    grid = grid_of(music, positions)
    t = rows_to_bars(read_times(4, positions, player), grid, player)
    gaps = np.diff(t.row_slot) - positions
    assert len(set(gaps.tolist())) == 1
    assert int(gaps[0]) * t.position_s >= player.stage + player.settle - 1e-9
    if (grid.bar / grid.step).denominator == 1:
        assert (int(t.row_slot[1]) * grid.step / grid.bar).denominator == 1
    if (positions * grid.step * grid.metre[1]).denominator == 1:
        assert (int(gaps[0]) * grid.step * grid.metre[1]).denominator == 1


def test_of_notes_that_start_together_on_one_pitch_the_loudest_stays():
    """Two voices on one channel sound the same place: the soft one gives way, once."""
    same = {"source": "ones", "pitch": "one-tone", "channel": 1}
    soft = {**same, "name": "soft", "velocity": 40, "rhythm": [{"rule": "gate", "amount": 3.0}]}
    loud = {**same, "name": "loud", "velocity": 100}
    disc = sonify.Disc.from_bits(["1000001000001000"])
    for voices in ([soft, loud], [loud, soft]):
        notes = sonify.perform(disc, settings={"music.voice": voices}).notes
        assert notes["velocity"].tolist() == [100, 100, 100]
