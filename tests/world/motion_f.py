"""Generator f: where the disc and the stage are, from the motor's torque to the carriage's ringing.

Time is warped, not stepped: an even motor gives the slots, and pauses of the belt are put in
between. The stage is a mass on a spring, driven by the steps of its motor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import bilinear, lfilter

from tests.world.rig_f import Floats, Rig, Rng


@dataclass
class Drive:
    """The disc's turning and the plan of the rows."""

    time: Floats  # s, rising
    slot: Floats  # rising; 0 is the first position of the first row
    start: NDArray[np.int64]  # (rows,): the slot in which each row's reading begins
    leave: Floats  # (rows - 1,): when the stage leaves each row
    end_s: float

    def at(self, slot: Floats | NDArray[np.int64] | float) -> Floats:
        """When slots pass the clock detector."""
        return np.interp(slot, self.slot, self.time)


def smooth(share: Floats) -> Floats:
    """From 0 to 1 with the least jerk."""
    x = np.clip(share, 0.0, 1.0)
    out: Floats = x**3 * (10 - 15 * x + 6 * x * x)
    return out


def crossing(part: float) -> float:
    """The share of a move's time after which a part of its way is done."""
    x = np.linspace(0, 1, 2001)
    return float(np.interp(np.clip(part, 0, 1), smooth(x), x))


def drive(rig: Rig, rng: Rng) -> Drive:
    """Turn the motor on, and plan the rows as the machine does."""
    n, t = rig.disc.positions, rig.position_s
    move = rig.stage + rig.settle
    gap = n * np.ceil(move * max(1, rig.takes) * 1.3 / (n * t) + 1) if rig.on_index else 0
    slots = rig.disc.rows * (n + max(gap, move * max(1, rig.takes) * 1.7 / t + 2)) + n
    slots = int(slots + rig.lead * n)
    # 16 points a position: ripples pass at most once in two positions
    slot = np.arange(-int(rig.lead * n + 2) * 16, slots * 16) / 16.0
    reading = rig.disc.rows * n * (1 if not rig.on_index else 1 + np.ceil(move / (n * t)))
    done = slot / reading
    course = {
        "even": done - 0.5,
        "warm": 0.5 - np.exp(-4 * np.maximum(done, 0)),  # a motor or grease that warms up
        "sway": 0.5 * np.sin(2 * np.pi * np.maximum(done, 0) * 1.25),  # load, supply
        "sag": 0.5 - np.maximum(done, 0) ** 2,  # a battery that ends
    }[rig.shape]
    speed = rig.speed * (1 + rig.drift * np.clip(course, -0.5, 0.5))
    for per_turn, share in rig.ripples:
        speed *= 1 + share * np.sin(2 * np.pi * (per_turn * slot / n + rng.random()))
    time = np.concatenate([[0.0], np.cumsum(t / 16 / speed[:-1])])
    time -= np.interp(0.0, slot, time)
    for at, long in rig.holds:  # the belt takes a tenth of a position to stop
        time += long * smooth((slot - at * reading) / 0.1)
    start, leave = [0], []
    for _ in range(rig.disc.rows - 1):
        last = start[-1] + n - 1
        passed = float(np.interp(last, slot, time))
        wait = rig.stage * rig.takes + rig.settle
        # the motor of the stage starts when the last bit's window is over
        leave.append(float(np.interp(last + 0.3, slot, time)))
        if rig.on_index:
            end = float(np.interp(last + 1, slot, time)) + wait
            start.append(int(np.ceil(np.interp(end, time, slot) / n - 1e-9)) * n)
        else:
            start.append(int(np.floor(np.interp(passed + wait, time, slot) + 1e-9)) + 1)
    end_s = float(np.interp(start[-1] + n - 0.5, slot, time)) + rig.tail * n * t
    return Drive(time, slot, np.array(start), np.array(leave), end_s)


def targets(rig: Rig, rng: Rng) -> Floats:
    """Where the stage comes to rest for each row, in mm from the first row's radius towards the
    last one's."""
    g = rig.disc.geometry
    assert g is not None
    row = np.array(rig.order, float)
    rest = row * g.row_pitch * (1 + rig.pitch_error)
    rest[rig.lost[0] :] -= rig.lost[1] if rig.lost[1] else 0.0
    if rig.floats:
        # a loose nut lets the carriage stop anywhere in its play
        rest += rig.play * (rng.permutation(np.linspace(-0.5, 0.5, len(row))))
    elif rig.play:
        # the home switch is met outwards, so the first move inwards loses the play
        rest -= rig.play * (np.arange(len(row)) > 0)
    return np.round(rest / rig.step) * rig.step


def carriage(rig: Rig, d: Drive, time: Floats, rest: Floats) -> Floats:
    """Where the carriage is at times that are evenly spaced, in mm as `targets`."""
    g = rig.disc.geometry
    assert g is not None
    every = time[1] - time[0]
    # from where it is parked, between two rows, it has come to the first row half a turn early
    parked = rest[0] - 0.5 * g.row_pitch
    come = min(0.8 * rig.stage, 0.3 * max(-time[0], 1e-3))
    way = np.full(len(time), parked)
    way += (rest[0] - parked) * smooth((time - time[0]) / come)
    for k, go in enumerate(d.leave):
        long = rig.stage * rig.takes * rig.effort
        first = go + rig.lag
        a, b = np.searchsorted(time, [first, first + long])
        b = max(b, a)
        way[a:b] += (rest[k + 1] - rest[k]) * smooth((time[a:b] - first) / long)
        way[b:] += rest[k + 1] - rest[k]
    way = np.round(way / rig.step) * rig.step
    w = 2 * np.pi * min(rig.ring_hz, 0.1 / every)
    up, down = bilinear([w * w], [1, 2 * rig.damping * w, w * w], 1 / every)
    moved: Floats = lfilter(up, down, way - way[0]) + way[0]
    return moved
