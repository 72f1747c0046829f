"""Generator f: recorders. A logger of two channels in several formats, a logic analyser, and a
program that records the MIDI wire."""

from __future__ import annotations

import io
import tempfile
import wave
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
from numpy.typing import NDArray

from sonify.disc.edit import with_grid
from sonify.errors import InputError
from sonify.performance import Performance, perform
from tests.world.motion_f import Drive
from tests.world.optics_f import Bits, Run
from tests.world.rig_f import Floats, Rig, Rng

Mask = NDArray[np.bool_]


def kept(rig: Rig, time: Floats) -> Mask:
    """Which samples the recorder did not drop."""
    out = np.ones(len(time), bool)
    every = time[1] - time[0]
    for at, long in rig.gaps:
        a = int(at * len(time))
        out[a : a + max(1, round(long * rig.position_s / every))] = False
    return out


def log(rig: Rig, run: Run, rng: Rng) -> tuple[dict[str, bytes], float | None]:
    """A file of the two channels, and the machine's threshold in the file's units if it has any."""
    take = slice(None, None, run.every)
    time = run.time[take] - run.time[0]
    mask = kept(rig, time)
    if rig.kind in ("edges", "vcd"):
        time, clock, data = (x[mask] for x in (time, run.clock_high[take], run.data_high[take]))
        change = np.flatnonzero(np.r_[True, np.diff(clock) | np.diff(data)])
        change = np.append(change, len(time) - 1)  # such recorders say when they stopped
        columns = time[change], clock[change].astype(int), data[change].astype(int)
        return (edge_list if rig.kind == "edges" else value_changes)(rig, *columns), None
    top = float(rng.choice([1.0, 1.05])) * rig.data.supply  # the converter's reference
    step = top / 2**rig.bits
    clock, data = (
        np.clip(np.floor(v[take] / step), 0, 2**rig.bits - 1)[mask]
        for v in (run.clock, run.data)
    )  # fmt: skip
    shown = time[mask]
    threshold = rig.data.decides
    if rig.kind == "wav":
        whole = np.stack([clock, data], 1) / 2**rig.bits * 65536 - 32768
        out = io.BytesIO()
        with wave.open(out, "wb") as w:
            w.setnchannels(2)
            w.setsampwidth(2)
            w.setframerate(round(rig.rate))
            w.writeframes(np.clip(whole, -32768, 32767).astype("<i2").tobytes())
        return {"take.wav": out.getvalue()}, threshold / top * 2 - 1
    clock, data = clock * step, data * step
    out = io.BytesIO()
    name = "take.npy"
    if rig.kind == "npy":
        np.save(out, np.stack([shown, clock, data], 1))
    elif rig.kind == "npy-names":
        named = np.zeros(len(shown), [("time", "f8"), ("clock", "f4"), ("data", "f4")])
        named["time"], named["clock"], named["data"] = shown, clock, data
        np.save(out, named)
    elif rig.kind == "npy-rate":
        name = f"take-{rig.rate:.0f}Hz.npy"
        np.save(out, np.stack([clock, data], 1).astype(np.float32))
    else:
        milli = rig.kind == "csv-ms"
        head = "# two channel logger\nTime (ms);Clock (V);Data (V)" if milli else "time,clock,data"
        form = ["%.3f" if milli else "%.6f", "%.4f", "%.4f"]
        table = np.stack([shown * (1000 if milli else 1), clock, data], 1)
        np.savetxt(out, table, form, ";" if milli else ",", header=head, comments="")
        name = "take.csv"
    return {name: out.getvalue()}, threshold


def edge_list(rig: Rig, time: Floats, clock: Bits, data: Bits) -> dict[str, bytes]:
    """Times at which an input changed."""
    out = io.BytesIO()
    np.savetxt(out, np.stack([time, clock, data], 1), ["%.6f", "%d", "%d"], ",",
               header="time,clock,data", comments="")  # fmt: skip
    return {"take.csv": out.getvalue()}


def value_changes(rig: Rig, time: Floats, clock: Bits, data: Bits) -> dict[str, bytes]:
    """A value change dump (IEEE 1364, clause 18)."""
    lines = [
        "$timescale 1 us $end", "$scope module player $end", "$var wire 1 c clock $end",
        "$var wire 1 d data $end", "$upscope $end", "$enddefinitions $end",
    ]  # fmt: skip
    old: tuple[int, int] | None = None
    for t, *now in zip((time * 1e6).round().astype(int), clock, data, strict=True):
        lines.append(f"#{t}")
        lines += [f"{v}{c}" for c, v, o in zip("cd", now, old or (2, 2), strict=True) if v != o]
        old = (now[0], now[1])
    return {"take.vcd": ("\n".join(lines) + "\n").encode()}


def show_of(rig: Rig, grid: Bits) -> Performance:
    """The music of what the machine read, on the machine's own time."""
    wants = {"music.timing": "player", **{f"player.{k}": v for k, v in settings(rig).items()}}
    return perform(with_grid(rig.disc, grid), presets=list(rig.presets), settings=wants)


def settings(rig: Rig) -> dict[str, object]:
    """What the machine's settings say of it."""
    return {
        "rpm": rig.rpm,
        "row-start": "index" if rig.on_index else "next-position",
        "stage": rig.stage,
        "settle": rig.settle,
        **rig.known,
    }


def midi(rig: Rig, drive: Drive, grid: Bits, rng: Rng) -> tuple[dict[str, bytes], Rig]:
    """What a recording program saves of the machine's MIDI output."""
    while True:
        try:
            show = show_of(rig, grid)
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "t.mid"
                show.save(path)
                score = mido.MidiFile(path)
            break
        except InputError:  # a preset that has no place for so many rows or positions
            rig = replace(rig, presets=("music-box",))
    t = rig.position_s
    planned, messages = [], []
    now = 0.0
    for message in score:
        now += message.time
        if not message.is_meta:
            planned.append(now)
            messages.append(message)
    begin = show.reading["time_s"].reshape(rig.disc.rows, -1)[:, 0] / t
    n = rig.disc.positions
    knots = np.stack([begin, begin + n], 1).ravel()
    real = np.stack([drive.start, drive.start + n], 1).ravel().astype(float)
    at = np.array(planned) / t
    slot = np.interp(at, knots, real) + np.maximum(at - knots[-1], 0)
    row = np.clip(np.searchsorted(begin, at + 1e-6, side="right") - 1, 0, rig.disc.rows - 1)
    lead = float(rng.uniform(0.05, 3))
    time = drive.at(slot) - drive.at(0.0) + lead
    kind, share, size = rig.wire
    note_on = np.array([m.type == "note_on" and m.velocity > 0 for m in messages])
    note_off = np.array([m.type == "note_off" or (m.type == "note_on" and m.velocity == 0)
                         for m in messages])  # fmt: skip
    lose = np.zeros(len(messages), bool)
    if kind in ("note-offs", "notes"):
        among = np.flatnonzero(note_off if kind == "note-offs" else note_on)
        lose[rng.choice(among, min(len(among), max(3, int(share * len(among)))), False)] = True
    elif kind == "rows":
        lose = (row >= share) & (row < size) & (note_on | note_off)
    elif kind == "late":
        # a buffer that is emptied every so often, for stretches of the read
        wait = size * (0.5 + rng.random(len(time)))
        held = rng.random(int(time[-1] / (8 * t)) + 2)[(time / (8 * t)).astype(int)] < share
        time = np.where(held & (note_on | note_off), time + wait * t, time)
    if kind == "notes":  # the note's end goes with it
        for k in np.flatnonzero(lose & note_on):
            m = messages[k]
            same = (j for j in range(k + 1, len(messages)) if note_off[j]
                    and (messages[j].channel, messages[j].note) == (m.channel, m.note))  # fmt: skip
            if (j := next(same, None)) is not None:
                lose[j] = True
    order = np.argsort(time, kind="stable")
    order = order[~lose[order]]
    # the wire sends 31,250 bits a second, ten a byte (MIDI 1.0); bytes wait for one another
    long = np.array([len(messages[k].bytes()) * 10 / 31250 for k in order])
    done = np.cumsum(long) + np.maximum.accumulate(time[order] - (np.cumsum(long) - long))
    done = np.ceil(done / 0.001) * 0.001  # USB frames
    per_quarter = int(rng.choice([96, 240, 480, 960]))
    tempo = int(rng.choice([500_000, 600_000, 400_000]))
    ticks = np.round(done * 1e6 / tempo * per_quarter).astype(int)
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=tempo)])
    for k, wait in zip(order, np.diff(ticks, prepend=0), strict=True):
        track.append(messages[k].copy(time=int(wait)))
    out = io.BytesIO()
    mido.MidiFile(type=0, ticks_per_beat=per_quarter, tracks=[track]).save(file=out)
    rig.facts["lost"] = int((lose & (note_on | note_off)).sum())
    return {"take.mid": out.getvalue()}, rig
