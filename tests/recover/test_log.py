"""Detector logs, made by a simulated player, and logs gone wrong."""

from __future__ import annotations

import contextlib
import tracemalloc

import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.recover.search.find import find_message
from sonify.recover.signal.slicer import best_threshold
from sonify.recover.sources.log.table import open_table
from sonify.recover.sources.log.trace import trace_log
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import read_source
from tests.benchmarks.logs import FAULTS, measured, one, played, shortfall, unaided
from tests.nightly import nightly, sampled, sampled_product
from tests.recover.log_player import Machine, record

TEXT = "FOG UNTIL TEN, THEN SUN. SOUP ON."


@pytest.fixture(scope="module")
def disc():
    return sonify.Disc.from_message(TEXT, layout=sonify.Layout(positions=48))


@pytest.mark.parametrize("seed", sampled((1, 2), 1))
@pytest.mark.parametrize("fault", FAULTS)
def test_faults_are_never_silent(fault, seed, tmp_path):
    verdict, said = one(fault, seed, tmp_path)
    assert verdict in ("right", "doubted"), said
    if fault in ("none", "several passes", "delay between detectors"):
        assert verdict == "right", said


@pytest.mark.parametrize("decibels", sampled([4, 0, 8], 1))
def test_errors_are_those_of_the_matched_detector(decibels, tmp_path):
    """Q(sqrt(Eb/N0)) for on-off signals (Proakis, Digital Communications), to 1 dB; with 4000
    bits the measure itself is good to some 0.2 dB."""
    rate = measured(decibels, 4000, decibels, tmp_path)
    assert shortfall(rate, decibels) < 1.0


def test_clean_signals_have_no_errors(tmp_path):
    for decibels in (14, 20):
        assert measured(decibels, 2000, 1, tmp_path) == 0


@pytest.mark.parametrize("kind", ["npy", "npy-ms", "csv", "csv-semicolon", "wav", "counts"])
def test_kinds_of_files(kind, disc, tmp_path):
    m = Machine(rate=2000.0)
    volts = record(disc.grid, m)
    time = np.arange(len(volts)) / m.rate
    options = ReadOptions()
    path = tmp_path / "log.npy"
    if kind == "npy":
        np.save(path, np.column_stack([time, volts]))
    elif kind == "npy-ms":
        table = np.zeros(len(volts), [("time_ms", "f8"), ("clock", "f4"), ("data", "f4")])
        table["time_ms"], table["clock"], table["data"] = time * 1e3, volts[:, 0], volts[:, 1]
        np.save(path, table)
    elif kind == "counts":
        np.save(path, (volts * 300).astype(np.int16))
        options = ReadOptions(sample_rate=2000.0)
    elif kind == "wav":
        import soundfile

        path = tmp_path / "log.wav"
        soundfile.write(path, volts / 4 - 0.5, 2000, subtype="PCM_16")
    else:
        path = tmp_path / "log.csv"
        separator = ";" if "semicolon" in kind else ","
        head = separator.join(["time_s", "clock", "data"])
        np.savetxt(
            path, np.column_stack([time, volts]), "%.5f", separator, header=head, comments=""
        )
    seen = read_source(path, options)
    assert seen.kind == "log"
    found = find_message(seen)
    np.testing.assert_array_equal(found.disc.grid, disc.grid)
    assert found.disc.message == TEXT
    assert seen.facts["rpm"] == pytest.approx(12.0, rel=1e-3)


@pytest.mark.parametrize(
    ("kind", "holes"), sampled_product(["changes", "edge-list", "vcd", "sampled"], ["low", "high"])
)
def test_digital_logs(kind, holes, disc, tmp_path):
    """What a comparator or a logic analyser records: levels, edges, or a value change dump, written
    by pyvcd."""
    m = Machine(rate=2000.0)
    levels = (record(disc.grid, m) > (m.high + m.low) / 2).astype(int)
    if holes == "high":
        levels = 1 - levels
    changed = np.flatnonzero(np.append(True, (np.diff(levels, axis=0) != 0).any(axis=1)))
    path = tmp_path / "log.csv"
    if kind == "changes":
        lines = [f"{k / m.rate:.4f},{levels[k, 0]},{levels[k, 1]}" for k in changed]
        path.write_text("\n".join(["time,clock,data", *lines]))
    elif kind == "edge-list":
        lines = [
            f"{k / m.rate:.4f},{name},{levels[k, c]}"
            for k in changed
            for c, name in enumerate(("clock", "data"))
            if k == 0 or levels[k, c] != levels[k - 1, c]
        ]
        path.write_text("\n".join(["time,channel,value", *lines]))
    elif kind == "vcd":
        from vcd import VCDWriter

        path = tmp_path / "log.vcd"
        with path.open("w") as f, VCDWriter(f, timescale="1 us") as out:
            wires = [out.register_var("player", n, "wire", size=1) for n in ("clock", "data")]
            for k in changed:
                for c, wire in enumerate(wires):
                    out.change(wire, int(k * 1e6 / m.rate), int(levels[k, c]))
    else:
        path = tmp_path / "log-2kHz.npy"
        np.save(path, levels.astype(np.uint8))
    found = find_message(read_source(path, ReadOptions()))
    np.testing.assert_array_equal(found.disc.grid, disc.grid)


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("log.csv", "time,channel,value\n0,clock,0\n1,clock,x\n", "line 3: a time, a channel"),
        ("log.csv", "time,channel,value\n0,clock,0\n0,data,1\n", "no pulses"),
        ("log.vcd", "$timescale 1 us $end\n", "no value change dump"),
        (
            "log.vcd",
            "$timescale 1 us $end $var wire 1 c clock $end $var wire 1 d data $end "
            "$enddefinitions $end\n#0 1c\n#" + 4401 * "9" + " 0c\n",
            "a time of 4,401 digits",
        ),
        (
            "log.vcd",
            "$timescale 1 us $end\n$var wire 1 ! a $end\n$enddefinitions $end\n#0\n0!\n",
            "its one-bit variables are a; clock and data are needed",
        ),
    ],
)
def test_digital_logs_gone_wrong(name, text, said, tmp_path):
    path = tmp_path / name
    path.write_text(text)
    with pytest.raises(InputError, match=said):
        read_source(path)


def test_polarity_and_delay_are_found(disc, tmp_path):
    m = Machine(rate=2000.0, high=0.2, low=4.0, delay=0.21)
    np.save(tmp_path / "l.npy", record(disc.grid, m))
    trace = trace_log(tmp_path / "l.npy", 2000.0)
    assert trace.low == (False, False)
    assert trace.delay == pytest.approx(0.21, abs=0.01)


@pytest.mark.parametrize(
    "name", sampled(["cairn-small", "cairn-middle", "cairn-quilt", "cairn-wire"], 2)
)
def test_every_shipped_disc_comes_back(name, tmp_path):
    want = sonify.load_disc(name)
    grid = np.maximum(want.grid, 0)
    np.save(tmp_path / "l.npy", record(grid, Machine(rate=1500.0, rpm=15.0)))
    # the pattern of the quilt comes round four times a turn, so its count must be told
    count = 32 if name == "cairn-quilt" else None
    found = find_message(read_source(tmp_path / "l.npy", ReadOptions(count, sample_rate=1500.0)))
    np.testing.assert_array_equal(found.disc.grid, grid)
    if want.code is not None:
        assert found.disc.message == want.message


def test_memory_does_not_grow_with_the_log(tmp_path):
    rng = np.random.default_rng(1)
    short = rng.integers(0, 2, (2, 40)).astype(np.int8)
    sizes = []
    for passes in (1, 8):
        np.save(tmp_path / "l.npy", record(short, Machine(rate=20_000.0, passes=passes)))
        tracemalloc.start()
        trace_log(tmp_path / "l.npy", 20_000.0)
        sizes.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert sizes[1] < 2.5 * sizes[0] + 30e6
    assert (tmp_path / "l.npy").stat().st_size > 12e6


def bad(name):
    rng = np.random.default_rng(1)
    noise = rng.standard_normal((9000, 2)).astype(np.float32)
    if name == "nan":
        grid = rng.integers(0, 2, (2, 30)).astype(np.int8)
        out = record(grid, Machine(rate=2000.0))
        out[5000, 1] = np.nan
        return out
    return {
        "flat": np.ones((9000, 2), np.float32),
        "noise": noise,
        "short": noise[:20],
        "one": noise[:, 0],
        "five": np.zeros((9000, 5)),
    }[name]


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("flat", "no pulses .it never changes"),
        ("noise", "no pulses"),
        ("short", "too few"),
        ("one", "one channel"),
        ("five", "5 columns"),
        ("nan", "sample 5,000 of data is not a number"),
    ],
)
def test_bad_arrays(name, says, tmp_path):
    np.save(tmp_path / "l.npy", bad(name))
    with pytest.raises(InputError, match=says) as e:
        read_source(tmp_path / "l.npy", ReadOptions(sample_rate=2000.0))
    assert "\n" not in str(e.value)


def test_bad_tables_and_sounds(disc, tmp_path):
    import soundfile

    (tmp_path / "a.csv").write_text("time,clock\n0,1\n")
    with pytest.raises(InputError, match="no column 'data'"):
        read_source(tmp_path / "a.csv")
    (tmp_path / "b.csv").write_text("time,clock,data\n0,1,1\n0.001,1,x\n" + "0.002,1,1\n" * 99)
    with pytest.raises(InputError, match="line 3"):
        read_source(tmp_path / "b.csv")
    (tmp_path / "c.csv").write_text("0.1,3.3,3.3\n0.2,3.1,0.2\n")
    with pytest.raises(InputError, match="columns have no names"):
        read_source(tmp_path / "c.csv")
    np.save(tmp_path / "d.npy", np.random.default_rng(1).random((9000, 2)))
    with pytest.raises(InputError, match="sample-rate"):
        read_source(tmp_path / "d.npy")
    volts = record(disc.grid, Machine(rate=2000.0)) / 4 - 0.5
    soundfile.write(tmp_path / "mono.wav", volts[:, 0], 2000)
    with pytest.raises(InputError, match="1 channel;"):
        read_source(tmp_path / "mono.wav")
    soundfile.write(tmp_path / "cut.wav", volts, 2000)
    whole = (tmp_path / "cut.wav").read_bytes()
    (tmp_path / "cut.wav").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match="cut short"):
        read_source(tmp_path / "cut.wav")
    (tmp_path / "no.wav").write_bytes(b"RIFFxxxxWAVEjunk")
    with pytest.raises(InputError, match="not a sound file"):
        read_source(tmp_path / "no.wav")


@pytest.mark.parametrize("wrong", [65536, 0, -65536])
def test_a_time_that_is_wrong_is_no_gap(wrong, disc, tmp_path):
    volts = record(disc.grid, Machine(rate=500.0))
    times = np.arange(len(volts)) / 500
    times[2000] = wrong
    table = np.column_stack([times, volts])
    path = tmp_path / "log.csv"
    np.savetxt(path, table, "%.4f", ",", header="time,clock,data", comments="")
    log = open_table(path, None)
    assert (log.frames, log.gaps) == (len(volts), [])


def test_the_last_time_of_a_log_is_wrong(disc, tmp_path):
    volts = record(disc.grid, Machine(rate=500.0))
    times = np.arange(len(volts)) / 500
    times[-1] = 65536
    path = tmp_path / "log.csv"
    table = np.column_stack([times, volts])
    np.savetxt(path, table, "%.4f", ",", header="time,clock,data", comments="")
    with pytest.raises(InputError, match=f"sample {len(volts):,}: .* to 65536 s it has no samples"):
        read_source(path)


@pytest.mark.parametrize("log", sampled([33, 51], 1))
def test_a_log_that_begins_with_its_first_row(log, tmp_path):
    """What passes as the stage leaves looks like the row's end here; its first bits are kept."""
    assert one("none", log, tmp_path)[0] == "right"


@pytest.mark.parametrize(
    "log",
    [
        pytest.param(2, id="parity", marks=nightly),
        pytest.param(13, id="reed-solomon, told by the check alone", marks=nightly),
        pytest.param(
            15, id="crc-16, rows of three characters, begun before its first row", marks=nightly
        ),
        pytest.param(20, id="rows of twelve, going on after its last row", marks=nightly),
        pytest.param(57, id="framed, parity, begun a turn before"),
        pytest.param(112, id="a stage that takes a turn", marks=nightly),
    ],
)
def test_rows_that_do_not_repeat_are_told_by_the_message(log, tmp_path):
    ((_, disc, path),) = played(log, 1, tmp_path)
    verdict, said = unaided(disc, path, None)
    assert verdict == "right", said


@pytest.mark.parametrize(
    "log",
    sampled(
        [
            28,  # three rows with a Reed-Solomon check and little text
            332,  # a row whose last pass is unlike the others
            326,  # a pause near a whole number of positions, for 31 rows
            349,  # goes on for most of a turn after the last row
            55,  # begins before its first row, and most of it is check symbols
            538,  # a short text, and most of a turn after the last row
        ],
        1,
    ),
)
def test_logs_that_were_cut_wrong_once(log, tmp_path):
    ((_, disc, path),) = played(log, 1, tmp_path)
    verdict, said = unaided(disc, path, None)
    assert verdict == "right", said


@pytest.mark.parametrize("seed", sampled((1, 2), 1))
def test_bits_without_a_message_are_not_cut_by_chance(seed, tmp_path):
    """Nothing repeats and nothing can be read: said so, with what would help."""
    bits = np.random.default_rng(seed).integers(0, 2, (5, 30)).astype(np.int8)
    machine = Machine(rate=2000.0, rpm=12.0, stage=0.3, row_start="next-position", seed=seed)
    np.save(tmp_path / "l.npy", record(bits, machine))
    with contextlib.suppress(InputError):
        seen = read_source(tmp_path / "l.npy", ReadOptions(sample_rate=2000.0))
        said = " ".join(c.hint for c in seen.cautions)
        assert "{positions}" in said


def test_a_threshold_between_levels_that_do_not_differ():
    point, rate = best_threshold(np.full(4, 1.0), np.full(6, 1.0))
    assert point == pytest.approx(1.0)
    assert rate == pytest.approx(0.5, abs=0.1)
