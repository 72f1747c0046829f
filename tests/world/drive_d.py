"""The turning disc of generator d: an equation of motion of motor, belt and disc.

A motor turns a pulley, a belt (a spring with a damper that slips above a torque) turns the disc,
and friction brakes it. All torques are divided by the disc's inertia, and motor angles by the
ratio of the pulleys, so only rates count:

    stretch' = motor' - disc',   disc'' = k stretch + c stretch' - friction,   |belt torque| <= slip
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Rng = np.random.Generator
Floats = NDArray[np.float64]


@dataclass
class Drive:
    """What turns the disc.

    Attributes
    ----------
    rpm : float
        The speed in the profile.
    off : float
        How far the real speed in the middle of the read is from it, as a share.
    drift : float
        Change of the set speed over the read, as a share of it (a battery that sags, grease that
        warms up).
    bow : float
        0: the drift is even; 4: nearly all of it comes at the start.
    belt_hz, damping : float
        Resonance of belt and disc, and its damping ratio. Rubber belts: 1 to 8 Hz, 0.03 to 0.3.
    pulley : float
        Turns of the motor's pulley per turn of the disc; its run-out makes flutter.
    flutter, cogging, wow : float
        Peak share of the speed at the disc from the pulley's run-out and from cogging, and the
        standard deviation of slow changes.
    poles : int
        Cogging steps per turn of the motor. Small DC motors: 3 to 10 commutator bars times two.
    holds : list of (float, float)
        Disc turns at which the belt slips and the disc stands, and for how many s.
    rest : bool
        The disc stands when the recorder starts.
    """

    rpm: float
    off: float = 0.0
    drift: float = 0.0
    bow: float = 0.0
    belt_hz: float = 4.0
    damping: float = 0.1
    pulley: float = 7.3
    flutter: float = 0.0
    cogging: float = 0.0
    wow: float = 0.0
    poles: int = 6
    holds: list[tuple[float, float]] = field(default_factory=list)
    rest: bool = False

    def passes(self, hz: float) -> float:
        """How much of a speed ripple of the pulley reaches the disc: |H(j w)| of the belt."""
        r = hz / self.belt_hz
        top = 1 + (2 * self.damping * r) ** 2
        return math.sqrt(top / ((1 - r * r) ** 2 + (2 * self.damping * r) ** 2))


def spin(d: Drive, turns: float, read: float, rng: Rng) -> tuple[Floats, Floats]:
    """Times in s and the disc's angle in turns, until it has made so many; `read` of them are the
    read, over which it drifts.

    Semi-implicit Euler steps of a twelfth of the belt's period in radians: its error in phase is
    below 1 % there (derived from the scheme: w dt / 24 per radian).
    """
    base = 2 * math.pi * d.rpm / 60 * (1 + d.off)
    w_b = 2 * math.pi * d.belt_hz
    dt = min(1 / (12 * d.belt_hz), 2 * math.pi / base / 400)
    k, c = w_b**2, 2 * d.damping * w_b
    total = 2 * math.pi * turns
    rate = base / (2 * math.pi)
    run_out = d.flutter / max(d.passes(d.pulley * rate), 0.05)
    cog_hz = d.pulley * d.poles * rate
    # a cogging pulse that the belt swallows does not come back larger than the motor could make it
    cog = min(d.cogging / max(d.passes(cog_hz), 0.05), 0.3)
    slip = max(0.15 * base * w_b, 4 * c * base * 0.3)
    friction = 0.1 * base * w_b * 0.3
    long = int(total / base / dt * (1.3 + abs(d.drift)) + sum(s for _, s in d.holds) / dt) + 2000
    slow = math.sqrt(dt / 2.0)  # wow is coloured noise with 2 s of memory
    kicks = rng.standard_normal(long).tolist()
    holds = sorted((2 * math.pi * a, s) for a, s in d.holds)
    omega = 0.0 if d.rest else base
    motor = 0.0 if d.rest else base
    stretch = 0.0 if d.rest else friction / k
    angle = phi = wow = 0.0
    held = -1.0
    e = math.exp(-d.bow) if d.bow else 1.0
    out = [0.0]
    for i in range(long):
        t = i * dt
        x = min(angle / (2 * math.pi * read), 1.0)
        done = (1 - math.exp(-d.bow * x)) / (1 - e) if d.bow else x
        wow += -wow * dt / 2.0 + d.wow * math.sqrt(2) * slow * kicks[i]
        want = base * (1 + d.drift * (done - 0.5)) * (1 + wow)
        # the motor follows its set speed within a tenth of a second
        motor += (want - motor) * min(1.0, dt / 0.1)
        phi += motor * dt
        push = motor * (1 + run_out * math.sin(d.pulley * phi))
        push += motor * cog * math.sin(d.pulley * d.poles * phi)
        if holds and angle >= holds[0][0]:
            held = t + holds.pop(0)[1]
        torque = k * stretch + c * (push - omega)
        torque = max(-slip, min(slip, torque))
        if t < held:
            # the disc is held: the belt stretches until it slips
            omega = 0.0
        else:
            omega += (torque - (friction if omega > 0 else min(friction, max(torque, 0.0)))) * dt
            omega = max(omega, 0.0)
        stretch += (push - omega) * dt
        stretch = max(-slip / k, min(slip / k, stretch))
        angle += omega * dt
        out.append(angle)
        if angle > total:
            break
    theta = np.array(out) / (2 * math.pi)
    return np.arange(len(theta)) * dt, theta
