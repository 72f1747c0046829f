"""Trials side by side make the very events that each of them makes alone."""

from __future__ import annotations

import numpy as np
import pytest

import sonify
from sonify.disc_player.profile import Player
from sonify.disc_player.timeline import read_times
from sonify.music.bit_stream import BitStream
from sonify.music.metre import grid_of, rows_to_bars
from sonify.music.notes import events_of, make_parts
from sonify.music.pitch.schemes import SCHEMES
from sonify.music.rhythm.rules import RULES
from sonify.music.settings import Music, Voice
from sonify.music.trials import Before, Trials
from sonify.music.voice_sources import SOURCES
from tests.nightly import sampled
from tests.shipped import MUSIC

ROWS, POSITIONS = 9, 22
FIRST, WINDOW = 3, 4
TRIALS = 5
# echoes come in from the row before, and the row after cuts notes short
JUDGED = slice(1, 3)
EXTRA = {
    "progression": {"chords": "I IV V ii", "each": "bar"},
    "table": {"degrees": [0, 2, 4, 1, 6], "by": "one"},
    "pattern": {"pattern": "x..x."},
    "density": {"window": 7},
    "entry": {"steps": 9.0},
}


def timelines():
    straight = read_times(ROWS, POSITIONS, Player())
    grid = grid_of(Music(), POSITIONS)
    turning = read_times(ROWS, POSITIONS, replace_start())
    assert not turning.straight
    return [straight, rows_to_bars(straight, grid, Player()), turning]


def replace_start():
    import msgspec

    return msgspec.structs.replace(Player(), row_start="next-position")


def both_ways(voice: Voice, timeline, unit_bits=7, seed=3):
    """The notes of each trial alone and side by side, those of the judged rows only."""
    rng = np.random.default_rng(seed)
    # runs of equal bits that last from row to row, and bits that nobody could read
    bits = rng.choice(np.array([0, 1, 0, 1, 1, 0, -1], np.int8), (TRIALS, ROWS * POSITIONS))
    bits[1, 2 * POSITIONS : 4 * POSITIONS] = 1
    bits[2, : 4 * POSITIONS] = 0
    bits[2, 4 * POSITIONS - 3] = 1
    lo, hi = FIRST * POSITIONS, (FIRST + WINDOW) * POSITIONS
    grid = grid_of(Music(), POSITIONS)
    music = Music(voice=(voice,))
    side = Trials.side_by_side(bits[:, lo:hi], timeline, unit_bits, FIRST, Before.of(bits[:, :lo]))
    together = make_parts(music, side, grid)[0]
    ticks = grid.step_ticks
    alone, beside = [], []
    for k in range(TRIALS):
        one = make_parts(music, BitStream(bits[k], timeline, unit_bits), grid)[0]
        row = one.index // POSITIONS - FIRST
        keep = (row >= JUDGED.start) & (row < JUDGED.stop)
        alone.append(sorted(zip(one.on[keep], one.off[keep], one.pitch[keep],
                                one.velocity[keep], one.index[keep], strict=True)))  # fmt: skip
        mine = together.on // ticks // side.apart == k
        row = side.line(together.index) % WINDOW
        mine &= (row >= JUDGED.start) & (row < JUDGED.stop)
        shift = k * side.apart * ticks
        beside.append(sorted(zip(together.on[mine] - shift, together.off[mine] - shift,
                                 together.pitch[mine], together.velocity[mine],
                                 side.nth(together.index[mine]), strict=True)))  # fmt: skip
    return alone, beside


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("source", ["ones", "clock"])
def test_schemes(scheme, source):
    for timeline in timelines():
        pitch = {"scheme": scheme, **EXTRA.get(scheme, {})}
        alone, beside = both_ways(Voice(source=source, pitch=pitch), timeline)
        assert alone == beside
        assert sum(map(len, alone)) > 40


@pytest.mark.parametrize("rule", [r for r in RULES if r != "none"])
@pytest.mark.parametrize("source", ["ones", "clock"])
def test_rules(rule, source):
    for timeline in timelines():
        voice = Voice(source=source, pitch="place", rhythm=({"rule": rule, **EXTRA.get(rule, {})},))
        alone, beside = both_ways(voice, timeline)
        assert alone == beside
        assert sum(map(len, alone)) > 8


@pytest.mark.parametrize("source", SOURCES)
def test_sources(source):
    for timeline in timelines():
        for pitch in ("walk", "last-character"):
            alone, beside = both_ways(Voice(source=source, pitch=pitch), timeline)
            assert alone == beside


@pytest.mark.parametrize("over", ["position", "character", "row", "rows", "piece"])
def test_curves(over):
    voice = Voice(curves=({"over": over, "points": (0.3, 1.0, 0.5)},))
    import msgspec

    voice = msgspec.convert(msgspec.to_builtins(voice), Voice)
    for timeline in timelines():
        alone, beside = both_ways(voice, timeline)
        assert alone == beside


@pytest.mark.parametrize("preset", sampled([p.stem for p in MUSIC], 6))
def test_whole_discs(preset):
    """All rows of a disc at once, every preset: the same notes as one by one."""
    disc = sonify.load_disc("cairn-quilt")
    show = sonify.perform(disc, presets=[preset])
    rng = np.random.default_rng(1)
    bits = rng.integers(0, 2, (3, disc.grid.size)).astype(np.int8)
    side = Trials.side_by_side(bits, show.timeline, 7)
    for n, voice in enumerate(show.setup.music.voice):
        e = events_of(voice, f"voice {n}", side)
        for k in range(3):
            one = events_of(voice, f"voice {n}", BitStream(bits[k], show.timeline, 7))
            mine = e.onset // side.apart == k
            np.testing.assert_array_equal(side.nth(e.index[mine]), one.index)
            np.testing.assert_allclose(e.onset[mine] - k * side.apart, one.onset, atol=1e-6)
            if not any(r == "held" for r in voice.rhythm):
                np.testing.assert_allclose(e.length[mine], one.length)
