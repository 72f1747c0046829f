"""What can be wrong with a machine of generator e.

Each function changes a sound rig by a size from 0 (its maker just notices) to 1 (gross), and
returns what it did. The shares come from what they compete with: half a hole of offset halves what
a detector sees; a tenth of the swing shows on an oscilloscope; a sound machine's own limits are in
`rig_e`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from tests.world.rig_e import Rig, Rng, design

Where = dict[str, Any]


def between(u: float, small: float, large: float) -> float:
    """Even steps of size are even steps of the square root, which favours small faults."""
    return small + (large - small) * u**1.5


def rows_swapped(r: Rig, u: float, rng: Rng) -> Where:
    """The template was moved in the wrong order: two rows, or each pair of neighbours, are punched
    in each other's places."""
    rows = r.disc.rows
    order = np.arange(rows)
    if u < 0.7 or rows < 4:
        a, b = rng.choice(rows, 2, replace=False)
        order[[a, b]] = order[[b, a]]
    else:
        even = np.arange(0, rows - 1, 2)
        order[even], order[even + 1] = even + 1, even
    r.cut, r.along = r.cut[order], r.along[order]
    return {"order": order.tolist()}


def stage_early(r: Rig, u: float, rng: Rng) -> Where:
    """The firmware's count is short: each move, or one, begins while the row is still read."""
    count = max(2, round(between(u, 0.08, 0.8) * r.positions))
    one = rng.random() < 0.5
    rows = [int(rng.integers(1, r.disc.rows))] if one else list(range(1, r.disc.rows))
    r.lag[rows] = -count * r.slot_s - 0.3 * r.taken
    return {"rows": rows, "positions": count}


def stage_late(r: Rig, u: float, rng: Rng) -> Where:
    """A sticky pawl lets the stage go late at some rows or one: `machine_e` adds the time to spare
    that the sound machine has there."""
    count = max(2, round(between(u, 0.08, 0.8) * r.positions))
    one = rng.random() < 0.5
    rows = [int(rng.integers(1, r.disc.rows))] if one else list(range(1, r.disc.rows, 2))
    return {"rows": rows, "positions": count}


def stage_missed_step(r: Rig, u: float, rng: Rng) -> Where:
    """The motor stalls for a part of one move, once or twice: pulses are not followed. From half a
    hole to one row and a fifth."""
    total = between(u, 0.5 * r.sizes.hole_diameter, 1.2 * r.sizes.row_pitch)
    times = 2 if rng.random() < 0.3 and r.disc.rows > 3 else 1
    rows = rng.choice(np.arange(1, r.disc.rows), times, replace=False)
    for row in rows.tolist():
        lost = round(total / times / r.step)
        r.pulses[row] = max(0, r.pulses[row] - lost)
    return {"rows": sorted(rows.tolist()), "mm": total}


def wrong_row_pitch(r: Rig, u: float, rng: Rng) -> Where:
    """Another gear or the driver's jumper on half steps: too many or too few pulses a row, at the
    last row by half a hole, to twice or half of all."""
    per = r.pulses[1]
    if u > 0.85:
        factor = float(rng.choice([0.5, 2.0]))
    else:
        off = between(u / 0.85, 0.5, 3) * r.sizes.hole_diameter / (r.disc.rows - 1)
        factor = 1 + float(rng.choice([-1, 1])) * min(off / r.sizes.row_pitch, 0.45)
    r.pulses[1:] = [max(1, round(per * factor))] * (r.disc.rows - 1)
    return {"factor": factor}


def backlash(r: Rig, u: float, rng: Rng) -> Where:
    """A worn nut whose spring has gone: the carriage rests at one end of its play or the other."""
    play = between(u, 0.6, 2.0) * r.sizes.hole_diameter
    side = rng.random(r.disc.rows) < 0.5
    side[0], side[int(rng.integers(1, r.disc.rows))] = False, True
    r.rest = r.rest - play * side * rng.uniform(0.8, 1.0, r.disc.rows)
    return {"mm": play}


def slow_stage(r: Rig, u: float, rng: Rng) -> Where:
    """Old grease: moves take longer than the profile says, and rows are read too soon, or after the
    firmware has waited."""
    r.waits = bool(rng.random() < 0.4)
    factor = between(u, 0.15, 1.2)
    if r.waits and r.on_index:
        r.taken = r.move + 60 / r.rpm * (0.8 + factor)
    elif r.waits:
        r.taken = r.move + 60 / r.rpm * factor
    return {"waits": r.waits, "positions": max(3, round(0.6 * factor * r.positions))}


def _any_level(r: Rig, rng: Rng) -> float:
    return float(rng.choice([0.0, r.supply, rng.uniform(0.2, 0.8) * r.supply]))


def data_dead(r: Rig, u: float, rng: Rng) -> Where:
    """A cold joint opens: one level from some place on."""
    row = min(max(1, r.disc.rows - 1 - int(u * (r.disc.rows - 1))), r.disc.rows - 1)
    at = int(rng.integers(0, max(1, r.positions // 3)))
    r.dead = (row, at, _any_level(r, rng))
    return {"row": row, "position": at}


def data_stuck(r: Rig, u: float, rng: Rng) -> Where:
    """The output is shorted to a supply, or open, all the time."""
    r.dead = (-1, 0, _any_level(r, rng))
    return {"level": r.dead[2]}


def lamp_out(r: Rig, u: float, rng: Rng) -> Where:
    """The filament of the data lamp burns through, before or during the read."""
    r.fade = -1.0 if rng.random() < 0.4 else float(rng.uniform(0.1, 0.9))
    return {"share": r.fade}


def threshold_outside(r: Rig, u: float, rng: Rng) -> Where:
    """The trimmer was left at an end."""
    beyond = between(u, 0.06, 0.6)
    ok = [s for s in (-beyond, 1 + beyond) if 0 < r.volts(s) < r.supply]
    r.threshold = float(rng.choice(ok)) if ok else -0.05
    return {"share": r.threshold}


def threshold_off(r: Rig, u: float, rng: Rng) -> Where:
    """The trimmer has wandered towards one level; `machine_e` goes on until bits are wrong."""
    near = between(1 - u, 0.03, 0.22)
    r.threshold = near if rng.random() < 0.5 else 1 - near
    return {"share": r.threshold}


def clock_missing(r: Rig, u: float, rng: Rng) -> Where:
    """Hair and dust before the clock detector: one in a hundred to one in seven pulses fails."""
    r.weak = between(u, 0.01, 0.14)
    return {"share": r.weak}


def clock_doubled(r: Rig, u: float, rng: Rng) -> Where:
    """The clock's contact bounces at one in a hundred to one in six holes, within edges steep
    enough to show it."""
    r.bounce = between(u, 0.01, 0.16)
    half = r.sizes.hole_diameter / 2 / (2 * np.pi * r.sizes.clock_radius / r.positions)
    r.soft = min(r.soft, 0.06 * half)
    return {"share": r.bounce}


def motor_off_speed(r: Rig, u: float, rng: Rng) -> Where:
    """50 Hz for 60 Hz, another pulley, a slack spring: 5 to 45 %."""
    r.off = float(rng.choice([-1, 1])) * between(u, 0.05, 0.45)
    return {"share": r.off}


def motor_drift(r: Rig, u: float, rng: Rng) -> Where:
    """A clockwork that runs down or a motor that warms up: a quarter to seven tenths."""
    r.drift, r.stalls = float(rng.choice([-1, 1])) * between(u, 0.25, 0.7), []
    return {"share": r.drift, "shape": r.shape}


def lamp_hum(r: Rig, u: float, rng: Rng) -> Where:
    """A lamp on a rectifier whose capacitor has dried out: a tenth to all of its light."""
    r.hum = between(u, 0.1, 1.0)
    r.clock_hum = r.hum * float(rng.choice([0.0, 0.5, 1.0]))
    return {"depth": r.hum, "hz": 2 * r.mains}


def ambient_light(r: Rig, u: float, rng: Rng) -> Where:
    """A door opens, a lamp is switched on, the sun comes round: up to three patches of light."""
    much = between(u, 0.25, 1.3)
    if rng.random() < 0.4:
        r.light = [(-1.0, 2.0, much)]
    else:
        for _ in range(int(rng.integers(1, 4))):
            at = float(rng.uniform(0, 0.8))
            r.light.append((at, at + float(rng.uniform(0.15, 0.5)), much))
    return {"light": r.light}


def warped_disc(r: Rig, u: float, rng: Rng) -> Where:
    """Card that got damp: the light changes by 14 to 70 % once or twice a turn."""
    r.bend, r.bends = between(u, 0.14, 0.7), int(rng.choice([1, 2]))
    return {"share": r.bend, "times": r.bends}


def clock_loose(r: Rig, u: float, rng: Rng) -> Where:
    """One screw holds the clock detector: it rattles, and jumps when the stage moves."""
    r.shake = between(u, 0.15, 0.45), float(rng.uniform(3, 15))
    return {"positions": r.shake[0]}


def amplifier_saturated(r: Rig, u: float, rng: Rng) -> Where:
    """A feedback resistor of ten times the value, or a little more than it should have."""
    r.gain = between(u, 1.6, 10) * r.supply / r.solid
    return {"gain": r.gain}


def recorder_drops(r: Rig, u: float, rng: Rng) -> Where:
    """A card that is slow to write, once in a while or regularly: half a position to six."""
    count = int(rng.integers(1, 15))
    if rng.random() < 0.5:
        places = (np.arange(count) + float(rng.random())) / count
    else:
        places = np.sort(rng.uniform(0.05, 0.95, count))
    long = between(u, 0.5, 6) * r.slot_s
    r.lost = [(float(p), long) for p in places if 0.03 < p < 0.97] or [(0.5, long)]
    r.lost_shows = bool(rng.random() < 0.25)
    return {"times": len(r.lost), "s": long, "shows": r.lost_shows}


def filter_delay(r: Rig, u: float, rng: Rng) -> Where:
    """A low-pass against hum with a corner far too low for this disc."""
    r.late = between(u, 0.13, 0.8) * r.slot_s
    return {"s": r.late}


def noise(r: Rig, u: float, rng: Rng) -> Where:
    """An open screen: 7 to -3 dB, or crackling contacts over a noise of 12 dB."""
    if rng.random() < 0.3:
        r.snr_db, r.crackle = 12, between(u, 0.05, 0.5)
    else:
        r.snr_db = 7 - 10 * u
    return {"dB": r.snr_db, "crackle": r.crackle}


def _cluster(r: Rig, wanted: np.ndarray, count: int, rng: Rng) -> np.ndarray:
    """Places of one kind near each other, or all over the disc."""
    at = np.argwhere(wanted)
    if rng.random() < 0.5:
        near = at[int(rng.integers(len(at)))]
        at = at[np.argsort(np.abs(at - near) @ [4, 1], kind="stable")][: 2 * count]
    return at[rng.choice(len(at), min(count, len(at)), replace=False)]


def blocked_hole(r: Rig, u: float, rng: Rng) -> Where:
    """A drop of glue, a sticker, slugs: one to ten holes, shut for at least three quarters."""
    places = _cluster(r, r.cut, round(between(u, 1, 10)), rng)
    r.shut[places[:, 0], places[:, 1]] = rng.uniform(0.75, 1.0)
    return {"places": places.tolist()}


def extra_hole(r: Rig, u: float, rng: Rng) -> Where:
    """The punch hit the wrong place: one to ten holes."""
    places = _cluster(r, ~r.cut, round(between(u, 1, 10)), rng)
    r.cut[places[:, 0], places[:, 1]] = True
    return {"places": places.tolist()}


def wrong_setting(r: Rig, u: float, rng: Rng) -> Where:
    """The cutting program or the firmware has another setting than the disc file and profile."""
    grid, code = r.disc.grid, r.disc.code
    assert code is not None
    kinds = ["turned", "reversed", "inverted", "row-start"]
    whole = grid.size // code.unit_bits * code.unit_bits
    if code.check == "none":
        kinds.append("bit-order")
    kind = str(rng.choice(kinds))
    if kind == "row-start":
        r.profile_on_index, r.on_index = r.on_index, not r.on_index
        return {"setting": kind}
    if kind == "turned":
        # position 0 stays at twelve o'clock, the others run the other way
        grid = np.concatenate([grid[:, :1], grid[:, :0:-1]], axis=1)
    elif kind == "reversed":
        grid = grid[::-1]
    elif kind == "inverted":
        grid = 1 - grid
    else:
        flat = grid.ravel().copy()
        flat[:whole] = flat[:whole].reshape(-1, code.unit_bits)[:, ::-1].ravel()
        grid = flat.reshape(grid.shape)
    r.cut = grid == r.disc.layout.hole_means
    return {"setting": kind}


def disc_other(r: Rig, u: float, rng: Rng) -> Where:
    """The disc of another day lies on the plate: as many rows and positions, another text."""
    other = design(rng, 2)
    flat = np.resize(other.grid.ravel(), r.disc.grid.size)
    r.cut = flat.reshape(r.disc.grid.shape) == r.disc.layout.hole_means
    return {"message": other.message}


FAULTS: dict[str, Callable[[Rig, float, Rng], Where] | None] = {
    "rows-swapped": rows_swapped,
    "stage-early": stage_early,
    "stage-late": stage_late,
    "stage-missed-step": stage_missed_step,
    "wrong-row-pitch": wrong_row_pitch,
    "backlash": backlash,
    "slow-stage": slow_stage,
    "data-dead": data_dead,
    "data-stuck": data_stuck,
    "lamp-out": lamp_out,
    "threshold-outside": threshold_outside,
    "threshold-off": threshold_off,
    "clock-missing": clock_missing,
    "clock-doubled": clock_doubled,
    "motor-off-speed": motor_off_speed,
    "motor-drift": motor_drift,
    "lamp-hum": lamp_hum,
    "ambient-light": ambient_light,
    "warped-disc": warped_disc,
    "clock-loose": clock_loose,
    "amplifier-saturated": amplifier_saturated,
    "recorder-drops": recorder_drops,
    "filter-delay": filter_delay,
    "noise": noise,
    "blocked-hole": blocked_hole,
    "extra-hole": extra_hole,
    "wrong-setting": wrong_setting,
    "disc-other": disc_other,
    "midi-lost-note-offs": None,
    "midi-lost-notes": None,
    "midi-rows-missing": None,
    "midi-late": None,
}
"""All faults; those of the MIDI line change no machine."""

LEVELS_ONLY = {
    "lamp-out", "threshold-outside", "threshold-off", "lamp-hum", "ambient-light", "warped-disc",
    "amplifier-saturated", "noise", "wrong-row-pitch", "backlash",
}  # fmt: skip
"""What edges alone hide or leave open."""
