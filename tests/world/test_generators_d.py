"""Generator d makes what it says: its files are read with other libraries, decoded by counting
pulses, and each faulty take is compared with one of the same machine before it had the fault."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest

from tests.nightly import sampled
from tests.world import machine_d as d
from tests.world.midi_d import MIDI_FAULTS


def steps(events, names):
    """Edges as levels over all times at which something changes."""
    at = np.unique([t for t, _, _ in events])
    table = np.full((len(at), 2), np.nan)
    for t, name, level in events:
        table[np.searchsorted(at, t), names.index(name)] = level
    for k in range(1, len(table)):
        table[k] = np.where(np.isnan(table[k]), table[k - 1], table[k])
    return at, table


def evenly(at, table):
    """Levels between edges, sampled often enough for the shortest pulse."""
    time = np.linspace(at[0], at[-1], 400_000)
    return time, table[np.searchsorted(at, time, side="right") - 1]


def log(take):
    """Times and the two channels of a take's file."""
    ((name, data),) = take.files.items()
    if name.endswith(".wav"):
        import soundfile

        table, rate = soundfile.read(io.BytesIO(data))
        return np.arange(len(table)) / rate, table
    if name.endswith(".vcd"):
        from vcd.reader import TokenKind, tokenize

        names, events, now, unit = {}, [], 0.0, 1.0
        for token in tokenize(io.BytesIO(data)):
            if token.kind is TokenKind.TIMESCALE:
                power = {"us": 1e-6, "ns": 1e-9}[token.timescale.unit.value]
                unit = int(token.timescale.magnitude) * power
            elif token.kind is TokenKind.VAR:
                names[token.var.id_code] = token.var.reference
            elif token.kind is TokenKind.CHANGE_TIME:
                now = token.time_change * unit
            elif token.kind is TokenKind.CHANGE_SCALAR and token.scalar_change.value in "01":
                change = token.scalar_change
                if names[change.id_code] in ("clock", "data"):
                    events.append((now, names[change.id_code], int(change.value)))
        return evenly(*steps(events, ["clock", "data"]))
    if name.endswith(".csv"):
        lines = data.decode().splitlines()
        k = next(k for k, line in enumerate(lines) if re.match("time", line, re.I))
        if "channel" in lines[k]:
            rows = (line.split(",") for line in lines[k + 1 :])
            return evenly(*steps([(float(t), c, int(v)) for t, c, v in rows], ["clock", "data"]))
        mark = ";" if ";" in lines[k] else ","
        table = np.array([line.split(mark) for line in lines[k + 1 :]], float)
        scale = 1e-3 if "ms" in lines[k] else 1e-6 if "us" in lines[k] else 1.0
        if set(np.unique(table[:, 1:])) <= {0, 1}:
            return evenly(table[:, 0], table[:, 1:])
        return table[:, 0] * scale, table[:, 1:]
    table = np.load(io.BytesIO(data))
    if table.dtype.names:
        unit = {"time_ms": 1e-3, "time_us": 1e-6}[table.dtype.names[0]]
        both = np.column_stack([table["clock"], table["data"]])
        return table[table.dtype.names[0]] * unit, both
    if rate := re.search(r"(\d+)Hz", name):
        return np.arange(len(table)) / int(rate[1]), table.astype(float)
    return table[:, 0].astype(float), table[:, 1:].astype(float)


def smooth(x, width):
    total = np.append(0.0, np.cumsum(x))
    at = np.arange(len(x))
    a, b = np.clip(at - width // 2, 0, None), np.clip(at + width // 2 + 1, None, len(x))
    return (total[b] - total[a]) / (b - a)


def pulses(take):
    """The middles of the clock's pulses in s, and the bit of the data channel at each: the mean of
    a few samples against the threshold, as the profile says."""
    time, table = log(take)
    s = take.settings
    position = 60 / (s["rpm"] * take.disc.positions)
    dt = (time[-1] - time[0]) / len(time)
    clock, data = (smooth(x, max(1, int(0.06 * position / dt))) for x in table.T)
    low, high = np.percentile(clock, [1, 99])
    holes_high = take.conditions["holes-high"]
    if holes_high:
        clock, data = -clock, -data
        low, high = -high, -low
    up, down = clock > low + 0.65 * (high - low), clock < low + 0.35 * (high - low)
    last = np.maximum.accumulate(np.where(up | down, np.arange(len(clock)), 0))
    inside = down[last]
    edge = np.flatnonzero(np.diff(inside.astype(int)))
    if inside[0]:
        edge = edge[1:]
    edge = edge[: len(edge) // 2 * 2].reshape(-1, 2)
    at = time[np.minimum(edge.mean(axis=1).astype(int) + 1, len(time) - 1)]
    threshold = take.threshold
    if threshold is None or not np.ptp(data):
        threshold = np.percentile(data, [0.5, 99.5]).mean()
    elif holes_high:
        threshold = -threshold
    seen = np.interp(at + s["delay"], time, smooth(data, max(1, int(0.1 * position / dt))))
    means = take.disc.layout.hole_means
    return at, np.where(seen < threshold, means, 1 - means)


def rows_found(take):
    """How many of the design's rows stand in the record, one after the other; where reading goes on
    at the next position, rows begin anywhere, so each is looked for from any start."""
    _, bits = pulses(take)
    n, begin, found = take.disc.positions, 0, 0
    turned = range(1 if take.settings["row-start"] == "index" else n)
    for row in take.disc.grid:
        if len(bits) - begin < n:
            break
        windows = np.lib.stride_tricks.sliding_window_view(bits[begin:], n)
        hits = [h[0] for k in turned if len(h := (windows == np.roll(row, -k)).all(1).nonzero()[0])]
        if hits:
            found, begin = found + 1, begin + min(hits) + n
    return found


def notes(take):
    """When each note begins or ends in s, whether it begins, its channel and its key."""
    import mido

    (data,) = take.files.values()
    file = mido.MidiFile(file=io.BytesIO(data))
    # film frames, which mido does not turn into seconds (Standard MIDI Files 1.0, header chunk)
    frame = 1 / (256 - data[12]) / data[13] if data[12] > 127 else None
    now, tempo, out = 0.0, 500_000, []
    for message in mido.merge_tracks(file.tracks):
        tick = frame or tempo / 1e6 / file.ticks_per_beat
        now += message.time * tick
        if message.type == "set_tempo":
            tempo = message.tempo
        if message.type in ("note_on", "note_off"):
            on = message.type == "note_on" and message.velocity > 0
            out.append((now, on, message.channel, message.note))
    return out


def first_line(take, hz):
    """The amplitude of a ripple of the data channel, as a share of its swing, away from the lines
    of the disc's own turning."""
    time, table = log(take)
    x = table[:, 1] - table[:, 1].mean()
    window = np.hanning(len(x))
    wave = np.exp(-2j * np.pi * np.outer([hz - 0.7, hz, hz + 0.7], time)) @ (x * window)
    return np.abs(wave)[1] / window.sum() * 2 / np.ptp(table[:, 1])


def gaps(take):
    at, _ = pulses(take)
    step = np.diff(at)
    return step / np.median(step)


def hole_depths(take, share):
    """A level of the data channel in each twentieth of the record."""
    _, table = log(take)
    return np.array([np.percentile(x, share) for x in np.array_split(table[:, 1], 20)])


def sway(take):
    """How far the level of solid material moves from position to position, as a share of the swing
    of the clock channel."""
    time, table = log(take)
    clock = -table[:, 0] if take.conditions["holes-high"] else table[:, 0]
    count = int(time[-1] * take.settings["rpm"] / 60 * take.disc.positions / 2)
    solid = np.array([np.percentile(x, 85) for x in np.array_split(clock, count)])
    low, high = np.percentile(solid, [5, 95])
    return (high - low) / np.ptp(np.percentile(clock, [1, 99]))


def lag(take, sound):
    """How much later the data channel is than in the sound take, in positions."""
    (time, a), (_, b) = log(take), log(sound)
    n = min(len(a), len(b))
    # levels of the sound one without its noise, which is the same in both
    y = np.sign(b[:n, 1] - (b[:n, 1].max() + b[:n, 1].min()) / 2)
    x, y = a[:n, 1] - a[:n, 1].mean(), y - y.mean()
    step = 60 / (take.settings["rpm"] * take.disc.positions) / (time[-1] / len(time))
    reach = max(2, int(step))
    score = [np.dot(x[reach + k : n - reach + k], y[reach : n - reach]) for k in range(reach)]
    return np.argmax(score) / step


def marked(fault, take, sound):
    """Whether a measure of the fault, of its own, differs from that of the sound take."""
    if take.presets:
        a, b = notes(take), notes(sound)
        on_a, on_b = ([e for e in x if e[1]] for x in (a, b))
        if fault == "midi-lost-note-offs":
            return len(on_a) == len(on_b) and len(a) < len(b)
        if fault in ("midi-lost-notes", "midi-rows-missing"):
            return len(on_a) < len(on_b)
        if [e[2:] for e in on_a] != [e[2:] for e in on_b]:
            return True
        return max(abs(x[0] - y[0]) for x, y in zip(on_a, on_b, strict=True)) > 0.02
    interval = [np.diff(pulses(x)[0]) for x in (take, sound)]
    if fault == "motor-off-speed":
        return abs(np.log(np.median(interval[0]) / np.median(interval[1]))) > 0.05
    if fault == "motor-drift":
        ends = [np.median(x[: len(x) // 8]) / np.median(x[-len(x) // 8 :]) for x in interval]
        return abs(np.log(ends[0])) > max(0.18, abs(np.log(ends[1])))
    if fault == "clock-missing":
        return (gaps(take) > 1.6).sum() > (gaps(sound) > 1.6).sum()
    if fault == "clock-doubled":
        return (gaps(take) < 0.6).sum() > (gaps(sound) < 0.6).sum()
    if fault == "clock-loose":
        a, b = (np.percentile(np.abs(gaps(x) - 1), 99) for x in (take, sound))
        return a > b + 0.03 or rows_found(take) < rows_found(sound)
    if fault == "lamp-hum":
        return first_line(take, take.where["hz"]) > 2 * first_line(sound, take.where["hz"])
    if fault in ("ambient-light", "amplifier-saturated"):
        shift = hole_depths(take, 50) - hole_depths(sound, 50)
        deep = hole_depths(take, 4) - hole_depths(sound, 4)
        return max(np.abs(shift).max(), np.abs(deep).max()) > 0.08 * np.ptp(log(sound)[1][:, 1])
    if fault == "warped-disc":
        return sway(take) > sway(sound) + 0.08
    if fault == "recorder-drops":
        (a, x), (b, _) = log(take), log(sound)
        return len(x) < len(b) or a[-1] < b[-1] - 1e-9 or (gaps(take) > 1.3).any()
    if fault == "filter-delay":
        return lag(take, sound) > 0.03
    if fault == "slow-stage" and take.where["waits"]:
        return log(take)[0][-1] > log(sound)[0][-1] + 0.5 * take.settings["stage"]
    if fault in (
        "threshold-off",
        "noise",
        "blocked-hole",
        "extra-hole",
        "backlash",
        "slow-stage",
        "data-dead",
    ):
        # a row that passes more than once may still be whole in one of its passes
        (_, a), (_, b) = pulses(take), pulses(sound)
        return len(a) != len(b) or (a != b).any()
    return rows_found(take) < rows_found(sound)


@pytest.mark.parametrize("fault", sampled(d.FAULTS, 4))
def test_each_fault_shows_in_its_record(fault):
    take, sound = d.pair(1, fault)
    assert take.faults == (fault,)
    assert take.grid_read.shape == take.disc.grid.shape
    assert (sound.grid_read == take.disc.grid).all()
    assert marked(fault, take, sound), (take.where, take.conditions)


@pytest.mark.parametrize("seed", sampled(range(1, 6), 2))
def test_a_healthy_record_holds_the_design(seed):
    take = d.healthy(seed)
    if take.presets:
        assert len(notes(take)) > 8
    else:
        assert rows_found(take) == take.disc.rows


def test_machines_differ():
    takes = [d.healthy(s) for s in range(1, 13)]
    rpm = [t.settings["rpm"] for t in takes]
    assert max(rpm) > 4 * min(rpm)
    assert len({t.conditions["kind"] for t in takes}) >= 4
    assert len({t.disc.grid.shape for t in takes}) > 10


def test_a_seed_gives_the_same_bytes():
    for fault in ("", "noise", *MIDI_FAULTS[:1]):
        assert d.pair(4, fault)[0].files == d.pair(4, fault)[0].files


def test_an_unknown_fault_is_refused():
    with pytest.raises(ValueError, match="no fault 'rust'"):
        d.faulty(1, "rust")
