"""A disc player as a mechanism: motor, stage, optics and electronics, in that order.

Angle. Let u be the disc's angle in positions, 0 where position 0 of the first row read is under
the detectors. du/dt = N rpm / 60 * (1 + slow drift + flutter); t(u) is the integral of its inverse,
plus a jump where the disc is held. Flutter is sinusoids once a turn (an eccentric pulley) and at
the belt's own period, as IEC 60386 describes it for turntables; drift is the slow part of the same.
Jitter is a narrow-band wobble of u that both detectors see; each hole is besides cut a little off
its place, which only its own detector sees.

Control. The player counts clock holes. Row r begins at u_r and takes N positions. After it the
stage moves (raised cosine, no jerk at either end) and settles; the next row begins at the next
multiple of N ("index") or at the next whole u ("next-position").

Optics. A detector sees a uniform round spot of radius b. A hole of radius a whose centre is D
away takes the share lens(D, a, b) / (pi b^2) out of the light thrown back, where lens is the area
common to two circles (elementary geometry). Solid material throws back unevenly (grain of the
wood: a few per cent, fixed to the disc). A disc that is not flat comes nearer and goes away once a
turn, and the light thrown back with it, to first order in the distance.

Electronics. V = low + (high - low) * light + ambient light + hum at twice the mains frequency
(lamps flash on each half wave), through a first-order low pass, clipped at the rails, plus white
noise (thermal and shot noise), quantised by the recorder. SNR is 20 log10(swing / rms noise). A
comparator has hysteresis (a Schmitt trigger).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

FINE = 24  # points of the table t(u) for each position


@dataclass
class Machine:
    """What the machine really is. Lengths in mm, times in s, voltages in V, angles in positions."""

    rpm: float
    row_start: str
    stage: float
    settle: float
    positions: int
    radii: np.ndarray  # of the data rows
    clock_radius: float
    hole: float  # diameter
    holes: np.ndarray  # (rows, positions), 1 where the disc has a hole
    # angle
    lead: float = 1.0
    tail: float = 1.0
    drift: float = 0.0
    drift_shape: float = 1.0
    flutter: float = 0.0
    belt_ratio: float = 2.7
    jitter: float = 0.0
    cut: float = 0.0  # rms error of a hole's place along the row, mm
    holds: list[tuple[float, float]] = field(default_factory=list)  # (u, s)
    forward: bool = True
    # stage
    stops: np.ndarray = field(default_factory=lambda: np.zeros(0))  # radius of each pass
    starts_early: float = 0.0  # positions; below 0 is late
    stage_slow: float = 1.0
    # optics
    spot: float = 1.0  # diameter
    grain: float = 0.02
    warp: float = 0.0
    warp_angle: float = 0.0
    clock_depth: np.ndarray = field(default_factory=lambda: np.ones(0))  # of each clock hole
    clock_extra: list[tuple[float, float]] = field(default_factory=list)  # (place in turn, depth)
    delay: float = 0.0  # how much later the data detector stands
    loose: np.ndarray = field(default_factory=lambda: np.zeros(0))  # shift of clock, per knot
    lamp_off_at: float = np.inf  # u
    # electronics; index 0 clock, 1 data
    low: tuple[float, float] = (0.4, 0.4)
    high: tuple[float, float] = (3.0, 3.0)
    snr: float = 30.0
    ambient: float = 0.0  # share of the swing
    ambient_from: float = -np.inf
    ambient_ramp: float = 0.0
    hum: float = 0.0
    mains: float = 50.0
    lag: tuple[float, float] = (0.0, 0.0)  # time constants of the filters, positions
    gain: float = 1.0  # of the data amplifier, about its low level
    rail: float = 5.0
    recovery: float = 0.0  # positions
    threshold: tuple[float, float] = (0.5, 0.5)  # share of the swing
    hysteresis: float = 0.1
    dead_at: float = np.inf
    dead_level: float = 0.0
    quiet: bool = False  # no noise on a dead line
    drops: list[tuple[float, float]] = field(default_factory=list)  # (u, positions)


@dataclass
class Trace:
    """What the recorder gets, and what the machine itself makes of it."""

    time: np.ndarray
    volts: np.ndarray  # (samples, 2), clock and data
    logic: np.ndarray  # (samples, 2), bool, True where the comparator sees a hole
    kept: np.ndarray  # bool
    bits: np.ndarray  # (rows, positions), 1 where the machine reads a hole, -1 where lost
    starts: np.ndarray  # u of each row's first position
    row_time: np.ndarray  # when that is


def lens(distance: np.ndarray, a: float, b: float) -> np.ndarray:
    """The area common to two circles of radii a and b, as a share of the second one's."""
    d = np.clip(distance, max(abs(a - b), 1e-9), a + b)
    first = np.clip((d * d + a * a - b * b) / (2 * d * a), -1, 1)
    second = np.clip((d * d + b * b - a * a) / (2 * d * b), -1, 1)
    kite = np.sqrt(np.clip((-d + a + b) * (d + a - b) * (d - a + b) * (d + a + b), 0, None))
    area = a * a * np.arccos(first) + b * b * np.arccos(second) - kite / 2
    return np.where(distance >= a + b, 0.0, area / (np.pi * b * b))


def _wobble(rng: np.random.Generator, u: np.ndarray, rms: float, knots: float) -> np.ndarray:
    """A smooth random function of u with so many knots a position."""
    n = int((u[-1] - u[0]) * knots) + 4
    return np.interp(u, u[0] + np.arange(n) / knots, rms * rng.standard_normal(n))


def _times(m: Machine, u: np.ndarray, whole: float, rng: np.random.Generator) -> np.ndarray:
    """t(u), without jitter."""
    n = m.positions
    progress = np.clip(u / whole, 0, 1)
    slow = m.drift * (progress**m.drift_shape - 0.5)
    phase = rng.uniform(0, 2 * np.pi, 2)
    fast = m.flutter * (
        0.7 * np.sin(2 * np.pi * u / n + phase[0])
        + 0.3 * np.sin(2 * np.pi * u * m.belt_ratio / n + phase[1])
    )
    slowness = 60 / (m.rpm * n) / ((1 + slow) * (1 + fast))
    for at, seconds in m.holds:
        slowness = slowness + seconds / 0.25 * (np.abs(u - at) < 0.125)
    return np.concatenate(([0.0], np.cumsum((slowness[1:] + slowness[:-1]) / 2 * np.diff(u))))


def _passes(m: Machine, u: np.ndarray, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """u of each row's first position, and when the stage begins to move after each row."""
    n, rows = m.positions, len(m.radii)
    starts, moves = np.zeros(rows), np.zeros(rows)
    at = 0.0
    for r in range(rows):
        starts[r] = at
        last = at + n - (m.row_start == "next-position")
        done = np.interp(last, u, t)
        moves[r] = np.interp(last - m.starts_early, u, t)
        ready = np.interp(done + m.stage + m.settle, t, u) - 1e-6
        at = np.ceil(ready / n) * n if m.row_start == "index" else np.floor(ready) + 1
    return starts, moves


def _stage(m: Machine, t: np.ndarray, moves: np.ndarray) -> np.ndarray:
    """The radius that the data detector looks at."""
    out = np.full(len(t), m.stops[0])
    for r in range(len(m.stops) - 1):
        long = max(m.stage * m.stage_slow, 1e-6)
        part = np.clip((t - moves[r]) / long, 0, 1)
        out += (m.stops[r + 1] - m.stops[r]) * (0.5 - 0.5 * np.cos(np.pi * part))
    return out


def _row_light(m: Machine, u: np.ndarray, rho: np.ndarray, errors: np.ndarray) -> np.ndarray:
    """The share of the data detector's spot that lies over holes."""
    rows, n = m.holes.shape
    step = m.radii[1] - m.radii[0]
    j = np.floor((rho - m.radii[0]) / step).astype(int)
    k = np.round(u).astype(int)
    mm = 2 * np.pi * rho / n
    total = np.zeros(len(u))
    for row in (j, j + 1):
        on = (row >= 0) & (row < rows)
        safe = np.clip(row, 0, rows - 1)
        across = rho - m.radii[safe]
        for near in (k, k + np.where(u > k, 1, -1)):
            place = near % n if m.forward else -near % n
            hit = np.flatnonzero(on & (m.holes[safe, place] > 0))
            along = (u[hit] - near[hit]) * mm[hit] - errors[safe[hit], place[hit]]
            total[hit] += lens(np.hypot(along, across[hit]), m.hole / 2, m.spot / 2)
    return np.minimum(total, 1.0)


def _clock_light(m: Machine, u: np.ndarray, errors: np.ndarray) -> np.ndarray:
    n = m.positions
    k = np.round(u).astype(int)
    mm = 2 * np.pi * m.clock_radius / n
    total = np.zeros(len(u))
    for near in (k, k + np.where(u > k, 1, -1)):
        along = (u - near) * mm - errors[near % n]
        total += m.clock_depth[near % n] * lens(np.abs(along), m.hole / 2, m.spot / 2)
    for place, depth in m.clock_extra:
        away = (u - place + n / 2) % n - n / 2
        total += (
            depth * lens(np.abs(away) * mm, m.hole / 5, m.spot / 2) * (m.spot / m.hole)
        )  # a scratch or a chip: narrower than a hole
    return np.minimum(total, 1.0)


def low_pass(x: np.ndarray, samples: float) -> np.ndarray:
    """A first-order low pass with a time constant of so many samples."""
    if samples < 0.05:
        return x
    kernel = np.exp(-np.arange(int(8 * samples) + 2) / samples)
    kernel /= kernel.sum()
    padded = np.concatenate((np.full(len(kernel), x[0]), x))
    return np.convolve(padded, kernel)[len(kernel) : len(kernel) + len(x)]


def schmitt(volts: np.ndarray, threshold: float, half: float) -> np.ndarray:
    """True where the comparator sees a hole, which is low."""
    state = np.where(volts < threshold - half, 1, np.where(volts > threshold + half, 0, -1))
    state[0] = state[0] if state[0] >= 0 else int(volts[0] < threshold)
    known = np.maximum.accumulate(np.where(state >= 0, np.arange(len(state)), 0))
    return state[known] == 1


def run(m: Machine, rate: float, rng: np.random.Generator) -> Trace:
    """Let the machine read the disc, recorded at `rate` samples a second."""
    n, rows = m.positions, len(m.radii)
    T = 60 / (m.rpm * n)
    slots = (m.stage + m.settle) / T * 1.5 + sum(s for _, s in m.holds) / T
    each = n + (slots // n + 2) * n if m.row_start == "index" else n + slots + 2
    nominal = (m.stage + m.settle) / T
    turn = n + (np.ceil(nominal / n) * n if m.row_start == "index" else nominal)
    u = np.arange(-m.lead, rows * each + m.tail, 1 / FINE)
    t = _times(m, u, rows * turn, rng)
    starts, moves = _passes(m, u, t)
    row_time = np.interp(starts, u, t)
    end = np.interp(starts[-1] + n + m.tail, u, t)
    time = np.arange(int(end * rate)) / rate
    at = np.interp(time, t, u)
    at = at + _wobble(rng, at, m.jitter, 0.7)
    rho = _stage(m, time, moves)
    data_err = rng.normal(0, m.cut, (rows, n))
    clock_err = rng.normal(0, m.cut, n)
    loose = np.zeros(len(at))
    if len(m.loose):
        knots = np.linspace(at.min(), at.max() + 1e-6, len(m.loose))
        loose = m.loose[np.clip(np.searchsorted(knots, at) - 1, 0, len(m.loose) - 1)]
    lights = (_clock_light(m, at - loose, clock_err), _row_light(m, at - m.delay, rho, data_err))
    volts = np.empty((len(time), 2))
    logic = np.empty((len(time), 2), bool)
    for c, covered in enumerate(lights):
        swing = m.high[c] - m.low[c]
        grain = rng.standard_normal(n)
        fixed = 1 + m.grain * np.interp(at % n, np.arange(n + 1), np.append(grain, grain[0]))
        radius = m.clock_radius if c == 0 else rho
        away = m.warp * radius / m.radii.max() * np.cos(2 * np.pi * (at - m.warp_angle) / n)
        light = (1 - covered) * fixed * np.clip(1 - away, 0, None)
        if c == 1:
            light = np.where(at >= m.lamp_off_at, 0.0, light)
        since = np.clip(at - m.ambient_from, 0, None)
        added = m.ambient * np.where(at >= m.ambient_from, 1.0, 0.0)
        if m.ambient_ramp:
            added = m.ambient * np.clip(since / m.ambient_ramp, 0, 1)
        flash = m.hum * np.abs(np.sin(2 * np.pi * m.mains * time + 1.0))
        v = m.low[c] + swing * (light + added + flash)
        v = low_pass(v, m.lag[c] * T * rate)
        if c == 1 and m.gain != 1.0:
            v = np.clip(m.low[c] + m.gain * (v - m.low[c]), 0, m.rail)
            v = low_pass(v, m.recovery * T * rate)
        noise = swing / 10 ** (m.snr / 20) * rng.standard_normal(len(v))
        if c == 1 and np.isfinite(m.dead_at):
            v = np.where(at >= m.dead_at, m.dead_level, v)
            noise = np.where(at >= m.dead_at, noise * (0.02 if m.quiet else 0.5), noise)
        v = np.clip(v + noise, -0.05, m.rail)
        volts[:, c] = v
        level = m.low[c] + m.threshold[c] * swing
        logic[:, c] = schmitt(v, level, m.hysteresis * swing / 2)
    kept = np.ones(len(time), bool)
    for place, long in m.drops:
        kept &= ~((at >= place) & (at < place + long))
    bits = _machine_bits(m, volts[:, 1], kept, u, t, starts, loose, at, clock_err, rate)
    return Trace(time, volts, logic, kept, bits, starts, row_time)


def _machine_bits(m, v, kept, u, t, starts, loose, at, clock_err, rate):  # type: ignore[no-untyped-def]
    """What the machine reads, if it counts the clock without a mistake.

    It averages the data over a fifth of a position about the middle of the clock hole, as its
    detector sees it, and compares that with its threshold.
    """
    n, rows = m.positions, len(m.radii)
    where = starts[:, None] + np.arange(n)
    mm = 2 * np.pi * m.clock_radius / n
    shift = np.interp(where.ravel(), np.sort(at), loose[np.argsort(at)]).reshape(where.shape)
    middle = where + shift + clock_err[where.astype(int) % n] / mm
    order = np.maximum.accumulate(at)
    first = np.searchsorted(order, (middle - 0.1).ravel())
    last = np.maximum(np.searchsorted(order, (middle + 0.1).ravel()), first + 1)
    total = np.concatenate(([0.0], np.cumsum(v)))
    last = np.minimum(last, len(v))
    first = np.minimum(first, last - 1)
    mean = (total[last] - total[first]) / (last - first)
    level = m.low[1] + m.threshold[1] * (m.high[1] - m.low[1])
    whole = np.concatenate(([0], np.cumsum(kept)))
    lost = (whole[last] - whole[first]) == 0
    read = np.where(lost, -1, mean < level).astype(np.int8).reshape(rows, n)
    places = where.astype(int) % n
    out = np.empty_like(read)
    np.put_along_axis(out, places, read, axis=1)
    return out
