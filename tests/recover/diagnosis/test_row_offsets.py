"""How far beside its rows the detector stands, by how deep their holes look."""

from dataclasses import replace

import numpy as np
import pytest

from sonify.recover.diagnosis.alignment import Alignment, Design
from sonify.recover.diagnosis.row_offsets import row_offsets
from sonify.recover.diagnosis.under_detector import Dwell

ROWS, POSITIONS, PAUSE, HOLE, SPOT = 6, 40, 12, 0.5, 0.3
RNG = np.random.default_rng(8)
GRID = RNG.integers(0, 2, (ROWS, POSITIONS)).astype(np.int8)
EVERY = np.arange(ROWS)
START = EVERY * (POSITIONS + PAUSE)
DESIGN = Design(GRID, POSITIONS + PAUSE, False, move_s=0.125, stage_s=0.08, hole=HOLE)
SLOTS = int(START[-1]) + POSITIONS
PASSED = np.arange(-POSITIONS, SLOTS + 5 * POSITIONS) * 0.01
ALIGNED = Alignment(START, EVERY, 0, 0.8)


ACROSS = np.linspace(-SPOT / 2, SPOT / 2, 81)
X, Y = (v[np.hypot(*np.meshgrid(ACROSS, ACROSS)) <= SPOT / 2] for v in np.meshgrid(ACROSS, ACROSS))


def light(apart):
    """The share of a round spot's points that lie in a hole so far from its middle."""
    return np.mean(np.hypot(X - apart, Y) <= HOLE / 2)


def depths(off, died=SLOTS):
    """The depth of each slot's hole if the stage stops so far from each row, and moves evenly."""
    out = np.zeros(SLOTS)
    for k in range(SLOTS):
        row = int(np.searchsorted(START + POSITIONS, k, "right"))
        way = np.clip((k - START[row - 1] - POSITIONS) / 8, 0, 1) if row else 1.0
        where = (1 - way) * (row - 1 + off[row - 1]) + way * (row + off[row])
        near = int(np.clip(np.rint(where), 0, ROWS - 1))
        out[k] = light(where - near) * GRID[near, k % POSITIONS] * (k < died)
    return 2.0 * out + 0.06 * RNG.standard_normal(SLOTS)


def found(depth):
    return row_offsets(depth, np.full(SLOTS, 3.0), DESIGN, ALIGNED, PASSED, 0.22, [])


@pytest.mark.parametrize("step", [0.08, 0.15])
def test_a_step_that_is_wrong_is_measured(step):
    """Roughly: a larger spot and a longer step look alike."""
    offsets = found(depths(step * EVERY))
    assert offsets.kind == "pitch"
    assert [*offsets.ways] == [offsets.kind]
    assert abs(np.diff(offsets.way.off)[0]) == pytest.approx(step, rel=0.3)
    assert offsets.way.start.tolist() == START.tolist()


@pytest.mark.parametrize("play", [0.3, -0.35, 0.75])
def test_play_is_measured(play):
    offsets = found(depths(play * (EVERY > 0)))
    # a first step of which a part was lost looks the same
    assert [*offsets.ways] == ["play", "step"]
    assert abs(offsets.way.off[-1]) == pytest.approx(abs(play), abs=0.06)


def test_holes_that_pass_while_the_stage_moves_tell_play_from_a_dead_channel():
    """Between two rows, readings show nothing in either case."""
    between = found(depths(-0.5 * (EVERY > 0)))
    assert between.kind == "play"
    assert "dead" not in between.ways
    assert found(depths(0.0 * EVERY, died=70)).kind == "dead"


def test_blocked_holes_are_no_offset():
    depth = depths(0.0 * EVERY)
    depth[np.flatnonzero(depth > 1)[-12::4]] = 0
    assert not found(depth).beside


def test_light_that_fades_is_no_offset():
    """It moves the material's level as well."""
    depth, web = depths(0.12 * EVERY), np.linspace(3.0, 1.0, SLOTS)
    assert row_offsets(depth, web, DESIGN, ALIGNED, PASSED, 0.22, []) is None


def test_errors_where_holes_are_deep_are_not_explained():
    offsets = found(depths(0.1 * EVERY))
    bits = GRID.copy()
    bits[-2:] = 0
    assert offsets.explains(bits, GRID)
    bits = GRID.copy()
    bits[:2] = 0
    assert not offsets.explains(bits, GRID)


def test_rows_before_the_recording_tell_nothing():
    """Nor do they stop the search for rows within it."""
    before = Alignment(START - 2 * SLOTS, EVERY, 0, 0.5)
    depth = depths(0.3 * (EVERY > 0))
    assert row_offsets(depth, np.full(SLOTS, 3.0), DESIGN, before, PASSED, 0.22, []).kind == "play"


def test_a_stage_that_arrives_late_is_not_beside_its_rows():
    """It misses the first holes of each row but the first, and shows all others in full."""
    depth = depths(0.0 * EVERY)
    for begin in START[1:]:
        depth[begin - PAUSE : begin + 9] = 0
    offsets = found(depth)
    assert offsets.kind == "moved"
    assert not {"pitch", "play"} & {*offsets.ways}


def test_a_player_that_waited_between_two_rows_does_not_hide_a_wrong_step():
    """Rows are seen to end later from there on."""
    wait, at = 17, int(START[3])
    depth = depths(0.08 * EVERY)
    depth = np.concatenate([depth[:at], np.zeros(wait), depth[at:]])
    # positions pass on while it waits
    grid = np.roll(GRID[3:], wait % POSITIONS, axis=1)
    late = np.where(EVERY >= 3, wait, 0)
    design = replace(DESIGN, grid=np.vstack([GRID[:3], grid]))
    stays = [
        Dwell(r, int(START[r] + late[r]), int(end), (int(START[r] + late[r]),) * 2, (int(end),) * 2)
        for r, end in enumerate(START + late + POSITIONS)
    ]
    aligned = Alignment(START - 2 * SLOTS, EVERY, 0, 0.5)
    passed = np.arange(-POSITIONS, SLOTS + wait + 5 * POSITIONS) * 0.01
    web = np.full(SLOTS + wait, 3.0)
    offsets = row_offsets(depth, web, design, aligned, passed, 0.22, stays)
    assert offsets.kind == "pitch"
    assert offsets.way.start.tolist() == (START + late).tolist()


def test_a_stage_that_rests_a_turn_longer_before_it_moves_hides_no_play():
    """That harms nothing, and explains no shallow rows."""
    depth = depths(np.array([0.0, 0.35, -0.05, 0.35, 0.1, -0.35]))
    rows = [depth[k : k + POSITIONS] for k in START]
    moves = [depth[k + POSITIONS : k + POSITIONS + PAUSE] for k in START]
    depth = np.concatenate([x for r, m in zip(rows, moves, strict=True) for x in (r, r, m)])
    start = EVERY * (2 * POSITIONS + PAUSE)
    passed = np.arange(-POSITIONS, len(depth) + 5 * POSITIONS) * 0.01
    aligned = Alignment(start, EVERY, 0, 0.8)
    web = np.full(len(depth), 3.0)
    assert row_offsets(depth, web, DESIGN, aligned, passed, 0.22, []).kind == "loose"


def test_a_comparator_shows_part_of_a_hole_or_not():
    """Its levels tell play though some holes show and others do not."""
    chance = np.random.default_rng(0).random(SLOTS)
    offsets = found(2.0 * (chance < depths(0.25 * (EVERY > 0)) / 2))
    assert offsets.kind == "play"
    assert abs(offsets.way.off[-1]) == pytest.approx(0.25, abs=0.11)


def test_a_disc_off_centre_beside_play():
    swing = 0.2 * np.cos(2 * np.pi * np.arange(POSITIONS) / POSITIONS)
    depth = np.zeros(SLOTS)
    for r, begin in enumerate(START):
        beside = abs(swing + 0.4 * (r > 0))
        share = np.clip(((HOLE + SPOT) / 2 - beside) / SPOT, 0, 1)
        place = (begin + np.arange(POSITIONS)) % POSITIONS
        depth[begin : begin + POSITIONS] = 2.0 * share[place] * GRID[r, place]
    offsets = found(depth + 0.06 * RNG.standard_normal(SLOTS))
    assert offsets.kind == "play"
    assert abs(offsets.way.swing) == pytest.approx(0.2, abs=0.1)


@pytest.mark.parametrize("first", [2, 3])
def test_a_lost_step_is_found_at_its_row(first):
    offsets = found(depths(0.25 * (first <= EVERY)))
    assert offsets.kind == "step"
    assert np.flatnonzero(offsets.way.off)[0] == first
    assert abs(offsets.way.off[-1]) == pytest.approx(0.25, abs=0.06)


def test_a_stage_that_stops_anywhere_within_its_play_is_loose():
    off = np.array([0.15, 0.35, 0.0, 0.28, 0.1, 0.32])
    offsets = found(depths(off))
    assert [*offsets.ways] == ["loose"]
    assert np.abs(offsets.way.off)[[1, 3, 5]] == pytest.approx(off[[1, 3, 5]], abs=0.11)


def test_rows_outside_the_log_are_not_explained():
    offsets = found(depths(0.1 * EVERY))
    bits = GRID.copy()
    bits[-2:] = 0
    bits[:3] = -1
    assert offsets.explains(bits, GRID)
    assert not offsets.explains(bits, GRID, known=GRID.size - POSITIONS)


def test_one_row_that_is_missed_is_no_play():
    assert not found(depths(0.35 * (EVERY == 2))).beside
