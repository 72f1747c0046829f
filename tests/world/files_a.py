"""Files that recorders write.

Kinds: a table of voltages (.csv; a plain one with the header `time,clock,data`, one as
oscilloscopes export it with lines of settings first and units in the header, one with semicolons),
samples without times (.npy and .wav, the rate in the name or the header), a table of 0 and 1, edge
lists (a line for each change), and VCD, the value change dump of IEEE 1364. The layouts of the
oscilloscope's table and of the edge lists are common practice, no source. A .wav is 16-bit PCM
from a recorder that passes direct current; sound cards, which don't, are not modelled.
"""

from __future__ import annotations

import io
import wave

import numpy as np

ANALOG = ("csv", "csv-scope", "csv-semicolon", "npy", "npy-time", "wav")
DIGITAL = ("digital", "edges", "edges-both", "vcd")


def write(
    kind: str,
    time: np.ndarray,
    volts: np.ndarray,
    logic: np.ndarray,
    rate: float,
    rng: np.random.Generator,
    kept: np.ndarray | None = None,
    closed: bool = False,
) -> dict[str, bytes]:
    """The file of a recording, name and bytes.

    Where samples were dropped (`kept` False), times show the hole, unless the recorder writes
    the rest as if nothing had happened (`closed`).
    """
    if kept is not None and not kept.all():
        whole = time
        time, volts, logic = time[kept], volts[kept], logic[kept]
        if closed:
            time = whole[: len(time)]
    volts = _quantised(volts, int(rng.choice([8, 10, 12])))
    if kind in ("csv", "csv-scope", "csv-semicolon"):
        return {"log.csv": _table(kind, time, volts, rate)}
    if kind.startswith("npy"):
        data = volts.astype(np.float32)
        if kind == "npy-time":
            data = np.column_stack((time, volts))
        out = io.BytesIO()
        np.save(out, data)
        return {f"log_{rate:g}Hz.npy": out.getvalue()}
    if kind == "wav":
        out = io.BytesIO()
        with wave.open(out, "wb") as file:
            file.setnchannels(2)
            file.setsampwidth(2)
            file.setframerate(int(rate))
            file.writeframes(np.round(volts / 5.5 * 32000).astype("<i2").tobytes())
        return {"log.wav": out.getvalue()}
    hole_is = int(rng.integers(2))
    states = np.where(logic, hole_is, 1 - hole_is)
    if kind == "digital":
        rows = (f"{t:.7g},{c},{d}" for t, (c, d) in zip(time, states, strict=True))
        return {"log.csv": ("time,clock,data\n" + "\n".join(rows) + "\n").encode()}
    changed = np.flatnonzero((np.diff(states, axis=0) != 0).any(axis=1)) + 1
    if kind == "edges-both":
        lines = [f"{t:.9g},{states[i, 0]},{states[i, 1]}" for i, t in _at(time, changed)]
        return {"edges.csv": ("time,clock,data\n" + "\n".join(lines) + "\n").encode()}
    if kind == "edges":
        lines = [f"{time[0]:.9g},{name},{states[0, c]}" for c, name in enumerate(("clock", "data"))]
        for i, t in _at(time, changed)[1:]:
            for c, name in enumerate(("clock", "data")):
                if states[i, c] != states[i - 1, c]:
                    lines.append(f"{t:.9g},{name},{states[i, c]}")
        return {"edges.csv": ("time,channel,value\n" + "\n".join(lines) + "\n").encode()}
    return {"capture.vcd": _vcd(time, states, changed)}


def _at(time: np.ndarray, changed: np.ndarray) -> list[tuple[int, float]]:
    return [(0, float(time[0])), *((int(i), float(time[i])) for i in changed)]


def _quantised(volts: np.ndarray, bits: int) -> np.ndarray:
    step = 5.5 / 2**bits
    return np.round(volts / step) * step


def _table(kind: str, time: np.ndarray, volts: np.ndarray, rate: float) -> bytes:
    out = io.StringIO()
    split = ","
    if kind == "csv-scope":
        out.write(f"Record Length,{len(time)}\nSample Interval,{1 / rate:.6e},s\n\n")
        out.write("Time (s),Clock (V),Data (V)\n")
    elif kind == "csv-semicolon":
        split = ";"
        out.write("time;clock;data\n")
    else:
        out.write("time,clock,data\n")
    np.savetxt(out, np.column_stack((time, volts)), delimiter=split, fmt=["%.7f", "%.4f", "%.4f"])
    return out.getvalue().encode()


def _vcd(time: np.ndarray, states: np.ndarray, changed: np.ndarray) -> bytes:
    lines = [
        "$version recorder $end",
        "$timescale 1 us $end",
        "$scope module player $end",
        "$var wire 1 ! clock $end",
        '$var wire 1 " data $end',
        "$upscope $end",
        "$enddefinitions $end",
        "#0",
        "$dumpvars",
        f"{states[0, 0]}!",
        f'{states[0, 1]}"',
        "$end",
    ]
    for i, t in _at(time, changed)[1:]:
        lines.append(f"#{round((t - time[0]) * 1e6)}")
        for c, mark in enumerate('!"'):
            if states[i, c] != states[i - 1, c]:
                lines.append(f"{states[i, c]}{mark}")
    lines.append(f"#{round((time[-1] - time[0]) * 1e6)}")
    return ("\n".join(lines) + "\n").encode()
