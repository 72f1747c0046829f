"""What can be wrong with a machine of generator d, from a size that its maker just notices to a
gross one.

Each function takes a healthy machine, a size from 0 to 1 and a source of chance, changes the
machine, and returns what it did. Sizes are shares of what they compete with: of a hole (a detector
that is off by less than a third of one still sees it), of a position, of the swing between
material and hole. They follow from the model in `plant_d`, not from any reader.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from sonify.disc.disc import Disc
from tests.world.build_d import level
from tests.world.design_d import design
from tests.world.drive_d import Rng
from tests.world.eye_d import taken_by
from tests.world.plant_d import Machine
from tests.world.recorder_d import Recorder

Where = dict[str, Any]
Fault = Callable[[Machine, float, Rng], Where]


def scaled(u: float, low: float, high: float) -> float:
    """From `low` at size 0 to `high` at size 1, in even ratios."""
    return low * (high / low) ** u


def _bounds(m: Machine) -> tuple[float, float]:
    """The levels in V of a whole hole and of solid material, at the data detector."""
    assert m.disc.geometry is not None
    share = float(taken_by(m.data, m.disc.geometry.hole_diameter)[1][0])
    low, high = level(m.data, 1 - (1 - m.data.through) * share), level(m.data, 1)
    return (m.data.supply - low, m.data.supply - high) if m.upside else (low, high)


def _hole(m: Machine) -> float:
    assert m.disc.geometry is not None
    return m.disc.geometry.hole_diameter


def _some_rows(m: Machine, u: float, rng: Rng) -> np.ndarray:
    """From one row (never the first) to all of them."""
    count = max(1, round(u * (m.disc.rows - 1)))
    return np.sort(rng.choice(np.arange(1, m.disc.rows), count, replace=False))


def rows_swapped(m: Machine, u: float, rng: Rng) -> Where:
    """A wrong table of rows in the firmware, two of them or more in each other's places."""
    count = 2 if u < 0.6 or m.disc.rows < 4 else 3
    rows = rng.choice(m.disc.rows, count, replace=False)
    order = np.arange(m.disc.rows)
    order[rows] = np.roll(rows, 1)
    m.stage.order = order.tolist()
    return {"rows": sorted(rows.tolist())}


def stage_early(m: Machine, u: float, rng: Rng) -> Where:
    """A timer that is set before the row's end: the stage leaves while the row is still read, from
    two positions to two thirds of the row too early."""
    rows = _some_rows(m, float(rng.random()), rng)
    count = round(scaled(u, 2, 0.66 * m.disc.positions))
    m.stage.lag[rows] = -(count + 0.5) * m.position_s
    return {"rows": rows.tolist(), "positions": count}


def stage_late(m: Machine, u: float, rng: Rng) -> Where:
    """A relay or a driver that is slow to wake: the stage arrives two positions to two thirds of
    the row after the row began. `run` says when that is, so the lag is set by `place_late`."""
    rows = _some_rows(m, float(rng.random()), rng)
    return {"rows": rows.tolist(), "positions": round(scaled(u, 2, 0.66 * m.disc.positions))}


def stage_missed_step(m: Machine, u: float, rng: Rng) -> Where:
    """A stepper falls back by whole electrical periods, four full steps each, at one move. It
    counts once the detector is 0.45 of a hole off, and the worst is a whole row."""
    assert m.disc.geometry is not None
    lost = scaled(u, 0.45 * _hole(m), 1.05 * m.disc.geometry.row_pitch)
    period = 4 * m.stage.step
    lost = period * max(1, math.ceil(lost / period))
    row = int(rng.integers(1, m.disc.rows))
    m.stage.offset[row:] -= lost
    return {"row": row, "mm": lost}


def wrong_row_pitch(m: Machine, u: float, rng: Rng) -> Where:
    """Steps per mm of another screw or with a slip of the pen: the last row is off by half a hole,
    to a row and a half."""
    assert m.disc.geometry is not None
    off = scaled(u, 0.5 * _hole(m), 1.5 * m.disc.geometry.row_pitch) / (m.disc.rows - 1)
    m.stage.pitch += float(rng.choice([-1, 1])) * min(off, 0.5 * m.stage.pitch)
    return {"mm": m.stage.pitch}


def backlash(m: Machine, u: float, rng: Rng) -> Where:
    """A worn nut: after each move the carriage rests anywhere within its play, half a hole to two
    holes wide, and is shaken by the turning disc."""
    play = scaled(u, 0.7, 2.2) * _hole(m)
    m.stage.offset += play * (rng.random(m.disc.rows) - 0.5)
    m.stage.play += 0.15 * play * float(rng.random())
    return {"mm": play}


def slow_stage(m: Machine, u: float, rng: Rng) -> Where:
    """Dry guides and a current that is set too low: each move takes longer than the profile says.
    The firmware waits for its end and reads later, or does not and reads too soon; `place_late`
    sets how long."""
    m.stage.waits = bool(rng.random() < 0.35)
    return {"waits": m.stage.waits, "positions": round(scaled(u, 3, 0.8 * m.disc.positions))}


def _level_of_a_fault(m: Machine, rng: Rng) -> float:
    supply = m.data.supply
    return float(rng.choice([m.data.rail, supply - m.data.rail, 0.45 * supply]))


def data_dead(m: Machine, u: float, rng: Rng) -> Where:
    """A wire that breaks, a fuse: from some row on there is one level only. The less is read, the
    plainer."""
    row = max(1, round((1 - u) * (m.disc.rows - 1)))
    at = int(rng.integers(0, m.disc.positions // 2)) if rng.random() < 0.5 else 0
    m.dead = (row, at, _level_of_a_fault(m, rng))
    return {"row": row, "position": at}


def data_stuck(m: Machine, u: float, rng: Rng) -> Where:
    """A solder bridge: one level all the time."""
    m.dead = (-1, 0, _level_of_a_fault(m, rng))
    return {"level": m.dead[2]}


def lamp_out(m: Machine, u: float, rng: Rng) -> Where:
    """The data detector's lamp does not burn, or fails in the middle of the read. Light of the room
    is still seen."""
    m.data.lit = -1.0 if rng.random() < 0.5 else float(rng.uniform(0.15, 0.85)) * (1 - 0.6 * u)
    return {"lit": m.data.lit}


def threshold_outside(m: Machine, u: float, rng: Rng) -> Where:
    """A trimmer at its end: beyond the level of material or that of holes by a twentieth to a half
    of the swing, as far as the supply allows."""
    low, high = _bounds(m)
    beyond = scaled(u, 0.05, 0.5) * (high - low)
    choices = [v for v in (high + beyond, low - beyond) if 0 < v < m.data.supply]
    m.threshold = float(rng.choice(choices or [high + 0.02 * (high - low)]))
    return {"volts": m.threshold}


def threshold_off(m: Machine, u: float, rng: Rng) -> Where:
    """A trimmer that was turned: between the levels, but so near to one that bits are wrong.
    `machine_d` moves it on until some are."""
    low, high = _bounds(m)
    near = scaled(1 - u, 0.03, 0.2)
    share = near if rng.random() < 0.5 else 1 - near
    m.threshold = low + share * (high - low)
    return {"share": share}


def clock_missing(m: Machine, u: float, rng: Rng) -> Where:
    """Holes of the clock row that were never punched: one to a sixth of them."""
    count = round(scaled(u, 1, m.disc.positions / 6))
    at = np.sort(rng.choice(m.disc.positions, count, replace=False))
    m.clock_size[at] = 0
    return {"positions": at.tolist()}


def clock_doubled(m: Machine, u: float, rng: Rng) -> Where:
    """Burrs that bridge holes of the clock row: two pulses for one hole, at one to a sixth of
    them."""
    count = round(scaled(u, 1, m.disc.positions / 6))
    at = np.sort(rng.choice(m.disc.positions, count, replace=False))
    m.burr[at] = rng.uniform(0.85, 1.0, count)
    # a burr shows only to a spot that is finer than the hole
    m.clock.spot = min(m.clock.spot, 0.15 * _hole(m))
    m.clock.scatter = min(m.clock.scatter, 0.04)
    return {"positions": at.tolist()}


def motor_off_speed(m: Machine, u: float, rng: Rng) -> Where:
    """A wrong pulley or supply: 6 to 40 % off. 6 % is a semitone, were it a tape, and twice what
    the tolerance of a small motor explains."""
    m.drive.off = float(rng.choice([-1, 1])) * scaled(u, 0.06, 0.4)
    return {"share": m.drive.off}


def motor_drift(m: Machine, u: float, rng: Rng) -> Where:
    """A battery that runs down, a slipping belt: 26 to 65 % over the read, as a sound machine may
    have up to 20 %."""
    m.drive.drift = float(rng.choice([-1, -1, 1])) * scaled(u, 0.26, 0.65)
    m.drive.bow = float(rng.choice([0, 0, 2]))
    return {"share": m.drive.drift}


def lamp_hum(m: Machine, u: float, rng: Rng) -> Where:
    """A lamp fed with alternating current: ripple at twice the mains frequency, 8 % (a filament
    lamp of a few watts) to 70 % (a light-emitting diode after a rectifier)."""
    depth = scaled(u, 0.08, 0.7)
    m.data.hum = depth
    if rng.random() < 0.6:
        m.clock.hum = depth * float(rng.uniform(0.3, 1.0))
    return {"depth": depth, "hz": 2 * m.mains}


def ambient_light(m: Machine, u: float, rng: Rng) -> Where:
    """Sun or a lamp on the data detector or both, 0.25 to 1.2 of what solid material gives, all
    the time or for a part of it; headroom of the amplifier as it is."""
    m.data.ambient = scaled(u, 0.25, 1.2)
    m.data.flicker = 0.0 if rng.random() < 0.6 else float(rng.uniform(0.05, 0.3))
    if rng.random() < 0.6:
        a, b = np.sort(rng.random(2))
        m.data.shade = (float(a), float(max(b, a + 0.25)))
    if rng.random() < 0.4:
        # not so much that the clock is lost
        m.clock.ambient, m.clock.shade = 0.4 * m.data.ambient, m.data.shade
    return {"share": m.data.ambient, "from-to": m.data.shade}


def warped_disc(m: Machine, u: float, rng: Rng) -> Where:
    """A bent disc comes and goes once or twice a turn: the light changes by 15 to 60 %."""
    m.warp, m.lobes = scaled(u, 0.15, 0.6), int(rng.choice([1, 1, 2]))
    return {"share": m.warp}


def clock_loose(m: Machine, u: float, rng: Rng) -> Where:
    """The clock detector slides in its clamp: by 0.15 to 0.45 of a position, at random."""
    m.loose = scaled(u, 0.15, 0.45)
    return {"positions": m.loose}


def amplifier_saturated(m: Machine, u: float, rng: Rng) -> Where:
    """Somebody turned up the gain: material drives the data amplifier into its supply, 1.4 to 8
    times over."""
    reach = (m.data.supply - m.data.rail - m.data.dark) / (m.data.solid - m.data.dark)
    m.data.gain = reach * scaled(u, 1.4, 8)
    return {"gain": m.data.gain}


def filter_delay(m: Machine, u: float, rng: Rng) -> Where:
    """A capacitor too large at the data amplifier: a time constant of 0.12 to 0.7 of a position."""
    m.data.late = scaled(u, 0.12, 0.7) * m.position_s
    return {"s": m.data.late}


def noise(m: Machine, u: float, rng: Rng) -> Where:
    """A bad contact or a missing screen: from 8 dB, where single samples err, down to -2 dB."""
    m.snr_db = 8 - 10 * u
    return {"dB": m.snr_db}


def blocked_hole(m: Machine, u: float, rng: Rng) -> Where:
    """Slugs of the punch that stuck: one to eight holes closed, or open by up to a third."""
    at = np.argwhere(m.size > 0)
    count = min(len(at), round(scaled(u, 1, 8)))
    some = at[rng.choice(len(at), count, replace=False)]
    rest = 0.33 * float(rng.random()) if rng.random() < 0.5 else 0.0
    m.size[some[:, 0], some[:, 1]] *= rest
    return {"places": some.tolist(), "open": rest}


def extra_hole(m: Machine, u: float, rng: Rng) -> Where:
    """A slip of the punch, a tear: one to eight holes too many."""
    at = np.argwhere(m.size == 0)
    count = min(len(at), round(scaled(u, 1, 8)))
    some = at[rng.choice(len(at), count, replace=False)]
    m.size[some[:, 0], some[:, 1]] = _hole(m) * rng.uniform(0.8, 1.1, count)
    return {"places": some.tolist()}


def _cut_as(m: Machine, grid: np.ndarray) -> None:
    """Put another pattern of holes on the disc."""
    holes = grid == m.disc.layout.hole_means
    whole = np.where(m.size > 0, m.size, _hole(m))
    m.size = whole * holes


def wrong_setting(m: Machine, u: float, rng: Rng) -> Where:
    """The machine or the cut follows another setting than the profile or the disc file."""
    grid = m.disc.grid
    kinds = ["turned", "reversed", "inverted", "row-start"]
    code = m.disc.code
    if code is not None and grid.size % code.unit_bits == 0:
        kinds.append("bit-order")
    kind = str(rng.choice(kinds))
    if kind == "turned":
        # the disc lies on its face: positions come the other way round, from the same index
        _cut_as(m, np.roll(grid[:, ::-1], 1, axis=1))
    elif kind == "reversed":
        _cut_as(m, grid[::-1])
    elif kind == "inverted":
        _cut_as(m, 1 - grid)
    elif kind == "bit-order":
        assert code is not None
        units = grid.reshape(-1, code.unit_bits)
        order = np.arange(code.unit_bits)
        order[: code.data_bits] = order[: code.data_bits][::-1]
        _cut_as(m, units[:, order].reshape(grid.shape))
    else:
        m.notes["profile-row-start"] = "index" if m.stage.on_index else "next-position"
        m.stage.on_index = not m.stage.on_index
    return {"setting": kind}


def disc_other(m: Machine, u: float, rng: Rng) -> Where:
    """Another disc of the same sizes lies on the plate."""
    rows, n = m.disc.grid.shape
    other: Disc | None = None
    while other is None or other.grid.shape[0] < 2:
        other = design(rng)
    bits = np.resize(other.grid, (rows, n)).astype(np.int8)
    _cut_as(m, bits)
    return {"message": other.message}


def recorder_drops(m: Machine, rec: Recorder, u: float, rng: Rng) -> Where:
    """A buffer overruns, one to twelve times: 0.4 to 5 positions are lost each time."""
    count = round(scaled(float(rng.random()), 1, 12))
    rec.lost = [
        (float(rng.uniform(0.06, 0.94)),
         scaled(u, 0.4, 5) * m.position_s * float(rng.uniform(0.8, 1.25)))
        for _ in range(count)
    ]  # fmt: skip
    rec.gap = bool(rng.random() < 0.3) and "counts" not in rec.kind and "wav" not in rec.kind
    return {"times": count, "gap": rec.gap}


FAULTS: dict[str, Fault | None] = {
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
    "recorder-drops": None,
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
"""All faults; those of the recorder and of the MIDI line change no machine."""

ANALOGUE_ONLY = {
    "threshold-outside", "threshold-off", "lamp-hum", "ambient-light", "warped-disc",
    "amplifier-saturated", "noise", "lamp-out", "wrong-row-pitch", "backlash",
}  # fmt: skip
"""What a comparator's record hides, or shows only as wrong bits that anything could make."""
