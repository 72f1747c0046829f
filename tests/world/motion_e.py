"""Motion in generator e: time as a function of the disc's angle, and a stage that goes by pulses.

Where d integrates an equation of motion over time, here speed is given over the angle, and time is
the sum of what each quarter of a position takes. The stage is a list of pulses; between two of
them it stands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.world.rig_e import Floats, Rig, Rng

PER = 4
"""Points per position: sixteen on the fastest ripple of twelve cycles a turn of 18 positions."""


@dataclass(frozen=True)
class Motion:
    """When the disc is where, and the stage.

    Attributes
    ----------
    slot, time : ndarray
        The disc's angle in positions since the first one recorded, and times in s.
    start : ndarray of int64, shape (rows,)
        The slot at which each row is read.
    go, there : ndarray, shape (rows,)
        When each move to a row begins and ends.
    pulse_s, pulse_mm : ndarray
        When the stage makes a step, and where it is after it, in mm from row 0.
    """

    slot: Floats
    time: Floats
    start: NDArray[np.int64]
    go: Floats
    there: Floats
    pulse_s: Floats
    pulse_mm: Floats

    def when(self, slot: Floats) -> Floats:
        """Times of angles."""
        return np.interp(slot, self.slot, self.time)

    def angle(self, time: Floats) -> Floats:
        """Angles at times."""
        return np.interp(time, self.time, self.slot)

    def stage(self, time: Floats) -> Floats:
        """Where the stage is, in mm from row 0."""
        if not len(self.pulse_s):
            return np.zeros_like(time)
        k = np.searchsorted(self.pulse_s, time, side="right")
        out: Floats = np.append(0.0, self.pulse_mm)[k]
        return out


def _speed(r: Rig, slot: Floats, read: tuple[float, float], rng: Rng) -> Floats:
    """Speed as a share of the profile's."""
    turn = slot / r.positions
    done = np.clip((slot - read[0]) / (read[1] - read[0]), 0, 1)
    if r.shape == "s":
        done = 0.5 + 0.5 * np.tanh(5 * (done - 0.5)) / math.tanh(2.5)
    elif r.shape == "steps":
        # a belt that climbs to another place on its pulley, five times
        done = np.floor(done * 5.999) / 5
    v = (1 + r.off) * (1 + r.drift * (done - 0.5))
    for cycles, share in r.ripples:
        v = v * (1 + share * np.sin(2 * np.pi * cycles * turn + rng.uniform(0, 6)))
    if r.wander:
        # a walk that forgets within two positions
        kicks = rng.standard_normal(len(slot)) * r.wander * math.sqrt(1 - 0.88**2)
        memory = np.zeros(len(slot))
        m = 0.0
        for k, kick in enumerate(kicks.tolist()):
            m = 0.88 * m + kick
            memory[k] = m
        v = v * (1 + memory)
    return v


def _ramp(share: Floats) -> Floats:
    """At which share of a move's time a share of its pulses is through: a fifth of the time to gain
    speed and a fifth to lose it."""
    a = 0.2
    top = 1 / (1 - a)  # greatest rate
    low = a * top / 2
    early = np.sqrt(2 * a * share / top)
    late = 1 - np.sqrt(2 * a * (1 - share) / top)
    return np.where(share < low, early, np.where(share > 1 - low, late, a / 2 + share / top))


def moving(r: Rig, rng: Rng) -> Motion:
    """Turn the disc and read all its rows."""
    n, rows = r.positions, r.disc.rows
    turn = 60 / r.rpm
    pause = (max(r.move, r.taken) + r.settle + abs(float(r.lag.max()))) / turn
    fast = (1 + abs(r.off)) * (1 + abs(r.drift) / 2) * 1.1
    per_row = 1 + (math.ceil(pause) if r.on_index else pause)
    begin = n * math.ceil(r.before)
    read = (float(begin), begin + n * rows * per_row)
    length = begin + n * (rows * (2 + pause * fast) + r.after + 2)
    slot = np.arange(0, length, 1 / PER)
    step_s = r.slot_s / PER / _speed(r, slot, read, rng)
    for share, seconds in r.stalls:
        # it slows down over a fifth of a position before it stands
        at = int((read[0] + share * (read[1] - read[0])) * PER)
        step_s[at] += seconds
        step_s[at + 1] += 0.3 * r.slot_s / PER
    time = np.append(0.0, np.cumsum(step_s))[:-1]
    starts, go, there = [begin], [-1.0], [-1.0]
    for row in range(1, rows):
        last = float(np.interp(starts[-1] + n - 0.5, slot, time))
        go.append(last + float(r.lag[row]))
        there.append(go[-1] + r.taken)
        ready = (max(there[-1], last + r.move) if r.waits else last + r.move) + r.settle
        at = float(np.interp(ready, time, slot))
        starts.append(n * math.ceil(at / n - 1e-9) if r.on_index else math.ceil(at))
    events: list[tuple[Floats, Floats]] = []
    place = 0.0
    order = np.diff(np.array([0, *r.order[1:]])) if rows > 1 else np.zeros(0)
    for row in range(1, rows):
        count = round(r.pulses[row] * abs(int(order[row - 1])))
        sign = 1 if order[row - 1] > 0 else -1
        rest = float(r.rest[row] - r.rest[row - 1])
        share = (np.arange(count) + 1) / max(count, 1)
        mm = place + sign * r.step * np.arange(1, count + 1) + rest * share
        events.append((go[row] + r.taken * _ramp(share), mm))
        place = float(mm[-1]) if count else place
    pulse_s, pulse_mm = (
        (np.concatenate(x) for x in zip(*events, strict=True)) if events else (slot[:0], slot[:0])
    )
    order_s = np.argsort(pulse_s, kind="stable")
    return Motion(
        slot, time, np.array(starts), np.array(go), np.array(there),
        pulse_s[order_s], pulse_mm[order_s],
    )  # fmt: skip
