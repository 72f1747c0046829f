"""Recorders and files of generator e."""

from __future__ import annotations

import io
import math

import numpy as np

from tests.world.motion_e import Motion
from tests.world.pulses_e import (
    clock_pulses,
    data_pulses,
    placed,
    read_at,
    shares,
    switched,
    volts,
)
from tests.world.rig_e import Bits, Floats, Rig, Rng

SAMPLED = ("npy32", "npy-us", "npy-int16", "csv-us", "csv-plain", "wav-8", "wav-32", "wav-24")
SWITCHED = ("vcd", "edges", "changes", "levels")


def span(r: Rig, m: Motion) -> tuple[float, float]:
    """When the recorder begins and ends, in s."""
    n = r.positions
    begin = (math.ceil(r.before) - r.before) * n
    end = min(m.start[-1] + n * (1 + r.after) - 0.4, m.slot[-1])
    return float(m.when(np.array(begin))), float(m.when(np.array(end)))


def _lost(r: Rig, time: Floats) -> np.ndarray:
    """Which times the recorder keeps."""
    keep = np.ones(len(time), bool)
    whole = time[-1] - time[0]
    for share, seconds in r.lost:
        at = time[0] + share * whole
        keep &= (time < at) | (time >= at + seconds)
    return keep


def _closed_up(r: Rig, time: Floats) -> Floats:
    """Times as a recorder that counts samples gives them: without the gaps."""
    out, whole, first = time.copy(), time[-1] - time[0], time[0]
    for share, seconds in r.lost:
        at = first + share * whole
        out -= np.where(time >= at, np.minimum(time - at, seconds), 0)
    return out


def sampled(
    r: Rig, m: Motion, kind: str, rng: Rng, choice: Rng, least: float
) -> tuple[dict[str, bytes], Bits, float | None]:
    """A file of levels, what the player read from the same levels, and the threshold in the file's
    units."""
    begin, end = span(r, m)
    per = math.exp(choice.uniform(math.log(14), math.log(250)))
    rate = max(per / r.slot_s, least)
    rate = float(round(rate)) if rate > 30 else round(rate, 2)
    if kind.startswith("wav"):
        rate = float(choice.choice([8000, 11025, 22050, 44100]))
    if (end - begin) * rate > 1.2e6 or (kind == "npy-int16" and rate != round(rate)):
        kind, rate = "npy-us", max(30 / r.slot_s, least)
    if kind.startswith("csv") and (end - begin) * rate > 150_000:
        kind = "npy32"
    time = np.arange(begin, end, 1 / rate)
    angle = m.angle(time)
    clock, data = clock_pulses(r, m, rng), data_pulses(r, m)
    levels = np.column_stack([
        volts(r, shares(r, p, angle), angle, time, is_data, rng)
        for p, is_data in ((clock, False), (data, True))
    ])  # fmt: skip
    at, there = read_at(r, m, clock)
    if r.dead is not None:
        row, position, level = r.dead
        since = -1.0 if row < 0 else at[row, position]
        drift = 0.004 * r.supply * np.sin(time / 17)
        levels[:, 1] = np.where(time >= since, level + drift, levels[:, 1])
    half = max(r.window * r.slot_s / 2, 0.5 / rate)
    total = np.append(0.0, np.cumsum(levels[:, 1]))
    a = np.clip(np.searchsorted(time, at - half), 0, len(time) - 1)
    b = np.clip(np.searchsorted(time, at + half), a + 1, len(time))
    mean = (total[b] - total[a]) / (b - a)
    threshold = r.volts(r.threshold)
    bits = placed(r, m, (mean > threshold) if r.upside else (mean < threshold), there)
    keep = _lost(r, time)
    if r.lost and not r.lost_shows:
        time = _closed_up(r, time)
    data_file, units = _level_file(r, kind, rate, time[keep] - begin, levels[keep], choice)
    return data_file, bits, None if units is None else threshold * units[0] + units[1]


def _level_file(
    r: Rig, kind: str, rate: float, time: Floats, table: Floats, choice: Rng
) -> tuple[dict[str, bytes], tuple[float, float] | None]:
    """A file and how it turns V into its units (factor and offset)."""
    out = io.BytesIO()
    bits = int(choice.choice([8, 10, 12, 16]))
    lsb = 1.15 * r.supply / 2**bits
    table = np.round(table / lsb) * lsb
    if kind == "npy32":
        np.save(out, np.column_stack([time, table]).astype(np.float32 if rate < 300 else float))
        return {"run.npy": out.getvalue()}, (1.0, 0.0)
    if kind == "npy-us":
        rows = np.zeros(len(time), [("time_us", "i8"), ("clock", "f8"), ("data", "f8")])
        rows["time_us"], rows["clock"], rows["data"] = np.round(time * 1e6), *table.T
        np.save(out, rows)
        return {"run.npy": out.getvalue()}, (1.0, 0.0)
    if kind == "npy-int16":
        # a converter with its zero in the middle of the supply
        counts = np.round((table - r.supply / 2) / lsb).astype(np.int16)
        np.save(out, counts)
        return {f"run_{rate:.0f}Hz.npy": out.getvalue()}, (1 / lsb, -r.supply / 2 / lsb)
    if kind.startswith("csv"):
        if kind == "csv-us":
            lines, scale, form = ["Time (us),Clock (V),Data (V)"], 1e6, "{:.0f},{:.4g},{:.4g}"
        else:
            lines, scale, form = ["# brook logger", "time,clock,data"], 1.0, "{:.7g},{:.5g},{:.5g}"
        lines += [form.format(t, c, d) for t, (c, d) in
                  zip((time * scale).tolist(), table.tolist(), strict=True)]  # fmt: skip
        return {"run.csv": "\n".join(lines).encode()}, (1.0, 0.0)
    import soundfile

    subtype = {"wav-8": "PCM_U8", "wav-24": "PCM_24", "wav-32": "FLOAT"}[kind]
    sound = (table / r.supply - 0.5) * float(choice.uniform(0.6, 1.8))
    soundfile.write(out, sound.clip(-0.999, 0.999), int(rate), format="WAV", subtype=subtype)
    return {"run.wav": out.getvalue()}, None


def events(
    r: Rig, m: Motion, kind: str, rng: Rng, choice: Rng
) -> tuple[dict[str, bytes], Bits, None]:
    """A file of a comparator's edges, and what the player read from them."""
    begin, end = span(r, m)
    clock, data = clock_pulses(r, m, rng), data_pulses(r, m)
    at, there = read_at(r, m, clock)
    both = [switched(r, m, clock, 0.0, rng), switched(r, m, data, r.late, rng)]
    if r.dead is not None:
        row, position, level = r.dead
        since = begin - 1 if row < 0 else at[row, position]
        on, off = both[1]
        stuck = (level > r.supply / 2) == r.upside
        keep = on < since
        on, off = on[keep], np.minimum(off[keep], since)
        if stuck:
            on, off = np.append(on, max(since, begin - 1)), np.append(off, end + 1)
        both[1] = on, off
    on, off = both[1]
    if len(on):
        k = np.searchsorted(on, at, side="right") - 1
        inside = (k >= 0) & (at < off[np.maximum(k, 0)])
    else:
        inside = np.zeros(at.shape, bool)
    bits = placed(r, m, inside, there)
    changes = sorted(
        (float(t), c, level ^ (not r.upside))
        for c, (on, off) in enumerate(both)
        for ts, level in ((on, 1), (off, 0))
        for t in ts.tolist()
        if begin < t < end
    )
    first = [int(bool(((on <= begin) & (off > begin)).any())) ^ (not r.upside) for on, off in both]
    rows = [(begin, 0, first[0]), (begin, 1, first[1]), *changes]
    if r.lost:
        times = np.array([t for t, *_ in rows])
        times[-1] = max(times[-1], times[0] + 1e-9)
        keep = _lost(r, times)
        keep[:2] = True
        moved = times if r.lost_shows else _closed_up(r, times)
        rows = [(t, c, v) for t, (_, c, v), k in zip(moved.tolist(), rows, keep, strict=True) if k]
    return _edge_file(r, kind, [(t - begin, c, int(v)) for t, c, v in rows], choice), bits, None


def _edge_file(
    r: Rig, kind: str, rows: list[tuple[float, int, int]], choice: Rng
) -> dict[str, bytes]:
    name = ("clock", "data")
    if kind == "edges":
        lines = ["time,channel,value", *(f"{t:.7f},{name[c]},{v}" for t, c, v in rows)]
        return {"run.csv": "\n".join(lines).encode()}
    state = [rows[0][2], rows[1][2]]
    if kind == "vcd":
        # IEEE 1364, value change dump: written by hand, with a wire that is of no interest
        unit, per = [("100 ns", 1e7), ("10 us", 1e5), ("1 us", 1e6)][int(choice.integers(3))]
        lines = [
            "$version brook analyser $end", f"$timescale {unit} $end", "$scope module box $end",
            "$var wire 1 $ spare $end", "$var wire 1 % data $end", "$var wire 1 & clock $end",
            "$upscope $end", "$enddefinitions $end", "#0", "$dumpvars", "0$",
            f"{state[0]}&", f"{state[1]}%", "$end",
        ]  # fmt: skip
        lines += [f"#{round(t * per)}\n{v}{'&%'[c]}" for t, c, v in rows[2:]]
        return {"run.vcd": ("\n".join(lines) + "\n").encode()}
    if kind == "levels":
        step = r.slot_s / float(choice.uniform(40, 150))
        rate = max(1, round(1 / step))
        if rows[-1][0] * rate < 2e6:
            table = np.zeros((int(rows[-1][0] * rate) + 2, 2), np.uint8)
            for t, c, v in rows:
                table[math.ceil(t * rate) :, c] = v
            out = io.BytesIO()
            np.save(out, table)
            return {f"run_{rate}Hz.npy": out.getvalue()}
    lines = ["time,clock,data"]
    for t, c, v in rows:
        state[c] = v
        lines.append(f"{t:.7f},{state[0]},{state[1]}")
    return {"run.csv": "\n".join(lines).encode()}
