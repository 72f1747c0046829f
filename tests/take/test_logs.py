"""Detector logs at takes with known answers: where rows begin, how the machine samples."""

from __future__ import annotations

import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.take import compare_take
from tests.take.faults import PLAYERS, judge, make
from tests.take.machine import Machine


def places(seen):
    return {(int(e["row"]), int(e["position"])) for e in seen.errors}


def a_take(start, name="cairn-wire", **settings):
    disc = sonify.load_disc(name)
    profile = PLAYERS[start]
    machine = Machine(
        grid=disc.grid.tolist(),
        unit_bits=disc.code.unit_bits,
        row_start=start,
        seed=5,
        **profile | settings,
    )
    show = sonify.perform(
        disc,
        settings={f"player.{k}": v for k, v in profile.items()} | {"player.row-start": start},
    )
    return show, machine.run()


@pytest.mark.parametrize("start", PLAYERS)
@pytest.mark.parametrize("lost", [1, 3, 4, 6])
def test_a_log_that_begins_rows_late(start, lost, tmp_path):
    show, take = a_take(start)
    path = take.write_log(tmp_path / "log.npy")
    log = np.load(path)
    np.save(path, log[log[:, 0] > np.nanmin(take.times[lost]) - 0.3])
    seen = compare_take(show, path)
    assert len(seen.errors) == 0
    assert not seen.causes
    unread = (seen.bits < 0).all(axis=1)
    assert np.flatnonzero(~unread).tolist() == list(range(lost, len(take.read)))
    assert "not in the take" in seen.cautions[0]


@pytest.mark.parametrize("seed", [6, 17, 26])
def test_a_disc_that_fits_in_no_way_but_one_is_not_laid_outside_its_log(seed, tmp_path):
    """Bits in the other order; a few at the log's edge are as another way has them by chance."""
    show, take = make("bit order", 0, seed)
    one, _ = judge(show, take, "log", tmp_path)
    assert one.first == "bit-order"
    assert one.found == one.right == one.true


@pytest.mark.parametrize("start", PLAYERS)
def test_a_log_of_two_readings(start, tmp_path):
    row = int(np.flatnonzero(sonify.load_disc("cairn-wire").grid[6])[5])
    show, take = a_take(start, blocked={(6, row)})
    path = take.write_log(tmp_path / "log.npy")
    one = np.load(path)
    two = one.copy()
    two[:, 0] += one[-1, 0] + 1e-3
    np.save(path, np.concatenate([one, two]))
    seen = compare_take(show, path)
    assert places(seen) == {(6, row)}
    assert seen.causes[0].name == "hole"


@pytest.mark.parametrize("stage", [0.21, 0.2225, 0.247, 0.2625])
def test_a_move_of_almost_a_whole_number_of_positions(stage, tmp_path):
    """A position takes 50 ms at 24 turns a minute, and the stage settles for 50 ms."""
    show, take = a_take("next-position", stage=stage, drift=0.03)
    seen = compare_take(show, take.write_log(tmp_path / "log.npy"))
    assert len(seen.errors) == 0
    begin, end = np.nanmin(take.times, axis=1), np.nanmax(take.times, axis=1)
    assert np.abs(seen.motion.change_s - (begin[1:] - end[:-1])).max() < 5e-3


@pytest.mark.parametrize("start", PLAYERS)
def test_the_disc_s_first_clock_hole_is_missing(start, tmp_path):
    """A machine without an index counts from the first pulse that it sees."""
    show, take = a_take(start, clock_missing={0})
    seen = compare_take(show, take.write_log(tmp_path / "log.npy"))
    true = take.errors()
    assert len(true) > 150
    assert len(places(seen) & true) >= 0.99 * len(true)
    assert len(places(seen) - true) <= 0.01 * len(true)
    assert seen.causes[0].name == "clock-missing"


def spoilt():
    """A threshold near the holes' level, places that differ, and a window of a third."""
    return a_take(
        "index", spread=0.35, noise=0.125, threshold=0.75, sample_half=0.17, delay=0.006,
        rate=2000.0,
    )  # fmt: skip


def test_how_the_machine_samples_can_be_told(tmp_path):
    show, take = spoilt()
    path = take.write_log(tmp_path / "log.npy")
    true = take.errors()
    told = compare_take(show, path, threshold=0.75, sample_at=0.006, sample_width=0.34)
    assert len(true) > 30
    assert places(told) == true
    # elsewhere it would have read other bits
    aside = compare_take(show, path, threshold=0.75, sample_at=0.022, sample_width=0.1)
    assert places(aside) != true


def test_the_player_s_profile_tells_it_too(run, tmp_path):
    show, take = spoilt()
    path = take.write_log(tmp_path / "log.npy")
    told = compare_take(show, path, threshold=0.75, sample_at=0.006, sample_width=0.34)
    way = {"player.sample-at": 0.006, "player.sample-width": 0.34}
    player = {f"player.{k}": v for k, v in PLAYERS["index"].items()}
    again = sonify.perform(sonify.load_disc("cairn-wire"), settings=player | way)
    assert places(compare_take(again, path, threshold=0.75)) == places(told)
    result = run("compare", "cairn-wire", str(path), "--sample-width", "1.5")
    assert result.status
    assert "sample-width" in result.err


def test_a_log_with_less_than_half_a_row(tmp_path):
    show, take = a_take("index")
    path = take.write_log(tmp_path / "log.npy")
    log = np.load(path)
    begin = np.nanmin(take.times[0])
    np.save(path, log[(log[:, 0] > begin) & (log[:, 0] < begin + 1.5)])
    with pytest.raises(InputError, match="too little to compare"):
        compare_take(show, path)
