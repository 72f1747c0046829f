"""Generator f: what breaks. Each fault has a size from what its maker would just notice, 0, to
gross, 1, which the seed chooses.

Where a hole stops being read: a small spot sees half of the light once it stands half a hole's
diameter h beside its row, so 0.45 h is what just shows and a row's pitch is gross.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.errors import InputError
from tests.world.circuits_f import (
    ambient,
    between,
    dead,
    drops,
    lamp_hum,
    lamp_out,
    late,
    lost_note_offs,
    lost_notes,
    noise,
    rows_missing,
    saturated,
    slow_filter,
    stuck,
    threshold_off,
    threshold_outside,
)
from tests.world.motion_f import crossing
from tests.world.rig_f import WORDS, Rig, Rng


def hole(rig: Rig) -> float:
    """A hole's diameter."""
    assert rig.disc.geometry is not None
    return rig.disc.geometry.hole_diameter


def pitch(rig: Rig) -> float:
    """From row to row."""
    assert rig.disc.geometry is not None
    return rig.disc.geometry.row_pitch


def off_row(rig: Rig, size: float) -> float:
    """A distance from a row, see above."""
    return between(size, 0.45 * hole(rig), 1.05 * pitch(rig))


def some(rng: Rng, many: int, size: float) -> int:
    """Of so many, one up to 12 %."""
    return max(1, round(between(size, 0.5, max(1.0, 0.12 * many))))


def rows_swapped(rig: Rig, size: float, rng: Rng) -> None:
    """Two neighbours (just noticed) up to the outermost rows."""
    far = max(1, round(size * (rig.disc.rows - 1)))
    a = int(rng.integers(rig.disc.rows - far))
    rig.order[a], rig.order[a + far] = a + far, a
    rig.facts["rows"] = (a, a + far)


def stage_early(rig: Rig, size: float, rng: Rng) -> None:
    """It leaves so soon that a row's last 1 to 40 % positions pass beside the spot."""
    share = max(1.2 / rig.disc.positions, between(size, 0.03, 0.4))
    slow = crossing(0.5 * hole(rig) / pitch(rig)) * rig.stage * rig.effort
    rig.lag = -(slow + (share * rig.disc.positions + 0.8) * rig.position_s)
    rig.facts["share"] = share


def stage_late(rig: Rig, size: float, rng: Rng) -> None:
    """It leaves so late that a row's first 1 to 40 % positions have passed when it arrives."""
    share = max(1.2 / rig.disc.positions, between(size, 0.03, 0.4))
    turn = 60 / rig.rpm
    move = rig.stage + rig.settle
    spare = (np.ceil(move / turn) * turn - move) if rig.on_index else 0.0
    arrives = crossing(1 - 0.5 * hole(rig) / pitch(rig)) * rig.stage * rig.effort
    rig.lag = spare + move - arrives + share * turn
    rig.facts["share"] = share


def missed_step(rig: Rig, size: float, rng: Rng) -> None:
    """A move falls short, and all rows after it."""
    rig.lost = (int(rng.integers(1, rig.disc.rows)), off_row(rig, size))
    rig.facts["from_row"], rig.facts["mm"] = rig.lost


def wrong_pitch(rig: Rig, size: float, rng: Rng) -> None:
    """Steps per row that are wrong: by what adds up to half a hole up to 1.5 rows at the end."""
    total = between(size, 0.55 * hole(rig), 1.5 * pitch(rig))
    rig.pitch_error = float(rng.choice([-1, 1])) * total / pitch(rig) / (rig.disc.rows - 1)
    rig.facts["mm_at_end"] = total


def backlash(rig: Rig, size: float, rng: Rng) -> None:
    """Play of a nut: half the play to either side if it floats, all of it if home was met outwards.
    New nuts have 0.1 to 0.3 mm, worn or printed ones 1 mm and more."""
    rig.floats = bool(rng.random() < 0.5) and rig.disc.rows > 2
    rig.play = off_row(rig, size) * (2 if rig.floats else 1)
    rig.facts["mm"] = rig.play


def slow_stage(rig: Rig, size: float, rng: Rng) -> None:
    """Moves take 1.3 to 4 times as long, or as long as they are still on the way when the row
    should have begun. The machine waits; on the index, a turn more is lost."""
    turn = 60 / rig.rpm
    move = rig.stage + rig.settle
    due = (np.ceil(move / turn) + 0.15) * turn if rig.on_index else move + 3 * rig.position_s
    there = crossing(1 - 0.5 * hole(rig) / pitch(rig))
    rig.takes = max(between(size, 1.3, 4.0), float(due / (rig.stage * rig.effort * there)))
    rig.facts["times"] = rig.takes


def clock_missing(rig: Rig, size: float, rng: Rng) -> None:
    """Clock holes that dirt closes: one up to 12 %."""
    n = rig.disc.positions
    which = rng.choice(n, some(rng, n, size), replace=False)
    rig.clock_cut[which] = rng.uniform(0, 0.2)
    rig.facts["positions"] = sorted(which.tolist())


def clock_doubled(rig: Rig, size: float, rng: Rng) -> None:
    """A burr across clock holes splits their pulses (one hole up to 12 %), or the comparator's
    output kicks back into its input: 1 to 15 % of the pulses come again after 8 to 20 % of T."""
    n = rig.disc.positions
    if rng.random() < 0.5:
        which = rng.choice(n, some(rng, n, size), replace=False)
        rig.burrs = np.zeros(n)
        rig.burrs[which] = 1
        rig.clock.slit, rig.clock.spot = False, 0.06 * hole(rig)
        rig.clock.hysteresis = min(rig.clock.hysteresis, 0.25)
        rig.clock.snr_db = max(rig.clock.snr_db, 20.0)  # so that the burr is what doubles them
        rig.clock.tau = min(rig.clock.tau, 0.01 * rig.position_s)
        rig.facts["positions"] = sorted(which.tolist())
    else:
        long = max(rng.uniform(0.05, 0.12), 2.2 / (rig.rate * rig.position_s))
        rig.bounce = (between(size, 0.02, 0.15), float(rng.uniform(0.08, 0.2)), float(long))


def off_speed(rig: Rig, size: float, rng: Rng) -> None:
    """Geared motors with brushes are rated to 10 or 15 %: 14 to 50 % beside it."""
    by = between(size, 0.14, 0.5)
    rig.speed = 1 + by if rng.random() < 0.5 else 1 / (1 + by)
    rig.drift *= 0.3
    rig.facts["speed"] = rig.speed


def motor_drift(rig: Rig, size: float, rng: Rng) -> None:
    """A sound one drifts up to 20 %: 28 to 80 % over the read."""
    rig.drift = between(size, 0.28, 0.8) * float(rng.choice([-1, 1]))
    rig.shape = str(rng.choice(["even", "warm", "sag"]))
    if rig.shape != "even":
        rig.drift = abs(rig.drift)
    rig.facts["drift"] = rig.drift


def warped(rig: Rig, size: float, rng: Rng) -> None:
    """Heat or wet wood: once or twice a turn the disc leaves the focus by 0.5 to 1.1 of the depth
    at which half of the light is lost, so 20 to 55 % of the light go."""
    rig.warp = (rig.depth * between(size, 0.5, 1.1), int(rng.integers(1, 3)), rig.warp[2])
    rig.facts["mm"] = rig.warp[0]


def loose(rig: Rig, size: float, rng: Rng) -> None:
    """The clock detector rattles or swings along its row by 0.18 to 0.38 of a position; the
    clock holes of sound discs are up to 0.1 off."""
    kind = "rattle" if rng.random() < 0.5 else "swing"
    rig.shake = (kind, between(size, 0.18, 0.38), float(rng.uniform(0.3, 1.2)))
    rig.facts["positions"] = rig.shake[1]


def blocked(rig: Rig, size: float, rng: Rng) -> None:
    """Chips that stayed in one hole up to 4 % of them."""
    places = np.argwhere(rig.cut > 0)
    which = places[rng.choice(len(places), max(1, round(size * 0.04 * len(places))), replace=False)]
    rig.cut[tuple(which.T)] = rng.uniform(0, 0.2, len(which))
    rig.facts["places"] = which.tolist()


def extra(rig: Rig, size: float, rng: Rng) -> None:
    """One hole too many up to 4 %."""
    places = np.argwhere(rig.cut == 0)
    which = places[rng.choice(len(places), max(1, round(size * 0.04 * len(places))), replace=False)]
    rig.cut[tuple(which.T)] = 1
    rig.facts["places"] = which.tolist()


def wrong_setting(rig: Rig, size: float, rng: Rng) -> None:
    """The disc is not what the settings say: mounted turned, by one position up to half a turn;
    read backwards; cut the other way round; its letters from the other end; or rows that start
    elsewhere."""
    ways = ["turned", "reversed", "inverted", "row-start"]
    if rig.disc.code is not None and rig.disc.code.alphabet != "utf-8":
        ways.append("bit-order")
    way = str(rng.choice(ways))
    n = rig.disc.positions
    if way == "turned":
        by = max(1, round(between(size, 0.8, n / 2)))
        rig.cut = np.roll(rig.cut, by, axis=1)
    elif way == "reversed":
        rig.cut = rig.cut[:, -np.arange(n) % n]
    elif way == "inverted":
        rig.cut = 1 - rig.cut
    elif way == "row-start":
        rig.known["row-start"] = "next-position" if rig.on_index else "index"
    else:
        code = rig.disc.code
        assert code is not None
        other = "low-first" if code.bit_order == "high-first" else "high-first"
        _made(rig, rig.disc.given_message or rig.disc.message or "", replace_order(code, other))
    rig.facts["way"] = way


def replace_order(code: Code, order: str) -> Code:
    """The code with its units the other way round."""
    return Code(
        alphabet=code.alphabet, bit_order=order,  # type: ignore[arg-type]
        framing=code.framing, check=code.check, redundancy=code.redundancy,
    )  # fmt: skip


def _made(rig: Rig, text: str, code: Code) -> None:
    """Put the holes of another text or code into the machine's disc."""
    made = Disc.from_message(text, code=code, layout=rig.disc.layout)
    grid = np.zeros(rig.disc.grid.shape)
    rows = min(len(grid), made.rows)
    grid[:rows] = made.grid[:rows]
    rig.cut = (grid == rig.disc.layout.hole_means).astype(float)


def other_disc(rig: Rig, size: float, rng: Rng) -> None:
    """Another edition with the second half of its words changed, up to another disc of its size."""
    text = rig.disc.given_message or rig.disc.message or ""
    keep = int(len(text) * 0.5 * (1 - size))
    while True:
        more = " ".join(rng.choice(WORDS, len(text) // 3 + 2))
        try:
            _made(rig, (text[:keep] + more)[: len(text)].strip(), rig.disc.code or Code())
        except InputError:
            text = text[:-1]
            continue
        break


Change = Callable[[Rig, float, Rng], None]
CHANGES: dict[str, Change] = {
    "rows-swapped": rows_swapped, "stage-early": stage_early, "stage-late": stage_late,
    "stage-missed-step": missed_step, "wrong-row-pitch": wrong_pitch, "backlash": backlash,
    "slow-stage": slow_stage, "data-dead": dead, "data-stuck": stuck, "lamp-out": lamp_out,
    "threshold-outside": threshold_outside, "threshold-off": threshold_off,
    "clock-missing": clock_missing, "clock-doubled": clock_doubled, "motor-off-speed": off_speed,
    "motor-drift": motor_drift, "lamp-hum": lamp_hum, "ambient-light": ambient,
    "warped-disc": warped, "clock-loose": loose, "amplifier-saturated": saturated,
    "recorder-drops": drops, "filter-delay": slow_filter, "noise": noise, "blocked-hole": blocked,
    "extra-hole": extra, "wrong-setting": wrong_setting, "disc-other": other_disc,
    "midi-lost-note-offs": lost_note_offs, "midi-lost-notes": lost_notes,
    "midi-rows-missing": rows_missing, "midi-late": late,
}  # fmt: skip
"""All faults, in the order of the other generators."""


def apply(rig: Rig, fault: str, size: float, rng: Rng) -> Rig:
    """The machine with a fault."""
    rig = replace(rig, data=replace(rig.data), clock=replace(rig.clock), cut=rig.cut.copy(),
                  clock_cut=rig.clock_cut.copy(), order=list(rig.order), known=dict(rig.known),
                  facts=dict(rig.facts))  # fmt: skip
    CHANGES[fault](rig, size, rng)
    return rig
