"""Detector logs with known answers: where rows start, how the machine samples."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.recover.diagnosis import compare
from sonify.recover.diagnosis.report import report_lines
from sonify.recover.diagnosis.report_picture import rate_in_words
from tests.nightly import sampled, sampled_product, sampled_rows
from tests.recover.diagnosis.faults import PLAYERS, judge, make
from tests.recover.diagnosis.machine import Machine


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


@pytest.mark.parametrize(("lost", "start"), sampled_rows(product([1, 3, 4, 6], PLAYERS), 3))
def test_a_log_that_begins_rows_late(start, lost, tmp_path):
    show, recording = a_take(start)
    path = recording.write_log(tmp_path / "log.npy")
    log = np.load(path)
    np.save(path, log[log[:, 0] > np.nanmin(recording.times[lost]) - 0.3])
    seen = compare(show, path)
    assert len(seen.errors) == 0
    assert not seen.causes
    unread = (seen.bits < 0).all(axis=1)
    assert np.flatnonzero(~unread).tolist() == list(range(lost, len(recording.read)))
    assert "not in the recording" in seen.cautions[0]


@pytest.mark.parametrize("seed", sampled([6, 17, 26], 1))
def test_a_disc_that_fits_in_no_way_but_one_is_not_laid_outside_its_log(seed, tmp_path):
    """Bits in the other order; a few at the log's edge are as another way has them by chance."""
    show, recording = make("bit order", 0, seed)
    one, _ = judge(show, recording, "log", tmp_path)
    assert one.first == "bit-order"
    assert one.found == one.right == one.true


@pytest.mark.parametrize(("held", "start"), sampled_rows(product([1.4, 2.0, 3.1, 5.0], PLAYERS), 3))
def test_a_belt_that_slips_within_a_row(start, held, tmp_path):
    """The disc stands still, and no clock pulse is missing."""
    show, recording = a_take(start)
    path = recording.write_log(tmp_path / "log.npy")
    log = np.load(path)
    step = np.median(np.diff(log[:, 0]))
    position = 60 / (show.setup.player.rpm * show.disc.positions)
    at = int((np.nanmin(recording.times[2]) + 9.5 * position) / step)
    still = np.repeat(log[at : at + 1], int(held * position / step), axis=0)
    log = np.concatenate([log[:at], still, log[at:]])
    log[:, 0] = np.arange(len(log)) * step
    np.save(path, log)
    seen = compare(show, path)
    assert len(seen.errors) == 0
    assert "clock-missing" not in [c.name for c in seen.causes]


@pytest.mark.parametrize("start", PLAYERS)
def test_a_log_of_two_readings(start, tmp_path):
    row = int(np.flatnonzero(sonify.load_disc("cairn-wire").grid[6])[5])
    show, recording = a_take(start, blocked={(6, row)})
    path = recording.write_log(tmp_path / "log.npy")
    one = np.load(path)
    two = one.copy()
    two[:, 0] += one[-1, 0] + 1e-3
    np.save(path, np.concatenate([one, two]))
    seen = compare(show, path)
    assert places(seen) == {(6, row)}
    assert seen.causes[0].name == "hole"


@pytest.mark.parametrize("stage", sampled([0.21, 0.2225, 0.247, 0.2625], 2))
def test_a_move_of_almost_a_whole_number_of_positions(stage, tmp_path):
    """A position takes 50 ms at 24 turns a minute, and the stage settles for 50 ms."""
    show, recording = a_take("next-position", stage=stage, drift=0.03)
    seen = compare(show, recording.write_log(tmp_path / "log.npy"))
    assert len(seen.errors) == 0
    begin, end = np.nanmin(recording.times, axis=1), np.nanmax(recording.times, axis=1)
    assert np.abs(seen.motion.change_s - (begin[1:] - end[:-1])).max() < 5e-3


@pytest.mark.parametrize("start", PLAYERS)
def test_the_disc_s_first_clock_hole_is_missing(start, tmp_path):
    """A machine without an index counts from the first pulse that it sees."""
    show, recording = a_take(start, clock_missing={0})
    seen = compare(show, recording.write_log(tmp_path / "log.npy"))
    true = recording.errors()
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
    show, recording = spoilt()
    path = recording.write_log(tmp_path / "log.npy")
    true = recording.errors()
    told = compare(show, path, threshold=0.75, sample_at=0.006, sample_width=0.34)
    assert len(true) > 30
    assert places(told) == true
    # elsewhere it would have read other bits
    aside = compare(show, path, threshold=0.75, sample_at=0.022, sample_width=0.1)
    assert places(aside) != true


def test_the_player_s_profile_tells_it_too(run, tmp_path):
    show, recording = spoilt()
    path = recording.write_log(tmp_path / "log.npy")
    told = compare(show, path, threshold=0.75, sample_at=0.006, sample_width=0.34)
    way = {"player.sample-at": 0.006, "player.sample-width": 0.34}
    player = {f"player.{k}": v for k, v in PLAYERS["index"].items()}
    again = sonify.perform(sonify.load_disc("cairn-wire"), settings=player | way)
    assert places(compare(again, path, threshold=0.75)) == places(told)
    result = run("compare", "cairn-wire", str(path), "--sample-width", "1.5")
    assert result.status
    assert "sample-width" in result.err


def test_a_log_with_less_than_half_a_row(tmp_path):
    show, recording = a_take("index")
    path = recording.write_log(tmp_path / "log.npy")
    log = np.load(path)
    begin = np.nanmin(recording.times[0])
    np.save(path, log[(log[:, 0] > begin) & (log[:, 0] < begin + 1.5)])
    with pytest.raises(InputError, match="too little to compare"):
        compare(show, path)


def log_of(disc, **more):
    """The two channels of a reading, and the show that it is one of."""
    source = sonify.load_disc(disc)
    recording = Machine(source.grid.tolist(), 7, rate=500.0, **more).run()
    return sonify.perform(source, ["usual"]), recording


def saved(path, clock, data, rate=500.0):
    np.save(path, np.stack([np.arange(len(clock)) / rate, clock, data], axis=1))
    return path


def test_a_log_in_which_holes_read_high(tmp_path):
    """A hole lights the detector where it looks through the disc: both channels the other way."""
    show, recording = log_of("cairn-middle")
    seen = compare(show, saved(tmp_path / "a.npy", 4 - recording.clock, 4 - recording.data))
    assert len(seen.errors) == 0
    assert not seen.causes
    assert "holes read high" in seen.cautions[0]
    assert abs(seen.motion.rpm / 10 - 1) < 1e-3
    # the data channel alone is a fault
    seen = compare(show, saved(tmp_path / "a.npy", recording.clock, 4 - recording.data))
    assert seen.causes[0].name == "inverted"


def test_channels_that_are_swapped(tmp_path):
    show, recording = log_of("cairn-middle")
    with pytest.raises(InputError, match="it fits with its two channels swapped"):
        compare(show, saved(tmp_path / "a.npy", recording.data, recording.clock))


def hum(hertz, volts):
    def add(t, x, channel):
        return x + volts * np.sin(2 * np.pi * hertz * t + channel)

    return add


DISTORTED = {
    "hum of 100 Hz": hum(100, 0.8),
    "hum of 50 Hz": hum(50, 0.8),
    "slow drift": lambda t, x, _: x + 1.5 * t / t[-1],
    "fading": lambda t, x, _: x * (1 - 0.5 * t / t[-1]),
    "4 bits": lambda t, x, _: np.round(x * 3),
    "8 bits": lambda t, x, _: np.round(x * 51),
    "a comparator's": lambda t, x, _: (x > 1.75) * 1.0,
    "clipped": lambda t, x, _: np.clip(x, 0.9, 2.4),
}


@pytest.mark.parametrize("how", sampled(DISTORTED, 4), ids=lambda how: how.replace(" ", "-"))
def test_levels_as_recorders_bend_them(how, tmp_path):
    show, recording = log_of("cairn-middle")
    t = np.arange(len(recording.clock)) / 500
    both = [DISTORTED[how](t, x, k) for k, x in enumerate((recording.clock, recording.data))]
    seen = compare(show, saved(tmp_path / "a.npy", *both))
    assert len(seen.errors) == 0
    # these do no harm here, but leave little room
    named = {"hum of 100 Hz": ["lamp-hum"], "slow drift": ["ambient-light"]}
    assert [c.name for c in seen.causes] == named.get(how, [])
    ones, zeros = np.median(seen.margins.ones), np.median(seen.margins.zeros)
    assert 0.2 < (seen.margins.best - zeros) / (ones - zeros) < 0.85


@pytest.mark.parametrize("share", sampled([0.7, 0.6, 0.8], 1))
def test_a_light_that_fades_is_not_taken_for_one_that_shines(share, tmp_path):
    """Material that reads darker and darker adds bits, which no lamp from elsewhere does."""
    show, recording = log_of("cairn-middle")
    t = np.arange(len(recording.clock)) / 500
    faded = recording.data * (1 - share * t / t[-1])
    seen = compare(show, saved(tmp_path / "a.npy", recording.clock, faded))
    assert len(seen.errors) >= 10
    assert set(seen.errors["kind"]) == {"added"}
    assert seen.causes[0].name == "threshold"
    assert "ambient-light" not in [c.name for c in seen.causes]
    assert "towards the holes'" in seen.causes[0].evidence[-1]
    assert "faded" in seen.causes[0].try_this[0]
    said = report_lines(seen)
    assert "100.0 %" not in said[0]
    assert f"{100 * seen.right:.1f} % of the bits right" in said[0]


def test_what_a_report_says_of_a_threshold():
    words = [rate_in_words(r) for r in (0.0, 1e-9, 0.0003, 0.21)]
    assert words == [
        "hardly a bit wrong", "hardly a bit wrong", "1 bit in 3,333 wrong",
        "21 % of the bits wrong",
    ]  # fmt: skip


@pytest.mark.parametrize("rate", sampled([30.0, 60.0], 1))
def test_just_enough_samples(rate, tmp_path):
    """Three a position and six."""
    source = sonify.load_disc("cairn-middle")
    recording = Machine(source.grid.tolist(), 7, rate=rate).run()
    show = sonify.perform(source, ["usual"])
    seen = compare(show, saved(tmp_path / "a.npy", recording.clock, recording.data, rate))
    assert len(seen.errors) == 0
    assert abs(seen.motion.rpm / 10 - 1) < 1e-3


TABLES = {
    "plain": "time,clock,data\n",
    "with units": "Time (s),Clock (V),Data (V)\n",
    "in ms": "time [ms],clock [mV],data [mV]\n",
    "a recorder's lines": "# bench recorder\n\nRecorder: bench\nRate: 500 Hz\n\ntime,clock,data\n",
    "a spreadsheet's": "sep=;\ntime;clock;data\n",
}


@pytest.mark.filterwarnings("ignore::sonify.errors.Caution")
@pytest.mark.parametrize("how", TABLES, ids=lambda how: how.replace(" ", "-"))
def test_tables_as_recorders_write_them(how, tmp_path):
    show, recording = log_of("cairn-small")
    scale = 1000 if how == "in ms" else 1
    separator = ";" if ";" in TABLES[how] else ","
    rows = np.stack(
        [np.arange(len(recording.clock)) / 500 * scale, recording.clock, recording.data], axis=1
    )
    lines = [separator.join(f"{v:.4f}" for v in row) for row in rows.tolist()]
    text = "\n".join(lines)
    path = tmp_path / "log.csv"
    path.write_text(TABLES[how] + (text.replace(".", ",") if separator == ";" else text) + "\n")
    seen = compare(show, path)
    assert len(seen.errors) == 0
    assert abs(seen.motion.rpm / 10 - 1) < 1e-3
    assert (sonify.load_disc(path).grid == show.disc.grid).all()


def test_what_is_wrong_with_a_table_is_told_with_its_line(tmp_path):
    show, _ = log_of("cairn-small")
    path = tmp_path / "log.csv"
    path.write_text("0.1,2.3,2.4\n0.2,2.2,2.1\n")
    with pytest.raises(InputError, match="line 1: its columns have no names"):
        compare(show, path)
    path.write_text("# a\n\ntime,clock,data\n0,1,2\n0.1,1,2\n0.2,1\n" + "0.3,1,2\n" * 30)
    with pytest.raises(InputError, match="line 6: 3 numbers are needed"):
        compare(show, path)


@pytest.mark.parametrize(("faster", "start"), sampled_product([0.8, 1.05, 1.2], PLAYERS))
def test_a_motor_that_turns_at_another_speed(faster, start, tmp_path):
    """The message is still right, as pulses are counted."""
    rpm = faster * PLAYERS[start]["rpm"]
    show, recording = a_take(start, rpm=rpm)
    seen = compare(show, recording.write_log(tmp_path / "log.npy"))
    assert len(seen.errors) == 0
    if faster == 1.05:
        assert not seen.causes
    else:
        assert [c.name for c in seen.causes] == ["motor-off-speed"]
        assert f"the disc turns at {rpm:.3g} rpm" in seen.causes[0].evidence[0]


@pytest.mark.parametrize("start", PLAYERS)
def test_a_player_that_starts_its_rows_otherwise_than_set(start, tmp_path):
    show, recording = a_take(start)
    other = next(x for x in PLAYERS if x != start)
    settings = {f"player.{k}": v for k, v in PLAYERS[start].items()}
    show = sonify.perform(show.disc, settings=settings | {"player.row-start": other})
    seen = compare(show, recording.write_log(tmp_path / "log.npy"))
    assert len(seen.errors) == 0
    assert [c.name for c in seen.causes] == ["row-start"]
    assert seen.causes[0].evidence[0].endswith(f"player.row-start is '{start}' in truth")


@pytest.mark.parametrize(("drift", "named"), [(0.2, False), (0.6, True)])
def test_a_motor_that_drifts(drift, named, tmp_path):
    show, recording = a_take("index", drift=drift)
    seen = compare(show, recording.write_log(tmp_path / "log.npy"))
    assert len(seen.errors) == 0
    row_s = np.nanmax(recording.times, axis=1) - np.nanmin(recording.times, axis=1)
    true = 2 * (row_s[0] - row_s[-1]) / (row_s[0] + row_s[-1])
    assert seen.motion.drift == pytest.approx(true, rel=0.2, abs=0.02)
    assert ("motor-drift" in [c.name for c in seen.causes]) == named
