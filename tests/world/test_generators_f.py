"""Generator f makes what it says, by measures of its files that use no reader of sonify."""

from __future__ import annotations

import io
import wave
from dataclasses import replace

import mido
import numpy as np
import pytest

from tests.nightly import sampled
from tests.world import machine_f as f


def levels(take):
    """Times in s, clock and data of a file."""
    ((name, data),) = take.files.items()
    if name.endswith(".wav"):
        with wave.open(io.BytesIO(data)) as w:
            both = np.frombuffer(w.readframes(w.getnframes()), "<i2").reshape(-1, 2) / 32768
            return np.arange(len(both)) / w.getframerate(), both[:, 0], both[:, 1]
    if name.endswith(".npy"):
        table = np.load(io.BytesIO(data))
        if table.dtype.names:
            return tuple(table[k].astype(float) for k in ("time", "clock", "data"))
        if table.shape[1] == 2:
            rate = float(name.split("-")[1][:-6])
            return np.arange(len(table)) / rate, *table.T.astype(float)
        return tuple(table.T)
    if name.endswith(".csv"):
        head = data.decode().splitlines()[:2]
        skip = 2 if head[0].startswith("#") else 1
        sep = ";" if ";" in head[skip - 1] else ","
        time, clock, level = np.loadtxt(io.BytesIO(data), delimiter=sep, skiprows=skip).T
        return time / (1000 if "ms" in head[skip - 1] else 1), clock, level
    rows, now, t = [], {}, 0.0
    for line in data.decode().split("$enddefinitions $end\n")[1].splitlines():
        if line[0] == "#":
            if now:
                rows.append((t, now["c"], now["d"]))
            t = int(line[1:]) / 1e6
        else:
            now[line[1]] = int(line[0])
    rows.append((t, now["c"], now["d"]))
    return tuple(np.array(rows, float).T)


def digital(take):
    return take.conditions["kind"] in ("edges", "vcd")


def held(time, value, at):
    """The values at times, each held until the next one."""
    return value[np.clip(np.searchsorted(time, at, side="right") - 1, 0, len(time) - 1)]


def middle(take):
    """The level between holes and material of the data."""
    if digital(take):
        return 0.5
    return take.threshold


def holes(take, centres=None):
    """Which positions are holes, by a majority of samples about their middles."""
    time, _, data = levels(take)
    centres = take.conditions["centres"] if centres is None else centres
    width = 60 / take.settings["rpm"] / take.disc.positions * 0.05
    at = centres[..., None] + np.linspace(-width, width, 15)
    seen = held(time, data, at).mean(axis=-1)
    return (seen > middle(take)) == take.conditions["upside"]


def wrong(take, centres=None):
    design = take.disc.grid == take.disc.layout.hole_means
    return int((holes(take, centres) != design).sum())


def pulses(take):
    """The middles of the clock's pulses, in s, by two thresholds."""
    time, clock, _ = levels(take)
    low, high = np.percentile(clock, [3, 97])
    if digital(take):
        low, high = 0, 1
    state = np.where(clock > low + 0.65 * (high - low), 1, 0)
    state = np.where(clock < low + 0.35 * (high - low), -1, state)
    known = np.flatnonzero(state)
    inside = (state[known] > 0) == take.conditions["upside"]
    edge = np.flatnonzero(np.diff(inside.astype(int)))
    begin, end = (edge[inside[edge + 1] == way] for way in (True, False))
    end = end[end > begin[0]]
    n = min(len(begin), len(end))
    return (time[known[begin[:n] + 1]] + time[known[end[:n] + 1]]) / 2


def intervals(take):
    """Between pulses, as a share of what the settings say."""
    return np.diff(pulses(take)) * take.settings["rpm"] * take.disc.positions / 60


def notes(take, kind="note_on"):
    """Times and keys of the note-ons or note-offs of a MIDI file."""
    now, out = 0.0, []
    for m in mido.MidiFile(file=io.BytesIO(take.files["take.mid"])):
        now += m.time
        is_on = m.type == "note_on" and m.velocity > 0
        if (
            is_on
            if kind == "note_on"
            else m.type == "note_off" or (m.type == "note_on" and not is_on)
        ):
            out.append((now, m.note))
    return np.array(out)


def step(take):
    low, high = np.percentile(levels(take)[2], [5, 95])
    return high - low


def music_marked(fault, take, sound):
    """Whether a MIDI file shows its fault."""
    ours, theirs = notes(take), notes(sound)
    if fault in ("midi-lost-notes", "midi-rows-missing"):
        return len(ours) <= len(theirs) - 2
    if fault == "midi-lost-note-offs":
        return len(notes(take, "off")) <= len(notes(sound, "off")) - 3 and len(ours) == len(theirs)
    if fault == "midi-late":
        late = np.sort(ours[:, 0]) - np.sort(theirs[:, 0])
        return len(ours) == len(theirs) and np.percentile(late, 98) > 0.015
    if fault == "motor-off-speed":
        return abs(np.log(np.ptp(ours[:, 0]) / np.ptp(theirs[:, 0]))) > np.log(1.08)
    if fault == "motor-drift":
        a, b = (np.interp(np.linspace(0, 1, 11), np.linspace(0, 1, len(x)), x[:, 0]) for x in
                (ours, theirs))  # fmt: skip
        return np.abs(np.diff(a) / np.diff(b) - 1).max() > 0.03
    return ours.shape != theirs.shape or (ours[:, 1] != theirs[:, 1]).any()


def speed_range(take):
    """The fastest stretch of 15 positions over the slowest, pauses aside."""
    x = intervals(take)
    x = x[(x > 0.3) & (x < 2.5)]
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(x, 15), axis=1)
    return smooth.max() / smooth.min()


def at_twice_mains(take, hertz):
    time, _, data = levels(take)
    return abs(np.mean((data - data.mean()) * np.exp(-2j * np.pi * hertz * time))) / step(take)


def tops(take):
    """How much the level of material changes over a turn, as a share of the step."""
    time, clock, _ = levels(take)
    solid = -clock if take.conditions["upside"] else clock
    long = 60 / take.settings["rpm"] / 8
    best = [solid[k].max() for k in np.array_split(np.arange(len(time)), int(time[-1] / long))]
    return np.ptp(np.percentile(best, [10, 90])) / np.ptp(np.percentile(clock, [2, 98]))


def lag(take, sound):
    """By how many samples the data are later than a sound machine's."""
    a, b = (levels(x)[2] for x in (take, sound))
    a, b = a - a.mean(), b - b.mean()
    sum_ = [np.dot(a[40 + k : len(a) - 40 + k], b[40:-40]) for k in range(-40, 41)]
    return int(np.argmax(sum_)) - 40


def at_limit(take):
    data = levels(take)[2]
    end = data.min() if take.conditions["upside"] else data.max()
    return np.mean(np.abs(data - end) < 0.01 * np.ptp(data))


def threshold_near(take, sound):
    """Whether the threshold is by a level: in the levels, or in the time that holes are seen."""
    if digital(take):
        open_ = [held(*levels(x)[::2], np.linspace(0, levels(x)[0][-1], 20_000)).mean() for x in
                 (take, sound)]  # fmt: skip
        return abs(open_[0] - open_[1]) > 0.03
    time, _, data = levels(take)
    seen = held(time, data, take.conditions["centres"])
    is_hole = take.disc.grid == take.disc.layout.hole_means
    ends = np.median(seen[is_hole]), np.median(seen[~is_hole])
    return min(abs(take.threshold - x) for x in ends) < 0.2 * abs(ends[0] - ends[1])


def marked(fault, take, sound):
    """Whether a file shows its fault."""
    if take.conditions["kind"] == "midi":
        return music_marked(fault, take, sound)
    if fault == "wrong-setting":
        return wrong(take) > 0 or take.settings["row-start"] != sound.settings["row-start"]
    if fault == "slow-stage":
        return wrong(take) == 0 and wrong(take, sound.conditions["centres"]) > 0
    if fault in ("clock-missing", "clock-doubled"):
        more = len(pulses(take)) - len(pulses(sound))
        return more > 0 if fault == "clock-doubled" else more < 0
    if fault == "motor-off-speed":
        return abs(np.log(np.median(intervals(take)))) > np.log(1.08)
    if fault == "motor-drift":
        return speed_range(take) > max(1.22, 1.05 * speed_range(sound))
    if fault == "lamp-hum":
        hertz = take.where["hertz"]
        return at_twice_mains(take, hertz) > 2 * at_twice_mains(sound, hertz) + 0.02
    if fault == "ambient-light":
        late = [levels(x)[2][-len(levels(x)[2]) // 10 :].mean() for x in (take, sound)]
        return abs(late[0] - late[1]) > 0.15 * step(sound)
    if fault == "warped-disc":
        return tops(take) > max(0.08, 1.5 * tops(sound))
    if fault == "threshold-off":
        return threshold_near(take, sound)
    if fault == "clock-loose":
        return np.std(np.diff(intervals(take))) > 1.1 * np.std(np.diff(intervals(sound)))
    if fault == "amplifier-saturated":
        return at_limit(take) > max(0.2, 2 * at_limit(sound))
    if fault == "recorder-drops":
        return len(levels(take)[0]) < len(levels(sound)[0])
    if fault == "filter-delay":
        return lag(take, sound) >= 1
    if fault == "noise":
        return np.std(np.diff(levels(take)[2])) > 1.2 * np.std(np.diff(levels(sound)[2]))
    return wrong(take) > 0


@pytest.mark.parametrize("fault", sampled(f.FAULTS, 4))
def test_each_fault_shows_in_its_record(fault):
    take, sound = f.pair(3, fault)
    assert take.faults == (fault,)
    assert not sound.faults
    assert take.grid_read.shape == take.disc.grid.shape
    assert (sound.grid_read == take.disc.grid).all()
    assert marked(fault, take, sound), take.where
    # the measure itself does not see the fault everywhere
    assert not marked(fault, replace(sound, where=take.where), sound)


@pytest.mark.parametrize("seed", sampled(range(1, 7), 2))
def test_a_sound_record_holds_the_design(seed):
    take = f.healthy(seed)
    assert (take.grid_read == take.disc.grid).all()
    if take.presets:
        assert len(notes(take)) > 10
    else:
        if take.threshold is None and not digital(take):
            pytest.fail("levels without a threshold")
        assert wrong(take) <= 0.01 * take.disc.grid.size


def test_machines_differ():
    takes = [f.sound_rig(s, "")[0] for s in range(120)]
    assert {t.disc.rows for t in takes} == set(range(2, 15))
    places = [t.disc.positions for t in takes]
    assert min(places) < 24
    assert max(places) > 86
    assert len({t.kind for t in takes}) == 9
    assert min(t.data.snr_db for t in takes) < 13
    assert max(abs(t.drift) for t in takes) > 0.19


def test_a_seed_gives_the_same_bytes():
    for fault in ("noise", "lamp-hum", "midi-late"):
        assert f.faulty(5, fault).files == f.pair(5, fault)[0].files


def test_an_unknown_fault_is_refused():
    with pytest.raises(ValueError, match="no fault 'rust'"):
        f.faulty(1, "rust")
