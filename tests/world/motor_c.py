"""How a disc turns: a geared direct-current motor, a rubber belt, and the disc.

Unknowns are the motor's speed, the belt's stretch and the disc's speed, in units of the nominal
speed:

    tau dm/dt = v(t) - m - a s            motor: back voltage, and the load of the belt
    ds/dt     = w0 (m - d)                belt: stretch, s in units of the force that it carries
    dd/dt     = w0 s + 2 z w0 (m - d) - T(t, angle) - d / spin

(the standard linear model of a direct-current motor and of two inertias with a spring between
them, as in any textbook of control). The linear part is stepped exactly (matrix exponential,
inputs held for a step); torque that depends on the angle, a belt that slips beyond a stretch, and
a disc that is held are put in at each step. The angle is the integral of the disc's speed.

Ranges: tau 0.05 to 0.4 s, belt resonance 3 to 14 Hz, damping 0.08 to 0.4, spin-down 0.6 to 4 s:
common practice, no source. Flutter is set by torque of the needed size at once a turn of the disc
and of the motor's pulley; the transfer from torque to speed gives that size.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]


@dataclass
class Drive:
    """What turns the disc. Speeds and torques are relative to the nominal speed."""

    tau: float = 0.15
    belt_hz: float = 8.0
    damping: float = 0.2
    spin_s: float = 1.5
    pulley: float = 6.3
    """Turns of the motor's pulley per turn of the disc."""
    speed: float = 1.0
    """The speed that the motor is set to, as a share of what its maker believes."""
    drift: float = 0.0
    """Change of speed over the reading, as a share; positive: faster."""
    bend: float = 1.0
    """Power of time with which the drift grows."""
    flutter: float = 0.0
    """Amplitude at once a turn of the disc."""
    pulley_flutter: float = 0.0
    noise: float = 0.0
    """Random changes of speed, rms."""
    holds: list[tuple[float, float]] = field(default_factory=list)
    """Times at which the disc is held, and for how long, in s."""
    from_rest: bool = False


def drive(rng: np.random.Generator) -> Drive:
    """A cheap but healthy drive."""
    return Drive(
        tau=float(rng.uniform(0.05, 0.4)),
        belt_hz=float(rng.uniform(3, 14)),
        damping=float(rng.uniform(0.08, 0.4)),
        spin_s=float(rng.uniform(0.6, 4.0)),
        pulley=float(rng.uniform(3, 12)),
        speed=1.0 + float(rng.normal(0, 0.004)),
        drift=float(rng.choice([-1, 1])) * 0.2 * float(rng.beta(1.0, 2.5)),
        bend=float(rng.uniform(0.5, 1.6)),
        flutter=0.04 * float(rng.beta(1.0, 2.0)),
        pulley_flutter=0.015 * float(rng.beta(1.0, 2.0)),
        noise=0.008 * float(rng.beta(1.0, 2.0)),
        from_rest=bool(rng.random() < 0.1),
    )


def _expm(a: Reals) -> Reals:
    squarings = max(0, math.ceil(math.log2(max(1e-9, float(np.abs(a).sum(axis=1).max())))) + 3)
    a = a / 2**squarings
    out, term = np.eye(len(a)), np.eye(len(a))
    for k in range(1, 12):
        term = term @ a / k
        out = out + term
    for _ in range(squarings):
        out = out @ out
    return out


@dataclass(frozen=True)
class Motion:
    """The disc's angle in turns at even times."""

    dt: float
    turns: Reals

    def at(self, time_s: Reals) -> Reals:
        """The angle in turns at some times."""
        return np.interp(time_s, np.arange(len(self.turns)) * self.dt, self.turns)

    def when(self, turns: Reals) -> Reals:
        """When the disc first reaches some angles."""
        rising = np.maximum.accumulate(self.turns) + 1e-12 * np.arange(len(self.turns))
        return np.interp(turns, rising, np.arange(len(self.turns)) * self.dt)


def turning(
    rng: np.random.Generator, how: Drive, turn_s: float, step_s: float, turns: float, span_s: float
) -> Motion:
    """Turn the disc.

    Parameters
    ----------
    turn_s : float
        A turn at nominal speed, in s.
    step_s : float
        The step.
    turns : float
        How far to go.
    span_s : float
        The time over which the drift takes place.
    """
    w0 = 2 * math.pi * how.belt_hz
    load = 1.0 / how.spin_s
    # the belt's pull on the motor makes it a few per cent slower
    pull = 0.05 * w0 / load
    a = np.array(
        [
            [-1 / how.tau, -pull / how.tau, 0.0],
            [w0, 0.0, -w0],
            [2 * how.damping * w0, w0, -2 * how.damping * w0 - load],
        ]
    )
    b = np.array([[1 / how.tau, 0.0], [0.0, 0.0], [0.0, -1.0]])
    whole = np.zeros((5, 5))
    whole[:3, :3], whole[:3, 3:] = a, b
    m = _expm(whole * step_s)
    rest = -np.linalg.solve(a, b[:, 0])  # steady state for v = 1
    volts = 1.0 / rest[2]

    def torque_for(amplitude: float, hz: float) -> float:
        gain = np.linalg.solve(2j * math.pi * hz * np.eye(3) - a, b[:, 1])[2]
        return amplitude / abs(gain)

    once = torque_for(how.flutter, 1 / turn_s)
    pulley = torque_for(how.pulley_flutter, how.pulley / turn_s)
    # white torque noise, held for a step; its size by the response summed over time
    impulse, total = m[:3, 4].copy(), 0.0
    for _ in range(4000):
        total += impulse[2] ** 2
        impulse = m[:3, :3] @ impulse
    rough = how.noise / math.sqrt(total) if total > 0 else 0.0

    (m00, m01, m02, m03, _), (m10, m11, m12, m13, _), (m20, m21, m22, m23, m24) = m[:3].tolist()
    m04, m14 = float(m[0, 4]), float(m[1, 4])
    speed, stretch, disc = (0.0, 0.0, 0.0) if how.from_rest else (rest * volts * how.speed).tolist()
    slip = 2.5 * abs(float(rest[1] * volts)) + 0.05
    phase, pulley_phase = rng.uniform(0, 2 * math.pi, 2).tolist()
    holds = sorted(how.holds)
    brake = math.exp(-step_s / 0.01)
    angle, now, n, hold = 0.0, 0.0, 0, 0
    out = [0.0]
    kicks: list[float] = []
    limit = 40 * turns * turn_s / step_s
    turn = 2 * math.pi
    while angle < turns and n < limit:
        if n % 4096 == 0:
            kicks = rng.standard_normal(4096).tolist()
        v = volts * how.speed * (1 + how.drift * min(1.0, now / span_s) ** how.bend)
        t = (
            once * math.cos(turn * angle + phase)
            + pulley * math.cos(turn * how.pulley * angle + pulley_phase)
            + rough * kicks[n % 4096]
        )
        speed, stretch, disc = (
            m00 * speed + m01 * stretch + m02 * disc + m03 * v + m04 * t,
            m10 * speed + m11 * stretch + m12 * disc + m13 * v + m14 * t,
            m20 * speed + m21 * stretch + m22 * disc + m23 * v + m24 * t,
        )
        stretch = min(slip, max(-slip, stretch))
        while hold < len(holds) and now > sum(holds[hold]):
            hold += 1
        if hold < len(holds) and now >= holds[hold][0]:
            disc *= brake
        if disc < 0:  # friction stops the disc, it does not turn it back
            disc = 0.0
        angle += disc * step_s / turn_s
        now += step_s
        n += 1
        out.append(angle)
    return Motion(step_s, np.array(out))
