"""A player that logs what its detectors see: a simulator that shares no code with the reader.

The disc turns with drift and flutter; a spot of light of some size crosses round holes, so pulses
have slopes; the stage moves from row to row while the clock row goes on. Holes read low unless
said otherwise. Noise is white and Gaussian.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass
class Machine:
    rate: float = 4000.0
    rpm: float = 12.0
    stage: float = 0.8
    settle: float = 0.2
    row_start: str = "index"
    clock_width: float = 0.32  # of a position
    data_width: float = 0.36
    spot: float = 0.08  # slopes of a pulse, in positions
    high: float = 3.3
    low: float = 0.4
    noise: float = 0.0
    clock_noise: float | None = None
    drift: float = 0.0
    flutter: float = 0.0
    delay: float = 0.0  # of the data detector, in positions
    before: float = 0.0  # positions that pass before the first row begins
    cut: float = 0.0  # positions cut off at the start of the log
    after: float = 0.0
    passes: int = 1
    missing: float = 0.0  # chance that up to three clock pulses are gone
    doubled: float = 0.0
    ambient: float = 0.0  # slow change of light, in volts
    seed: int = 0


def record(grid: np.ndarray, m: Machine) -> np.ndarray:
    """Volts of the clock and the data detector, shape (samples, 2), float32."""
    rng = np.random.default_rng(m.seed)
    rows, n = grid.shape
    t_pos = 60 / (m.rpm * n)
    turn = 60 / m.rpm
    longest = (rows * (m.passes + 1 + np.ceil((m.stage + m.settle) / turn)) + 2) * turn
    t = np.arange(0, longest * (1 + m.drift) * 1.1 + (m.before + m.after) * t_pos, 1 / m.rate)
    # speed: a slow wander by `drift` from end to end of its range, a flutter once a turn
    wander = m.drift / 2 * np.sin(2 * np.pi * (t / longest * rng.uniform(0.3, 1.2) + rng.random()))
    phase = np.cumsum((1 + wander) / t_pos) / m.rate
    if m.flutter:
        where = rng.uniform(0, 2 * np.pi)
        swing = m.flutter * n / (2 * np.pi)
        phase = phase + swing * (np.sin(2 * np.pi * phase / n + where) - np.sin(where))
    phase = phase - 0.5 - m.before
    place = np.zeros(len(t))  # of the stage, in rows
    begin = 0.0
    stop = len(t)
    for r in range(rows):
        end = begin + n * m.passes
        at = int(np.searchsorted(phase, end - 0.5))
        if r == rows - 1:
            stop = int(np.searchsorted(phase, end - 0.5 + m.after))
            break
        there = at + round(m.stage * m.rate)
        rest = there + round(m.settle * m.rate)
        place[at:there] = r + np.linspace(0, 1, there - at)
        place[there:] = r + 1
        now = phase[rest]
        begin = np.ceil((now - 1e-9) / n) * n if m.row_start == "index" else np.ceil(now)
    first = int(np.searchsorted(phase, phase[0] + m.cut))
    phase, place = phase[first:stop], place[first:stop]

    def pulse(x: np.ndarray, width: float) -> np.ndarray:
        away = np.abs(x - np.rint(x))
        return np.clip((width / 2 + m.spot / 2 - away) / m.spot, 0, 1)

    count = np.rint(phase).astype(int)
    base = count.min()
    clock = pulse(phase, m.clock_width)
    total = count.max() - base + 1
    gone = np.zeros(total, bool)
    if m.missing:
        k = 4
        while k < total - 4:
            if rng.random() < m.missing:
                run = int(rng.integers(1, 4))
                gone[k : min(k + run, total - 4)] = True
                k += run + 1
            k += 1
    clock = clock * ~gone[count - base]
    if m.doubled:
        twice = rng.random(total) < m.doubled
        off = rng.uniform(0.36, 0.5, total)
        x = phase - count - off[count - base]
        clock = np.maximum(clock, np.clip((0.07 - np.abs(x)) / 0.02, 0, 1) * twice[count - base])
    seen = np.rint(phase - m.delay).astype(int) % n
    row = np.floor(place).astype(int)
    part = place - row
    below = np.minimum(row + 1, rows - 1)

    def reach(away: np.ndarray) -> np.ndarray:
        return np.clip((0.3 - np.abs(away)) / 0.1, 0, 1)

    hole = grid[row, seen] * reach(part) + grid[below, seen] * reach(1 - part)
    data = pulse(phase - m.delay, m.data_width) * np.clip(hole, 0, 1)
    light = m.ambient * np.sin(2 * np.pi * np.arange(len(phase)) / (m.rate * 7.3))
    out = np.stack([clock, data], axis=1) * (m.low - m.high) + m.high + light[:, None]
    sigma = np.array([m.noise if m.clock_noise is None else m.clock_noise, m.noise])
    return (out + sigma * rng.standard_normal(out.shape)).astype(np.float32)
