"""When positions are read, against a player simulated step by step."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sonify.disc_player.profile import Player
from sonify.disc_player.timeline import Pace, read_times, reading_of
from sonify.errors import InputError
from sonify.settings import convert
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


def test_a_player_of_which_nothing_is_known():
    """The machine of the documentation's examples: the project's own choice, set down again."""
    p = Player()
    assert (p.rpm, p.stage, p.settle, p.message_pause, p.delay) == (10, 0.8, 0.2, 1, 0)
    assert (p.row_start, p.turn_s) == ("index", 6)
    assert (p.matrix.width, p.matrix.height, p.matrix.fill) == (32, 8, "fitted")
    assert (p.matrix.scroll, p.matrix.brightness, p.matrix.lamp_current) == (12, 1, 20)


@pytest.mark.parametrize(
    ("key", "taken", "refused"),
    [
        ("rpm", (1e-3, 10_000.0), (0.0, 10_000.1)),
        ("rpm-range", ((1e-3, 10_000.0),), ((0.0, 10.0), (1.0, 10_000.1))),
        ("stage", (0.0, 3600.0), (-0.1, 3600.1)),
        ("settle", (0.0, 3600.0), (-0.1, 3600.1)),
        ("delay", (-1.0, 1.0), (-1.1, 1.1)),
        ("sample-at", (-1.0, 1.0), (-1.1, 1.1)),
        ("sample-width", (0.01, 1.0), (0.0, 1.01)),
        ("message-pause", (0.0, 3600.0), (-0.1, 3600.1)),
        ("matrix.width", (1, 1024), (0, 1025)),
        ("matrix.height", (1, 1024), (0, 1025)),
        ("matrix.missing", (((1, 1),), ((1024, 1024),)), (((0, 1),), ((1, 1025),))),
        ("matrix.brightness", (0.01, 1.0), (0.0, 1.01)),
        ("matrix.lamp-current", (0.1, 1000.0), (0.0, 1000.1)),
        ("matrix.supply", (0.1, 1000.0), (0.0, 1000.1)),
    ],
)
def test_settings_of_a_player_have_limits(key, taken, refused):
    """The project's own choice, set down again."""
    *section, name = key.split(".")

    def made(value):
        table = {name: value}
        return convert({section[0]: table} if section else table, Player)

    for value in taken:
        made(value)
    for value in refused:
        with pytest.raises(InputError):
            made(value)


def test_a_speed_that_changes_by_hand():
    """Half a second for four positions, a second for two, then a quarter."""
    pace = Pace(np.array([0.0, 4.0, 6.0]), np.array([0.5, 1.0, 0.25]))
    slots, times = np.array([0, 1, 4, 5.5, 6, 10]), np.array([0, 0.5, 2, 3.5, 4, 5])
    even = read_times(2, 6, Player(rpm=20, stage=0, settle=0))
    assert even.position_s == even.least_s == 0.5
    paced = replace(even, pace=pace)
    for t, factor in ((paced, 1.0), (paced.at_speed(2.0), 0.5)):
        np.testing.assert_allclose(t.seconds(slots), factor * times)
        np.testing.assert_allclose(t.slots_at(factor * times), slots)
        assert t.position_s == 0.5 * factor
        assert t.least_s == 0.25 * factor
    np.testing.assert_allclose(even.at_speed(2.0).seconds(slots), slots / 4)
    np.testing.assert_allclose(even.slots_at(np.array([0.25, 3.0])), [0.5, 6])


def test_rows_begin_and_end_when_they_should():
    """Six positions of half a second; between two rows the index is waited for, a turn."""
    t = read_times(3, 6, Player(rpm=20, stage=0.8, settle=0.2))
    assert (t.rows, t.end_slot, t.end_s) == (3, 30, 15)
    assert t.row_start_s().tolist() == [0, 6, 12]
    assert t.row_end_s().tolist() == [3, 9, 15]
    assert t.gaps.tolist() == [6, 6, 0]
    assert t.span_of_rows("2") == (6, 12)
    assert t.span_of_rows("1-2") == (0, 12)
    assert t.span_of_rows("2-3") == (6, float("inf"))
    two = t.first_rows(2)
    assert (two.rows, two.end_slot) == (2, 18)
    assert t.places().tolist() == list(range(18))


def test_where_rows_begin_anywhere_bits_are_put_back():
    """A move of one second is two positions: the next row begins at its third."""
    t = read_times(2, 6, Player(rpm=20, stage=0.8, settle=0.2, row_start="next-position"))
    assert not t.straight
    # the last one is read at 2.5 s and the move ends at 3.5 s: that position is not after it
    assert t.row_slot.tolist() == [0, 8]
    assert t.row_first.tolist() == [0, 2]
    assert t.places().tolist() == [0, 1, 2, 3, 4, 5, 8, 9, 10, 11, 6, 7]
    assert t.slots().tolist() == [0, 1, 2, 3, 4, 5, 8, 9, 10, 11, 12, 13]
    assert t.slot_of(np.array([5, 6, 8, 11])).tolist() == [5, 12, 8, 11]
    grid = np.arange(12, dtype=np.int8).reshape(2, 6)
    assert t.in_order(grid).tolist() == t.places().tolist()
