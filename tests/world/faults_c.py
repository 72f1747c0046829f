"""What goes wrong in a machine: each fault changes a `Plan` before it runs.

Sizes run from what just does harm to what spoils the take, most of them evenly on a logarithmic
scale. A fault that need not spoil bits (a motor off its speed, a pulse lost) departs from what
was set by more than any healthy take does: see the healthy ranges in `plan_c` and `motor_c`.

- stage-early, stage-late: the stage begins one row before the first row, or one after it, and
  stays one off.
- stage-missed-step: from some row on it is one row behind (that row is read twice) or ahead.
- wrong-row-pitch: each move is too long or too short by the same share.
- backlash: the first move takes up the slack of the screw; later rows lie that much short, less
  where vibration lets the carriage settle.
- slow-stage: the move lasts into the next row.
- amplifier-saturated: more light than the amplifier has room for; holes come close to the rail
  too.
- filter-delay: poles or a moving average in the data channel alone.
- clock-loose: the clock's detector rocks along its row.

`where` counts rows and positions from 0.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

import sonify
from tests.world.disc_c import text
from tests.world.plan_c import Clockwork, Light, Plan

Reals = NDArray[np.float64]
Rng = np.random.Generator

ANALOG = ("csv", "npy", "wav")
VOLTS = ("csv", "npy")
DIGITAL = ("digital", "edges", "vcd")
ALL = ANALOG + DIGITAL


def _between(rng: Rng, low: float, high: float) -> float:
    """Evenly on a logarithmic scale."""
    return low * (high / low) ** float(rng.random())


def _sign(rng: Rng) -> int:
    return int(rng.choice([-1, 1]))


def _say(
    p: Plan, size: float, unit: str, row: int | None = None, position: int | None = None
) -> None:
    p.where = {"row": row, "position": position, "size": size, "unit": unit}


def rows_swapped(p: Plan, rng: Rng) -> None:
    rows = p.disc.rows
    first = int(rng.integers(rows - 1))
    second = first + 1 if rng.random() < 0.6 else int(rng.integers(first + 1, rows))
    p.holes[[first, second]] = p.holes[[second, first]]
    _say(p, second - first, "rows", first)


def _offset_rows(p: Plan, by: Reals) -> None:
    """Move the stage's stops by some rows in the order of reading."""
    step = p.targets[1] - p.targets[0]
    p.targets = p.targets + by * math.copysign(p.disc.geometry.row_pitch, step)  # type: ignore[union-attr]


def stage_early(p: Plan, rng: Rng) -> None:
    _offset_rows(p, np.full(p.disc.rows, -1.0))
    _say(p, -1, "rows", 0)


def stage_late(p: Plan, rng: Rng) -> None:
    _offset_rows(p, np.full(p.disc.rows, 1.0))
    _say(p, 1, "rows", 0)


def stage_missed_step(p: Plan, rng: Rng) -> None:
    row = int(rng.integers(1, p.disc.rows))
    by = -1.0 if rng.random() < 0.7 else 1.0
    _offset_rows(p, np.where(np.arange(p.disc.rows) >= row, by, 0.0))
    _say(p, by, "rows", row)


def wrong_row_pitch(p: Plan, rng: Rng) -> None:
    g, rows = p.disc.geometry, p.disc.rows
    assert g is not None
    last = _between(rng, 0.35 * g.hole_diameter, 1.0 * g.row_pitch) / g.row_pitch
    each = _sign(rng) * min(last / (rows - 1), 0.3)
    _offset_rows(p, each * np.arange(rows))
    _say(p, each * g.row_pitch, "mm per row", 0)


def backlash(p: Plan, rng: Rng) -> None:
    g, rows = p.disc.geometry, p.disc.rows
    assert g is not None
    slack = _between(rng, 0.35, 0.95) * g.hole_diameter
    share = np.where(
        rng.random(rows) < 0.15, rng.uniform(0.1, 0.5, rows), rng.uniform(0.88, 1, rows)
    )
    share[0] = 0
    _offset_rows(p, -share * slack / g.row_pitch)
    _say(p, slack, "mm", 1)


def slow_stage(p: Plan, rng: Rng) -> None:
    turn, wait = p.turn_s, p.stage_s + p.settle_s
    # from the end of a row to the start of the next
    room = wait if p.row_start == "next-position" else turn * math.ceil(wait / turn)
    late = _between(rng, 0.08, 0.6) * turn
    p.move_s = room + late
    _say(p, p.move_s, "s", 1)


def _hold(p: Plan, rng: Rng, from_row: int, from_position: int) -> None:
    level = 0.02 if rng.random() < 0.5 else p.data.rails[1] * float(rng.uniform(0.95, 0.995))
    noise = float(rng.uniform(0.0005, 0.004))
    own = np.random.default_rng(rng.integers(2**63))

    def forced(work: Clockwork, t: Reals) -> Reals:
        start = -1.0
        if from_row > 0 or from_position > 0:
            n = p.disc.positions
            start = float(work.row_s[from_row])
            start += (work.end_s[from_row] - start) * (from_position - 0.5) / n
        return np.where(t >= start, np.abs(level + noise * own.standard_normal(len(t))), np.nan)

    p.forced = forced
    _say(p, level, "V", from_row, from_position)


def data_dead(p: Plan, rng: Rng) -> None:
    row = int(rng.integers(1, p.disc.rows))
    _hold(p, rng, row, 0 if rng.random() < 0.4 else int(rng.integers(p.disc.positions)))


def data_stuck(p: Plan, rng: Rng) -> None:
    _hold(p, rng, 0, 0)


def lamp_out(p: Plan, rng: Rng) -> None:
    p.gain = 0.0 if rng.random() < 0.6 else float(rng.uniform(0.0, 0.05))
    p.data = _with(p.data, hum=p.data.swing * float(rng.uniform(0.0, 0.05)))
    _say(p, p.gain, "of the light")


def _with(channel: object, **changes: float | int | tuple[float, float]) -> object:
    from dataclasses import replace

    return replace(channel, **changes)  # type: ignore[type-var]


def threshold_outside(p: Plan, rng: Rng) -> None:
    beyond = _between(rng, 0.08, 0.5) * p.data.swing
    above = bool(rng.random() < 0.5)
    low, high = (x + p.data.offset for x in (p.data.hole, p.data.material))
    most = 0.25 * p.data.swing * p.data.dull + 5 * p.data.noise + p.data.hum + p.data.wander
    p.threshold = high + most + beyond if above else low - most - beyond
    _say(p, p.threshold, "V")


def threshold_off(p: Plan, rng: Rng) -> None:
    share = _between(rng, 0.03, 0.3)
    if rng.random() < 0.5:
        share = 1 - share
    p.threshold = p.data.hole + p.data.offset + share * p.data.swing
    _say(p, p.threshold, "V")


def clock_missing(p: Plan, rng: Rng) -> None:
    if rng.random() < 0.5:
        lost = rng.choice(p.disc.positions, int(rng.integers(1, 4)), replace=False)
        p.clock_holes[lost] = False
        _say(p, len(lost), "holes of the clock row", None, int(lost[0]))
    else:
        p.pulses_lost = round(_between(rng, 1, 24))
        _say(p, p.pulses_lost, "pulses")


def clock_doubled(p: Plan, rng: Rng) -> None:
    p.pulses_doubled = round(_between(rng, 1, 40))
    _say(p, p.pulses_doubled, "pulses")


def motor_off_speed(p: Plan, rng: Rng) -> None:
    p.drive.drift *= 0.2
    off = _sign(rng) * _between(rng, 0.06, 0.4)
    p.drive.speed = 1 + off
    _say(p, 100 * off, "%")


def motor_drift(p: Plan, rng: Rng) -> None:
    p.drive.drift = _sign(rng) * _between(rng, 0.25, 0.55)
    _say(p, 100 * p.drive.drift, "%")


def lamp_hum(p: Plan, rng: Rng) -> None:
    size = _between(rng, 0.3, 1.5) * p.data.swing
    p.data = _with(p.data, hum=size, pole_hz=max(p.data.pole_hz, 400.0))
    p.rate_floor = 1000.0
    _say(p, size, "V")


def ambient_light(p: Plan, rng: Rng) -> None:
    size = _between(rng, 0.35, 1.6) * p.data.swing
    rows = p.disc.rows
    first = int(rng.integers(0, rows))
    last = int(rng.integers(first, rows))
    part = rng.random(2)
    soft = float(rng.uniform(0.02, 1.0)) * p.turn_s
    flat = rng.random() < 0.6

    def light(work: Clockwork, t: Reals) -> Reals:
        length = work.end_s - work.row_s
        on = work.row_s[first] + 0.7 * part[0] * length[first]
        off = work.end_s[last] - 0.3 * part[1] * length[last] if last > first else work.end_s[last]
        if not flat:  # the sun comes round: rises and falls over the time
            return size * np.exp(-(((t - (on + off) / 2) / ((off - on) / 1.6 + soft)) ** 2))
        rise = 1 / (1 + np.exp(-np.clip((t - on) / soft * 6, -50, 50)))
        return size * (rise - 1 / (1 + np.exp(-np.clip((t - off) / soft * 6, -50, 50))))

    p.lights.append(light)
    _say(p, size, "V", first)


def warped_disc(p: Plan, rng: Rng) -> None:
    depth = _between(rng, 0.8, 5.0)
    p.warp = (depth, float(rng.random()))
    _say(p, 100 * depth / (1 + depth), "% of the light lost")


def clock_loose(p: Plan, rng: Rng) -> None:
    size = _between(rng, 0.14, 0.4)
    length = _between(rng, 1.5, 20.0)
    slack = bool(rng.random() < 0.4)
    own = np.random.default_rng(rng.integers(2**63))

    def loose(work: Clockwork, t: Reals) -> Reals:
        turns = work.motion.at(t)
        knots = int((turns[-1] - turns[0]) * p.disc.positions / length * 2) + 24
        raw = np.convolve(own.standard_normal(knots), [0.25, 0.75, 1.0, 0.75, 0.25], "same")
        raw /= raw.std()
        if slack:  # it lies at one stop or the other
            raw = np.tanh(3 * raw)
        x = (turns - turns[0]) * p.disc.positions / length * 2
        return size * np.interp(x, np.arange(knots), raw)

    p.loose = loose
    _say(p, size, "positions, rms")


def amplifier_saturated(p: Plan, rng: Rng) -> None:
    top = p.data.material * float(rng.uniform(1.02, 1.3))
    p.gain = _between(rng, 1.5, 10.0)
    p.data = _with(p.data, rails=(0.0, top), pole_hz=p.data.pole_hz * float(rng.uniform(0.4, 1)))
    _say(p, top, "V")


def recorder_drops(p: Plan, rng: Rng) -> None:
    p.drops = round(_between(rng, 1, 10))
    p.drop_length = _between(rng, 0.7, 15)
    _say(p, p.drop_length * p.position_s, "s")


def filter_delay(p: Plan, rng: Rng) -> None:
    lag = _between(rng, 0.25, 0.95)
    if rng.random() < 0.5:
        p.lag_s = lag * p.position_s
    else:
        poles = int(rng.integers(2, 4))
        p.data = _with(p.data, poles=poles, pole_hz=poles / (2 * math.pi * lag * p.position_s))
    _say(p, lag * p.position_s, "s")


def noise(p: Plan, rng: Rng) -> None:
    snr_db = float(rng.uniform(-2.0, 10.0))
    rms = p.data.swing / 2 / 10 ** (snr_db / 20)
    p.data = _with(p.data, noise=rms, pink=float(rng.uniform(0, 0.5)))
    _say(p, rms, "V, rms")


def blocked_hole(p: Plan, rng: Rng) -> None:
    _change(p, rng, True)


def extra_hole(p: Plan, rng: Rng) -> None:
    _change(p, rng, False)


def _change(p: Plan, rng: Rng, was: bool) -> None:
    row, position = np.nonzero(p.holes == was)
    some = rng.choice(len(row), min(len(row), round(_between(rng, 1, 6))), replace=False)
    p.holes[row[some], position[some]] = not was
    _say(p, len(some), "holes", int(row[some[0]]), int(position[some[0]]))


def wrong_setting(p: Plan, rng: Rng) -> None:
    what = str(rng.choice(["turning", "hole-means", "row-start"]))
    if what == "turning":
        p.sense = -1
    elif what == "hole-means":
        p.holes = ~p.holes
    else:
        believed = "index" if p.row_start == "next-position" else "next-position"
        p.settings = p.settings | {"row-start": believed}
    _say(p, 1, what)


def disc_other(p: Plan, rng: Rng) -> None:
    disc = p.disc
    code = disc.code
    assert code is not None
    length = int(rng.integers(5, 1 + max(8, disc.grid.size // 8)))
    words = text(rng, length, "ita2" if code.alphabet == "ita2" else "ascii")
    other = sonify.Disc.from_message(words.upper(), code=code, layout=disc.layout).grid
    grid = np.zeros_like(disc.grid)
    rows = min(len(other), disc.rows)
    grid[:rows] = other[:rows]
    p.holes = grid == disc.layout.hole_means
    p.holes[rows:] = False
    _say(p, 1, "disc")


Fault = Callable[[Plan, Rng], None]
MACHINE: dict[str, tuple[Fault, tuple[str, ...], bool]] = {
    "rows-swapped": (rows_swapped, ALL, True),
    "stage-early": (stage_early, ALL, True),
    "stage-late": (stage_late, ALL, True),
    "stage-missed-step": (stage_missed_step, ALL, True),
    "wrong-row-pitch": (wrong_row_pitch, ANALOG, True),
    "backlash": (backlash, ANALOG, True),
    "slow-stage": (slow_stage, ALL, True),
    "data-dead": (data_dead, ALL, True),
    "data-stuck": (data_stuck, ALL, True),
    "lamp-out": (lamp_out, ANALOG, True),
    "threshold-outside": (threshold_outside, VOLTS, True),
    "threshold-off": (threshold_off, VOLTS, True),
    "clock-missing": (clock_missing, ALL, False),
    "clock-doubled": (clock_doubled, ALL, False),
    "motor-off-speed": (motor_off_speed, ALL, False),
    "motor-drift": (motor_drift, ALL, False),
    "lamp-hum": (lamp_hum, ANALOG, True),
    "ambient-light": (ambient_light, ANALOG, True),
    "warped-disc": (warped_disc, ANALOG, True),
    "clock-loose": (clock_loose, ALL, False),
    "amplifier-saturated": (amplifier_saturated, ANALOG, True),
    "recorder-drops": (recorder_drops, ALL[:4], False),
    "filter-delay": (filter_delay, ALL, True),
    "noise": (noise, ANALOG, True),
    "blocked-hole": (blocked_hole, ALL, True),
    "extra-hole": (extra_hole, ALL, True),
    "wrong-setting": (wrong_setting, ALL, False),
    "disc-other": (disc_other, ALL, True),
}
"""Each fault, the kinds of file that can show it, and whether it must spoil bits."""

GROUPS = (
    ("rows-swapped", "blocked-hole", "extra-hole"),
    ("stage-early", "stage-late", "stage-missed-step", "wrong-row-pitch", "backlash", "slow-stage"),
    ("data-dead", "threshold-off", "lamp-hum", "ambient-light", "warped-disc", "filter-delay",
     "amplifier-saturated", "noise"),
    ("clock-missing", "clock-doubled", "motor-off-speed", "motor-drift", "clock-loose",
     "recorder-drops"),
)  # fmt: skip
"""Two faults at once come from two of these groups, so that neither hides the other by nature."""

__all__ = ["GROUPS", "MACHINE", "Light"]
