"""What may be wrong with a machine, how large it is, and what it needs to be there.

Each fault draws its size between what its maker would just notice and what nobody could miss. Where
a fault must misread, `grow` makes it larger, step by step, until a bit is wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.errors import InputError
from tests.world.midi_g import WireFaults
from tests.world.plan_g import SAMPLED, Machine, duty_of, text
from tests.world.rig_g import Bits, Defects

Made = tuple[Defects, dict[str, Any]]
Rng = np.random.Generator
LOGS = (*SAMPLED, "vcd", "edges")
LEVELS = ("csv", "npy")
"""Files in whose units a threshold can be told."""


@dataclass(frozen=True)
class Fault:
    """How to make a fault of a size (a share of its range, from just noticed, 0, to gross, 1), what
    the machine needs, and whether bits must come out wrong."""

    make: Callable[[Machine, Rng, float], Made]
    needs: dict[str, Any] = field(default_factory=dict)
    misreads: bool = True


def between(low: float, high: float, size: float) -> float:
    """A size on an even scale of ratios."""
    return float(low * (high / low) ** size)


def swapped(m: Machine, rng: Rng, size: float) -> Made:
    grid = m.disc.grid
    rows = len(grid)
    pairs = [(a, b) for a in range(rows) for b in range(a + 1, rows) if (grid[a] != grid[b]).any()]
    near = [p for p in pairs if p[1] - p[0] <= max(1, size * rows)] or pairs
    a, b = near[int(rng.integers(len(near)))]
    order = list(range(rows))
    order[a], order[b] = b, a
    where = {"rows": (a, b)}
    if rng.random() < 0.5:
        # cut in each other's places
        return Defects(mounted=grid[order]), {**where, "by": "cut"}
    return Defects(path=tuple(order)), {**where, "by": "stage"}


def early(m: Machine, rng: Rng, size: float) -> Made:
    n = m.disc.positions
    count = min(n - 1, max(2, round(between(0.05, 0.4, size) * n)))
    return Defects(leave_early=count), {"positions": count}


def late(m: Machine, rng: Rng, size: float) -> Made:
    n = m.disc.positions
    count = min(0.8 * n, max(1.5, between(0.04, 0.4, size) * n))
    return Defects(arrive_late=count), {"positions": count}


def missed(m: Machine, rng: Rng, size: float) -> Made:
    move = int(rng.integers(1, m.disc.rows - 1))
    share = min(1.0, between(0.35, 1.0, size))
    return Defects(lost_steps=(move, share)), {"row": move + 1, "share": share}


def pitch(m: Machine, rng: Rng, size: float) -> Made:
    sign = 1 if m.seed % 2 else -1
    error = sign * between(0.5, 1.5, size) / (m.disc.rows - 1)
    return Defects(pitch=1 + error), {"share": error}


def backlash(m: Machine, rng: Rng, size: float) -> Made:
    assert m.disc.geometry is not None
    play = between(0.4, 1.1, size) * m.disc.geometry.hole_diameter
    play = min(play, 0.9 * m.disc.geometry.row_pitch)
    return Defects(play=play), {"mm": play}


def slow(m: Machine, rng: Rng, size: float) -> Made:
    factor = between(1.3, 3.5, size)
    move = m.profile["stage"] / m.slot_s
    if m.profile["row-start"] == "next-position":
        factor = max(factor, 1 + 2 / move)
    else:
        # past the next index mark, which this row would have started at
        turn = m.disc.positions
        total = move + m.profile["settle"] / m.slot_s
        factor = max(factor, 1 + (1.1 * turn - total % turn) / move)
    return Defects(slow=factor), {"times": factor}


def dead(m: Machine, rng: Rng, size: float) -> Made:
    at = float(rng.uniform(0.08, 0.85))
    # pulled down, pulled up, or floating; not at a level that holes or material have
    levels = [k for k in (0.02, 0.5, 0.97) if min(abs(np.array(m.levels) / m.supply - k)) > 0.06]
    level = float(rng.choice(levels or [0.02]))
    return Defects(dead_at=at, dead_level=level), {"share": at, "supply": level}


def stuck(m: Machine, rng: Rng, size: float) -> Made:
    level = m.levels[int(rng.integers(2))] / m.supply
    return Defects(stuck=level), {"v": level * m.supply}


def dark(m: Machine, rng: Rng, size: float) -> Made:
    at = float(rng.uniform(0.08, 0.85))
    both = m.kind not in SAMPLED or bool(rng.random() < 0.65)
    return Defects(dark_at=at, dark_both=both), {"share": at, "both": both}


def threshold(m: Machine, level: float) -> Defects:
    """A threshold at a share of the way from material, 0, to a hole, 1."""
    material, hole = m.levels
    return Defects(threshold=material + level * (hole - material))


def outside(m: Machine, rng: Rng, size: float) -> Made:
    beyond = between(0.08, 0.5, size) + m.board["hysteresis"] / 2
    low = bool(rng.random() < 0.5)
    material, hole = m.levels
    away = [k for k in (-beyond, 1 + beyond)
            if 0.0 < material + k * (hole - material) < m.supply]  # fmt: skip
    level = (away[0] if low else away[-1]) if away else -beyond
    d = threshold(m, level)
    return d, {"v": d.threshold, "way": level}


def off_middle(m: Machine, rng: Rng, size: float) -> Made:
    # a comparator's hysteresis still has to be crossed, or nothing at all is read
    half = 0.0 if m.board["adc"] else m.board["hysteresis"] / 2
    margin = 0.012 + 0.16 * max(0.0, 1 - size) ** 2 + half - 0.04 * max(0.0, size - 1)
    level = margin if m.seed % 2 else 1 - margin
    d = threshold(m, level)
    return d, {"v": d.threshold, "way": level}


def clock_missing(m: Machine, rng: Rng, size: float) -> Made:
    n = m.disc.positions
    if rng.random() < 0.6:
        count = max(1, round(between(0.8, 4, size)))
        holes = tuple(sorted(int(k) for k in rng.choice(n - 2, count, replace=False) + 1))
        return Defects(clock_closed=holes), {"positions": holes}
    last = 2 * n * m.disc.rows
    count = max(2, round(between(0.004, 0.06, size) * last))
    dusty = tuple(int(k) for k in rng.choice(last, min(last, count), replace=False))
    return Defects(clock_dusty=dusty), {"passes": len(dusty)}


def clock_doubled(m: Machine, rng: Rng, size: float) -> Made:
    n = m.disc.positions
    count = max(1, round(between(0.8, 4, size)))
    at = rng.choice(n - 2, count, replace=False) + rng.uniform(0.42, 0.58, count)
    return Defects(clock_open=tuple(at.tolist())), {"positions": sorted(at.tolist())}


def off_speed(m: Machine, rng: Rng, size: float) -> Made:
    change = between(0.10, 0.40, size) * (1 if rng.random() < 0.5 else -0.7)
    return Defects(speed=1 + change), {"share": change}


def drifting(m: Machine, rng: Rng, size: float) -> Made:
    change = between(0.28, 0.65, size) * (1 if rng.random() < 0.4 else -1)
    return Defects(drift=change), {"share": change}


def hum(m: Machine, rng: Rng, size: float) -> Made:
    hz = float(rng.choice([100.0, 120.0]))
    depth = min(0.98, between(0.4, 0.95, size))
    return Defects(hum=depth, hum_hz=hz), {"depth": depth, "hz": hz}


def sun(m: Machine, rng: Rng, size: float) -> Made:
    much = between(0.3, 1.6, size)
    return Defects(ambient=much), {"times": much}


def warp(m: Machine, rng: Rng, size: float) -> Made:
    mm = between(1.2, 4.0, size)
    return Defects(warp=mm), {"mm": mm}


def loose(m: Machine, rng: Rng, size: float) -> Made:
    much = between(0.12, 0.42, size)
    return Defects(loose=much), {"positions": much}


def saturated(m: Machine, rng: Rng, size: float) -> Made:
    # so much gain that light drives the amplifier to its rail, out of which it comes late; the
    # level of little light stays off the rail
    board = m.board
    room = (
        0.975 - board["base"]["data"] if board["gain"]["data"] > 0 else board["base"]["data"] - 0.02
    )
    most = 0.85 * room / abs(board["gain"]["data"]) / m.light["leak"]
    least = 1.25 * room / abs(board["gain"]["data"])
    gain = min(most, between(least, max(most, 1.5 * least), size))
    hole = duty_of(m.disc) * m.slot_s
    tau = (0.06 + 0.3 * size) * hole
    if m.light["reflective"]:
        # each hole still brings it off the rail before it has passed
        dim = m.light["leak"] * gain
        rail = room / abs(board["gain"]["data"])
        tau = min(tau, 0.75 * hole / np.log((gain - dim) / (rail - dim)))
    return Defects(gain=gain, tau=tau), {"times": gain, "recovers-ms": 1000 * tau}


def filtered(m: Machine, rng: Rng, size: float) -> Made:
    tau = between(0.08, 0.6, size)
    return Defects(tau=tau * m.slot_s), {"positions": tau}


def noisy(m: Machine, rng: Rng, size: float) -> Made:
    times = between(0.2, 0.9, size)
    return Defects(noise=times * m.swing), {"swing": times}


def holes(m: Machine, rng: Rng, size: float, blocked: bool) -> Made:
    grid = m.disc.grid.copy()
    means = m.disc.layout.hole_means
    have = np.argwhere(grid == (means if blocked else 1 - means))
    count = min(len(have), max(1, round(between(0.8, 6, size))))
    at = have[rng.choice(len(have), count, replace=False)]
    grid[at[:, 0], at[:, 1]] = 1 - means if blocked else means
    return Defects(mounted=grid), {"places": [tuple(p) for p in at.tolist()]}


def setting(m: Machine, rng: Rng, size: float) -> Made:
    kinds = ["turned", "reversed", "inverted", "row-start"]
    other = flipped(m.disc)
    if other is not None:
        kinds.append("bit-order")
    what = kinds[int(rng.integers(len(kinds)))]
    grid = m.disc.grid
    if what == "turned":
        by = max(1, round(between(0.02, 0.5, size) * m.disc.positions))
        by = by if rng.random() < 0.5 else -by
        return Defects(mounted=np.roll(grid, by, axis=1)), {"setting": what, "positions": by}
    if what == "row-start":
        starts = {"index": "next-position", "next-position": "index"}[m.profile["row-start"]]
        return Defects(row_start=starts), {"setting": what, "to": starts}
    if what == "bit-order":
        assert other is not None
        return Defects(mounted=other), {"setting": what}
    mounted = np.ascontiguousarray(grid[:, ::-1]) if what == "reversed" else 1 - grid
    return Defects(mounted=mounted.astype(np.int8)), {"setting": what}


def flipped(disc: Disc) -> Bits | None:
    """The disc with its message in the other bit order, if it has one."""
    if disc.code is None or not disc.given_message:
        return None
    order = {"high-first": "low-first", "low-first": "high-first"}[disc.code.bit_order]
    names = {k: getattr(disc.code, k) for k in disc.code.__struct_fields__}
    code = Code(**{**names, "bit_order": order})
    try:
        other = Disc.from_message(disc.given_message, code=code, layout=disc.layout)
    except InputError:
        return None
    same = other.grid.shape == disc.grid.shape
    return other.grid if same and (other.grid != disc.grid).mean() > 0.05 else None


def another(m: Machine, rng: Rng, size: float) -> Made:
    disc = m.disc
    for _ in range(40):
        code = disc.code or Code()
        words = text(rng, int(disc.grid.size / code.unit_bits))
        while words:
            try:
                other = Disc.from_message(words, code=code, layout=disc.layout)
            except InputError:
                break
            if other.rows == disc.rows:
                if (other.grid != disc.grid).mean() > 0.15:
                    return Defects(mounted=other.grid), {"message": words}
                break
            words = words[:-2]
    return Defects(mounted=rng.integers(0, 2, disc.grid.shape).astype(np.int8)), {"message": None}


def wired(name: str, m: Machine, rng: Rng, size: float) -> tuple[WireFaults, dict[str, Any]]:
    """The faults between player and recording."""
    if name == "midi-lost-note-offs":
        share = between(0.02, 0.35, size)
        return WireFaults(offs=share), {"share": share}
    if name == "midi-lost-notes":
        share = between(0.03, 0.35, size)
        return WireFaults(notes=share), {"share": share}
    if name == "midi-rows-missing":
        rows = m.disc.rows
        count = max(1, round(size * (rows - 2) / 2))
        first = int(rng.integers(1, rows - count)) if rows - count > 1 else 1
        if rng.random() < 0.25:
            first = int(rng.choice([0, rows - count]))
        gone = tuple(range(first, first + count))
        return WireFaults(rows=gone), {"rows": gone}
    busy = max(between(0.4, 3.0, size), 0.04 / m.slot_s)
    often = between(0.15, 0.45, size)
    return WireFaults(busy=busy, often=often), {"ms": 1000 * busy * m.slot_s, "often": often}


LOG: dict[str, Any] = {"kinds": LOGS}
TOLD: dict[str, Any] = {"kinds": LEVELS}
SEEN: dict[str, Any] = {"kinds": SAMPLED}

FAULTS: dict[str, Fault | None] = {
    "rows-swapped": Fault(swapped, {**LOG, "rows": 3}),
    "stage-early": Fault(early, {**LOG, "rows": 3}),
    "stage-late": Fault(late, {**LOG, "rows": 3}),
    "stage-missed-step": Fault(missed, {**LOG, "rows": 4}),
    "wrong-row-pitch": Fault(pitch, {**LOG, "rows": 4}),
    "backlash": Fault(backlash, {**LOG, "rows": 4}),
    "slow-stage": Fault(slow, {**LOG, "rows": 3, "quick": True}, misreads=False),
    "data-dead": Fault(dead, SEEN),
    "data-stuck": Fault(stuck, LOG),
    "lamp-out": Fault(dark, {"kinds": (*SAMPLED, "vcd")}),
    "threshold-outside": Fault(outside, TOLD),
    "threshold-off": Fault(off_middle, TOLD),
    "clock-missing": Fault(clock_missing, LOG),
    "clock-doubled": Fault(clock_doubled, {**LOG, "wide-clock": True}),
    "motor-off-speed": Fault(off_speed, {**LOG, "steady": 0.2}, misreads=False),
    "motor-drift": Fault(drifting, {**LOG, "steady": 0.3, "rows": 3}, misreads=False),
    "lamp-hum": Fault(hum, {**SEEN, "rate": 600, "fast": True}),
    "ambient-light": Fault(sun, SEEN),
    "warped-disc": Fault(warp, {**SEEN, "reflective": True}),
    "clock-loose": Fault(loose, LOG),
    "amplifier-saturated": Fault(saturated, {**SEEN, "leak": (0.08, 0.2)}),
    "recorder-drops": Fault(lambda m, r, s: (Defects(), {}), SEEN, misreads=False),
    "filter-delay": Fault(filtered, SEEN),
    "noise": Fault(noisy, SEEN),
    "blocked-hole": Fault(lambda m, r, s: holes(m, r, s, True), LOG),
    "extra-hole": Fault(lambda m, r, s: holes(m, r, s, False), LOG),
    "wrong-setting": Fault(setting, {**LOG, "coded": True, "rows": 3}, misreads=False),
    "disc-other": Fault(another, LOG),
    "midi-lost-note-offs": None,
    "midi-lost-notes": None,
    "midi-rows-missing": None,
    "midi-late": None,
}


def grow(size: float) -> float:
    """The next larger size, past gross if it must be."""
    return size + 0.12


def quicker(m: Machine) -> Machine:
    """The machine with a stage whose lateness shows: rows go on at once, or nearly a turn later."""
    profile = m.profile
    turn = 60 / profile["rpm"]
    if profile["row-start"] == "index" and profile["stage"] < 0.4 * turn:
        profile = {**profile, "row-start": "next-position"}
    return replace(m, profile=profile)
