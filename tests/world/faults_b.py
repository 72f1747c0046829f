"""Faults: each changes the physics of a plant (`plant_b`), at a severity u from 0 to 1.

Each function changes the plant, and says where: row and position count from 0 (position as the
player counts), size has its unit. Sizes reach from where the first bits go wrong to a machine that
reads almost nothing; they are derived from the geometry (a hole vanishes when the spot leaves it)
or are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from tests.world.disc_b import disc_of
from tests.world.plant_b import Plant

Rng = np.random.Generator
Where = dict[str, Any]


def _row(p: Plant, rng: Rng, first: int = 0, spare: int = 0) -> int:
    return int(rng.integers(min(first, p.rows - 1), max(first + 1, p.rows - spare)))


def _reach(p: Plant) -> float:
    """How far beside a row the spot sees nothing of its holes, mm."""
    g = p.disc.geometry
    assert g is not None
    return (g.hole_diameter + p.data.spot) / 2


def rows_swapped(p: Plant, rng: Rng, u: float) -> Where:
    """The stage visits two rows in each other's place."""
    a = _row(p, rng, 0, 1)
    b = min(a + 1 + int(u * 3 * rng.random()), p.rows - 1)
    p.order[a], p.order[b] = p.order[b], p.order[a]
    return {"row": a, "with": b}


def _timing(p: Plant, rng: Rng, seconds: float) -> Where:
    p.latency = seconds
    if rng.random() < 0.4 and p.rows > 2:
        row = _row(p, rng, 0, 1)
        p.latency_rows = {row}
        return {"row": row, "size": abs(seconds), "unit": "s"}
    return {"size": abs(seconds), "unit": "s"}


def stage_early(p: Plant, rng: Rng, u: float) -> Where:
    """The move begins before the row's last positions have passed."""
    return _timing(p, rng, -(1.5 + u * 0.4 * p.positions) * p.position_s)


def _slack(p: Plant) -> float:
    """How long after a row's last pulse the next row begins, s."""
    move, turn = p.stage + p.settle, 60 / p.rpm
    if p.row_start == "index":
        return float(np.ceil(move / turn - 1e-9) * turn) + p.position_s
    return move


def stage_late(p: Plant, rng: Rng, u: float) -> Where:
    """The command to move comes late, so that the next row's first positions pass unseen."""
    spare = _slack(p) - p.travel * (p.stage + p.settle)
    return _timing(p, rng, spare + (1.5 + u * 0.4 * p.positions) * p.position_s)


def slow_stage(p: Plant, rng: Rng, u: float) -> Where:
    """The move itself takes too long: a dry spindle, a weak motor."""
    lasts = _slack(p) + (2 + u * 0.4 * p.positions) * p.position_s
    p.travel = lasts / (p.stage + p.settle)
    return {"size": lasts, "unit": "s"}


def stage_missed_step(p: Plant, rng: Rng, u: float) -> Where:
    """From a row on, the stage is a row behind (read twice) or ahead (skipped)."""
    row = max(1, _row(p, rng, 1))
    by = 1 if rng.random() < 0.3 else -1
    until = p.rows if rng.random() < 0.7 else min(p.rows, row + 1 + int(u * 4))
    for r in range(row, until):
        p.order[r] += by
    return {"row": row, "size": by, "unit": "rows", "until": until}


def wrong_row_pitch(p: Plant, rng: Rng, u: float) -> Where:
    """Each move is too long or too short by the same length; holes fade row by row."""
    g = p.disc.geometry
    assert g is not None
    last = (0.55 + 0.9 * u) * _reach(p) * float(rng.choice([-1, 1]))
    each = last / max(p.rows - 1, 1)
    p.rest = p.rest + each * np.arange(p.rows)
    return {"size": 100 * each / g.row_pitch, "unit": "percent of the pitch"}


def backlash(p: Plant, rng: Rng, u: float) -> Where:
    """The first move in a new direction is lost in the thread's play; later rows keep it."""
    first = 1 if rng.random() < 0.7 else max(1, _row(p, rng, 1))
    size = (0.6 + 0.5 * u) * _reach(p)
    from tests.world.disc_b import radii

    inward = p.rows > 1 and radii(p.disc)[1] < radii(p.disc)[0]
    p.rest = p.rest + np.where(np.arange(p.rows) >= first, size if inward else -size, 0)
    return {"row": first, "size": size, "unit": "mm"}


def data_dead(p: Plant, rng: Rng, u: float) -> Where:
    """A wire breaks: the input floats to a level, with its noise."""
    since = float(rng.uniform(0.98 - 0.9 * u, 0.98))
    p.data.events.append(("dead", since, 9.0, float(rng.uniform(0.1, p.data.supply - 0.3))))
    return {"row": int(since * p.rows), "size": since, "unit": "share of the reading"}


def data_stuck(p: Plant, rng: Rng, u: float) -> Where:
    """A short to ground or to the supply, from the outset or for a while."""
    whole = rng.random() < 0.6
    since = -9.0 if whole else float(rng.uniform(0, 0.6))
    until = 9.0 if whole else since + 0.05 + 0.35 * u
    level = float(rng.choice([0.0, p.data.supply]))
    p.data.events.append(("stuck", since, until, level))
    return {"size": level, "unit": "V", "whole": whole}


def lamp_out(p: Plant, rng: Rng, u: float) -> Where:
    """The data detector's lamp fails, or the one that both share."""
    since = float(rng.uniform(0.97 - 0.9 * u, 0.97))
    left = float(rng.choice([0.0, rng.uniform(0, 0.2)]))
    p.data.events.append(("lamp", since, 9.0, left))
    shared = bool(rng.random() < 0.4)
    if shared:
        p.clock.events.append(("lamp", since, 9.0, left))
    return {"row": int(since * p.rows), "size": left, "unit": "of its light", "shared": shared}


def threshold_outside(p: Plant, rng: Rng, u: float) -> Where:
    """The maker's threshold lies beyond the signal's swing."""
    beyond = (0.55 + 0.35 * u) * p.data.swing + 3 * p.data.noise
    low, high = 0.06, p.data.supply - 0.12
    level = p.data.middle + beyond * float(rng.choice([-1, 1]))
    p.believed["threshold"] = float(np.clip(level, low, high))
    return {"size": p.believed["threshold"], "unit": "V"}


def threshold_off(p: Plant, rng: Rng, u: float) -> Where:
    """The threshold lies within the swing but far from its middle."""
    off = (0.32 + 0.15 * u) * p.data.swing * float(rng.choice([-1, 1]))
    p.data.grain += 0.03 + 0.05 * u
    p.believed["threshold"] = p.data.middle + off
    return {"size": p.believed["threshold"], "unit": "V"}


def clock_missing(p: Plant, rng: Rng, u: float) -> Where:
    """Dirt fills holes of the clock row."""
    count = 1 + int(3 * u * rng.random())
    places = rng.choice(np.arange(1, p.positions), count, replace=False)
    p.clock_open[places] = False
    return {"position": sorted(int(i) for i in places), "size": count, "unit": "holes"}


def clock_doubled(p: Plant, rng: Rng, u: float) -> Where:
    """Scratches or extra holes between those of the clock row."""
    count = 1 + int(3 * u * rng.random())
    places = rng.choice(np.arange(1, p.positions - 1), count, replace=False)
    p.clock_extra = sorted(float(i) + 0.5 for i in places)
    return {"position": sorted(int(i) for i in places), "size": count, "unit": "holes"}


def motor_off_speed(p: Plant, rng: Rng, u: float) -> Where:
    """A wrong pulley or voltage: the speed is not the one set."""
    factor = 1 + (0.04 + 0.3 * u) * float(rng.choice([-1, 1]))
    p.rpm *= factor
    return {"size": 100 * (factor - 1), "unit": "percent"}


def motor_drift(p: Plant, rng: Rng, u: float) -> Where:
    """A battery runs down or a bearing warms: the speed changes over the reading."""
    total = (0.22 + 0.4 * u) * float(rng.choice([-1, 1], p=[0.7, 0.3]))
    shape = np.linspace(0, 1, len(p.drift)) ** rng.uniform(0.6, 1.8)
    p.drift = total * (shape - 0.3)
    return {"size": 100 * total, "unit": "percent"}


def lamp_hum(p: Plant, rng: Rng, u: float) -> Where:
    """A mains lamp without smoothing: light and dark a hundred times a second."""
    p.data.lamp_hum = 0.5 + 0.5 * u
    p.clock.lamp_hum = 0.2 * float(rng.random())
    return {"size": 100 * p.data.lamp_hum, "unit": "percent of the light"}


def ambient_light(p: Plant, rng: Rng, u: float) -> Where:
    """Sun on the detector lifts holes towards or over the threshold."""
    since = -9.0 if rng.random() < 0.4 else float(rng.uniform(0, 0.8))
    until = 9.0 if rng.random() < 0.6 else since + 0.1 + 0.5 * u
    size = (1 - p.data.residue) * (0.5 + 0.6 * u)
    p.data.events.append(("ambient", since, until, size))
    p.believed.setdefault("threshold", p.data.middle)
    return {"size": size, "unit": "of clean material's light", "since": since}


def warped_disc(p: Plant, rng: Rng, u: float) -> Where:
    """Once a turn the disc bends away from the detectors, and less light returns."""
    p.warp = (0.5 + 0.45 * u, float(rng.random()), 1)
    p.believed.setdefault("threshold", p.data.middle)
    return {"position": round(p.warp[1] * p.positions), "size": p.warp[0], "unit": "of the light"}


def clock_loose(p: Plant, rng: Rng, u: float) -> Where:
    """The clock detector's bracket is loose and jumps, or its plug has a bad contact."""
    g = p.disc.geometry
    assert g is not None
    if rng.random() < 0.7:
        wide = _reach(p) / (2 * np.pi * abs(g.first_row_radius) / p.positions)
        size = min((0.8 + 0.5 * u) * wide, 0.7)
        times = np.sort(rng.uniform(0, 0.95, 1 + int(1 + 6 * u)))
        sign = float(rng.choice([-1, 1]))
        p.loose = [(float(at), sign * size * (i % 2 == 0)) for i, at in enumerate(times)]
        p.rattle = 0.1 * size
        return {"size": size, "unit": "positions", "kind": "bracket"}
    count = 2 + int(10 * u)
    lasts = (2 + 8 * u * rng.random()) / (p.positions * p.rows * 2)
    p.contact = [(float(a), float(a + lasts)) for a in rng.uniform(0, 0.95, count)]
    return {"size": count, "unit": "drop-outs", "kind": "contact"}


def amplifier_saturated(p: Plant, rng: Rng, u: float) -> Where:
    """Too much gain: material drives the amplifier far over its rail, and it recovers late."""
    p.believed.setdefault("threshold", p.data.middle)
    factor = 1.6 + 5 * u
    wide = _reach(p) * 2 / (2 * np.pi * abs(p.disc.geometry.first_row_radius))  # type: ignore[union-attr]
    p.data.gain *= factor
    p.data.recovery = (0.2 + 0.8 * u) * wide * 60 / p.rpm
    return {"size": factor, "unit": "times the gain"}


def recorder_drops(p: Plant, rng: Rng, u: float) -> Where:
    """The recorder loses blocks of samples."""
    count = 1 + int(8 * u)
    lasts = (0.8 + 10 * u * rng.random()) * p.position_s
    p.believed["drops"] = tuple((float(a), lasts) for a in rng.uniform(0.05, 0.95, count))
    return {"size": lasts, "unit": "s", "count": count}


def filter_delay(p: Plant, rng: Rng, u: float) -> Where:
    """The data detector's filter is far too slow."""
    wide = 2 * _reach(p) / (2 * np.pi * abs(p.disc.geometry.first_row_radius))  # type: ignore[union-attr]
    p.data.tau = (0.6 + 1.2 * u) * wide * 60 / p.rpm
    p.believed.setdefault("threshold", p.data.middle)
    return {"size": p.data.tau, "unit": "s"}


def noise(p: Plant, rng: Rng, u: float) -> Where:
    """The data detector's noise reaches its swing."""
    p.data.noise = p.data.swing * (0.45 + 1.2 * u)
    return {"size": float(-20 * np.log10(p.data.noise / p.data.swing)), "unit": "dB"}


def _flip(p: Plant, rng: Rng, u: float, wanted: bool) -> Where:
    there = np.argwhere(p.holes == wanted)
    count = 1 + int(5 * u * rng.random())
    chosen = rng.permutation(there)[: min(count, len(there))]
    for r, q in chosen:
        p.holes[r, q] = not wanted
    first = chosen[0] if len(chosen) else (0, 0)
    return {"row": int(first[0]), "position": int(first[1]), "size": len(chosen), "unit": "holes"}


def blocked_hole(p: Plant, rng: Rng, u: float) -> Where:
    """Dirt fills data holes."""
    return _flip(p, rng, u, True)


def extra_hole(p: Plant, rng: Rng, u: float) -> Where:
    """Holes that nobody designed."""
    return _flip(p, rng, u, False)


def wrong_setting(p: Plant, rng: Rng, u: float) -> Where:
    """The machine is right and what it was told is wrong: turning, hole sense or row start."""
    which = str(rng.choice(["turning", "hole-means", "row-start"]))
    if which == "turning":
        p.way = -p.way
    elif which == "hole-means":
        p.holes = ~p.holes
    else:
        p.believed["row-start"] = "index" if p.row_start != "index" else "next-position"
    return {"setting": which}


def disc_other(p: Plant, rng: Rng, u: float) -> Where:
    """Another disc with rows of the same places lies on the player."""
    while True:
        bits = disc_of(rng).grid.reshape(-1)
        if bits.size >= p.holes.size // 4:
            break
    other = np.resize(bits, p.holes.shape) == p.disc.layout.hole_means
    p.holes = other
    return {}


LOG_FAULTS: dict[str, Callable[[Plant, Rng, float], Where]] = {
    "rows-swapped": rows_swapped, "stage-early": stage_early, "stage-late": stage_late,
    "stage-missed-step": stage_missed_step, "wrong-row-pitch": wrong_row_pitch,
    "backlash": backlash, "slow-stage": slow_stage, "data-dead": data_dead,
    "data-stuck": data_stuck, "lamp-out": lamp_out, "threshold-outside": threshold_outside,
    "threshold-off": threshold_off, "clock-missing": clock_missing,
    "clock-doubled": clock_doubled, "motor-off-speed": motor_off_speed,
    "motor-drift": motor_drift, "lamp-hum": lamp_hum, "ambient-light": ambient_light,
    "warped-disc": warped_disc, "clock-loose": clock_loose,
    "amplifier-saturated": amplifier_saturated, "recorder-drops": recorder_drops,
    "filter-delay": filter_delay, "noise": noise, "blocked-hole": blocked_hole,
    "extra-hole": extra_hole, "wrong-setting": wrong_setting, "disc-other": disc_other,
}  # fmt: skip
KEEPS_BITS = {
    "motor-off-speed", "motor-drift", "clock-missing", "clock-doubled", "recorder-drops",
    "wrong-setting",
}  # fmt: skip
"""Faults that may leave every bit right: they are clear departures from what was set."""
