"""What moves: the disc by its motor, and the stage from row to row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.world.optics_g import FULL_TURN, Reals
from tests.world.plan_g import Machine, dice

FINE = 8
"""Parts of a position for which the motor's speed is worked out."""


@dataclass(frozen=True)
class Turning:
    """The disc's phase in positions over time in s: it begins before position 0, and the index mark
    passes half a position before each turn's position 0."""

    time: Reals
    phase: Reals
    positions: int

    def at(self, time: Reals) -> Reals:
        return np.interp(time, self.time, self.phase)

    def when(self, phase: Reals | float) -> Reals:
        return np.interp(phase, self.phase, self.time)

    def index_after(self, time: float) -> float:
        """When the index mark passes next."""
        turn = np.floor((self.at(np.array(time)) + 0.5) / self.positions) + 1
        at = float(self.when(float(turn) * self.positions - 0.5))
        return at if at > time else float(self.when(float(turn + 1) * self.positions - 0.5))


def turning(m: Machine, slots: float, speed: float, drift: float) -> Turning:
    """A motor that turns for so many positions: how fast it is for its profile, and by what share
    its speed changes from beginning to end."""
    rng = dice(m.seed, "motor")
    motor, n, slot = m.motor, m.disc.positions, m.slot_s
    count = int(slots * FINE)
    at = np.arange(count) / FINE
    through = np.arange(count) / count
    start, last = rng.uniform(0, FULL_TURN, 2)
    slow = np.sin(rng.uniform(2, 5) * through + start)
    slow = slow + 0.4 * np.sin(rng.uniform(9, 25) * through + last)
    if rng.random() < 0.5:
        slow = np.where(rng.random() < 0.5, 1, -1) * through
    slow = (slow - slow.mean()) / max(float(np.ptp(slow)), 1e-9) * motor["drift"]
    slow = slow + drift * (through - 0.5)
    flutter = sum(
        w * np.sin(FULL_TURN * k * at / n + rng.uniform(0, FULL_TURN))
        for k, w in ((1, 0.5), (2.0 + rng.random(), 0.2), (motor["teeth"], 0.3))
    )
    pace = speed * (1 + motor["offset"]) * (1 + slow + motor["flutter"] * flutter)
    step = slot / FINE / np.maximum(pace, 0.2)
    if motor["from-rest"] and m.lead > 0.3:
        # a first-order run-up that ends before the first row
        run_up = at / (0.25 * m.lead * n)
        step = step / (1 - 0.93 * np.exp(-4 * run_up))
        step[0] += rng.uniform(0.1, 0.8)
    if motor["holds"]:
        # the belt holds and lets go, longer when the stage draws its current
        turns = 1 + int(np.ceil((m.profile["stage"] + m.profile["settle"]) * m.profile["rpm"] / 60))
        for k in range(int(rng.integers(1, 6))):
            if k % 2:
                where, most = rng.uniform(0.05, 0.95) * count, 0.1
            else:
                between = m.lead + turns * rng.integers(1, max(2, m.disc.rows)) - turns + 1.05
                where, most = between * n * FINE, 0.3
            step[min(count - 1, int(where))] += most * rng.random()
    if motor["ringing"]:
        # a rotor of 200 full steps a turn that swings about each of them
        swing = motor["ringing"] * np.sin(FULL_TURN * 200 / n * at + rng.uniform(0, FULL_TURN))
        step = step * np.maximum(1 + np.gradient(swing) * FINE * 0.5, 0.2)
    time = np.append(0.0, np.cumsum(step))
    phase = -0.5 - m.lead * n + np.arange(count + 1) / FINE
    return Turning(time, phase, n)


def travel(share: Reals, way: str, pitch: float) -> Reals:
    """How much of its way a stage has made after a share of its time."""
    u = np.clip(share, 0, 1)
    if way == "belt":
        return u * u * (3 - 2 * u)
    if way == "steps":
        steps = max(8, round(pitch * 25))
        return np.floor(u * steps) / steps
    if way == "stiction":
        late = np.clip((u - 0.3) / 0.7, 0, 1)
        return 1 - (1 - late) ** 2
    # a screw's trapezoid of speed: a fifth of its time to get going, a fifth to stop
    rise, fall = np.minimum(u, 0.2), np.clip(u - 0.8, 0, 0.2)
    return (rise**2 / 0.4 + np.clip(u - 0.2, 0, 0.6) + fall - fall**2 / 0.4) / 0.8


@dataclass(frozen=True)
class Move:
    """A move of the stage: when it begins, how long it takes, and from where to where."""

    begin: float
    takes: float
    start: float
    end: float


def places(time: Reals, first: float, moves: list[Move], m: Machine) -> Reals:
    """Where the stage is at each time, in mm from the middle of the disc."""
    out = np.full(len(time), first)
    calm = max(m.profile["settle"] / 5, 1e-3)
    for k, move in enumerate(moves):
        until = moves[k + 1].begin if k + 1 < len(moves) else np.inf
        a, b = np.searchsorted(time, [move.begin, until])
        t = time[a:b] - move.begin
        way = move.end - move.start
        done = travel(t / move.takes, m.stage["way"], abs(way))
        after = np.maximum(t - move.takes, 0)
        ring = m.stage["ring"] * np.exp(-after / calm) * np.sin(FULL_TURN * after / (1.7 * calm))
        out[a:b] = move.start + way * (done + ring * (t > move.takes))
    return out
