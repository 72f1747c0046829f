"""Recorders of generator d: sampling, converters, lost samples, comparators, and file formats."""

from __future__ import annotations

import io
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.world.drive_d import Floats, Rng
from tests.world.eye_d import sliced
from tests.world.plant_d import Machine, Run

ANALOGUE = ("npy", "npy-ms", "npy-counts", "csv", "csv-semicolon", "csv-ms", "wav", "wav-float")
DIGITAL = ("vcd", "edges", "changes", "npy-levels")
WAV_RATES = (4000, 8000, 11025, 16000, 22050)
RATES = (25, 40, 50, 80, 100, 200, 250, 400, 500, 1000, 2000, 2500, 4000, 5000, 8000, 10_000)
"""Usual rates of loggers, sound cards and single-board converters (common practice)."""


@dataclass
class Recorder:
    """What writes the log.

    Attributes
    ----------
    kind : str
        One of `ANALOGUE` or `DIGITAL`.
    rate : float
        Samples per second.
    off : float
        Error of its crystal, as a share: up to 1e-4 for a resonator, nothing for a crystal.
    bits : int
        Of the converter; 8 to 16.
    span : tuple of float
        Its input range in V.
    lost : list of (float, float)
        At which share of the recording it drops samples, and for how many s.
    gap : bool
        Times show where samples are missing; otherwise the next sample takes the next time.
    """

    kind: str
    rate: float
    bits: int
    span: tuple[float, float]
    off: float = 0.0
    lost: list[tuple[float, float]] = field(default_factory=list)
    gap: bool = True

    @property
    def digital(self) -> bool:
        """Whether it records a comparator's levels."""
        return self.kind in DIGITAL

    def in_units(self, volts: float) -> float | None:
        """A level in V in the units of the log; None where these are a sound file's own."""
        if self.kind.startswith("wav"):
            return None
        return float(self._counts(np.array(volts))) if self.kind == "npy-counts" else volts

    def _counts(self, volts: Floats) -> Floats:
        low, high = self.span
        top = 2**self.bits - 1
        out: Floats = np.clip(np.round((volts - low) / (high - low) * top), 0, top)
        return out


def recorder_of(
    rng: Rng, m: Machine, seconds: float, digital: bool, least: float = 0.0
) -> Recorder:
    """A recorder that is fast enough: 24 to 400 samples per position and `least` per second, at
    most 1.5 million in all."""
    kinds = list(DIGITAL if digital else ANALOGUE)
    rates = RATES
    for kind in [str(k) for k in rng.permutation(kinds)]:
        rates = WAV_RATES if kind.startswith("wav") else RATES
        good = [
            r
            for r in rates
            if max(24 / m.position_s, least) <= r <= max(400 / m.position_s, 2 * least)
            and r * seconds < 1.5e6
        ]
        # text of a million lines is what nobody records
        if kind.startswith("csv"):
            good = [r for r in good if r * seconds < 200_000]
        if good:
            rate = float(rng.choice(good))
            break
    else:
        kind, rate = ("changes" if digital else "npy"), float(round(max(40 / m.position_s, least)))
    supply = m.clock.supply
    bits = int(rng.choice([8, 10, 12, 14, 16], p=[0.1, 0.25, 0.35, 0.15, 0.15]))
    low = -supply * float(rng.uniform(0.05, 1.0)) if rng.random() < 0.3 else 0.0
    high = supply * float(rng.uniform(1.0, 1.6))
    return Recorder(kind, rate, bits, (low, high), float(rng.normal(0, 3e-5)))


def _kept(rec: Recorder, count: int) -> NDArray[np.bool_]:
    """Which samples are not dropped."""
    keep = np.ones(count, bool)
    for share, seconds in rec.lost:
        at = int(share * count)
        keep[at : at + max(1, round(seconds * rec.rate))] = False
    return keep


def _sampled(rec: Recorder, m: Machine, r: Run) -> tuple[Floats, Floats]:
    """Times in s and levels in V or comparator levels, shape (samples, 2)."""
    step = 1 / rec.rate
    at = np.arange(r.time[0], r.time[-1], step * (1 + rec.off))
    index = (at - r.time[0]) / (r.time[1] - r.time[0])
    channels = [r.clock, r.data]
    if rec.digital:
        levels = [sliced(v, m.threshold, m.hysteresis) for v in channels]
        table = np.stack([v[np.round(index).astype(np.int64)] for v in levels], axis=1)
    else:
        low, high = rec.span
        lsb = (high - low) / (2**rec.bits - 1)
        table = np.stack([np.interp(at, r.time, v) for v in channels], axis=1)
        table = low + rec._counts(table) * lsb
    keep = _kept(rec, len(at))
    time = np.arange(len(at)) * step
    table = table[keep]
    return (time[keep] if rec.gap else time[: len(table)]), table.astype(np.float64)


def _csv(kind: str, time: Floats, table: Floats, rng: Rng) -> bytes:
    mark = ";" if kind == "csv-semicolon" else ","
    unit, scale = ("ms", 1e3) if kind == "csv-ms" else ("s", 1.0)
    head = rng.choice(["Time ({u}){m}Clock (V){m}Data (V)", "time_{u}{m}clock{m}data"])
    lines = [] if rng.random() < 0.5 else ["Hill logger 2, two inputs", "range automatic"]
    lines.append(str(head).format(u=unit, m=mark))
    digits = 4 if rng.random() < 0.5 else 3
    for t, (c, d) in zip((time * scale).tolist(), table.tolist(), strict=True):
        lines.append(f"{t:.6g}{mark}{c:.{digits}f}{mark}{d:.{digits}f}" if t < 1e3 else
                     f"{t:.4f}{mark}{c:.{digits}f}{mark}{d:.{digits}f}")  # fmt: skip
    return ("\n".join(lines) + "\n").encode()


def _events(time: Floats, table: Floats) -> list[tuple[float, int, int]]:
    """Each change: when, which channel, and to what level; at first both channels."""
    out = [(float(time[0]), c, int(table[0, c])) for c in (0, 1)]
    where, channel = np.nonzero(np.diff(table, axis=0))
    out += [(float(time[k + 1]), int(c), int(table[k + 1, c]))
            for k, c in zip(where.tolist(), channel.tolist(), strict=True)]  # fmt: skip
    return out


def _vcd(time: Floats, table: Floats, rng: Rng) -> bytes:
    """IEEE 1364, section on value change dumps, as pyvcd writes it."""
    from vcd import VCDWriter

    unit, per = [("1 us", 1e6), ("10 us", 1e5), ("1 ns", 1e9)][int(rng.integers(3))]
    text = io.StringIO()
    with VCDWriter(text, timescale=unit, date="") as out:
        wires = [out.register_var("hut", name, "wire", size=1) for name in ("clock", "data")]
        for at, channel, level in _events(time, table):
            out.change(wires[channel], round(at * per), level)
    return text.getvalue().encode()


def _text_of_events(kind: str, time: Floats, table: Floats) -> bytes:
    if kind == "edges":
        lines = ["time,channel,value"]
        lines += [f"{t:.6f},{('clock', 'data')[c]},{v}" for t, c, v in _events(time, table)]
    else:
        lines = ["time,clock,data"]
        changed = np.append(True, (np.diff(table, axis=0) != 0).any(axis=1))
        lines += [f"{t:.6f},{c:.0f},{d:.0f}" for t, (c, d) in
                  zip(time[changed].tolist(), table[changed].tolist(), strict=True)]  # fmt: skip
    return ("\n".join(lines) + "\n").encode()


def write(rec: Recorder, m: Machine, r: Run, rng: Rng) -> dict[str, bytes]:
    """The log as one file, by name."""
    time, table = _sampled(rec, m, r)
    kind = rec.kind
    if kind == "vcd":
        return {"player.vcd": _vcd(time, table, rng)}
    if kind in ("edges", "changes"):
        return {"player.csv": _text_of_events(kind, time, table)}
    if kind.startswith("csv"):
        return {"player.csv": _csv(kind, time, table, rng)}
    out = io.BytesIO()
    if kind.startswith("wav"):
        import soundfile

        # a sound card's range is its own: the levels fill three quarters of it
        low, high = rec.span
        sound = ((table - low) / (high - low) * 2 - 1) * 0.75
        form = "FLOAT" if kind == "wav-float" else str(rng.choice(["PCM_16", "PCM_24"]))
        soundfile.write(out, sound, int(rec.rate), format="WAV", subtype=form)
        return {"player.wav": out.getvalue()}
    name = "player.npy"
    if kind == "npy":
        np.save(out, np.column_stack([time, table]).astype(np.float64))
    elif kind == "npy-ms":
        rows = np.zeros(len(time), [("time_ms", "f8"), ("clock", "f4"), ("data", "f4")])
        rows["time_ms"], rows["clock"], rows["data"] = time * 1e3, table[:, 0], table[:, 1]
        np.save(out, rows)
    else:
        # only the file's name tells the rate
        name = f"player-{rec.rate:.0f}Hz.npy"
        counts = rec._counts(table).astype(np.uint16) if kind == "npy-counts" else table
        np.save(out, counts.astype(np.uint8 if rec.digital else np.uint16))
    return {name: out.getvalue()}
