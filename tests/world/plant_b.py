"""The machine in the time domain: motor, belt, disc, stage, lamp, detector, amplifier.

Angle is counted in positions: k grows by one a position. The model, and where its ranges are from:

- Motor and belt: dk/dt = rate (1 + drift) (1 + f1 sin(turn) + f2 sin(gear) + slow noise), times a
  factor below one while the belt slips or something holds the disc. Flutter to 5 %, drift to 20 %:
  the task. Slow noise is an Ornstein-Uhlenbeck process of 0.1 to 3 s: common model of friction.
- Disc: clock and data holes lie off their places by the drill's error; the disc runs off centre
  by 0 to 0.3 mm and wobbles (from memory).
- Controller: as documented in the design ("Time"), but it counts real clock pulses.
- Stage: smooth moves between rows; it rests 0 to 15 % of a hole beside its row.
- Optics: a round spot of even light on a round hole. The share that falls through is the area of
  the lens of two circles over the spot's (geometry). Material returns its reflectance, a hole
  2 to 20 % of it, because something lies behind the disc (from memory).
- Detector: signal = lamp (reflected) + ambient; photodiode currents add (textbook). A first-order
  low-pass, white noise, and hard rails at the supply.

Hole = low, as in the design.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from sonify import Disc
from tests.world.disc_b import radii

Rng = np.random.Generator
Reals = NDArray[np.float64]
Hold = tuple[float, float, float]


def lens(distance: Reals, hole: float, spot: float) -> Reals:
    """The share of a round spot that falls on a round hole whose centre is `distance` away."""
    a, b = hole / 2, spot / 2
    d = np.clip(np.linspace(0, a + b, 400), 1e-9, None)
    ca = np.clip((d**2 + a**2 - b**2) / (2 * d * a), -1, 1)
    cb = np.clip((d**2 + b**2 - a**2) / (2 * d * b), -1, 1)
    root = np.maximum((-d + a + b) * (d + a - b) * (d - a + b) * (d + a + b), 0)
    area = a**2 * np.arccos(ca) + b**2 * np.arccos(cb) - 0.5 * np.sqrt(root)
    area = np.where(d <= abs(a - b), np.pi * min(a, b) ** 2, area) / (np.pi * b**2)
    return np.interp(distance, d, area, right=0.0)


@dataclass
class Channel:
    """A lamp, a detector and its amplifier. Volts; 1 is the light that clean material returns."""

    spot: float = 1.0  # mm
    aside: float = 0.0  # mm, off the row's radius
    residue: float = 0.1
    gain: float = 3.5
    offset: float = 0.2
    supply: float = 5.0
    tau: float = 0.0  # s
    recovery: float = 0.0  # s, after saturation
    noise: float = 0.01  # V
    grain: float = 0.02
    ambient: float = 0.0
    hum: float = 0.0  # light, at twice the mains frequency
    lamp_hum: float = 0.0  # share of the lamp's light
    sag: float = 0.0  # share of the lamp's light lost over the reading
    events: list[tuple[str, float, float, float]] = field(default_factory=list)

    @property
    def middle(self) -> float:
        """The threshold half-way between clean material and a full hole."""
        return self.offset + self.gain * (1 + self.residue) / 2 + self.gain * self.ambient

    @property
    def swing(self) -> float:
        return self.gain * (1 - self.residue)


@dataclass
class Plant:
    """A machine and the disc on it, with all that may be wrong with it."""

    disc: Disc
    holes: NDArray[np.bool_]
    rpm: float
    row_start: str
    stage: float
    settle: float
    rng: Rng
    data: Channel = field(default_factory=Channel)
    clock: Channel = field(default_factory=Channel)
    way: int = 1
    believed: dict[str, Any] = field(default_factory=dict)
    # motor
    drift: Reals = field(default_factory=lambda: np.zeros(8))  # at even places of the reading
    flutter: float = 0.0
    gear: float = 0.0
    gear_teeth: int = 7
    wander: tuple[float, float] = (0.0, 1.0)  # share, s
    holds: list[Hold] = field(default_factory=list)  # row + share of its turn, positions, factor
    pauses: dict[int, float] = field(default_factory=dict)  # after a row, s
    spin_up: float = 0.0
    lead: float = 0.6  # turns before the reading
    # disc
    clock_open: NDArray[np.bool_] = field(default_factory=lambda: np.ones(1, bool))
    clock_extra: list[float] = field(default_factory=list)
    clock_error: Reals = field(default_factory=lambda: np.zeros(1))
    hole_error: Reals = field(default_factory=lambda: np.zeros((1, 1)))
    eccentric: tuple[float, float] = (0.0, 0.0)  # mm, place in turns
    warp: tuple[float, float, int] = (0.0, 0.0, 1)  # share of light, place, times a turn
    # stage
    order: list[int] = field(default_factory=list)
    rest: Reals = field(default_factory=lambda: np.zeros(1))  # mm beside each row
    travel: float = 0.6  # share of stage + settle that a move lasts
    latency: float = 0.0  # s before a move begins, negative: early
    latency_rows: set[int] | None = None
    # clock detector
    misaligned: float = 0.0  # data detector sees a hole so many positions later
    loose: list[tuple[float, float]] = field(default_factory=list)  # share of reading, positions
    rattle: float = 0.0
    contact: list[tuple[float, float]] = field(default_factory=list)  # shares of the reading

    @property
    def positions(self) -> int:
        return self.disc.positions

    @property
    def rows(self) -> int:
        return self.disc.rows

    @property
    def position_s(self) -> float:
        return 60 / (self.rpm * self.positions)


@dataclass
class Run:
    """What happened: signals in volts at `rate` samples per second, and the truth."""

    rate: float
    data: Reals
    clock: Reals
    sampled: Reals  # s, when the player samples each (row, position as it believes)
    passage: float  # s that the spot needs to cross a hole, on average
    begin: float
    end: float

    @property
    def time(self) -> Reals:
        return np.arange(len(self.data)) / self.rate


def _motion(p: Plant, seconds: float, reading: float, rate: float) -> tuple[Reals, Reals]:
    n = int(seconds * rate)
    t = np.arange(n) / rate
    lead = p.lead * 60 / p.rpm
    place = np.linspace(0, 1, len(p.drift))
    base = (1 + np.interp((t - lead) / reading, place, p.drift)) / p.position_s
    if p.spin_up:
        base = base * -np.expm1(-t / p.spin_up)
    keep = np.exp(-1 / (rate * p.wander[1]))
    kicks = p.rng.standard_normal(n) * np.sqrt(1 - keep**2) * p.wander[0]
    base = base * np.maximum(1 + lfilter([1.0], [1, -keep], kicks), 0.2)
    a, b = p.rng.uniform(0, 2 * np.pi, 2)
    k0 = p.rng.uniform(0, p.positions)
    k = k0 + np.cumsum(base) / rate
    turn = 2 * np.pi / p.positions
    for _ in range(2):
        wave = p.flutter * np.sin(turn * k + a) + p.gear * np.sin(turn * p.gear_teeth * k + b)
        k = k0 + np.cumsum(base * (1 + wave)) / rate
    return t, k


def _held(p: Plant, t: Reals, k: Reals, rate: float, starts: list[float]) -> Reals:
    """Slow the disc by a factor for a while, as belts and fingers do; later angles follow."""
    speed = np.diff(k, prepend=k[0])
    for place, positions, factor in p.holds:
        row = min(int(place), len(starts) - 1)
        begin = starts[row] + (place - int(place)) * p.positions * p.position_s
        speed[(t >= begin) & (t < begin + positions * p.position_s)] *= factor
    return k[0] + np.cumsum(speed)


def _control(p: Plant, t: Reals, k: Reals) -> tuple[list[float], Reals, list[float]]:
    """Row by row: the counted k at which each row begins, when it ends, and when rows start."""
    grow = k + np.arange(len(k)) * 1e-9  # a stopped disc has no one time for an angle

    def when(count: float | Reals) -> Any:
        return np.interp(count, grow, t, right=np.inf)

    n = p.positions
    marks = np.sort(np.concatenate((np.flatnonzero(p.clock_open), p.clock_extra)))
    if p.way < 0:
        marks = np.sort(-marks % n)
    per_turn = len(marks)

    def counted(first: float, pulses: int) -> float:
        """The k of the last of so many pulses from `first` on."""
        turns, at = divmod(first, n)
        i = int(np.searchsorted(marks, at - 1e-6)) + pulses - 1
        return float((turns + i // per_turn) * n + marks[i % per_turn])

    firsts, ends, starts = [], [], []
    ready = p.lead * n + k[0] if not p.spin_up else p.lead * n + k[0] + n
    at = float(np.ceil(ready / n) * n)
    for row in range(p.rows):
        firsts.append(at)
        starts.append(float(when(at)))
        last = counted(at, n)
        end = float(when(last))
        ends.append(end)
        pause = p.pauses.get(row, 0.0)
        if p.row_start == "index":
            whole = max(float(when(at + n)), end)
            ready_t = whole + p.stage + p.settle + pause
            at = float(np.ceil(np.interp(ready_t, t, k) / n - 1e-9) * n)
        else:
            at = float(np.floor(np.interp(end + p.stage + p.settle + pause, t, k)) + 1)
    return firsts, np.array(ends), starts


def _stage(p: Plant, t: Reals, ends: Reals, starts: list[float]) -> Reals:
    """The radius under the data detector, mm."""
    places = radii(p.disc)
    order = [min(max(r, 0), p.rows - 1) for r in p.order]
    sign = np.sign(places[-1] - places[0]) if p.rows > 1 else 1.0
    extra = np.array(p.order) - np.array(order)
    pitch = abs(places[1] - places[0]) if p.rows > 1 else 0.0
    # a stage that missed a step may rest beyond the last row, on blank material
    target = places[order] + sign * extra * pitch + p.rest
    x = np.full(len(t), target[0])
    move = p.stage + p.settle
    for row in range(p.rows - 1):
        late = p.latency if p.latency_rows is None or row in p.latency_rows else 0.0
        begin = ends[row] + min(0.35 * p.position_s, 0.2 * move) + late
        lasts = max(p.travel * move, 1e-3)
        i = int(np.searchsorted(t, begin))
        part = np.clip((t[i:] - begin) / lasts, 0, 1)
        x[i:] = x[i] + (target[row + 1] - x[i]) * part**2 * (3 - 2 * part) if i < len(t) else x[i:]
    return x


def _seen(p: Plant, c: Channel, q: Reals, x: Reals, clock: bool) -> Reals:
    """The share of the spot that falls through holes."""
    g = p.disc.geometry
    assert g is not None
    n = p.positions
    e, at = p.eccentric
    swing = 2 * np.pi * (q / n - at)
    radial, tangential = x + c.aside + e * np.cos(swing), e * np.sin(swing)
    mm = 2 * np.pi / n * x  # along the row per position
    low = np.floor(q)
    out = np.zeros(len(q))
    table = np.linspace(0, (g.hole_diameter + c.spot) / 2, 256)
    shares = lens(table, g.hole_diameter, c.spot)

    def add(centre: Reals, off: Reals | float, is_open: Any) -> None:
        d = np.hypot((q - centre) * mm + tangential, off)
        out.__iadd__(np.interp(d, table, shares, right=0.0) * is_open)

    for near in (low, low + 1):
        place = near.astype(np.int64) % n
        if clock:
            add(near + p.clock_error[place], radial - g.clock_radius, p.clock_open[place])
            continue
        places = radii(p.disc)
        step = places[1] - places[0] if p.rows > 1 else -1.0
        row = np.floor((radial - places[0]) / step)
        for r in (row, row + 1):
            inside = (r >= 0) & (r < p.rows)
            i = np.clip(r, 0, p.rows - 1).astype(np.int64)
            off = radial - (places[0] + step * r)
            add(near + p.hole_error[i, place], off, p.holes[i, place] & inside)
    if clock:
        for extra in p.clock_extra:
            add(np.round((q - extra) / n) * n + extra, radial - g.clock_radius, 1.0)
    beyond = (radial > g.outer_diameter / 2) | (radial < g.bore_diameter / 2)
    return np.where(beyond, 1.0, np.minimum(out, 1.0))


def _volts(
    p: Plant, c: Channel, t: Reals, q: Reals, share: Reals, begin: float, end: float
) -> Reals:
    """Light to volts: reflectance, lamp, ambient, amplifier, filter, noise, rails."""
    rate = 1 / (t[1] - t[0])
    done = np.clip((t - begin) / max(end - begin, 1e-9), -0.5, 1.5)
    grain = np.interp(q % 256, np.arange(257), p.rng.standard_normal(257)) * c.grain
    depth, at, times = p.warp
    lift = 1 - depth * (0.5 + 0.5 * np.cos(2 * np.pi * times * (q / p.positions - at))) ** 2
    mains = 2 * np.pi * 100 * (1 + p.rng.normal(0, 5e-4)) * t + p.rng.uniform(0, 6)
    lamp = (1 - c.sag * done) * (1 + c.lamp_hum * np.sin(mains))
    ambient = c.ambient + c.hum * (1 + np.sin(mains))
    dead = np.zeros(len(t))
    stuck: list[tuple[Any, float]] = []
    for kind, since, until, value in c.events:
        on = (t >= begin + since * (end - begin)) & (t < begin + until * (end - begin))
        if kind == "lamp":
            lamp = np.where(on, lamp * value, lamp)
        elif kind == "ambient":
            ambient = ambient + on * value
        elif kind == "stuck":
            stuck.append((on, value))
        elif kind == "dead":
            dead = dead + on
            stuck.append((on, value))
    light = lamp * lift * ((1 + grain) * (1 - share) + c.residue * share) + ambient
    v = c.offset + c.gain * light
    for on, value in stuck:
        v = np.where(on, value, v)
    rail = c.supply - 0.1
    if c.recovery:
        v = _recovering(v, rail, c.recovery, rate)
    if c.tau > 0:
        a = -np.expm1(-1 / (rate * c.tau))
        v = lfilter([a], [1, a - 1], v - v[0]) + v[0]
    noise = p.rng.standard_normal(len(t)) * c.noise
    for on, value in stuck:
        if value in (0.0, c.supply):
            noise = np.where(on, 0.002 * noise / max(c.noise, 1e-9), noise)
    return np.clip(v + noise, 0.02, rail)


def _recovering(v: Reals, rail: float, tau: float, rate: float) -> Reals:
    """An overdriven amplifier stores charge, and its output falls only as fast as that leaks."""
    a = np.exp(-1 / (rate * tau))
    peak = np.minimum(np.maximum(v, 0), 4 * rail)
    out = lfilter([1 - a], [1, -a], peak - peak[0]) + peak[0]
    return np.where(v > rail, v, np.maximum(v, np.minimum(out, rail)))


def run(p: Plant, rate: float) -> Run:
    """Let the machine read the disc, logged at `rate` samples per second."""
    n, turn = p.positions, 60 / p.rpm
    move = p.stage + p.settle
    wait = np.ceil(move / turn + 0.1) + 0.2 if p.row_start == "index" else move / turn
    reading = turn * p.rows * (1 + wait) + sum(p.pauses.values())
    held = sum(h[1] for h in p.holds) * p.position_s
    seconds = (reading * 1.5 + (p.lead + 4) * turn + 2 * held + 4 * p.spin_up) * 1.2
    while True:
        t, k = _motion(p, seconds, reading, rate)
        if p.holds:
            k = _held(p, t, k, rate, _control(p, t, k)[2])
        firsts, ends, starts = _control(p, t, k)
        if np.isfinite(ends[-1]):
            break
        seconds *= 1.6
        if seconds > 20 * reading + 100:
            raise RuntimeError("the reading never ends")
    begin, end = starts[0], float(ends[-1])
    cut = min(len(t), int((end + p.rng.uniform(0.02, 1.0) * turn) * rate) + 1)
    t, k = t[:cut], k[:cut]
    q = p.way * k
    x = _stage(p, t, ends, starts)
    g = p.disc.geometry
    assert g is not None
    place = (t - begin) / (end - begin)
    shake = np.zeros(len(t))
    for since, offset in p.loose:
        shake = np.where(place >= since, offset, shake)
    if p.rattle:
        shake = shake + p.rattle * np.sin(2 * np.pi * 3.3 * k / n + 1)
    seen = _seen(p, p.clock, q - p.way * shake, np.full(len(t), g.clock_radius), True)
    clock = _volts(p, p.clock, t, q, seen, begin, end)
    for since, until in p.contact:
        clock = np.where((place >= since) & (place < until), 0.02 + 0.01 * clock, clock)
    seen = _seen(p, p.data, q - p.way * p.misaligned, x, False)
    data = _volts(p, p.data, t, q, seen, begin, end)
    # the player samples when a clock hole passes, at a fixed delay that suits its data detector
    grow = k + np.arange(len(k)) * 1e-9
    counts = np.array(firsts)[:, None] + np.arange(n)
    error = p.clock_error[(p.way * counts).astype(np.int64) % n] * p.way
    sampled = np.interp(counts + error, grow, t)
    sampled = np.interp(counts + error + np.interp(sampled, t, shake), grow, t)
    delay = p.misaligned * p.position_s + p.data.tau - p.clock.tau
    order = (counts.astype(np.int64) % n).argsort(axis=1)
    sampled = np.take_along_axis(sampled, order, axis=1) + max(delay, -turn)
    mean_r = float(np.abs(radii(p.disc)).mean())
    passage = (g.hole_diameter + p.data.spot) / (2 * np.pi * mean_r) * turn
    return Run(rate, data, clock, sampled, min(passage, p.position_s), begin, end)


def decode(r: Run, disc: Disc, threshold: float) -> NDArray[np.int8]:
    """The bits of an ideal decoder: the mean over the middle of each hole against a threshold."""
    high = (r.data > threshold + 0.0).astype(float) if threshold < 0 else r.data
    total = np.concatenate(([0.0], np.cumsum(high)))
    half = 0.22 * r.passage
    i = np.clip(np.rint((r.sampled - half) * r.rate), 0, len(high) - 1).astype(int)
    j = np.clip(np.rint((r.sampled + half) * r.rate), i + 1, len(high)).astype(int)
    hole = (total[j] - total[i]) / (j - i) < threshold
    means = disc.layout.hole_means
    return np.where(hole, means, 1 - means).astype(np.int8)
