"""The search for bits against the plainest way: all discs there are, each made into music."""

from __future__ import annotations

import numpy as np
import pytest

import sonify
from sonify.disc_player.timeline import read_times
from sonify.music.metre import grid_of, rows_to_bars
from sonify.music.notes import untuned_parts
from sonify.music.trials import Trials
from sonify.performance_settings import load_setup
from sonify.recover.sources.midi.matcher import COSTS, Matcher, Tolerance
from sonify.recover.sources.midi.search import SearchLimits, search
from sonify.recover.sources.midi.trial_notes import Budget, NoteEvents
from tests.nightly import sampled
from tests.shipped import MUSIC

LIMITS = SearchLimits(margin=0.4, per_row=2.5, width=512)
SIZES = [(1, 12), (2, 6), (3, 4)]
PRESETS = [p.stem for p in MUSIC]


def all_music(setup, timeline, grid, unit_bits):
    """The notes of every disc of this size, sorted, one tuple a disc."""
    n = timeline.rows * timeline.positions
    bits = ((np.arange(1 << n)[:, None] >> np.arange(n)) & 1).astype(np.int8)
    trials = Trials.side_by_side(bits, timeline, unit_bits)
    parts = untuned_parts(setup.music, trials, grid)
    ticks = trials.apart * grid.step_ticks
    notes = [[] for _ in range(1 << n)]
    for p in parts:
        trial = p.index // trials.span
        on = p.on - trial * ticks
        for k, *note in zip(trial.tolist(), on.tolist(), (p.off - p.on).tolist(),
                            p.pitch.tolist(), p.velocity.tolist(), strict=True):  # fmt: skip
            notes[k].append((p.channel, *note))
    return bits, [tuple(sorted(x)) for x in notes]


def recorded_of(notes):
    channel, on, length, pitch, velocity = (np.array(x) for x in zip(*notes, strict=True))
    key = np.clip(np.rint(pitch), 0, 127)
    tone = key.astype(np.int64) * 16384 + np.rint((pitch - key) * 4096).astype(np.int64)
    return NoteEvents(on.astype(float), (on + length).astype(float), tone, velocity, channel)


def matcher_of(notes, setup, timeline, grid, unit_bits):
    exactly = Tolerance(2, 2, 0)
    return Matcher(
        recorded_of(notes), setup.music, timeline, grid, unit_bits, exactly, Budget(10**9)
    )


@pytest.mark.parametrize("preset", sampled(PRESETS, 4))
def test_it_finds_all_discs_that_sound_alike(preset):
    """For chance discs of 12 bits: the bits that are said to be known are those in which all
    discs of the same music agree, and no other."""
    setup = load_setup((preset,), {})
    rng = np.random.default_rng(PRESETS.index(preset))
    told = loose = 0
    for rows, positions in SIZES:
        grid = grid_of(setup.music, positions)
        timeline = read_times(rows + 2, positions, setup.player)
        if setup.music.timing == "bars":
            timeline = rows_to_bars(timeline, grid, setup.player)
        whole = timeline.first_rows(rows)
        bits, music = all_music(setup, whole, grid, 5)
        for disc in rng.integers(0, len(bits), 4):
            if not music[disc]:
                continue
            alike = bits[[k for k, m in enumerate(music) if m == music[disc]]]
            open_ = (alike != alike[0]).any(axis=0)
            found = search(matcher_of(music[disc], setup, timeline, grid, 5), rows, LIMITS)
            assert not isinstance(found, int)
            assert found.cost == 0
            if found.rows < rows:
                # rows without a sound of their own can't be told
                continue
            known = ~found.lost
            np.testing.assert_array_equal(found.bits[known], bits[disc][known])
            assert not (known & open_).any()
            told += int((~open_).sum())
            loose += int((found.lost & ~open_).sum())
    # what is let go though it could be known is little
    assert loose <= 0.1 * max(told, 1) + 1


def test_a_note_more_or_less_costs_one():
    setup = load_setup(("music-box",), {})
    disc = sonify.load_disc("cairn-small")
    grid = grid_of(setup.music, disc.positions)
    timeline = rows_to_bars(read_times(4, disc.positions, setup.player), grid, setup.player)
    short = timeline.first_rows(2)
    bits = short.in_order(disc.grid)
    parts = untuned_parts(setup.music, Trials.side_by_side(bits[None], short, 7), grid)
    notes = [
        (p.channel, int(on), int(off - on), float(pitch), int(v))
        for p in parts
        for on, off, pitch, v in zip(p.on, p.off, p.pitch, p.velocity, strict=True)
    ]

    def cost(notes):
        matcher = matcher_of(notes, setup, timeline, grid, 7).ending(2)
        return float((COSTS @ matcher.whole(bits[None])[0])[0])

    assert cost(notes) == 0
    assert cost(notes[1:]) == 1
    assert cost([*notes, (0, 7, 100, 61.0, 80)]) == 1
    c, on, length, pitch, v = notes[3]
    assert cost([*notes[:3], (c, on, length + 400, pitch, v), *notes[4:]]) == 0.5
    assert cost([*notes[:3], (c, on, length, pitch, v - 9), *notes[4:]]) == 0.5
