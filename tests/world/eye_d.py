"""The detectors of generator d: spot, filter, noise and comparator."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.world.drive_d import Floats, Rng


@dataclass
class Eye:
    """A detector: lamp, spot, photodiode or phototransistor, amplifier.

    Attributes
    ----------
    spot, halo : float
        Radii in mm of the bright core and of the halo.
    scatter : float
        The halo's share of the light.
    through : float
        What still comes back where a hole is (a wall behind it), of what solid material gives.
    solid, dark : float
        The amplifier's output in V for solid material and for no light.
    rail : float
        The lowest distance in V of the output from its supply, `supply`.
    gain : float
        1 as it was set; more if somebody turned it up.
    tau : float
        Time constant of detector and amplifier in s.
    late : float
        Time constant in s of a filter that somebody added.
    hum, ambient, flicker : float
        Ripple of the lamp, as a share of its light; other light, as a share of the light from
        solid material; and that one's ripple (lamps of a room: a tenth to all of their light).
    shade : tuple of float
        Over which part of the recording the other light falls in, as shares of it.
    angle : float
        Where it sits, in positions: it sees a hole so much later.
    lit : float
        The share of the recording after which its lamp is out.
    """

    spot: float
    halo: float
    scatter: float
    through: float
    solid: float
    dark: float
    supply: float
    rail: float
    tau: float
    gain: float = 1.0
    late: float = 0.0
    hum: float = 0.0
    ambient: float = 0.0
    flicker: float = 0.0
    shade: tuple[float, float] = (-1.0, 2.0)
    angle: float = 0.0
    lit: float = 2.0


def taken_by(eye: Eye, hole: float) -> tuple[Floats, Floats]:
    """The share of the spot in a round hole over the distance of their centres in hole radii.

    The convolution is a sum over 500 points of the spot on a sunflower spiral, core and halo with
    Gaussian profiles.
    """
    n = 500
    k = np.arange(n) + 0.5
    turn = k * math.pi * (3 - math.sqrt(5))
    rank = np.sqrt(-2 * np.log(1 - k / n))  # of a Gaussian in two dimensions
    x, y = rank * np.cos(turn), rank * np.sin(turn)
    radius = hole / 2
    reach = radius + 2.5 * max(eye.halo, eye.spot)
    far = np.linspace(0, reach, 200)
    out = np.zeros_like(far)
    for sigma, share in ((eye.spot / 2, 1 - eye.scatter), (eye.halo, eye.scatter)):
        inside = (sigma * x - far[:, None]) ** 2 + (sigma * y) ** 2 < radius**2
        out += share * inside.mean(axis=1)
    return far / radius, out


def low_pass(x: Floats, tau: float, dt: float) -> Floats:
    """A filter of first order, exact for steps between points (its recursion as a convolution)."""
    if tau < dt / 3:
        return x
    a = math.exp(-dt / tau)
    tail = np.arange(int(min(12 * tau / dt, len(x))) + 1)
    kernel = (1 - a) * a**tail
    size = 1 << (len(x) + len(kernel)).bit_length()
    spectrum = np.fft.rfft(x - x[0], size) * np.fft.rfft(kernel, size)
    out: Floats = np.fft.irfft(spectrum, size)[: len(x)] + x[0]
    return out


def hiss(rng: Rng, count: int, rate: float, corner: float) -> Floats:
    """Noise of standard deviation 1 whose power rises as 1/f below a corner."""
    spectrum = np.fft.rfft(rng.standard_normal(count))
    f = np.fft.rfftfreq(count, 1 / rate)
    f[0] = f[min(1, len(f) - 1)]
    noise = np.fft.irfft(spectrum * np.sqrt(1 + corner / np.maximum(f, 0.05)), count)
    out: Floats = noise / max(noise.std(), 1e-12)
    return out


def sliced(volts: Floats, threshold: float, hysteresis: float) -> NDArray[np.bool_]:
    """A comparator's output: it changes where the input leaves its two levels."""
    high, low = volts > threshold + hysteresis / 2, volts < threshold - hysteresis / 2
    last = np.maximum.accumulate(np.where(high | low, np.arange(len(volts)), 0))
    out: NDArray[np.bool_] = high[last]
    return out
