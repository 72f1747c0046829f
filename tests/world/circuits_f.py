"""Generator f: what breaks in electronics, recorder and MIDI wire. faults_f tells of sizes."""

from __future__ import annotations

import numpy as np

from tests.world.rig_f import Rig, Rng


def between(size: float, low: float, high: float) -> float:
    """A size on a scale of ratios."""
    return float(low * (high / low) ** size)


def _moment(rig: Rig, size: float, rng: Rng) -> float:
    """When something goes: late is less."""
    return float(np.clip(0.9 - 0.85 * size + rng.uniform(-0.05, 0.05), 0.02, 0.93))


def dead(rig: Rig, size: float, rng: Rng) -> None:
    """A photodiode comes off: from then on there is only the amplifier's dark level."""
    since = _moment(rig, size, rng)
    level = rig.data.supply - rig.data.dark if rig.data.upside else rig.data.dark
    rig.dead = ("open", since, 9.0, level)
    rig.facts["from_share"] = since


def stuck(rig: Rig, size: float, rng: Rng) -> None:
    """An output or input that a short holds at a rail, for a row or two up to all of the read."""
    since = _moment(rig, size, rng) if size < 0.8 else -1.0
    until = since + between(size, 0.25, 1.0) if 0 < size < 0.5 else 9.0
    rig.dead = ("stuck", since, until, 0.0 if rng.random() < 0.5 else rig.data.supply)
    rig.facts["from_share"] = since


def lamp_out(rig: Rig, size: float, rng: Rng) -> None:
    """A light fails: an LED in a moment, a filament in a tenth of a second; one lamp for both
    detectors in a third of the machines."""
    kind = "lamp-both" if rng.random() < 0.33 else "lamp"
    since = _moment(rig, size, rng)
    rig.dead = (kind, since, 9.0, float(rng.choice([0.002, 0.1])))
    rig.facts["from_share"] = since


def threshold_outside(rig: Rig, size: float, rng: Rng) -> None:
    """A trimmer turned beyond one of the levels: by half of what is left to the rail up to 95 %."""
    eye = rig.data
    step = (1 - eye.stray) * eye.swing
    above = (eye.supply - eye.dark - eye.swing) / step
    below = (eye.dark + eye.stray * eye.swing) / step
    part = between(size, 0.5, 0.95)
    eye.threshold = 1 + part * above
    if below > 0.1 and rng.random() < 0.4:
        eye.threshold = -part * below
    eye.hysteresis = min(eye.hysteresis, 0.05)


def threshold_off(rig: Rig, size: float, rng: Rng) -> None:
    """A trimmer so near to a level that its noise and the holes' own depths cross it: 16 % of the
    step (errors are rare) down to 0.5 %."""
    near = between(1 - size, 0.005, 0.16)
    rig.data.threshold = near if rng.random() < 0.6 else 1 - near
    rig.data.hysteresis = min(rig.data.hysteresis, near)


def lamp_hum(rig: Rig, size: float, rng: Rng) -> None:
    """A filament on the mains flickers by 10 to 30 %, an LED on rectified mains by all; 25 % is
    what shows in the eye."""
    rig.data.flicker = between(size, 0.25, 0.95)
    if rng.random() < 0.5:
        rig.clock.flicker = 0.6 * rig.data.flicker
    rig.facts["hertz"] = 2 * rig.mains


def ambient(rig: Rig, size: float, rng: Rng) -> None:
    """Daylight or a lamp on the detector: from a third of the step, where a middle threshold has
    little left, to twice the step."""
    rise = float(rng.choice([0.002, 0.3]))
    rig.ambient = (between(size, 0.35, 2.0), float(rng.uniform(0.05, 0.6)), rise)
    rig.facts["from_share"] = rig.ambient[1]


def saturated(rig: Rig, size: float, rng: Rng) -> None:
    """A gain 1.2 to 5 times as high as the rail allows; some amplifiers stay there for 5 to 30 %
    of T."""
    eye = rig.data
    eye.gain = between(size, 1.2, 5.0) * (eye.supply - eye.dark) / eye.swing
    eye.sticky = float(rng.uniform(0.05, 0.3)) * size * rig.position_s
    rig.facts["gain"] = eye.gain


def drops(rig: Rig, size: float, rng: Rng) -> None:
    """A recorder's buffer runs over: 2 to 25 times, for 0.6 to 6 positions."""
    many = round(between(size, 2, 25))
    long = rng.uniform(0.6, between(size, 1.5, 6.0), many)
    at = np.sort(rng.uniform(0.08, 0.92, many))
    rig.gaps = list(zip(at.tolist(), long.tolist(), strict=True))
    rig.facts["gaps"] = many


def slow_filter(rig: Rig, size: float, rng: Rng) -> None:
    """A capacitor ten times too large: the time constant is a quarter of a position, about half a
    hole, up to 1.3 positions."""
    rig.data.slow = between(size, 0.25, 1.3) * rig.position_s
    rig.facts["positions"] = rig.data.slow / rig.position_s


def noise(rig: Rig, size: float, rng: Rng) -> None:
    """Below the 12 dB of a sound machine: 8 down to -4 dB."""
    rig.data.snr_db = 8 - 12 * size
    rig.data.hysteresis = min(rig.data.hysteresis, 0.3)
    if rng.random() < 0.4:
        rig.clock.snr_db = rig.data.snr_db + 6
    rig.facts["snr_db"] = rig.data.snr_db


def lost_note_offs(rig: Rig, size: float, rng: Rng) -> None:
    """A buffer of 128 bytes that runs over, or a loose plug: 4 to 40 % of them."""
    rig.wire = ("note-offs", between(size, 0.04, 0.4), 0)


def lost_notes(rig: Rig, size: float, rng: Rng) -> None:
    """As with note-offs."""
    rig.wire = ("notes", between(size, 0.04, 0.4), 0)


def rows_missing(rig: Rig, size: float, rng: Rng) -> None:
    """A plug out for one row up to all but one of those in the middle."""
    rows = rig.disc.rows
    many = max(1, round(size * (rows - 2)))
    first = int(rng.integers(0 if rows < 3 else 1, max(1, rows - many) + (rows < 3)))
    rig.wire = ("rows", first, min(first + many, rows))
    rig.facts["rows"] = (first, first + many)


def late(rig: Rig, size: float, rng: Rng) -> None:
    """Buffers of 30 ms (an ear hears two attacks from about there) to 1.5 positions."""
    low = max(0.2, 0.03 / rig.position_s)
    rig.wire = ("late", float(rng.uniform(0.3, 0.8)), between(size, low, max(1.5, 1.5 * low)))
