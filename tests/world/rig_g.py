"""A machine runs: from pulses of the clock row to what stage, detectors and firmware do.

The clock row is seen first, over the whole run. Its pulses drive the controller, row by row; when
all moves of the stage are known, the data detector's light is worked out in one go.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.world.motion_g import Move, Turning, places, turning
from tests.world.optics_g import (
    FULL_TURN,
    Reals,
    Rings,
    ground,
    low_pass,
    seen,
    single,
    thrown_back,
)
from tests.world.plan_g import Machine, dice

Bits = NDArray[np.int8]
GUARD = 0.3
"""The firmware takes no second pulse within this share of a position."""


@dataclass(frozen=True)
class Defects:
    """What is wrong with a machine, nothing by default."""

    mounted: Bits | None = None  # the bits of the disc that is really on it, from the index mark
    path: tuple[int, ...] = ()  # the row that the stage visits at each step
    row_start: str = ""
    leave_early: int = 0  # positions before the end of a row
    arrive_late: float = 0.0  # positions after its beginning
    lost_steps: tuple[int, float] = (-1, 0.0)  # a move, and the share of a pitch it lacks
    pitch: float = 1.0
    play: float = 0.0  # mm
    slow: float = 1.0
    dead_at: float = 9.0  # share of the run
    dead_level: float = 0.0  # share of the supply
    stuck: float | None = None  # share of the supply
    dark_at: float = 9.0  # share of the run
    dark_both: bool = True
    threshold: float | None = None  # V
    clock_closed: tuple[int, ...] = ()
    clock_dusty: tuple[int, ...] = ()  # positions counted from the first row's
    clock_open: tuple[float, ...] = ()
    speed: float = 1.0
    drift: float = 0.0
    hum: float = 0.0
    hum_hz: float = 100.0
    ambient: float = 0.0
    warp: float = 0.0  # mm
    loose: float = 0.0  # positions
    gain: float = 1.0
    tau: float = 0.0  # s
    noise: float = 0.0  # V


@dataclass(frozen=True)
class Run:
    """What happened: the detectors in V over time, what their comparators made of them, and what
    was read; `sampled` is when each bit was sampled, `starts` the slot in which each row began."""

    time: Reals
    clock: Reals
    data: Reals
    clock_hole: NDArray[np.bool_]
    data_hole: NDArray[np.bool_]
    read: Bits
    sampled: Reals
    starts: list[int]
    threshold: float
    turning: Turning


def rings_of(m: Machine, mounted: Bits) -> tuple[Rings, Rings]:
    """The data rows and the clock row, as they are cut."""
    rng = dice(m.seed, "cut")
    g, layout = m.disc.geometry, m.disc.layout
    assert g is not None
    rows, n = m.disc.grid.shape
    step = -g.row_pitch if layout.reading == "outside-in" else g.row_pitch

    def ring(radius: Reals, present: NDArray[np.bool_], share: float) -> Rings:
        shape = present.shape
        off = np.clip(rng.standard_normal(shape) * m.jitter / 2, -m.jitter, m.jitter) * share
        across = rng.standard_normal(shape) * 0.02 * g.hole_diameter
        size = g.hole_diameter / 2 * (1 + 0.02 * rng.standard_normal(shape))
        return Rings(radius, present, off, across, size)

    data = ring(g.first_row_radius + step * np.arange(rows), mounted == layout.hole_means, 0.5)
    return data, ring(np.array([g.clock_radius]), np.ones((1, n), bool), 1.0)


def detector(m: Machine, d: Defects, which: str, time: Reals, phase: Reals, holes: Reals,
             radius: Reals | float, span: tuple[float, float]) -> Reals:  # fmt: skip
    """What a detector gives, in V, for the share of hole that it sees; rows should be read within
    a span of time."""
    rng = dice(m.seed, "detector", which)
    light, board, n = m.light, m.board, m.disc.positions
    leak = light["leak"]
    lamp = np.ones(1)
    if light["ripple"]:
        turn = FULL_TURN * light["ripple-hz"] * time + rng.uniform(0, FULL_TURN)
        lamp = 1 + light["ripple"] * np.sin(turn)
    if d.hum and (which == "data" or m.seed % 2):
        # a lamp on a bridge rectifier with a tired capacitor: it follows the mains' rising halves
        # and sinks between them
        saw = (time * d.hum_hz + rng.random()) % 1
        lamp = lamp * (1 - d.hum * (1 - np.maximum(np.abs(np.cos(np.pi * saw)), np.exp(-3 * saw))))
    if d.dark_at < 1 and (which == "data" or d.dark_both):
        lamp = lamp * np.where(time > _part(span, d.dark_at), 0.0, 1.0)
    if light["reflective"]:
        back = ground(dice(m.seed, "grain"), phase, n, light["grain"])
        if d.warp:
            g = m.disc.geometry
            assert g is not None
            lift = d.warp * radius / (g.outer_diameter / 2)
            bow = np.cos(FULL_TURN * phase / n * (1 + m.seed % 2) + rng.uniform(0, FULL_TURN))
            best = 3.0  # mm, as a common reflective detector has it (from memory)
            gap = best * light["gaps"][which]
            level = thrown_back(np.array([gap]), best)[0]
            back = back * thrown_back(gap + lift * bow, best) / level
        got = back * (1 - holes * (1 - leak))
    else:
        got = leak + holes * (1 - leak)
    got = got * lamp
    if d.ambient:
        # a cloud goes, the sun stands on the disc for a while, and a cloud comes
        begin = rng.uniform(0.0, 0.5)
        sun = [_part(span, k) for k in (begin, begin + rng.uniform(0.25, 0.5))]
        edge = rng.uniform(0.01, 0.06) * (span[1] - span[0])
        rise, fall = (1 / (1 + np.exp(-np.clip((time - at) / edge, -50, 50))) for at in sun)
        got = got + d.ambient * (rise - fall) * (1.0 if which == "data" else 0.2)
    hit = d if which == "data" else Defects()
    volts = m.volts(got, which, hit.gain)
    dt = time[1] - time[0]
    volts = low_pass(volts, board["tau"], dt)
    if hit.tau:
        volts = low_pass(volts, hit.tau, dt)
    noise = dice(m.seed, "noise", which).standard_normal(len(time))
    volts = volts + (board["noise"] * m.swing * noise if not hit.noise else hit.noise * noise)
    volts = np.clip(volts, 0.01 * m.supply, 0.985 * m.supply)
    if hit.dead_at < 1:
        # the wire is off; what is left of the charge goes in a few hundredths of a second
        after = np.maximum(time - _part(span, hit.dead_at), 0)
        rest = m.supply * hit.dead_level
        pick_up = 0.004 * m.supply * np.sin(FULL_TURN * 50 * time)
        volts = np.where(after > 0, rest + (volts - rest) * np.exp(-after / 0.02) + pick_up, volts)
    if hit.stuck is not None:
        volts = np.full(len(time), m.supply * hit.stuck) + 0.1 * board["noise"] * m.swing * noise
    return volts


def _part(span: tuple[float, float], share: float) -> float:
    return span[0] + share * (span[1] - span[0])


def slice_of(m: Machine, which: str, volts: Reals, threshold: float) -> NDArray[np.bool_]:
    """Where a comparator with hysteresis sees a hole."""
    material, hole = m.levels_of(which)
    sense = 1 if hole > material else -1
    half = 0.5 * m.board["hysteresis"] * abs(hole - material)
    above = sense * (volts - threshold)
    sure = np.where(above > half, 1, np.where(above < -half, -1, 0))
    last = np.maximum.accumulate(np.where(sure, np.arange(len(sure)), 0))
    return np.asarray(sure[last] > 0)


def pulses(time: Reals, hole: NDArray[np.bool_], least: float) -> Reals:
    """The middles of pulses, in s, without those that follow too soon."""
    change = np.flatnonzero(np.diff(hole.astype(np.int8)))
    if len(change) and hole[0]:
        change = change[1:]
    edge = time[change[: len(change) // 2 * 2] + 1].reshape(-1, 2)
    middle = edge.mean(axis=1)
    if not len(middle) or np.diff(middle).min(initial=np.inf) >= least:
        return middle
    kept = [float(middle[0])]
    for at in middle[1:].tolist():
        if at - kept[-1] >= least:
            kept.append(at)
    return np.array(kept)


def run(m: Machine, d: Defects, room: float = 1.0) -> Run:
    """The machine's whole run, from a little before its first row to after its last."""
    disc, profile = m.disc, m.profile
    g, (rows, n) = disc.geometry, disc.grid.shape
    assert g is not None
    mounted = disc.grid if d.mounted is None else d.mounted
    data_rings, clock_ring = rings_of(m, mounted)
    pause = (profile["stage"] * d.slow + profile["settle"]) / m.slot_s * max(1, d.speed)
    starts_at = d.row_start or profile["row-start"]
    wait = np.ceil(pause / n + 0.05) * n if starts_at == "index" else np.ceil(pause) + 1
    slots = (m.lead + m.tail + 0.2) * n + rows * n + (rows - 1) * wait * room
    disc_turns = turning(m, slots * room + n, d.speed, d.drift)
    span = float(disc_turns.when(0.0)), float(disc_turns.when(rows * n + (rows - 1) * wait))
    dt = 1 / (m.rate * m.finer)
    time = np.arange(int(disc_turns.when(disc_turns.phase[0] + slots * room) / dt)) * dt
    phase = disc_turns.at(time)

    rng = dice(m.seed, "rattle")
    off = np.zeros(1)
    if d.loose:
        # a detector on a bent bracket: it swings, and now and then sits anew
        beat = rng.uniform(-1, 1, int(time[-1] / (3 * n * m.slot_s)) + 2)
        sits = np.interp(time, np.arange(len(beat)) * 3 * n * m.slot_s, beat)
        own = min(rng.uniform(4, 15), 0.2 / m.slot_s)
        sway = np.sin(FULL_TURN * own * time) * (1 + np.sin(FULL_TURN * own / 7.3 * time)) / 2
        off = d.loose * (0.6 * sits + 0.7 * sway)
    at_clock = phase + off
    pitch = FULL_TURN * g.clock_radius / n
    present = clock_ring.present.copy()
    present[0, list(d.clock_closed)] = False
    clock_ring = Rings(g.clock_radius * np.ones(1), present, clock_ring.along, clock_ring.across,
                       clock_ring.size)  # fmt: skip
    holes = seen(at_clock, np.full(len(time), g.clock_radius), clock_ring, m.eyes[0])
    if d.clock_dusty:
        holes[np.isin(np.round(at_clock), d.clock_dusty)] *= 0.2
    for place in d.clock_open:
        size = min(0.5 * g.hole_diameter, 0.4 * (pitch - g.hole_diameter))
        holes = np.maximum(holes, single(at_clock, place, pitch, n, size, m.eyes[0]))
    clock = detector(m, d, "clock", time, phase, holes, g.clock_radius, span)
    clock_hole = slice_of(m, "clock", clock, sum(m.levels_of("clock")) / 2)
    beats = pulses(time, clock_hole, GUARD * m.slot_s)

    first, moves, counts, starts, done = _controller(m, d, disc_turns, beats, starts_at)
    if not done and d.dark_at > 1 and room < 3:
        return run(m, d, room * 1.5)
    last = beats[counts[-1][-1]] if done else time[-1]
    end = min(last + m.tail * n * m.slot_s, time[-1])
    if m.stage["home"] and done and moves:
        moves.append(Move(last + 0.3 * m.slot_s, 1.2, moves[-1].end, first))
    keep = time <= end
    time, phase, clock, clock_hole = (x[keep] for x in (time, phase, clock, clock_hole))
    radius = places(time, first, moves, m)
    lag = profile["delay"] / m.slot_s + m.stage["off"] * min(1.0, 2 * g.hole_diameter / pitch)
    holes = seen(phase - lag, radius, data_rings, m.eyes[1])
    data = detector(m, d, "data", time, phase - lag, holes, radius, span)
    threshold = (
        sum(m.levels) / 2 + m.board["trim"] * m.swing if d.threshold is None else d.threshold
    )
    data_hole = slice_of(m, "data", data, threshold)

    at = profile.get("sample-at", profile["delay"])
    read = np.full((rows, n), -1, np.int8)
    sampled = np.full((rows, n), np.nan)
    hole = _decisions(m, time, data, data_hole, threshold, beats + at)
    for r, ks in enumerate(counts):
        if not len(ks):
            break
        place = np.arange(len(ks))
        if starts_at != "index":
            place = (ks - counts[0][0]) % n
        means = disc.layout.hole_means
        read[r, place] = np.where(hole[ks], means, 1 - means)
        sampled[r, place] = beats[ks] + at
    read[np.isnan(sampled) | (np.nan_to_num(sampled) > time[-1])] = -1
    return Run(time, clock, data, clock_hole, data_hole, read, sampled, starts, threshold,
               disc_turns)  # fmt: skip


def _controller(m: Machine, d: Defects, disc_turns: Turning, beats: Reals, starts_at: str) -> tuple[
    float, list[Move], list[NDArray[np.int64]], list[int], bool
]:  # fmt: skip
    """Row by row: where the stage is at first, its moves, the pulses at which each row's bits are
    sampled, the slots in which rows begin, and whether all rows came."""
    g, (rows, n) = m.disc.geometry, m.disc.grid.shape
    assert g is not None
    rng = dice(m.seed, "stage")
    profile, stage = m.profile, m.stage
    step = -g.row_pitch if m.disc.layout.reading == "outside-in" else g.row_pitch
    path = d.path or tuple(range(rows))
    scatter = rng.standard_normal(rows) * stage["scatter"] * g.row_pitch
    slack = rng.uniform(0.8, 1.0, rows) * d.play
    at = step * d.pitch * np.array(path) + scatter
    at[1:] -= np.sign(step) * slack[1:]
    lost, share = d.lost_steps
    if lost >= 0:
        at[lost + 1 :] -= step * share
    at += g.first_row_radius
    first, moves, counts, starts = float(at[0]), [], [], []
    ready = disc_turns.index_after(0.0)
    for r in range(rows):
        k = int(np.searchsorted(beats, ready))
        ks = np.arange(k, min(k + n, len(beats)))
        counts.append(ks)
        if len(ks) < n:
            return first, moves, counts, starts, False
        starts.append(round(float(disc_turns.at(beats[k]))))
        if r == rows - 1:
            break
        leave = beats[ks[n - 1 - d.leave_early]] + 0.4 * m.slot_s
        span = max(1, abs(path[r + 1] - path[r]))
        takes = profile["stage"] * stage["share"] * d.slow * span
        free = leave + max(profile["stage"] * d.slow * span, takes) + profile["settle"]
        begins = disc_turns.index_after(free) if starts_at == "index" else free
        if d.arrive_late:
            leave = max(leave, begins + d.arrive_late * m.slot_s - 0.6 * takes)
        moves.append(Move(leave, takes, float(at[r]), float(at[r + 1])))
        ready = begins
    return first, moves, counts, starts, True


def _decisions(m: Machine, time: Reals, data: Reals, data_hole: NDArray[np.bool_], threshold: float,
               at: Reals) -> NDArray[np.bool_]:  # fmt: skip
    """Whether the firmware takes each sampling moment for a hole."""
    dt = time[1] - time[0]
    if not m.board["adc"]:
        return np.asarray(data_hole[np.clip(np.round(at / dt).astype(int), 0, len(time) - 1)])
    half = m.profile.get("sample-width", 0.04) * m.slot_s / 2
    total = np.append(0.0, np.cumsum(data))
    a = np.clip(np.floor((at - half) / dt).astype(int), 0, len(time) - 1)
    b = np.clip(np.ceil((at + half) / dt).astype(int) + 1, a + 1, len(time))
    mean = (total[b] - total[a]) / (b - a)
    material, hole = m.levels
    return np.asarray((mean > threshold) == (hole > material))
