"""Faults of a player, each a change of the machine, from barely harmful to severe.

Sizes are derived from the mechanism: a hole of diameter d under a spot of diameter s is lost when
the spot's centre is about d / 2 off its row, so faults of the stage begin there; a level is lost
when it crosses a threshold in the middle of the swing, so faults of levels begin at half a swing.
`where` gives the row and position (from 0, or None) at which the fault begins, and its size with
unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import combinations

import numpy as np

from sonify import Disc
from tests.world.disc_a import random_disc
from tests.world.plant_a import Machine

Where = dict[str, object]
Fault = Callable[[Machine, dict[str, object], Disc, np.random.Generator, float], Where]


def _where(row: object, position: object, size: float, unit: str, **more: object) -> Where:
    return {"row": row, "position": position, "size": float(size), "unit": unit, **more}


def _between(low: float, high: float, severity: float) -> float:
    return low * (high / low) ** severity


def _turn(m: Machine) -> float:
    """Positions from one row's start to the next one's."""
    T = 60 / (m.rpm * m.positions)
    move = (m.stage + m.settle) / T
    by_index = m.row_start == "index"
    return m.positions + (math.ceil(move / m.positions) * m.positions if by_index else move)


def _step(m: Machine) -> float:
    return float(m.radii[1] - m.radii[0])


def _rows_swapped(m, settings, disc, rng, severity):
    rows = [r for r in range(disc.rows - 1) if (m.holes[r] != m.holes[r + 1]).any()]
    if not rows:
        return _where(None, None, 0, "rows")
    a = int(rng.choice(rows))
    b = a + 1 if rng.random() < 0.7 else int(rng.choice([r for r in range(disc.rows) if r != a]))
    m.holes[[a, b]] = m.holes[[b, a]]
    return _where(min(a, b), None, abs(b - a), "rows", other=max(a, b))


def _stage_early(m, settings, disc, rng, severity):
    if rng.random() < 0.35:
        m.stops = np.concatenate(([m.stops[0] - _step(m)], m.stops[:-1]))
        return _where(0, None, 1, "rows")
    m.starts_early = _between(0.05, 0.6, severity) * m.positions
    return _where(0, None, m.starts_early, "positions")


def _stage_late(m, settings, disc, rng, severity):
    if rng.random() < 0.35:
        m.stops = np.concatenate((m.stops[1:], [m.stops[-1] + _step(m)]))
        return _where(0, None, 1, "rows")
    # the reading goes on after stage and settle, or at the next index: the move ends after that
    spare = _turn(m) - m.positions - m.stage / (60 / (m.rpm * m.positions))
    late = _between(0.05, 0.6, severity) * m.positions
    m.starts_early = -(max(spare, 0) + late)
    return _where(1, 0, max(spare, 0) + late, "positions")


def _stage_missed_step(m, settings, disc, rng, severity):
    at = int(rng.integers(1, disc.rows))
    by = -1 if rng.random() < 0.6 else 1  # a step too few, or two at once
    later = m.stops[at:] + by * _step(m)
    m.stops = np.concatenate((m.stops[:at], later))
    return _where(at, None, by, "steps")


def _wrong_row_pitch(m, settings, disc, rng, severity):
    last = _between(0.5, 1.6, severity) * m.hole * rng.choice([-1, 1])
    each = last / (disc.rows - 1)
    m.stops = m.stops + each * np.arange(disc.rows)
    return _where(None, None, each, "mm a row", last_row_mm=float(last))


def _backlash(m, settings, disc, rng, severity):
    lost = _between(0.5, 1.2, severity) * m.hole
    m.stops = m.stops - math.copysign(lost, _step(m)) * (np.arange(disc.rows) > 0)
    return _where(1, None, lost, "mm")


def _slow_stage(m, settings, disc, rng, severity):
    T = 60 / (m.rpm * m.positions)
    spare = (_turn(m) - m.positions) * T
    m.stage = max(m.stage, 0.3 * T)
    settings["player.stage"] = round(m.stage, 3)
    long = spare + _between(0.15, 0.9, severity) * m.positions * T
    m.stage_slow = long / m.stage
    return _where(1, 0, long, "s")


def _data_dead(m, settings, disc, rng, severity):
    row = int(rng.integers(0, max(disc.rows - 1, 1)))
    m.dead_at = row * _turn(m) + float(rng.uniform(-0.4, m.positions / 2))
    m.dead_level = float(rng.choice([0.0, m.high[1] * 1.05]))
    return _where(row, max(0, math.ceil(m.dead_at - row * _turn(m))), m.dead_level, "V")


def _data_stuck(m, settings, disc, rng, severity):
    m.dead_at = -1e9
    m.dead_level = float(rng.choice([0.0, 0.02, m.rail * 0.97, m.rail]))
    m.quiet = True
    return _where(0, 0, m.dead_level, "V")


def _lamp_out(m, settings, disc, rng, severity):
    row = 0 if rng.random() < 0.6 else int(rng.integers(0, disc.rows))
    m.lamp_off_at = -1e9 if row == 0 else row * _turn(m) - 0.4
    return _where(row, 0, m.low[1], "V")


def _threshold_outside(m, settings, disc, rng, severity):
    by = _between(0.12, 0.5, severity)
    swing = m.high[1] - m.low[1]
    # a comparator's reference lies between the supplies, so below the low level there is less room
    level = m.low[1] * (1 - 2 * by) if rng.random() < 0.5 else min(m.high[1] + by * swing, 4.95)
    level = max(level, 0.0)
    m.threshold = (m.threshold[0], (level - m.low[1]) / swing)
    return _where(None, None, level, "V")


def _threshold_off(m, settings, disc, rng, severity):
    by = _between(0.25, 0.04, severity)
    share = by if rng.random() < 0.5 else 1 - by
    m.threshold = (m.threshold[0], share)
    m.snr = min(m.snr, 24.0)
    m.hysteresis = 0.02
    return _where(None, None, m.low[1] + share * (m.high[1] - m.low[1]), "V")


def _clock_missing(m, settings, disc, rng, severity):
    count = max(1, round(_between(1, m.positions * 0.2, severity)))
    places = np.sort(rng.choice(m.positions, count, replace=False))
    m.clock_depth[places] = rng.uniform(0, 0.15)
    return _where(None, int(places[0]), count, "pulses", positions=tuple(places.tolist()))


def _clock_doubled(m, settings, disc, rng, severity):
    count = max(1, round(_between(1, m.positions * 0.2, severity)))
    places = np.sort(rng.choice(m.positions, count, replace=False))
    m.clock_extra = [(float(p + rng.uniform(0.4, 0.6)), 4.0) for p in places]
    return _where(None, int(places[0]), count, "pulses", positions=tuple(places.tolist()))


def _motor_off_speed(m, settings, disc, rng, severity):
    by = _between(0.15, 0.6, severity) * (1 if rng.random() < 0.5 else -0.7)
    m.drift *= 0.3
    settings["player.rpm"] = round(m.rpm / (1 + by), 2)
    return _where(None, None, 100 * by, "%")


def _motor_drift(m, settings, disc, rng, severity):
    m.drift = _between(0.3, 0.9, severity) * float(rng.choice([-1, 1]))
    return _where(None, None, 100 * m.drift, "%")


def _lamp_hum(m, settings, disc, rng, severity):
    m.hum = _between(0.5, 1.6, severity)
    return _where(None, None, m.hum * (m.high[1] - m.low[1]), "V", frequency_hz=2 * m.mains)


def _ambient_light(m, settings, disc, rng, severity):
    m.ambient = _between(0.55, 1.3, severity)
    row = int(rng.integers(0, disc.rows))
    m.ambient_from = row * _turn(m) if row else -1e9
    m.ambient_ramp = 0.0 if row == 0 else float(rng.choice([0.5, m.positions, 3 * m.positions]))
    return _where(row, 0, m.ambient * (m.high[1] - m.low[1]), "V")


def _warped_disc(m, settings, disc, rng, severity):
    m.warp = _between(0.55, 0.95, severity)
    at = round(m.warp_angle) % m.positions
    return _where(None, at, m.warp * (m.high[1] - m.low[1]), "V")


def _clock_loose(m, settings, disc, rng, severity):
    size = _between(0.35, 1.2, severity)
    knots = max(4, int(rng.integers(1, 5) * disc.rows))
    state = rng.random(knots) < 0.4
    m.loose = np.where(state, size * rng.uniform(0.8, 1.0, knots), 0.0) * rng.choice([-1, 1])
    mm = size * 2 * math.pi * m.clock_radius / m.positions
    return _where(None, None, mm, "mm", positions=size)


def _amplifier_saturated(m, settings, disc, rng, severity):
    # gain about the low level so high that a hole's light, spot larger than hole, is clipped too
    if rng.random() < 0.5:
        m.gain = _between(4, 25, severity)
        m.low = (m.low[0], m.low[1] + 0.3)
        m.spot = m.hole * float(rng.uniform(1.05, 1.3))
        m.recovery = float(rng.uniform(0.05, 0.3))
        return _where(None, None, m.rail, "V", gain=m.gain)
    m.gain = 1.0001
    m.rail = m.low[1] + _between(0.4, 0.12, severity) * (m.high[1] - m.low[1])
    return _where(None, None, m.rail, "V")


def _recorder_drops(m, settings, disc, rng, severity):
    count = int(rng.integers(1, 2 + 2 * disc.rows))
    whole = (disc.rows - 1) * _turn(m) + m.positions
    longest = _between(1.2, 8.0, severity)
    at = np.sort(rng.uniform(1, whole - longest - 1, count))
    m.drops = [(float(u), float(longest * rng.uniform(0.4, 1.0))) for u in at]
    return _where(None, None, longest * 60 / (m.rpm * m.positions), "s", count=count)


def _filter_delay(m, settings, disc, rng, severity):
    m.lag = (m.lag[0], _between(0.2, 0.9, severity))
    return _where(None, None, m.lag[1] * 60 / (m.rpm * m.positions), "s")


def _noise(m, settings, disc, rng, severity):
    m.snr = _between(11, 1, severity) if severity < 1 else 1.0
    return _where(None, None, m.snr, "dB")


def _holes(m, rng, severity, state):
    places = np.argwhere(m.holes == state)
    count = min(max(1, round(_between(1, 5, severity))), len(places))
    some = places[rng.choice(len(places), count, replace=False)]
    m.holes[some[:, 0], some[:, 1]] = 1 - state
    some = sorted(map(tuple, some.tolist()))
    return _where(some[0][0], some[0][1], count, "holes", holes=tuple(some))


def _blocked_hole(m, settings, disc, rng, severity):
    return _holes(m, rng, severity, 1)


def _extra_hole(m, settings, disc, rng, severity):
    return _holes(m, rng, severity, 0)


def _wrong_setting(m, settings, disc, rng, severity):
    which = str(rng.choice(["turning", "hole-means", "row-start"]))
    if which == "turning":
        m.forward = False
    elif which == "hole-means":
        m.holes = 1 - m.holes
    else:
        other = {"index": "next-position", "next-position": "index"}
        settings["player.row-start"] = other[m.row_start]
    return _where(None, None, 1, "setting", setting=which)


def _disc_other(m, settings, disc, rng, severity):
    """Another disc of the same sizes: another text in the same code, cut to as many rows."""
    other = random_disc(rng, blank=False)
    bits = np.resize(other.grid, m.holes.shape).astype(np.int8)
    m.holes = (bits == disc.layout.hole_means).astype(np.int8)
    return _where(None, None, 1, "disc")


_TABLE: dict[str, Fault] = {
    "rows-swapped": _rows_swapped,
    "stage-early": _stage_early,
    "stage-late": _stage_late,
    "stage-missed-step": _stage_missed_step,
    "wrong-row-pitch": _wrong_row_pitch,
    "backlash": _backlash,
    "slow-stage": _slow_stage,
    "data-dead": _data_dead,
    "data-stuck": _data_stuck,
    "lamp-out": _lamp_out,
    "threshold-outside": _threshold_outside,
    "threshold-off": _threshold_off,
    "clock-missing": _clock_missing,
    "clock-doubled": _clock_doubled,
    "motor-off-speed": _motor_off_speed,
    "motor-drift": _motor_drift,
    "lamp-hum": _lamp_hum,
    "ambient-light": _ambient_light,
    "warped-disc": _warped_disc,
    "clock-loose": _clock_loose,
    "amplifier-saturated": _amplifier_saturated,
    "recorder-drops": _recorder_drops,
    "filter-delay": _filter_delay,
    "noise": _noise,
    "blocked-hole": _blocked_hole,
    "extra-hole": _extra_hole,
    "wrong-setting": _wrong_setting,
    "disc-other": _disc_other,
}
LOG_FAULTS = tuple(_TABLE)
DEPARTURES = frozenset(
    (
        "clock-missing",
        "clock-doubled",
        "motor-off-speed",
        "motor-drift",
        "lamp-hum",
        "wrong-setting",
        "filter-delay",
    )
)
"""Faults that are plain in a recording even where the machine's bits are right."""
UNCERTAIN = frozenset(
    (
        "threshold-outside",
        "threshold-off",
        "lamp-hum",
        "ambient-light",
        "warped-disc",
        "clock-loose",
        "amplifier-saturated",
        "filter-delay",
        "noise",
        "wrong-row-pitch",
        "backlash",
        "recorder-drops",
    )
)
"""Faults whose wrong bits depend on who reads the log."""
PULSES = {"clock-missing": -1, "clock-doubled": 1}
"""Faults of the clock's comparator, and whether it gives more pulses or fewer."""
NEED_LEVEL = frozenset(("threshold-outside", "threshold-off"))
"""Faults that only someone who knows the threshold can see."""
ANALOG_ONLY = frozenset(
    ("threshold-outside", "threshold-off", "lamp-out", "amplifier-saturated", "noise")
)
"""Faults that a record of 0 and 1 cannot show as what they are."""
_SILENT = ("data-stuck", "lamp-out", "threshold-outside", "disc-other", "noise")
_ALIKE = (
    ("stage-early", "stage-late", "slow-stage", "stage-missed-step", "rows-swapped"),
    ("wrong-row-pitch", "backlash", "stage-missed-step", "stage-early"),
    ("ambient-light", "lamp-hum", "warped-disc", "amplifier-saturated", "threshold-off"),
    ("clock-missing", "clock-doubled", "clock-loose", "filter-delay"),
    ("motor-off-speed", "motor-drift"),
)


def hidden() -> frozenset[frozenset[str]]:
    """Pairs of which one would hide the other, or of two that act on the same thing."""
    pairs = {frozenset((a, b)) for a in _SILENT for b in LOG_FAULTS}
    for group in _ALIKE:
        pairs |= {frozenset(p) for p in combinations(group, 2)}
    return frozenset(pairs)


def apply(
    name: str, m: Machine, settings: dict[str, object], disc: Disc, rng: np.random.Generator
) -> Where:
    """Put a fault into a machine; where it is, and how large."""
    return _TABLE[name](m, settings, disc, rng, float(rng.random()))
