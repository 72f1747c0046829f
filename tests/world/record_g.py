"""Recorders: what of a run is written down, and how.

A converter integrates over its sample, or takes a moment of it; a few dither. A logic analyser
writes edges. Times come from the sample count, rounded as the recorder prints them, or stand in no
column at all.
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.world.optics_g import Reals, low_pass
from tests.world.plan_g import Machine, dice
from tests.world.rig_g import Run

PREAMBLES = (
    "# bench recorder, two inputs\n",
    "# kitchen table, 2nd try\n# inputs: white=clock green=data\n",
    "Recorder,two-channel\nCoupling,DC\nRange,5 V\n",
)
STEMS = ("disc", "hut", "tuesday", "run2", "table", "after-oiling", "x")


@dataclass(frozen=True)
class Scale:
    """How V become the file's units."""

    times: float
    plus: float

    def of(self, volts: Any) -> Any:
        return volts * self.times + self.plus


@dataclass(frozen=True)
class Samples:
    """What a sampling recorder has: times, both inputs in the file's units, what they are, and
    how long after the run's beginning they begin, in s."""

    time: Reals
    table: Reals
    scale: Scale
    step: float
    coupled: bool
    begins: float = 0.0


def dropped(m: Machine, count: int, lost: float, blocks: int) -> NDArray[np.bool_]:
    """Which samples stay when the bus loses blocks; `lost` positions in each loss."""
    rng = dice(m.seed, "bus")
    stay = np.ones(count, bool)
    block = int(2 ** rng.integers(5, 8))
    # never so that whole positions go, which nobody could see between two rows
    slot = m.slot_s * m.rate
    length = max(1, round(lost * slot / block)) * block
    for _ in range(12):
        if 0.25 < length / slot % 1 < 0.75:
            break
        length += block
    for at in (rng.uniform(0.08, 0.92, blocks) * count).astype(int).tolist():
        begin = at // block * block
        stay[begin : begin + length] = False
    return stay


def samples(m: Machine, run: Run, lost: float = 0.0, blocks: int = 0) -> Samples:
    """The run as a sampling recorder takes it down."""
    rng = dice(m.seed, "recorder")
    k = m.finer
    n = len(run.time) // k
    raw = np.stack([run.clock[: n * k], run.data[: n * k]], axis=1).reshape(n, k, 2)
    integrates = rng.random() < 0.5
    volts = raw.mean(axis=1) if integrates else raw[:, k // 2]
    own = np.sqrt(max(m.swing**2 * (10 ** (-m.snr_db / 10) - m.board["noise"] ** 2), 1e-12))
    volts = volts + own * dice(m.seed, "hiss").standard_normal(volts.shape)
    coupled = False
    if m.kind == "wav":
        coupled = bool(rng.random() < 0.4) and m.slot_s * 40 < 4
        if coupled:
            tau = m.slot_s * rng.uniform(40, 160)
            volts = np.stack(
                [x - low_pass(x, tau, 1 / m.rate) for x in np.ascontiguousarray(volts.T)], axis=1
            )
        full = m.supply * rng.uniform(0.9, 1.4)
        half = 0.0 if coupled else m.supply / 2
        scale, step = Scale(1 / full, -half / full), 1 / (128 if rng.random() < 0.2 else 32768)
    else:
        unit = str(rng.choice(["V", "counts", "mV"], p=[0.6, 0.3, 0.1]))
        if unit == "counts":
            bits = int(rng.choice([8, 10, 12]))
            scale, step = Scale((2**bits - 1) / m.supply, 0.0), 1.0
        else:
            scale = Scale(1000.0 if unit == "mV" else 1.0, 0.0)
            step = scale.times * float(rng.choice([0.001, 0.002, 0.005, 5 / 255]))
    out = scale.of(volts)
    dithers = rng.random() < 0.25
    dither = dice(m.seed, "dither").uniform(-0.5, 0.5, out.shape) if dithers else 0.0
    out = np.round(out / step + dither) * step
    low, high = scale.of(0.0), scale.of(m.supply)
    if m.kind == "wav":
        low, high = -1.0, 1.0 - step
    out = np.clip(out, low, high)
    time = np.arange(n) / m.rate
    if blocks:
        stay = dropped(m, n, lost, blocks)
        gap_shows = rng.random() < 0.4 and m.kind != "wav"
        time = time[stay] if gap_shows else time[: int(stay.sum())]
        out = out[stay]
    first, last = m.crop
    a = int((np.nanmin(run.sampled) + first * m.slot_s) * m.rate) if first else 0
    b = int((np.nanmax(run.sampled) - last * m.slot_s) * m.rate) if last else len(out)
    return Samples(time[: b - a], out[a:b], scale, step, coupled, a / m.rate)


def fine_clock(m: Machine, time: Reals) -> tuple[Reals, str, int]:
    """Times as the recorder prints them, their unit, and the digits."""
    rng = dice(m.seed, "stamps")
    unit = str(rng.choice(["s", "ms", "us"], p=[0.65, 0.25, 0.1]))
    digits = 4 if m.rate <= 1000 else 5
    if rng.random() < 0.08:
        digits = 3  # whole milliseconds, whatever the rate
    stamps = np.round(time, digits)
    if rng.random() < 0.2:
        stamps = stamps + round(float(rng.uniform(0, 600)), 2)
    times, places = {"s": (1.0, digits), "ms": (1e3, max(0, digits - 3)), "us": (1e6, 0)}[unit]
    return stamps * times, unit, places


def write_samples(m: Machine, s: Samples) -> tuple[str, bytes]:
    """A file of samples, as .csv, .npy or .wav."""
    rng = dice(m.seed, "file")
    stem = str(rng.choice(STEMS))
    if m.kind == "wav":
        return f"{stem}.wav", _wav(s, m.rate, float(rng.random()))
    stamps, unit, places = fine_clock(m, s.time)
    if m.kind == "npy":
        return _npy(m, s, stamps, unit, stem, float(rng.random()))
    level = 0 if s.step >= 1 else 3 if s.step * 1000 % 1 < 1e-9 else 4
    names = [
        ["time", "clock", "data"],
        ["Time", "Clock", "Data"],
        ["time_s", "clock", "data"],
    ][int(rng.integers(3))]
    measure = "V" if s.scale.times == 1 else "mV" if s.scale.times == 1000 else "counts"
    if unit != "s" or rng.random() < 0.3:
        names = [f"Time ({unit})", f"Clock ({measure})", f"Data ({measure})"]
    mark = ";" if rng.random() < 0.25 else ","
    order = [0, 2, 1] if rng.random() < 0.2 else [0, 1, 2]
    table = np.column_stack([stamps, s.table])[:, order]
    forms = [f"%.{places}f", f"%.{level}f", f"%.{level}f"]
    line = mark.join(forms) + ("\r\n" if rng.random() < 0.3 else "\n")
    head = str(rng.choice(PREAMBLES)) if rng.random() < 0.3 else ""
    head += mark.join(names[k] for k in order) + "\n"
    return f"{stem}.csv", (head + (line * len(table)) % tuple(table.ravel().tolist())).encode()


def _npy(
    m: Machine, s: Samples, stamps: Reals, unit: str, stem: str, luck: float
) -> tuple[str, bytes]:
    out = io.BytesIO()
    if luck < 0.35 and m.rate == round(m.rate):
        table = s.table.astype("<i2" if s.step >= 1 else "<f4")
        np.save(out, table)
        return f"{stem}-{m.rate}Hz.npy", out.getvalue()
    if luck < 0.6:
        name = "time_us" if unit == "us" else "time_ms" if unit == "ms" else "time_s"
        both = np.zeros(len(stamps), [(name, "<f8"), ("clock", "<f4"), ("data", "<f4")])
        both[name], both["clock"], both["data"] = stamps, *s.table.T
        np.save(out, both)
    else:
        scale = {"s": 1.0, "ms": 1e-3, "us": 1e-6}[unit]
        np.save(out, np.round(np.column_stack([stamps * scale, s.table]), 6))
    return f"{stem}.npy", out.getvalue()


def _wav(s: Samples, rate: int, luck: float) -> bytes:
    if s.step > 1e-3:
        body = (np.round(s.table * 128) + 128).clip(0, 255).astype("u1").tobytes()
        kind, width = 1, 1
    elif luck < 0.3:
        body, kind, width = s.table.astype("<f4").tobytes(), 3, 4
    else:
        body = np.round(s.table * 32768).clip(-32768, 32767).astype("<i2").tobytes()
        kind, width = 1, 2
    form = struct.pack("<HHIIHH", kind, 2, rate, rate * 2 * width, 2 * width, 8 * width)
    chunks = b"fmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", len(body)) + body
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


def edges(m: Machine, run: Run) -> list[tuple[int, int, int]]:
    """When each input changes, in us, which one, and its new level: holes are high or low, as the
    board has it. A logic analyser sees what the comparators give, at its own sampling clock."""
    rng = dice(m.seed, "analyser")
    grain = float(rng.choice([1, 2, 10, 50, 100], p=[0.3, 0.2, 0.25, 0.15, 0.1]))
    high = m.levels[1] > m.levels[0]
    out = []
    for k, (hole, volts, level) in enumerate((
        (run.clock_hole, run.clock, sum(m.levels_of("clock")) / 2),
        (run.data_hole, run.data, run.threshold),
    )):  # fmt: skip
        at = np.flatnonzero(np.diff(hole.astype(np.int8))) + 1
        slope = volts[at] - volts[at - 1]
        slope[slope == 0] = 1
        part = np.clip((level - volts[at - 1]) / slope, 0, 1)
        step = run.time[1] - run.time[0]
        us = np.round((run.time[at] - step + part * step) * 1e6 / grain) * grain
        now = hole[at] == high
        out.append((0, k, int(hole[0] == high)))
        out += [(int(t), k, int(v)) for t, v in zip(us.tolist(), now.tolist(), strict=True)]
    return sorted(out, key=lambda e: e[0])


def write_edges(m: Machine, run: Run) -> tuple[str, bytes]:
    """A list of edges as .csv, or a value change dump (IEEE 1364)."""
    rng = dice(m.seed, "file")
    stem = str(rng.choice(STEMS))
    changes = edges(m, run)
    names = ("clock", "data")
    last = int(run.time[-1] * 1e6)
    if m.kind == "edges":
        lines = ["time,channel,value"]
        lines += [f"{t / 1e6:.6f},{names[k]},{v}" for t, k, v in changes]
        return f"{stem}-edges.csv", ("\n".join(lines) + "\n").encode()
    marks = ("!", '"') if rng.random() < 0.5 else ("c", "d")
    head = ["$timescale 1 us $end", "$scope module disc $end"]
    head += [f"$var wire 1 {marks[k]} {names[k]} $end" for k in (0, 1)]
    head += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars"]
    head += [f"{v}{marks[k]}" for t, k, v in changes[:2]] + ["$end"]
    now = 0
    for t, k, v in changes[2:]:
        if t != now:
            head.append(f"#{t}")
            now = t
        head.append(f"{v}{marks[k]}")
    head.append(f"#{max(last, now + 1)}")
    return f"{stem}.vcd", ("\n".join(head) + "\n").encode()
