"""Recorders: the files that a maker gets from a machine's two detectors.

Analog: .csv with volts (header names and units as instruments write them), .npy of volts or of raw
counts of an 8- to 16-bit converter with the sample rate in the name, two-channel .wav. Digital, by
comparators with hysteresis: evenly sampled .csv of 0 and 1, .csv of changes only, and value change
dumps (IEEE 1364). Formats of instruments: from memory.
"""

from __future__ import annotations

import io
import wave
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Rng = np.random.Generator
Reals = NDArray[np.float64]
ANALOG_VOLTS = ("csv", "npy-volts")
ANALOG = (*ANALOG_VOLTS, "npy-counts", "wav")
DIGITAL = ("csv-digital", "csv-edges", "vcd")


@dataclass(frozen=True)
class Recorder:
    """A kind of file, the converter's bits, and what is lost: (share of the log, length in s)."""

    kind: str
    bits: int = 12
    drops: tuple[tuple[float, float], ...] = ()
    stamped: bool = True  # whether times show a gap
    jitter: float = 0.0  # of sample times, share of a sample


def comparator(v: Reals, threshold: float, hysteresis: float) -> NDArray[np.bool_]:
    """High above the upper threshold until below the lower one (a Schmitt trigger)."""
    up, down = v > threshold + hysteresis / 2, v < threshold - hysteresis / 2
    known = np.flatnonzero(up | down)
    if not len(known):
        return np.full(len(v), v[0] > threshold)
    last = np.searchsorted(known, np.arange(len(v)), "right") - 1
    return up[known[np.maximum(last, 0)]]


def dropped(rng: Rng, count: int, rate: float, r: Recorder) -> NDArray[np.bool_]:
    """Which samples are kept."""
    keep = np.ones(count, bool)
    for at, seconds in r.drops:
        i = int(at * count)
        keep[i : i + max(2, int(seconds * rate))] = False
    return keep


def _table(columns: list[Reals], digits: list[int], by: str) -> str:
    texts = [np.char.mod(f"%.{d}f", c) for c, d in zip(columns, digits, strict=True)]
    return "\n".join(map(by.join, zip(*texts, strict=True)))


def write(
    rng: Rng, r: Recorder, rate: float, clock: Reals, data: Reals, supply: float,
    slicing: tuple[float, float, float, float],
) -> dict[str, bytes]:  # fmt: skip
    """The file of a log.

    `slicing` has threshold and hysteresis in volts, of the clock and of the data comparator.
    """
    keep = dropped(rng, len(data), rate, r)
    t = np.arange(len(data)) / rate
    start = float(rng.choice([0.0, rng.uniform(0, 50)])) if r.stamped else 0.0
    if r.kind in DIGITAL:
        high = comparator(clock, *slicing[:2]), comparator(data, *slicing[2:])
        return _digital(rng, r, t, keep, high, start)
    step = supply / 2**r.bits
    both = np.stack([np.round(v / step) for v in (clock, data)], 1)[keep]
    stamps = start + (t[keep] if r.stamped else np.arange(keep.sum()) / rate)
    if r.jitter:
        stamps = stamps + rng.uniform(-r.jitter, r.jitter, len(stamps)) / rate
    if r.kind == "csv":
        style = rng.integers(4)
        digits = max(4, int(np.ceil(np.log10(rate))) + 2)
        columns = [stamps, *(both.T * step)]
        if style == 0:
            text = "time,clock,data\n" + _table(columns, [digits, 4, 4], ",")
        elif style == 1:
            text = "time (s),clock (V),data (V)\n" + _table(columns, [digits, 3, 3], ",")
        elif style == 2:
            columns[0] = columns[0] * 1e3
            text = "Time (ms);Clock (V);Data (V)\n" + _table(
                columns, [max(1, digits - 3), 3, 3], ";"
            )
        else:
            head = f"# hut logger 2\n# channels 2\n# rate {rate:g} Hz\n"
            text = head + "time,clock,data\n" + _table(columns, [digits, 4, 4], ",")
        return {"log.csv": (text + "\n").encode()}
    if r.kind == "npy-volts":
        out = io.BytesIO()
        np.save(out, (both * step).astype(np.float32))
        return {f"log_{rate:g}Hz.npy": out.getvalue()}
    if r.kind == "npy-counts":
        out = io.BytesIO()
        np.save(out, both.astype(np.int16 if r.bits < 16 else np.int32))
        return {f"log_{rate:g}Hz.npy": out.getvalue()}
    sound = np.clip((both * step / supply * 2 - 1) * 0.9 * 32767, -32768, 32767).astype("<i2")
    out = io.BytesIO()
    with wave.open(out, "wb") as w:
        w.setnchannels(2)
        w.setsampwidth(2)
        w.setframerate(int(rate))
        w.writeframes(sound.tobytes())
    return {"log.wav": out.getvalue()}


def _digital(
    rng: Rng, r: Recorder, t: Reals, keep: NDArray[np.bool_],
    high: tuple[NDArray[np.bool_], NDArray[np.bool_]], start: float,
) -> dict[str, bytes]:  # fmt: skip
    both = np.stack(high, 1).astype(np.int64)[keep]
    stamps = start + (t[keep] if r.stamped else t[: len(both)])
    if r.kind == "csv-digital":
        columns = [stamps, *both.T.astype(float)]
        return {"log.csv": ("time,clock,data\n" + _table(columns, [6, 0, 0], ",") + "\n").encode()}
    changes = np.flatnonzero(np.any(np.diff(both, axis=0), axis=1)) + 1
    changes = np.concatenate(([0], changes, [len(both) - 1]))
    if r.kind == "csv-edges":
        columns = [stamps[changes], *both[changes].T.astype(float)]
        head = str(rng.choice(["time,clock,data", "Time [s],Clock,Data"]))
        return {"edges.csv": (head + "\n" + _table(columns, [6, 0, 0], ",") + "\n").encode()}
    unit, ticks = (("1 us", 1e6), ("1 ns", 1e9), ("10 us", 1e5))[rng.integers(3)]
    lines = [
        "$date 14 March $end", "$version hut probe $end", f"$timescale {unit} $end",
        "$scope module player $end", "$var wire 1 ! clock $end", '$var wire 1 " data $end',
        "$upscope $end", "$enddefinitions $end",
    ]  # fmt: skip
    before = (-1, -1)
    for at in changes.tolist():
        now = (int(both[at, 0]), int(both[at, 1]))
        said = [f"{v}{name}" for v, name, b in zip(now, '!"', before, strict=True) if v != b]
        if said:
            lines += [f"#{round(float(stamps[at]) * ticks)}"]
            lines += ["$dumpvars", *said, "$end"] if before == (-1, -1) else said
        before = now
    lines.append(f"#{round(float(stamps[-1]) * ticks) + 1}")
    return {"log.vcd": ("\n".join(lines) + "\n").encode()}
