"""What a detector gives: light through its aperture, an amplifier, a comparator, a recorder.

Light. A reflective detector lights a spot on the disc; the share of the spot that falls on holes
returns less. That share is the integral of the spot's profile over a hole's area, tabulated
against the distance of the two centres: a flat round spot (a pinhole, whose overlap is the area
of a circular lens) or a bell-shaped one (a lens out of focus). The rim and the clock row count
like anything else the spot meets.

Amplifier. Photocurrent through poles (1 / (1 + j f / fc), exact, by Fourier transform), to a
voltage between two rails. Noise: white, and a part whose power falls as 1 / f. Lamps on the mains
give light as the square of the mains' sine: a tone at twice its frequency with some of its
double.

Comparator. Two thresholds; between them the output stays.

The ranges in `Channel` are common practice for 3.3 V and 5 V circuits, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]


@dataclass(frozen=True)
class Channel:
    """One detector and its amplifier. Voltages in V."""

    material: float
    """Voltage over solid material."""
    hole: float
    """Voltage over a wide hole."""
    noise: float
    pink: float
    """Share of the noise's power that falls as 1 / f."""
    pole_hz: float
    poles: int = 1
    delay_s: float = 0.0
    offset: float = 0.0
    """Constant light from elsewhere."""
    wander: float = 0.0
    """Slow change of that light, amplitude."""
    hum: float = 0.0
    """Amplitude at twice the mains frequency."""
    rails: tuple[float, float] = (0.0, 5.0)
    dull: float = 0.0
    """Reflectance varies with the place on the disc by this share, rms."""

    @property
    def swing(self) -> float:
        """From hole to material."""
        return self.material - self.hole

    @property
    def middle(self) -> float:
        """The threshold that a careful maker sets."""
        return (self.material + self.hole) / 2 + self.offset


@dataclass(frozen=True)
class Spot:
    """The light of a detector on the disc, in mm."""

    radius: float
    bell: bool
    hole: float
    """Diameter of a hole."""
    table: Reals = field(default_factory=lambda: np.zeros(0), compare=False)

    def share(self, distance: Reals) -> Reals:
        """The share of the light that a hole at some distance takes."""
        return np.interp(distance, np.linspace(0, self.reach, len(self.table)), self.table)

    @property
    def reach(self) -> float:
        """Beyond this distance a hole takes nothing."""
        return self.hole / 2 + self.radius * (2.0 if self.bell else 1.0)


def spot(radius: float, bell: bool, hole: float) -> Spot:
    """A spot, its integral over a hole tabulated."""
    empty = Spot(radius, bell, hole)
    size = empty.reach - hole / 2
    # the spot as rings of equal width; each ring lies inside the hole over an arc
    ring = (np.arange(120) + 0.5) / 120 * size
    weight = ring * (np.exp(-2 * (ring / radius) ** 2) if bell else 1.0)
    away = np.linspace(0, empty.reach, 400)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine = (away**2 + ring**2 - (hole / 2) ** 2) / (2 * away * ring)
    cosine = np.where(away == 0, np.where(ring < hole / 2, -1.0, 1.0), cosine)
    inside = np.arccos(np.clip(cosine, -1, 1)) / math.pi
    table = (inside * weight).sum(axis=1) / weight.sum()
    return replace(empty, table=table)


def covered(
    place: Spot,
    q: Reals,
    radius: Reals,
    rows: Reals,
    cut: NDArray[np.bool_],
    at: Reals | None = None,
) -> Reals:
    """The share of a detector's light that falls on holes, shape (samples,).

    Parameters
    ----------
    q : ndarray, shape (samples,)
        Where the detector is along a row, in positions; any whole turn may be added.
    radius : ndarray, shape (samples,)
        Its distance from the centre, in mm.
    rows : ndarray, shape (rows,)
        Their radii.
    cut : ndarray of bool, shape (rows, positions)
        Where a hole is.
    at : ndarray, shape (rows, positions), optional
        By how many positions each hole lies beside its place.
    """
    n = cut.shape[1]
    order = np.argsort(rows)
    sorted_rows = rows[order]
    near = np.clip(np.searchsorted(sorted_rows, radius), 1, max(1, len(rows) - 1))
    whole = np.round(q).astype(np.int64)
    along = (q - whole) * 2 * math.pi / n * radius
    out = np.zeros(len(q))
    for side in (near - 1, np.minimum(near, len(rows) - 1)):
        row = order[side]
        across = radius - sorted_rows[side]
        may = np.abs(across) < place.reach
        if not may.any():
            continue
        for step in (-1, 0, 1):
            column = (whole[may] + step) % n
            beside = along[may] - step * 2 * math.pi / n * radius[may]
            if at is not None:
                beside = beside - at[row[may], column] * 2 * math.pi / n * radius[may]
            distance = np.hypot(beside, across[may])
            hit = cut[row[may], column] & (distance < place.reach)
            out[may] += np.where(hit, place.share(distance), 0.0)
        if len(rows) == 1:
            break
    return np.minimum(out, 1.0)


def filtered(x: Reals, rate: float, pole_hz: float, poles: int = 1, delay_s: float = 0.0) -> Reals:
    """A signal after some equal poles and a delay; its ends are held."""
    pad = min(len(x), int(rate * (8 * poles / (2 * math.pi * pole_hz) + 2 * abs(delay_s))) + 16)
    size = 1 << (len(x) + 2 * pad - 1).bit_length()
    wide = np.empty(size)
    wide[:pad], wide[pad : pad + len(x)], wide[pad + len(x) :] = x[0], x, x[-1]
    # the transform is circular: lead from the end back to the start
    tail = size - pad - len(x)
    wide[pad + len(x) :] = np.linspace(x[-1], x[0], tail)
    f = np.fft.rfftfreq(size, 1 / rate)
    change = (1 + 1j * f / pole_hz) ** -poles * np.exp(-2j * math.pi * f * delay_s)
    return np.fft.irfft(np.fft.rfft(wide) * change, size)[pad : pad + len(x)]


def _pink(rng: np.random.Generator, n: int) -> Reals:
    size = 1 << max(4, (n - 1).bit_length())
    spectrum = np.fft.rfft(rng.standard_normal(size))
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    spectrum[0] = 0
    out = np.fft.irfft(spectrum, size)[:n]
    return out / out.std()


def voltage(
    rng: np.random.Generator,
    channel: Channel,
    share: Reals,
    rate: float,
    mains_hz: float,
    light: Reals | float = 0.0,
    gain: Reals | float = 1.0,
    lag_s: float = 0.0,
) -> Reals:
    """A channel's voltage before the recorder, shape (samples,).

    `share` is what `covered` gives, `light` more light in V, `gain` a factor on the detector's own
    light.
    """
    n = len(share)
    t = np.arange(n) / rate
    own = (channel.material - channel.swing * share) * gain
    other = channel.offset + light
    if channel.wander:
        period = float(rng.uniform(0.4, 3)) * t[-1]
        other = other + channel.wander * np.sin(2 * math.pi * (t / period + rng.random()))
    if channel.hum:
        lamp = 2 * math.pi * 2 * mains_hz * t + rng.uniform(0, 2 * math.pi)
        other = other + channel.hum * (0.9 * np.sin(lamp) + 0.1 * np.sin(2 * lamp))
    v = filtered(own + other, rate, channel.pole_hz, channel.poles, channel.delay_s + lag_s)
    white = rng.standard_normal(n)
    v = v + channel.noise * (
        math.sqrt(1 - channel.pink) * white + math.sqrt(channel.pink) * _pink(rng, n)
    )
    return np.clip(v, *channel.rails)


def compared(v: Reals, low: float, high: float) -> NDArray[np.int8]:
    """A comparator with hysteresis: 1 above `high`, 0 below `low`, and between them as before."""
    state = np.where(v > high, 1, np.where(v < low, 0, -1)).astype(np.int8)
    if state[0] < 0:
        state[0] = int(v[0] > (low + high) / 2)
    last = np.maximum.accumulate(np.where(state >= 0, np.arange(len(v)), 0))
    return state[last]
