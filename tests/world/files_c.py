"""Files that recorders write of two channels.

csv     time and two voltages, as oscilloscopes and loggers write them: names and units in the
        header, comma or semicolon (then with a decimal comma in a few), sometimes lines of the
        recorder's own before it
npy     an array of two columns (the rate in the file's name) or three (time first)
wav     two channels of 16-bit PCM, a logger's that passes constant voltage; 1.0 stands for 5 V or
        more
digital time and two columns of 0 and 1
edges   time and the channels' new values, one line for each change
vcd     value change dump, IEEE 1364-2005 section 18, two wires
Converters have 8 to 16 bits. Time stamps of a logger on a microcontroller waver by up to a tenth
of a sample.
"""

from __future__ import annotations

import io
import wave
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
Bits = NDArray[np.int8]
Rng = np.random.Generator

KINDS = ("csv", "npy", "wav", "digital", "edges", "vcd")
_NAMES = (("time", "clock", "data"), ("Time", "Clock", "Data"), ("t", "clock", "data"))


def _digitised(rng: Rng, v: Reals, top: float) -> Reals:
    steps = 2 ** int(rng.choice([8, 10, 12, 14]))
    return np.round(np.clip(v / top, 0, 1) * (steps - 1)) / (steps - 1) * top


def _stamps(rng: Rng, t: Reals, rate: float) -> Reals:
    if rng.random() < 0.3:
        t = t + rng.uniform(-0.1, 0.1, len(t)) / rate
    return t


def _rate_name(rng: Rng, rate: float) -> str:
    whole = f"{rate:g}"
    if rate >= 1000 and rng.random() < 0.4:
        return f"{rate / 1000:g}kHz"
    return whole + "Hz"


def analog(
    rng: Rng, kind: str, t: Reals, clock: Reals, data: Reals, rate: float
) -> dict[str, bytes]:
    """Two voltages as a file."""
    top = 5.0 if max(clock.max(), data.max()) <= 5.0 else 10.0
    clock, data = _digitised(rng, clock, top), _digitised(rng, data, top)
    if kind == "csv":
        return {"player-log.csv": _table(rng, _stamps(rng, t, rate), clock, data)}
    if kind == "npy":
        out = io.BytesIO()
        if rng.random() < 0.3:
            np.save(out, np.column_stack((t, clock, data)))
            return {"player-log.npy": out.getvalue()}
        np.save(out, np.column_stack((clock, data)).astype(np.float32))
        return {f"player-log-{_rate_name(rng, rate)}.npy": out.getvalue()}
    pcm = np.round(np.column_stack((clock, data)) / top * 32767).astype("<i2")
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(int(rate))
        file.writeframes(pcm.tobytes())
    return {"player-log.wav": out.getvalue()}


def _table(rng: Rng, t: Reals, clock: Reals, data: Reals) -> bytes:
    time, one, two = _NAMES[int(rng.integers(len(_NAMES)))]
    milli = bool(rng.random() < 0.25)
    units = bool(rng.random() < 0.5) or milli
    sep = str(rng.choice([",", ";", "\t"], p=[0.7, 0.2, 0.1]))
    comma = sep == ";" and rng.random() < 0.4
    head = ""
    if rng.random() < 0.25:
        head = "Recorder: two channels\nCoupling: DC\n"
    names = [time, one, two]
    if units:
        names = [f"{time} ({'ms' if milli else 's'})", f"{one} (V)", f"{two} (V)"]
    digits = int(rng.integers(3, 5))
    scale, places = (1000.0, 3) if milli else (1.0, 6)
    lines = [
        f"{a:.{places}f}{sep}{b:.{digits}f}{sep}{c:.{digits}f}"
        for a, b, c in zip((t * scale).tolist(), clock.tolist(), data.tolist(), strict=True)
    ]
    body = sep.join(names) + "\n" + "\n".join(lines) + "\n"
    return (head + (body.replace(".", ",") if comma else body)).encode()


def digital(
    rng: Rng, kind: str, t: Reals, clock: Bits, data: Bits, rate: float
) -> dict[str, bytes]:
    """Two logic levels as a file."""
    if kind == "digital":
        lines = [
            f"{a:.6f},{b},{c}"
            for a, b, c in zip(t.tolist(), clock.tolist(), data.tolist(), strict=True)
        ]
        return {"player-logic.csv": ("time,clock,data\n" + "\n".join(lines) + "\n").encode()}
    both = np.column_stack((clock, data))
    change = np.append(0, 1 + np.flatnonzero((both[1:] != both[:-1]).any(axis=1)))
    if kind == "edges":
        rows = [
            f"{a:.6f},{b},{c}"
            for a, (b, c) in zip(t[change].tolist(), both[change].tolist(), strict=True)
        ]
        head = str(rng.choice(["time,clock,data", "Time [s],clock,data", "time (s),clock,data"]))
        return {"player-edges.csv": (head + "\n" + "\n".join(rows) + "\n").encode()}
    return {"player.vcd": _vcd(rng, t, both, change)}


def _vcd(rng: Rng, t: Reals, both: Bits, change: NDArray[np.int64]) -> bytes:
    unit, scale = [("1 us", 1e6), ("100 ns", 1e7), ("10 us", 1e5)][int(rng.integers(3))]
    out = [
        "$date 14 March $end",
        "$version a logic analyser $end",
        f"$timescale {unit} $end",
        "$scope module player $end",
        "$var wire 1 ! clock $end",
        '$var wire 1 " data $end',
        "$upscope $end",
        "$enddefinitions $end",
    ]
    ticks = np.round((t[change] - t[0]) * scale).astype(np.int64).tolist()
    before: Sequence[int] = (-1, -1)
    for tick, now in zip(ticks, both[change].tolist(), strict=True):
        out.append(f"#{tick}")
        if before[0] < 0:
            out += ["$dumpvars", f"{now[0]}!", f'{now[1]}"', "$end"]
        else:
            if now[0] != before[0]:
                out.append(f"{now[0]}!")
            if now[1] != before[1]:
                out.append(f'{now[1]}"')
        before = now
    out.append(f"#{round((t[-1] - t[0]) * scale)}")
    return ("\n".join(out) + "\n").encode()
