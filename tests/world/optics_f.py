"""Generator f: the picture of the disc under the spots, and the detectors' electronics.

The picture holds the light thrown back, over radius and angle. It is blurred by the spot in the
domain of frequencies along the angle, once sharp and once out of focus; the spot's path then looks
it up, so a stage that moves, a disc off centre and a warped one need nothing of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfft
from scipy.ndimage import gaussian_filter1d, uniform_filter1d
from scipy.signal import lfilter

from tests.world.motion_f import Drive, carriage, targets
from tests.world.rig_f import Eye, Floats, Rig, Rng

Bits = NDArray[np.int8]
CELLS = 40  # points of the picture for each position: 0.1 mm at a radius of 60 mm


@dataclass
class Run:
    """What both detectors gave, at evenly spaced times."""

    drive: Drive
    time: Floats
    data: Floats  # V
    clock: Floats
    data_high: NDArray[np.bool_]  # the comparators' outputs
    clock_high: NDArray[np.bool_]
    grid: Bits  # what the machine read; -1 where it saw no clock pulse
    every: int  # the recorder takes every so many of these times


def latch(value: Floats, low: float, high: float) -> NDArray[np.bool_]:
    """A comparator with two thresholds."""
    sign = np.where(value > high, 1, np.where(value < low, -1, 0)).astype(np.int8)
    sign[0] = sign[0] or (1 if value[0] > (low + high) / 2 else -1)
    last = np.maximum.accumulate(np.where(sign != 0, np.arange(len(sign)), 0))
    return sign[last] > 0


def picture(
    radii: Floats, cut: Floats, along: Floats, across: Floats, hole: float, eye: Eye,
    edge: float, grain: float, rng: Rng, hairs: Floats | None = None,
) -> tuple[Floats, float, float]:  # fmt: skip
    """The light of concentric rows, shape (sharp and soft, radius, angle), its first radius and the
    distance of its radii. 1 is solid material."""
    n = cut.shape[1]
    fine = hole / 14
    low = radii.min() - edge
    radius = low + fine * np.arange(int((radii.max() + edge - low) / fine) + 1)
    row = np.abs(radius[:, None] - radii).argmin(axis=1)
    cell = np.arange(n * CELLS) // CELLS
    # cell k reaches half a position to either side of position k
    angle = (np.arange(n * CELLS) % CELLS + 0.5) / CELLS - 0.5
    lies = radii[row, None] + across[row][:, cell]
    turn = 2 * np.pi / n * angle - along[row][:, cell] / radii[row, None]
    chord = radius[:, None] * lies * turn**2  # r^2 + s^2 - 2 r s cos(a), for small a
    far = np.sqrt((radius[:, None] - lies) ** 2 + chord)
    pixel = max(fine, radius.mean() * 2 * np.pi / n / CELLS)
    open_ = np.clip((hole / 2 - far) / pixel + 0.5, 0, 1) * cut[row][:, cell]
    if hairs is not None:
        mm = radius[:, None] * turn
        open_ *= 1 - hairs[cell] * (np.abs(mm) < 0.17 * hole)
    light = (1 - (1 - eye.stray) * open_).astype(np.float32)
    light *= 1 + grain * rng.standard_normal(light.shape, dtype=np.float32) * 3
    waves = np.arange(light.shape[1] // 2 + 1) / radius[:, None]
    spectrum = rfft(light, axis=1)
    out = []
    for wide in (1.0, 3.0):
        mm = eye.spot * wide
        pass_ = np.sinc(waves * mm / np.pi) if eye.slit else np.exp(-((waves * mm) ** 2) / 2)
        seen = irfft(spectrum * pass_, light.shape[1], axis=1)
        if eye.slit:  # a slit is as high as a hole has room for
            seen = uniform_filter1d(seen, max(1, round(0.4 * hole * wide / fine)), axis=0)
        else:
            seen = gaussian_filter1d(seen, mm / fine, axis=0, truncate=3)
        out.append(seen)
    return np.array(out), low, fine


def look(image: Floats, low: float, fine: float, radius: Floats, turn: Floats, soft: Floats,
         n: int) -> Floats:  # fmt: skip
    """The light at radii and slots, between its pixels; soft is how far it is out of focus."""
    high, round_ = image.shape[1:]
    y = np.clip((radius - low) / fine, 0, high - 1.001)
    x = ((turn + 0.5) * CELLS - 0.5) % (n * CELLS)
    j, i = y.astype(np.int64), x.astype(np.int64)
    dy, dx = y - j, x - i
    after = (i + 1) % round_
    out = []
    for layer in image:
        flat = layer.reshape(-1)
        upper = flat[j * round_ + i] * (1 - dx) + flat[j * round_ + after] * dx
        lower = flat[(j + 1) * round_ + i] * (1 - dx) + flat[(j + 1) * round_ + after] * dx
        out.append(upper * (1 - dy) + lower * dy)
    light: Floats = out[0] * (1 - soft) + out[1] * soft
    return light


def under(rig: Rig, slot: Floats, radius: Floats | float) -> tuple[Floats, Floats, Floats, Floats]:
    """Where on the disc a spot is: radius, slot, how far out of focus, what light is left."""
    n = rig.disc.positions
    turn = slot * (2 * np.pi / n)
    off, way = rig.centre
    x, y = radius - off * np.cos(turn - way), off * np.sin(turn - way)
    height, waves, at = rig.warp
    z = height * np.sin(waves * turn + at) / rig.depth
    blur = z * z / (1 + z * z)
    return np.hypot(x, y), slot + np.arctan2(y, x) * n / (2 * np.pi), blur, 1 / (1 + z * z)


def voltage(rig: Rig, eye: Eye, light: Floats, time: Floats, rng: Rng) -> Floats:
    """An amplifier's output for the light on its photodiode."""
    every = time[1] - time[0]
    hum = np.sin(2 * np.pi * rig.mains * time + rng.random() * 6)
    # a lamp on the mains gives light at twice its frequency
    lit = light * (1 - eye.flicker * np.sin(2 * np.pi * rig.mains * time) ** 2)
    keep = float(np.exp(-every / eye.tau))
    volts = lfilter([1 - keep], [1, -keep], lit - lit[0]) + lit[0]
    noise = rng.standard_normal(len(time))
    noise = lfilter([1 - keep], [1, -keep], noise) * np.sqrt((1 + keep) / (1 - keep))
    size = 0.5 * (1 - eye.stray) * 10 ** (-eye.snr_db / 20)
    volts = eye.dark + eye.gain * eye.swing * (volts + size * noise) + eye.hum * hum
    top = eye.supply - 0.08  # rail to rail, less the output's drop
    if eye.sticky:
        clipped = np.where(volts > top, np.arange(len(volts)), -len(volts))
        since = np.arange(len(volts)) - np.maximum.accumulate(clipped)
        volts[since * every < eye.sticky] = top
    volts = np.clip(volts, 0.02, top)
    if eye.slow:
        keep = float(np.exp(-every / eye.slow))
        volts = lfilter([1 - keep], [1, -keep], volts - volts[0]) + volts[0]
    return eye.supply - volts if eye.upside else volts


def shaken(rig: Rig, time: Floats, rng: Rng) -> Floats | float:
    """How far the clock detector is from its place along the row, in slots."""
    kind, size, per_t = rig.shake
    if not kind:
        return 0.0
    count = int((time[-1] - time[0]) / rig.position_s * per_t) + 3
    pushes = np.linspace(time[0], time[-1], count)
    if kind == "rattle":  # it lies against one side of its slot or the other
        return (
            size * np.where(rng.random(count) < 0.5, -1.0, 1.0)[np.searchsorted(pushes, time) - 1]
        )
    swing = np.interp(time, pushes, rng.uniform(-1, 1, count))
    return size * swing / np.abs(swing).max()


def run(rig: Rig, drive: Drive, rng: Rng) -> Run:
    """Play the disc: what the detectors give, and what the machine makes of it."""
    g, n, t = rig.disc.geometry, rig.disc.positions, rig.position_s
    assert g is not None
    every = int(np.clip(np.ceil(100 / (rig.rate * t)), 1, 8))
    begin = float(drive.at(-rig.lead * n))
    time = begin + np.arange(int((drive.end_s - begin) * rig.rate) * every) / (rig.rate * every)
    slot = np.interp(time, drive.time, drive.slot)
    share = (time - drive.at(0.0)) / (drive.at(float(drive.start[-1] + n)) - drive.at(0.0))
    way = np.sign(rig.radii[-1] - rig.radii[0])
    step = carriage(rig, drive, time, targets(rig, rng))
    image = picture(rig.radii, rig.cut, rig.along, rig.across, g.hole_diameter, rig.data,
                    0.7 * g.row_pitch, rig.grain, rng)  # fmt: skip
    r, u, soft, left = under(rig, slot - rig.azimuth, rig.radii[0] + rig.data.aside + way * step)
    light = look(*image, r, u, soft, n) * left
    image = picture(np.array([g.clock_radius]), rig.clock_cut[None], rig.clock_along[None],
                    np.zeros((1, n)), g.hole_diameter, rig.clock, 0.7 * g.hole_diameter, rig.grain,
                    rng, rig.burrs if len(rig.burrs) else None)  # fmt: skip
    moved = slot + shaken(rig, time, rng)
    r, u, soft, left = under(rig, moved, g.clock_radius + rig.clock.aside)
    clock = look(*image, r, u, soft, n) * left
    kind, since, until, level = rig.dead
    gone = (share >= since) & (share < until)
    if kind.startswith("lamp"):
        fading = np.where(gone, np.exp(-np.maximum(time - time[gone.argmax()], 0) / level), 1.0)
        light = light * fading
        clock = clock * fading if kind == "lamp-both" else clock
    more, since_light, rise = rig.ambient
    light = light + more * (1 - rig.data.stray) * smooth_step(share - since_light, rise)
    data_v = voltage(rig, rig.data, light, time, rng)
    clock_v = voltage(rig, rig.clock, clock, time, rng)
    if kind in ("stuck", "open"):
        noise = 0.0 if kind == "stuck" else 0.01 * rng.standard_normal(int(gone.sum()))
        data_v[gone] = level + noise
    hole, solid = rig.clock.levels
    tell, reach = rig.clock.decides, rig.clock.hysteresis * abs(solid - hole) / 2
    clock_high = latch(clock_v, tell - reach, tell + reach)
    if rig.bounce[0]:
        often, after, long = rig.bounce
        rises = np.flatnonzero(np.diff((clock_high ^ rig.clock.upside).astype(np.int8)) > 0)
        for k in rises[rng.random(len(rises)) < often]:
            a, b = (int(k + x * t * rig.rate * every) for x in (after, after + long))
            clock_v[a:b] = hole
        clock_high = latch(clock_v, tell - reach, tell + reach)
    reach = rig.data.hysteresis * abs(rig.data.levels[1] - rig.data.levels[0]) / 2
    data_high = latch(data_v, rig.data.decides - reach, rig.data.decides + reach)
    out = Run(drive, time, data_v, clock_v, data_high, clock_high, np.zeros(0, np.int8), every)
    out.grid = read(rig, out, slot)
    return out


def smooth_step(past: Floats, rise: float) -> Floats:
    """0 before, 1 after, a ramp of so long between."""
    return np.clip(past / max(rise, 1e-3), 0.0, 1.0)


def read(rig: Rig, run: Run, slot: Floats) -> Bits:
    """The bits as the machine judges them: at each clock pulse, over its window."""
    rows, n = rig.disc.grid.shape
    t, dt = rig.position_s, run.time[1] - run.time[0]
    in_hole = (run.clock_high == rig.clock.upside).astype(np.int8)
    edges = np.diff(in_hole, prepend=0, append=0)
    begin, end = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    middle = (begin + end) // 2
    of = np.round(slot[np.minimum(middle, len(slot) - 1)]).astype(np.int64)
    digital = rig.kind in ("edges", "vcd")
    high = run.data_high.astype(float) if digital else run.data
    sums = np.concatenate([[0.0], np.cumsum(high)])
    half = max(1, round(rig.facts["width"] * t / dt / 2))
    at = middle + round(rig.facts["at"] / dt)
    a, b = (np.clip(at + s, 0, len(high)) for s in (-half, half + 1))
    mean = (sums[b] - sums[a]) / np.maximum(b - a, 1)
    above = mean > (0.5 if digital else rig.data.decides)
    hole = above == rig.data.upside
    grid = np.full((rows, n), -1, np.int8)
    for row, first in enumerate(run.drive.start):
        mine = (of >= first) & (of < first + n)
        place, which = np.unique(of[mine], return_index=True)
        bits = hole[mine][which] == (rig.disc.layout.hole_means == 1)
        grid[row, place % n] = bits
    return grid
