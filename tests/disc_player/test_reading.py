"""When positions are read, against a player simulated step by step."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sonify.disc_player.profile import Player
from sonify.disc_player.timeline import read_times, reading_of
from tests.simulation import SimulatedDisc, read


@pytest.mark.parametrize("row_start", ["index", "next-position"])
@given(
    rows=st.integers(1, 7),
    positions=st.integers(1, 60),
    rpm=st.sampled_from([0.5, 4, 10, 12.5, 33.333, 60]),
    stage=st.sampled_from([0, 0.1, 0.8, 1.25, 6, 7]),
    settle=st.sampled_from([0, 0.05, 0.2]),
)
def test_reading_is_the_simulations(row_start, rows, positions, rpm, stage, settle):
    rng = np.random.default_rng(rows * 100 + positions)
    grid = rng.integers(-1, 2, (rows, positions)).astype(np.int8)
    player = Player(rpm=rpm, row_start=row_start, stage=stage, settle=settle)
    got = reading_of(grid, read_times(rows, positions, player))
    disc = SimulatedDisc(["".join("?01"[b + 1] for b in row) for row in grid], 7)
    table = {"rpm": rpm, "row-start": row_start, "stage": stage, "settle": settle}
    expected = read(disc, table)
    np.testing.assert_allclose(got["time_s"], [float(s.time) for s in expected], rtol=1e-12)
    assert got["row"].tolist() == [s.row for s in expected]
    assert got["position"].tolist() == [s.position for s in expected]
    assert got["bit"].tolist() == [{"1": 1, "0": 0, "?": -1}[s.bit] for s in expected]


def test_every_position_is_read_once():
    player = Player(row_start="next-position", stage=0.37)
    t = read_times(9, 50, player)
    assert sorted(t.places().tolist()) == list(range(450))
    assert (np.diff(t.slots()) > 0).all()
    np.testing.assert_array_equal(t.slot_of(t.places()), t.slots())


def test_the_index_is_waited_for():
    """10 turns per minute, 6 s per turn: 1 s of moving costs a whole turn more."""
    t = read_times(3, 56, Player(rpm=10, stage=0.8, settle=0.2))
    np.testing.assert_allclose(t.row_start_s(), [0, 12, 24])
    t = read_times(3, 56, Player(rpm=10, stage=0, settle=0))
    np.testing.assert_allclose(t.row_start_s(), [0, 6, 12])
    # a move of exactly a turn: the index pass at its end is in time
    t = read_times(3, 56, Player(rpm=10, stage=5.8, settle=0.2))
    np.testing.assert_allclose(t.row_start_s(), [0, 12, 24])
