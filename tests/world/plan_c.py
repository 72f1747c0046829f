"""What one take is made from, and the run that turns it into voltages.

The machine waits for the index, reads a row position by position, moves its stage, and waits
again: see `_schedule`. It samples the data channel for at most a millisecond in the middle of
each clock pulse; a lost pulse is filled in where it would have come. `Run.bits` are those samples
against the machine's threshold.

Ranges without a source are common practice for hobby machines. Signal to noise is half the swing
between material and hole over the noise's rms, both before the recorder, in dB.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

import sonify
from tests.world.detector_c import Channel, Spot, compared, covered, spot, voltage
from tests.world.disc_c import places
from tests.world.motor_c import Drive, Motion, drive, turning

Reals = NDArray[np.float64]
Light = Callable[["Clockwork", Reals], Reals]

ANALOG = ("csv", "npy", "wav")
"""Kinds of file that hold voltages."""
LONGEST_S = 900.0
"""Takes are shorter than this, and have fewer samples than the number below, to bound the time that
a seed needs."""
MOST_SAMPLES = 1_200_000
_RATES = (50, 100, 200, 250, 500, 1000, 2000, 2500, 4000, 5000, 8000, 10_000, 16_000, 20_000)


@dataclass
class Plan:
    """A machine, its disc and its recorder, before it runs."""

    disc: sonify.Disc
    """The disc that should be read."""
    holes: NDArray[np.bool_]
    """What is cut, shape (rows, positions)."""
    clock_holes: NDArray[np.bool_]
    astray: Reals
    """By how many positions each hole is beside its place; the last row is the clock's."""
    rpm: float
    row_start: str
    stage_s: float
    settle_s: float
    settings: dict[str, Any]
    """What the maker believes."""
    drive: Drive
    targets: Reals
    """Where the stage stands for each reading, in mm from the centre."""
    move_s: float
    """How long the stage really moves."""
    clock: Channel
    data: Channel
    clock_spot: Spot
    data_spot: Spot
    azimuth: float
    """The data detector sees a position this many positions later than the clock detector."""
    narrow: float
    """The share of a position that the narrowest hole takes."""
    shake: float
    """Disc and both detectors shake against each other, in positions, rms, and over what length."""
    shake_length: float
    mains_hz: float
    warp: tuple[float, float]
    """Depth of the warp's loss of light, and its phase in turns."""
    lead: float
    """Turns from the log's start to the first row."""
    tail: float
    kind: str
    hysteresis: float
    """Half the gap between a comparator's thresholds, as a share of the swing."""
    hole_is_one: bool
    sense: int = 1
    lag_s: float = 0.0
    """More delay in the data channel."""
    threshold: float | None = None
    """As set in the machine, in V; None: the middle."""
    lights: list[Light] = field(default_factory=list)
    """More light on the data detector, in V, at some times."""
    gain: float = 1.0
    forced: Light | None = None
    """Voltages that replace the data channel's where they are not NaN."""
    loose: Light | None = None
    """How far the clock detector has moved, in positions."""
    pulses_lost: int = 0
    pulses_doubled: int = 0
    drops: int = 0
    drop_length: float = 0.0
    """Length of a recorder's gap, in positions."""
    holds: tuple[int, int] = (0, 0)
    """How often the belt holds the disc between rows and within rows."""
    rate_floor: float = 0.0
    conditions: dict[str, Any] = field(default_factory=dict)
    where: dict[str, Any] = field(default_factory=dict)

    @property
    def turn_s(self) -> float:
        """A turn at the speed that the maker believes, in s."""
        return 60.0 / self.rpm

    @property
    def position_s(self) -> float:
        """A position at that speed, in s."""
        return self.turn_s / self.disc.positions

    @property
    def middle(self) -> float:
        """The threshold that the machine uses, in V."""
        return self.data.middle if self.threshold is None else self.threshold


@dataclass
class Clockwork:
    """When what happens: known before the voltages."""

    motion: Motion
    starts: NDArray[np.int64]
    """The pass, counted from the log's first index, at which each row begins; shape (rows,)."""
    row_s: Reals
    """When, in s; shape (rows,)."""
    end_s: Reals
    """When each row has been read, in s."""


@dataclass
class Run:
    """A take's voltages and truth."""

    rate: float
    clock_v: Reals
    data_v: Reals
    passes_s: Reals
    """When each position of each row passes the clock detector; shape (rows, positions)."""
    bits: NDArray[np.int8]
    """What the machine reads, put back in its places."""
    work: Clockwork
    stage_mm: Reals


def plan(rng: np.random.Generator, disc: sonify.Disc, kind: str) -> Plan:
    """A cheap but healthy machine with a disc on it."""
    at = places(disc)
    n, rows = disc.positions, disc.rows
    analog = kind in ANALOG
    for _ in range(200):
        rpm = round(2.0 * 30.0 ** float(rng.random()), 1)
        row_start = str(rng.choice(["index", "next-position"], p=[0.7, 0.3]))
        stage = round(float(rng.uniform(0.15, 2.0)), 2)
        settle = round(float(rng.uniform(0.05, 0.6)), 2)
        turn = 60.0 / rpm
        turns = 1 + math.ceil((stage + settle) / turn) if row_start == "index" else 1
        if rows * (turns * turn + stage + settle) < LONGEST_S * 0.8:
            break
    snr_db = float(rng.uniform(12.0, 44.0) if analog else rng.uniform(22.0, 44.0))
    # the share of a position that the narrowest hole takes
    narrow = min(1.0, at.hole * n / (2 * math.pi * max(at.rows.max(), at.clock)))
    pole = 10 ** float(rng.uniform(0.65, 1.8)) * n * rpm / 60 * max(1.0, 0.4 / narrow)

    def channel() -> Channel:
        material = float(rng.uniform(1.5, 4.4))
        hole = material * float(rng.uniform(0.02, 0.35))
        swing = material - hole
        return Channel(
            material=material,
            hole=hole,
            noise=swing / 2 / 10 ** (snr_db / 20),
            pink=float(rng.uniform(0.0, 0.3)),
            pole_hz=pole * float(rng.uniform(0.9, 1.3)),
            poles=int(rng.integers(1, 3)),
            offset=float(rng.uniform(0.0, 0.08)) * swing,
            wander=float(rng.uniform(0.0, 0.05)) * swing * (rng.random() < 0.5),
            hum=float(rng.uniform(0.0, 0.07)) * swing * (rng.random() < 0.5),
            dull=float(rng.uniform(0.0, 0.05)),
        )

    pitch_mm = 2 * math.pi * at.rows.min() / n
    room = min(at.hole, pitch_mm - at.hole + 0.3 * at.hole)
    radius = room / 2 * float(rng.uniform(0.35, 1.0))
    bell = bool(rng.random() < 0.5)
    stage_error = min(0.08 * at.hole, 0.25) * float(rng.beta(1.2, 2.5))
    # how far holes are from their places and detectors from each other, in hole diameters
    cut_error = 0.06 * float(rng.beta(1.2, 2.5))
    mm = np.append(at.rows, at.clock)[:, None] * 2 * math.pi / n
    shake = 0.08 * float(rng.beta(1.0, 2.2))
    holds = (int(rng.integers(1, 4)), int(rng.integers(0, 3))) if rng.random() < 0.35 else (0, 0)
    hysteresis = max(3.0 / 2 / 10 ** (snr_db / 20), float(rng.uniform(0.04, 0.15)))
    return Plan(
        disc=disc,
        holes=disc.grid == disc.layout.hole_means,
        clock_holes=np.ones(n, np.bool_),
        astray=cut_error * at.hole / mm * np.clip(rng.standard_normal((rows + 1, n)), -2.5, 2.5),
        rpm=rpm,
        row_start=row_start,
        stage_s=stage * float(rng.uniform(0.985, 1.01)),
        settle_s=settle * float(rng.uniform(0.985, 1.01)),
        settings={"rpm": rpm, "row-start": row_start, "stage": stage, "settle": settle},
        drive=drive(rng),
        targets=at.rows + stage_error * rng.standard_normal(rows),
        move_s=stage * float(rng.uniform(0.6, 0.98)),
        clock=channel(),
        data=channel(),
        clock_spot=spot(radius * float(rng.uniform(0.8, 1.0)), bell, at.hole),
        data_spot=spot(radius, bell, at.hole),
        azimuth=float(rng.uniform(-0.14, 0.14)) * narrow,
        narrow=narrow,
        shake=shake,
        shake_length=float(rng.uniform(0.8, 3.0)),
        mains_hz=float(rng.choice([50.0, 60.0])) * (1 + float(rng.normal(0, 3e-4))),
        warp=(0.1 * float(rng.beta(1, 2)), float(rng.random())),
        lead=float(rng.uniform(0.05, 1.2)),
        tail=float(rng.uniform(0.1, 1.5)),
        kind=kind,
        hysteresis=hysteresis,
        hole_is_one=bool(rng.random() < 0.5),
        holds=holds,
        conditions={"snr_db": snr_db, "shake": shake, "cut_error": cut_error, "holds": holds},
    )


def _schedule(plan: Plan, motion: Motion) -> Clockwork:
    """When each row starts, from the player's own rule in "Time"."""
    n, rows = plan.disc.positions, plan.disc.rows
    wait = plan.stage_s + plan.settle_s
    starts, begin, end = [], [], []
    k = 0

    def when(k: float) -> float:
        return float(motion.when(np.array([plan.lead + k / n]))[0])

    for _ in range(rows):
        starts.append(k)
        begin.append(when(k))
        if plan.row_start == "index":
            ready = when(k + n) + wait
            end.append(when(k + n - 0.5))
            on = (float(motion.at(np.array([ready]))[0]) - plan.lead) * n
            k = n * math.ceil(on / n - 1e-9)
        else:
            ready = when(k + n - 1) + wait
            end.append(when(k + n - 0.5))
            on = (float(motion.at(np.array([ready]))[0]) - plan.lead) * n
            k = math.floor(on + 1e-9) + 1
    return Clockwork(motion, np.array(starts), np.array(begin), np.array(end))


def _stage(plan: Plan, work: Clockwork, t: Reals) -> Reals:
    """Where the data detector stands, in mm: smooth moves that ring a little."""
    out = np.full(len(t), plan.targets[0])
    for r in range(1, plan.disc.rows):
        far = plan.targets[r] - plan.targets[r - 1]
        after = t - work.end_s[r - 1]
        u = np.clip(after / plan.move_s, 0, 1)
        out += far * u * u * (3 - 2 * u)
        rest = after - plan.move_s
        near = (rest > 0) & (rest < 0.3)
        out[near] += 0.02 * far * np.exp(-rest[near] / 0.04) * np.sin(2 * math.pi * 22 * rest[near])
    return out


def _turn(rng: np.random.Generator, plan: Plan) -> Motion:
    turn, rows, n = plan.turn_s, plan.disc.rows, plan.disc.positions
    idle = math.ceil((plan.stage_s + plan.settle_s) / turn * max(1.0, plan.drive.speed) * 1.4) + 1
    whole = plan.lead + rows * (1 + idle) + plan.tail + 1
    if plan.row_start == "next-position":
        whole = (
            plan.lead
            + plan.tail
            + 1
            + rows
            * (1 + (plan.stage_s + plan.settle_s + 2 * turn / n) / turn * plan.drive.speed * 1.5)
        )
    turns_a_row = 1 + (idle - 1 if plan.row_start == "index" else 0)
    span = rows * (turns_a_row * turn + plan.stage_s) / plan.drive.speed
    step = min(turn / n / 8, 0.01, 0.08 / plan.drive.belt_hz)
    step = max(step, span / 150_000)
    between, within = plan.holds
    if between + within and not plan.drive.holds:
        # where rows end is known well enough from the speed that was set
        row_s = span / rows
        ends = row_s * np.arange(1, rows) + (plan.lead - 0.25) * turn
        at = [(float(x), float(rng.uniform(0.1, 0.4))) for x in rng.choice(ends, between)]
        at += [(float(x), float(rng.uniform(0.05, 0.2))) for x in rng.uniform(turn, span, within)]
        plan.drive.holds = at
    return turning(rng, plan.drive, turn, step, whole, span)


def rate_of(plan: Plan, rng: np.random.Generator, length_s: float) -> float:
    """A recorder's rate in Hz: a usual one with enough samples for each position."""
    digital = plan.kind in ("digital", "edges", "vcd")
    want = float(rng.uniform(30, 90) if digital else rng.uniform(14, 50)) / plan.position_s
    want *= max(1.0, 0.4 / plan.narrow)
    # loggers that write .wav files take a thousand samples a second or more
    want = max(want, plan.rate_floor, 1000.0 * (plan.kind == "wav"))
    most = (250_000 if plan.kind in ("csv", "digital") else MOST_SAMPLES) / length_s
    usual = [r for r in _RATES if r >= want] or [_RATES[-1]]
    fit = [r for r in usual if r <= most]
    return float(fit[0] if fit else max(5 / plan.narrow / plan.position_s, min(want, most)))


def run(rng: np.random.Generator, plan: Plan) -> Run:
    """Let the machine read the disc while the recorder runs."""
    disc, n = plan.disc, plan.disc.positions
    at = places(disc)
    work = _schedule(plan, motion := _turn(rng, plan))
    length = float(work.end_s[-1]) + plan.tail * plan.turn_s
    rate = rate_of(plan, rng, length)
    t = np.arange(int(length * rate)) / rate
    turns = motion.at(t) - plan.lead
    shake = _shake(rng, plan, turns)
    q = plan.sense * turns * n + shake
    stage = _stage(plan, work, t)

    phase = 2 * math.pi * (turns + plan.warp[1])
    # the loss of light where the surface leaves the distance for which the detector is made
    warp = 1 / (1 + plan.warp[0] * (1 - np.cos(phase)) / 2)
    clock_q = q if plan.loose is None else q + plan.loose(work, t)
    whole = np.vstack([plan.holes, plan.clock_holes])
    radii = np.append(at.rows, at.clock)
    clock_share = covered(
        plan.clock_spot,
        clock_q,
        np.full(len(t), at.clock),
        radii[-1:],
        whole[-1:],
        plan.astray[-1:],
    )
    clock_share *= _pulses(rng, plan, work, plan.sense * clock_q)
    data_q = q - plan.azimuth * plan.sense
    data_share = covered(plan.data_spot, data_q, stage, radii, whole, plan.astray)
    rim = disc.geometry.outer_diameter / 2  # type: ignore[union-attr]
    data_share = np.maximum(data_share, np.clip((stage - rim) / plan.data_spot.radius + 0.5, 0, 1))

    light: Reals = np.zeros(len(t))
    for one in plan.lights:
        light = light + one(work, t)
    grain = _grain(rng, plan, q, stage)
    clock_v = voltage(rng, plan.clock, clock_share, rate, plan.mains_hz, gain=warp**0.3)
    data_v = voltage(
        rng, plan.data, data_share, rate, plan.mains_hz, light, warp * grain * plan.gain, plan.lag_s
    )
    if plan.forced is not None:
        forced = plan.forced(work, t)
        data_v = np.where(np.isnan(forced), data_v, forced)

    count = work.starts[:, None] + np.arange(n)
    passes = _passes(t, (clock_q if plan.sense > 0 else -clock_q), count.ravel(), rate)
    bits = _sampled(plan, t, data_v, passes, rate).reshape(count.shape)
    read = np.empty_like(bits)
    # the machine counts on from the index
    np.put_along_axis(read, count % n, bits, axis=1)
    return Run(rate, clock_v, data_v, passes.reshape(count.shape), read, work, stage)


def _pulses(rng: np.random.Generator, plan: Plan, work: Clockwork, q: Reals) -> Reals:
    """A factor on the depth of clock holes: lost pulses, and holes with a thread across them."""
    count = (work.starts[:, None] + np.arange(plan.disc.positions)).ravel()
    out = np.ones(len(q))
    nearest = np.round(q)
    if plan.pulses_lost:
        lost = rng.choice(count[1:-1], min(plan.pulses_lost, len(count) - 2), replace=False)
        out[np.isin(nearest, lost)] = 0.0
    if plan.pulses_doubled:
        twice = rng.choice(count[1:-1], min(plan.pulses_doubled, len(count) - 2), replace=False)
        hit = np.isin(nearest, twice)
        # the thread is a third of the hole wide, and the spot as wide again
        at = plan.disc.geometry
        assert at is not None
        wide = 0.22 * at.hole_diameter * plan.disc.positions / (2 * math.pi * at.clock_radius)
        out[hit] = 1 - np.exp(-(((q[hit] - nearest[hit]) / wide) ** 2))
    return out


def _passes(t: Reals, q: Reals, count: NDArray[np.int64], rate: float) -> Reals:
    rising = np.maximum.accumulate(q) + 1e-9 * np.arange(len(q))
    return np.interp(count, rising, t)


def _shake(rng: np.random.Generator, plan: Plan, turns: Reals) -> Reals:
    """How far the disc shakes, in positions, smooth over `shake_length` positions."""
    n = plan.disc.positions
    knots = int((turns[-1] - turns[0]) * n / plan.shake_length * 4) + 8
    raw = rng.standard_normal(knots + 16)
    bell = np.exp(-0.5 * (np.arange(-8, 9) / 4 * 2) ** 2)
    smooth = np.convolve(raw, bell / math.sqrt((bell**2).sum()), "valid")
    where = (turns - turns[0]) * n / plan.shake_length * 4
    return plan.shake * np.interp(where, np.arange(len(smooth)), smooth)


def _grain(rng: np.random.Generator, plan: Plan, q: Reals, stage: Reals) -> Reals:
    """How bright the material is along the way, about 1; the same at the same place of a row."""
    n = plan.disc.positions
    cells = rng.standard_normal((plan.disc.rows + 3, n * 2 + 1))
    row = np.clip(
        np.round(np.abs(stage - plan.targets[0]) / plan.disc.geometry.row_pitch).astype(int),  # type: ignore[union-attr]
        0,
        len(cells) - 1,
    )
    x = (q % n) * 2
    low = np.minimum(x.astype(int), 2 * n - 1)
    part = x - low
    value = cells[row, low] * (1 - part) + cells[row, low + 1] * part
    return 1 + plan.data.dull * np.clip(value, -2, 2)


def _sampled(plan: Plan, t: Reals, v: Reals, passes: Reals, rate: float) -> NDArray[np.int8]:
    """The machine's bits, in the order of reading."""
    half = int(min(0.05 * plan.position_s, 0.0005) * rate)
    at = np.round(passes * rate).astype(np.int64)
    window = np.clip(at[:, None] + np.arange(-half, half + 1), 0, len(v) - 1)
    if plan.kind in ANALOG:
        hole = v[window].mean(axis=1) < plan.middle
    else:
        half_gap = plan.hysteresis * plan.data.swing
        level = compared(v, plan.middle - half_gap, plan.middle + half_gap)
        hole = level[window[:, half]] == 0
    means = plan.disc.layout.hole_means
    return np.where(hole, means, 1 - means).astype(np.int8)
