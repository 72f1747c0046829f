"""How the stage moves from row to row, by the bits that show meanwhile."""

import numpy as np
import pytest

from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.stage_move import stage_move
from sonify.recover.diagnosis.stage_path import follow_stage, in_its_turn
from sonify.recover.diagnosis.under_detector import BLANK, dwells_of

ROWS, POSITIONS, PAUSE = 6, 40, 12
GRID = np.random.default_rng(5).integers(0, 2, (ROWS, POSITIONS)).astype(np.int8)
START = np.arange(ROWS) * (POSITIONS + PAUSE)
DESIGN = Design(GRID, POSITIONS + PAUSE, False, move_s=0.125, stage_s=0.08)
PERIOD_S = 0.01


def passing(begins, lasts, rows=range(ROWS)):
    """The holes of a log, slot by slot: the stage starts `begins` slots after each reading's end
    and moves for so many; halfway there is material."""
    slots = np.arange(START[-1] + POSITIONS + PAUSE)
    way = np.clip((slots[:, None] - START - POSITIONS - begins) / lasts, 0, 1)[:, :-1].sum(axis=1)
    at, off = np.rint(way).astype(int), np.abs(way - np.rint(way))
    row = np.asarray(rows)[at]
    hole = (row >= 0) & (GRID[row, slots % POSITIONS] == 1) & (off < 0.3)
    return 2.0 * hole - 1


@pytest.mark.parametrize(
    ("begins", "lasts", "kind"),
    [(0, 8, "sound"), (0, 11, "sound"), (9, 8, "late"), (0, 26, "slow"), (-6, 8, "early")],
)
@pytest.mark.parametrize("wrong", [0.0, 0.05])
def test_a_move_is_told_from_a_late_an_early_and_a_slow_one(begins, lasts, kind, wrong):
    """The moment and the length of the move follow as well."""
    seen = passing(begins, lasts)
    seen[np.random.default_rng(1).random(len(seen)) < wrong] *= -1
    move = stage_move(seen, DESIGN, 0, START, np.arange(ROWS), PERIOD_S)
    assert move.kind == kind
    assert not move.others
    if kind != "sound":
        assert move.begins == pytest.approx(begins, abs=2)
        assert move.lasts == pytest.approx(lasts, rel=0.3)


def test_what_a_single_row_leaves_open_is_said():
    """A move over too few bits may be late or slow."""
    seen = passing(0, 20)
    seen[POSITIONS + 6 : POSITIONS + 14] = 0
    move = stage_move(seen, DESIGN, 0, START[:2], np.arange(2), PERIOD_S)
    assert {move.kind, *move.others} == {"slow", "late"}


@pytest.mark.parametrize("skipped", [0, 2])
def test_a_stage_that_skips_a_row_ends_on_material(skipped):
    """Each reading's row is found, and that the last one saw none."""
    rows = [*np.delete(np.arange(ROWS), skipped), BLANK]
    seen = passing(0, 8, rows)
    passed = np.arange(-POSITIONS, len(seen) + 5 * POSITIONS) * PERIOD_S
    path = follow_stage(dwells_of(seen, GRID, 0), DESIGN, 0, passed, len(seen))
    assert path.shown.tolist() == rows
    assert path.start.tolist() == START.tolist()


@pytest.mark.parametrize("turns", [2, 3, 4])
@pytest.mark.parametrize("lasts", [0.2, 0.9])
def test_a_player_that_waits_for_a_slow_stage(turns, lasts):
    """Rows start whole turns later than they could; the stage shows material for half its way."""
    start = POSITIONS * (1 + turns * np.arange(ROWS))
    slots = np.arange(start[-1] + POSITIONS)
    way = np.clip((slots[:, None] - start - POSITIONS) / (lasts * POSITIONS), 0, 1)
    way = way[:, :-1].sum(axis=1)
    row = np.rint(way).astype(int)
    shows = np.abs(way - row) < 0.25
    seen = np.where(shows & (GRID[row, slots % POSITIONS] == 1), 1.0, -1.0)
    design = Design(GRID, 2 * POSITIONS, True, move_s=0.05, stage_s=0.04)
    passed = np.arange(-POSITIONS, len(seen) + 5 * POSITIONS) * PERIOD_S
    path = follow_stage(dwells_of(seen, GRID, 0), design, 0, passed, len(seen))
    assert path.start.tolist() == start.tolist()
    assert path.index
    assert path.shown.tolist() == list(range(ROWS))


def test_rows_are_read_in_the_turn_that_a_slow_stage_spoils_the_beginning_of():
    """Each row but the first shows from a third of its turn on, and for most of the next turn; the
    log ends before the next turn of the last row does."""
    start = np.arange(ROWS) * 2 * POSITIONS + POSITIONS
    seen = -np.ones(start[-1] + 2 * POSITIONS - 8)
    for row, begin in enumerate(start.tolist()):
        slots = np.arange(begin + (row > 0) * POSITIONS // 3, begin + 2 * POSITIONS - 10)
        slots = slots[slots < len(seen)]
        seen[slots] = 2.0 * GRID[row, slots % POSITIONS] - 1
    design = Design(GRID, 2 * POSITIONS, True, move_s=0.3, stage_s=0.2)
    for turns in (0, 1):
        assert in_its_turn(seen, design, 0, start + turns * POSITIONS).tolist() == start.tolist()
