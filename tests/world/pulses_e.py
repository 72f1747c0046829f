"""Holes as events in generator e: each hole that passes a detector is one pulse with two edges.

A beam through a slit crosses a hole: the pulse's width is the hole's chord at the beam's height,
and its depth the share of the slit that the hole covers. An edge is a logistic curve in angle, so
a comparator's switching times follow in closed form, and samples are sums of such curves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.world.motion_e import Motion
from tests.world.rig_e import Bits, Floats, Rig, Rng


@dataclass(frozen=True)
class Pulses:
    """Pulses of one channel, by angle.

    Attributes
    ----------
    slot : ndarray of int64, shape (pulses,)
        Which position, counted since the first one recorded.
    on, off : ndarray
        Its edges, in positions.
    depth : ndarray
        From 0 to 1.
    """

    slot: NDArray[np.int64]
    on: Floats
    off: Floats
    depth: Floats


def clock_pulses(r: Rig, m: Motion, rng: Rng) -> Pulses:
    """What the clock detector sees: every hole of its row."""
    n = np.arange(int(m.slot[-1]))
    g = r.sizes
    turn = n / r.positions
    swing, cycles = r.shake
    # it rattles with the machine and jumps when the stage moves
    rattle = swing * np.sin(2 * np.pi * cycles * turn + 1)
    jumps = np.append(0.0, rng.uniform(-1, 1, len(m.go)))
    rattle += swing * jumps[np.searchsorted(np.sort(m.go), m.when(n.astype(float)))]
    half = g.hole_diameter / 2 / (2 * np.pi * g.clock_radius / r.positions)
    centre = n + r.clock_along[n % r.positions] + rattle
    keep = rng.random(len(n)) >= r.weak
    split = keep & (rng.random(len(n)) < r.bounce)
    on, off = centre - half, centre + half
    # a bounce: the pulse breaks off for a third of its width
    first_off = np.where(split, centre - 0.3 * half, off)
    again = centre[split] + 0.3 * half
    return _sorted(
        Pulses(
            np.concatenate([n[keep], n[split]]),
            np.concatenate([on[keep], again]),
            np.concatenate([first_off[keep], off[split]]),
            np.ones(int(keep.sum() + split.sum())),
        )
    )


def _sorted(p: Pulses) -> Pulses:
    order = np.argsort(p.on, kind="stable")
    return Pulses(p.slot[order], p.on[order], p.off[order], p.depth[order])


def data_pulses(r: Rig, m: Motion) -> Pulses:
    """What the data detector sees where the stage is."""
    g, n = r.sizes, np.arange(int(m.slot[-1]))
    p = n % r.positions
    x = m.stage(m.when(n + r.mount))
    low = np.floor(x / g.row_pitch).astype(int)
    parts = []
    for k in (low, low + 1):
        row = np.clip(k, 0, r.disc.rows - 1)
        off_row = np.abs(x - row * g.row_pitch)
        radius = g.hole_diameter / 2 * (1 - r.shut[row, p])
        chord = np.sqrt(np.maximum(radius**2 - off_row**2, (0.3 * radius) ** 2))
        depth = np.clip((radius + r.slit / 2 - off_row) / r.slit, 0, 1)
        depth = np.minimum(depth, 2 * radius / r.slit)
        ok = r.cut[row, p] & (row == k) & (depth > 0.02)
        half = chord / r.arc[row]
        centre = n + r.mount + r.along[row, p]
        parts.append((n[ok], (centre - half)[ok], (centre + half)[ok], depth[ok]))
    return _sorted(Pulses(*(np.concatenate(c) for c in zip(*parts, strict=True))))


def switched(r: Rig, m: Motion, p: Pulses, late: float, rng: Rng) -> tuple[Floats, Floats]:
    """When a comparator switches on and off, in s, without pulses that touch.

    An edge reaches a share of the swing where the logistic does; a filter of first order adds its
    time constant times the logarithm of what is left; noise moves it by noise over slope.
    """
    on_at, off_at = r.threshold + r.hysteresis / 2, r.threshold - r.hysteresis / 2
    high = p.depth > on_at + 0.01
    on, off, depth = p.on[high], p.off[high], p.depth[high]
    a, b = on_at / depth, off_at / depth
    rise = m.when(on + r.soft * np.log(a / (1 - a)))
    fall = m.when(off - r.soft * np.log(b / (1 - b)))
    tau = r.tau + late
    peak = 1 - np.exp(-np.maximum(fall - rise, 0) / tau)
    reached = peak > a
    rise = rise - tau * np.log(1 - a)
    fall = fall + tau * np.log(np.maximum(peak, 1e-9) / b)
    wobble = 4 * r.soft * r.slot_s * 0.5 * 10 ** (-r.snr_db / 20)
    rise = rise + wobble * rng.standard_normal(len(rise))
    fall = fall + wobble * rng.standard_normal(len(fall))
    rise, fall = rise[reached & (fall > rise)], fall[reached & (fall > rise)]
    if not len(rise):
        return rise, fall
    order = np.argsort(rise)
    rise, fall = rise[order], np.maximum.accumulate(fall[order])
    fresh = np.append(True, rise[1:] > fall[:-1])
    last = np.append(np.flatnonzero(fresh)[1:] - 1, len(fall) - 1)
    return rise[fresh], fall[last]


def shares(r: Rig, p: Pulses, angle: Floats) -> Floats:
    """How much of the swing towards a whole hole there is at each angle."""
    out = np.zeros_like(angle)
    begin = np.searchsorted(angle, p.on - 9 * r.soft)
    end = np.searchsorted(angle, p.off + 9 * r.soft)
    for a, b, on, off, depth in zip(
        begin.tolist(), end.tolist(), p.on.tolist(), p.off.tolist(), p.depth.tolist(), strict=True
    ):
        u = angle[a:b]
        out[a:b] += (
            depth * 0.5 * (np.tanh((u - on) / (2 * r.soft)) - np.tanh((u - off) / (2 * r.soft)))
        )
    return np.minimum(out, 1)


def _filtered(x: Floats, tau: float, dt: float) -> Floats:
    """y' = (x - y) / tau from sample to sample, by blocks in which powers stay in range."""
    if tau < dt / 4:
        return x
    a = np.exp(-dt / tau)
    block = max(8, int(20 / -np.log(a)))
    out, y = np.empty_like(x), float(x[0])
    for at in range(0, len(x), block):
        part = x[at : at + block]
        power = a ** np.arange(1, len(part) + 1)
        out[at : at + block] = power * (y + np.cumsum((1 - a) * part / power))
        y = float(out[at + len(part) - 1])
    return out


def _noise(r: Rig, count: int, per: float, rng: Rng) -> Floats:
    """White, with a slow part a third as strong that walks and forgets within ten positions, and
    crackling."""
    white = rng.standard_normal(count)
    knots = rng.standard_normal(max(4, int(count / per / 10) + 2))
    slow = np.interp(np.linspace(0, len(knots) - 1, count), np.arange(len(knots)), knots)
    crackling = np.repeat(rng.random(int(count / per) + 2) < r.crackle, int(per) + 1)[:count]
    out: Floats = (0.95 * white + 0.32 * slow) * np.where(crackling, 4, 1)
    return out


def volts(r: Rig, share: Floats, angle: Floats, time: Floats, data: bool, rng: Rng) -> Floats:
    """What the amplifier of a channel gives at each sample, in V."""
    done = (time - time[0]) / (time[-1] - time[0])
    turn = angle / r.positions
    light = (1 - (1 - r.behind) * share) * (1 + r.bend * np.sin(2 * np.pi * r.bends * turn + 2))
    depth = r.hum if data else r.clock_hum
    if depth:
        # light of a lamp behind a rectifier: |sin|, which has twice the mains' frequency
        light = light * (1 - depth + depth * np.abs(np.sin(2 * np.pi * r.mains * time)) * np.pi / 2)
    if data:
        # a filament cools within half a second
        light = light * np.clip(1 - (done - r.fade) * (time[-1] - time[0]) / 0.5, 0, 1)
        for begin, end, much in r.light:
            light = light + much * np.clip((done - begin) * 200, 0, 1) * np.clip(
                (end - done) * 200, 0, 1
            )
    dt = float(time[1] - time[0])
    light = _filtered(_filtered(light, r.tau, dt), r.late if data else 0.0, dt)
    gain = r.gain if data else 1.0
    out = r.dark + (r.solid - r.dark) * gain * light
    noise = (r.solid - r.dark) * (1 - r.behind) / 2 * 10 ** (-r.snr_db / 20)
    per = r.slot_s / dt
    out = out + noise * _noise(r, len(out), per, rng)
    # above the knee the output nears the supply by an exponential
    room = r.supply - r.knee
    out = np.where(out > r.knee, r.supply - room * np.exp(-(out - r.knee) / room), out)
    out = np.maximum(out, 0)
    return r.supply - out if r.upside else out


def read_at(r: Rig, m: Motion, clock: Pulses) -> tuple[Floats, NDArray[np.bool_]]:
    """When the player samples each bit, shape (rows, positions), and whether its clock pulse was
    there."""
    slot = m.start[:, None] + np.arange(r.positions)
    first = np.searchsorted(clock.slot, slot)
    first = np.minimum(first, len(clock.slot) - 1)
    there = clock.slot[first] == slot
    middle = (clock.on[first] + clock.off[first]) / 2
    return m.when(np.where(there, middle, slot)) + r.mount * r.slot_s, there


def placed(r: Rig, m: Motion, hole: NDArray[np.bool_], there: NDArray[np.bool_]) -> Bits:
    """Bits by row and position, from those in the order of reading."""
    means = r.disc.layout.hole_means
    bit = np.where(there, np.where(hole, means, 1 - means), -1).astype(np.int8)
    out = np.empty_like(bit)
    for row, start in enumerate(m.start.tolist()):
        out[row, (start + np.arange(r.positions)) % r.positions] = bit[row]
    return out
