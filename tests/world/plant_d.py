"""The machine of generator d: what its two detectors give while a disc is read.

Light first: a spot with a bright core and a weak halo (scatter in optics and card) lies on the
disc, and a detector sees what the disc throws back of it, 1 from solid material. A hole takes
away the part of the spot that lies in it, so the light is 1 minus a sum over the holes near the
spot, those of the neighbouring rows too, of the convolution of hole and spot.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sonify.disc.disc import Disc
from tests.world.drive_d import Drive, Floats, Rng, spin
from tests.world.eye_d import Eye, hiss, low_pass, taken_by

Bits = NDArray[np.int8]
PER_POSITION = 40
"""Points of the simulation per position: ten on the flank of the smallest hole."""


@dataclass
class Stage:
    """A screw that carries the data detector from row to row.

    Attributes
    ----------
    move, settle : float
        What the firmware allows for a move, in s: also what the profile says.
    taken : float
        How long a move really takes, in s.
    pitch : float
        mm from row to row, as the steps make it.
    step : float
        mm per full step; a 2 mm lead screw with 200 steps makes 0.01.
    waits : bool
        The firmware waits until the move is done, rather than for its own time.
    on_index : bool
        Rows start at the index mark, and otherwise at the next position.
    order : list of int
        Which row the firmware goes to, row by row.
    offset : ndarray, shape (rows,)
        How far each stop is off, in mm.
    lag : ndarray, shape (rows,)
        How much later than it should each move to a row begins, in s; negative: earlier.
    drunken : float
        Error of the screw within one turn, in mm.
    play : float
        How far the carriage shakes with the disc, in mm.
    ring : float
        How far it swings after a stop, in mm.
    homing : bool
        The recorder sees the stage come from its end stop.
    """

    move: float
    settle: float
    taken: float
    pitch: float
    step: float
    order: list[int]
    offset: Floats
    lag: Floats
    waits: bool = False
    on_index: bool = True
    drunken: float = 0.0
    play: float = 0.0
    ring: float = 0.0
    homing: bool = False


@dataclass
class Machine:
    """A machine with a disc in it. Fields that faults change are those of a healthy one at first.

    Attributes
    ----------
    disc : Disc
        As designed.
    size, clock_size : ndarray, shape (rows, positions) and (positions,)
        Diameter of each hole as cut, in mm; 0 where there is none.
    radial, along, clock_along : ndarray
        How far off each hole is, in mm and, along its row, in positions.
    burr : ndarray, shape (positions,)
        Thin bridges left across holes of the clock row: how much light each throws back.
    centre, centre_angle : float
        How far off its centre the disc is clamped in mm, and where, in turns.
    warp, lobes, warp_angle : float
        How much the light changes within a turn, how often, and where.
    mains, snr_db, corner : float
        Mains frequency in Hz; half the swing over the noise's standard deviation; the frequency
        in Hz below which its 1/f part is the larger one.
    loose : float
        How far the clock detector rattles, in positions.
    dead : tuple or None
        From which row and position on the data output stays at which level in V.
    threshold : float
        In V.
    hysteresis : float
        In V, between the comparator's two levels.
    upside : bool
        The amplifier inverts, so holes are high.
    lead, tail : float
        Turns recorded before and after the reading.
    """

    disc: Disc
    drive: Drive
    stage: Stage
    clock: Eye
    data: Eye
    size: Floats
    clock_size: Floats
    radial: Floats
    along: Floats
    clock_along: Floats
    burr: Floats
    threshold: float
    hysteresis: float
    delay: float
    sample_at: float
    sample_width: float
    centre: float = 0.0
    centre_angle: float = 0.0
    warp: float = 0.0
    lobes: int = 1
    warp_angle: float = 0.0
    mains: float = 50.0
    snr_db: float = 40.0
    corner: float = 5.0
    loose: float = 0.0
    dead: tuple[int, int, float] | None = None
    upside: bool = False
    lead: float = 1.0
    tail: float = 0.5
    notes: dict[str, object] = field(default_factory=dict)

    @property
    def position_s(self) -> float:
        """How long a position lasts at the profile's speed, in s."""
        return 60 / (self.drive.rpm * self.disc.positions)


@dataclass(frozen=True)
class Run:
    """What happened: analogue levels in V over time in s, and when which row was read.

    `start` is the slot (a count of positions since the recorder began) at which each row is read,
    `slot` the disc's angle in positions, `pass_s` the moment at which each position of each row
    passes the clock detector, `radius` where the stage is, in mm from row 0.
    """

    time: Floats
    slot: Floats
    clock: Floats
    data: Floats
    start: NDArray[np.int64]
    pass_s: Floats
    radius: Floats
    moved: Floats
    arrived: Floats


def _timeline(m: Machine, time: Floats, slot: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
    """When each row is read (in slots) and when each move to it begins and ends (in s)."""
    s, n = m.stage, m.disc.positions
    begin = math.ceil(m.lead) * n
    starts, moved, arrived = [begin], [-1.0], [-1.0]
    for row in range(1, m.disc.rows):
        last = float(np.interp(starts[-1] + n - 0.5, slot, time))
        go = last + float(s.lag[row])
        there = go + s.taken
        ready = (max(there, last + s.move) if s.waits else last + s.move) + s.settle
        at = float(np.interp(ready, time, slot))
        starts.append(n * math.ceil(at / n - 1e-9) if s.on_index else math.ceil(at))
        moved.append(go)
        arrived.append(there)
    return np.array(starts), np.array(moved), np.array(arrived)


def _travel(m: Machine, time: Floats, turn: Floats, moved: Floats, arrived: Floats) -> Floats:
    """Where the data detector is, in mm from row 0, positive towards the later rows."""
    s = m.stage
    stop = np.array([k * s.pitch for k in s.order]) + s.offset
    stop = np.round(stop / s.step) * s.step
    stop += s.drunken * np.sin(2 * np.pi * stop / (200 * s.step))
    x = np.full_like(time, stop[0])
    if s.homing:
        # from the end stop, two rows away, before the first index
        home = float(np.interp(m.lead * m.disc.positions * 0.5, turn * m.disc.positions, time))
        x += np.where(time < home, -2 * s.pitch * np.clip((home - time) / s.taken, 0, 1), 0)
    for row in range(1, len(stop)):
        go, there = moved[row], arrived[row]
        share = np.clip((time - go) / (there - go), 0, 1)
        smooth = share**2 * (3 - 2 * share)  # even ramps of the step rate
        x += (stop[row] - stop[row - 1]) * smooth
        if s.ring:
            after = time - there
            x += np.where(
                (after > 0) & (after < 1),
                s.ring * np.exp(-np.clip(after, 0, 1) / 0.05) * np.sin(2 * np.pi * 25 * after),
                0,
            )
    return x + s.play * np.sin(2 * np.pi * (turn + 0.3))


def _light(m: Machine, eye: Eye, slot: Floats, across: Floats | None, along: Floats) -> Floats:
    """What comes back from the disc, 1 from solid material."""
    n = m.disc.positions
    if across is None:
        size, off, out_of = m.clock_size[None], m.clock_along[None], np.zeros((1, n))
        arc = np.array([2 * np.pi * m.disc.geometry.clock_radius / n])
        centre = np.zeros_like(slot)
    else:
        g = m.disc.geometry
        way = -1 if m.disc.layout.reading == "outside-in" else 1
        size, off, out_of = m.size, m.along, m.radial
        rows = np.arange(m.disc.rows)
        arc = 2 * np.pi * (g.first_row_radius + way * rows * g.row_pitch) / n
        centre = across / g.row_pitch
    hole = m.disc.geometry.hole_diameter
    far, share = taken_by(eye, hole)
    gone = np.zeros_like(slot)
    here = slot - along
    near = np.round(here).astype(np.int64)
    row0 = np.round(centre).astype(np.int64)
    rows_near = (0,) if across is None else (-1, 0, 1)
    for dr in rows_near:
        row = row0 + dr
        some = (row >= 0) & (row < len(size))
        r = np.clip(row, 0, len(size) - 1)
        for dp in (-1, 0, 1):
            p = (near + dp) % n
            radius = np.maximum(size[r, p], 1e-9) / 2
            du = (here - near - dp - off[r, p]) * arc[r]
            dv = out_of[r, p] + (
                0 if across is None else (centre - row) * m.disc.geometry.row_pitch
            )
            hit = np.interp(np.hypot(du, dv) / radius, far, share, right=0.0)
            if across is None and dp == 0 and m.burr.any():
                bridge = np.exp(-0.5 * (du / (0.2 * radius)) ** 2)
                hit = hit * (1 - m.burr[p] * bridge)
            gone += np.where(some & (size[r, p] > 0), hit, 0)
    return 1 - (1 - eye.through) * np.minimum(gone, 1)


def _amplify(m: Machine, eye: Eye, light: Floats, time: Floats, rng: Rng) -> Floats:
    """From light to the amplifier's output in V."""
    x = (time - time[0]) / (time[-1] - time[0])
    hum = np.sin(2 * np.pi * 2 * m.mains * time + rng.uniform(0, 6))
    room = eye.ambient * np.clip((x - eye.shade[0]) * 30, 0, 1)
    room = room * np.clip((eye.shade[1] - x) * 30, 0, 1) * (1 + eye.flicker * hum)
    seen = light * (1 + eye.hum * hum) * np.where(x < eye.lit, 1, 0.0) + room
    dt = float(time[1] - time[0])
    volts = low_pass(low_pass(seen, eye.tau, dt), eye.late, dt)
    volts = eye.dark + (eye.solid - eye.dark) * eye.gain * volts
    noise = abs(eye.solid - eye.dark) / 2 / 10 ** (m.snr_db / 20)
    volts = volts + noise * hiss(rng, len(time), 1 / dt, m.corner)
    if m.upside:
        volts = eye.supply - volts
    return np.clip(volts, eye.rail, eye.supply - eye.rail)


def run(m: Machine, rng: Rng) -> Run:
    """Read the disc once."""
    n = m.disc.positions
    s = m.stage
    turn_s = 60 / m.drive.rpm
    between = (max(s.move, s.taken) + s.settle) / turn_s + 1
    # one turn more than the slowest reading at the fastest speed needs
    speed = (1 + abs(m.drive.off)) * (1 + abs(m.drive.drift))
    turns = math.ceil(m.lead) + m.disc.rows * (1 + between * speed + 0.5) + m.tail + 1
    passed = math.ceil(between - 1) if s.on_index else between - 1
    t, theta = spin(m.drive, turns, math.ceil(m.lead) + m.disc.rows * (1 + passed), rng)
    starts, moved, arrived = _timeline(m, t, theta * n)
    first = max(0.0, math.ceil(m.lead) - m.lead) * n if not m.drive.rest else 0.0
    last = starts[-1] + n + m.tail * n - 0.45
    begin, end = (float(np.interp(a, theta * n, t)) for a in (first, last))
    step = m.position_s / PER_POSITION / (1 + max(m.drive.off, 0))
    if max(e.hum + e.ambient * e.flicker for e in (m.clock, m.data)) > 0.05:
        step = min(step, 1 / (10 * m.mains))  # five points per cycle of the ripple
    time = np.arange(begin, end, step)
    turn = np.interp(time, t, theta)
    slot = turn * n
    g = m.disc.geometry
    rattle = np.zeros_like(time)
    if m.loose:
        # it is shoved at random moments and stays where it ends up
        shoves = np.sort(rng.uniform(0, turn[-1], int(2 + 1.5 * turn[-1])))
        where = np.append(0.0, rng.uniform(-1, 1, len(shoves)))
        rattle = m.loose * where[np.searchsorted(shoves, turn)]
        rattle = low_pass(rattle, m.position_s, float(time[1] - time[0]))
    swing = 2 * np.pi * (turn + m.centre_angle)
    across = _travel(m, time, turn, moved, arrived)
    sideways = n * m.centre * np.sin(swing) / (2 * np.pi)
    clock_along = m.clock.angle + sideways / g.clock_radius + rattle
    data_along = m.data.angle + sideways / g.first_row_radius
    sway = 1 + m.warp * np.cos(2 * np.pi * m.lobes * (turn + m.warp_angle))
    clock = _light(m, m.clock, slot, None, clock_along) * sway
    data = _light(m, m.data, slot, across + m.centre * np.cos(swing), data_along) * sway
    counted = np.maximum.accumulate(slot - clock_along)
    position = (starts[:, None] + np.arange(n)).astype(np.float64)
    pass_s = np.interp(position + m.clock_along[(starts[:, None] + np.arange(n)) % n],
                       counted, time)  # fmt: skip
    volts_c, volts_d = (
        _amplify(m, eye, x, time, rng) for eye, x in ((m.clock, clock), (m.data, data))
    )
    if m.dead is not None:
        row, at, level = m.dead
        since = -1.0 if row < 0 else float(pass_s[row, at])
        volts_d = np.where(time >= since, level + 0.002 * rng.standard_normal(len(time)), volts_d)
    return Run(time, slot, volts_c, volts_d, starts, pass_s, across, moved, arrived)


def whole_rows(m: Machine, r: Run) -> int:
    """How many rows pass whole while the stage rests on them, to half a hole; where rows start at
    the index mark, from one mark to the next."""
    g, n = m.disc.geometry, m.disc.positions
    assert g is not None
    count = 0
    for row in range(m.disc.rows):
        on = np.abs(r.radius - row * g.row_pitch) < 0.5 * g.hole_diameter
        edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]])))
        for a, b in edges.reshape(-1, 2):
            begin, end = r.slot[a], r.slot[b - 1]
            if m.stage.on_index:
                begin = n * math.ceil((begin - 0.5) / n)
            if end - begin >= n - 1:
                count += 1
                break
    return count


def bits_read(m: Machine, r: Run) -> Bits:
    """What the player makes of it: the mean of the data channel around each clock pulse, against
    the threshold. Unknown where the clock shows no hole. In the rows' own places."""
    low, high = float(r.clock.min()), float(r.clock.max())
    dt = r.time[1] - r.time[0]
    half = m.sample_width * m.position_s / 2

    def mean(volts: Floats, at: Floats) -> Floats:
        total = np.append(0.0, np.cumsum(volts))
        index = (at - r.time[0]) / dt
        a, b = (np.clip(index + k * half / dt, 0, len(volts) - 1).astype(int) for k in (-1, 1))
        out: Floats = (total[b + 1] - total[a]) / (b + 1 - a)
        return out

    level = mean(r.data, r.pass_s + m.sample_at)
    hole = (level > m.threshold) if m.upside else (level < m.threshold)
    bit = np.where(hole, m.disc.layout.hole_means, 1 - m.disc.layout.hole_means)
    middle, pulse = (low + high) / 2, mean(r.clock, r.pass_s)
    seen = (pulse > middle) if m.upside else (pulse < middle)
    # a burr in the middle of a hole still leaves its flanks
    seen |= m.burr[(r.start[:, None] + np.arange(m.disc.positions)) % m.disc.positions] > 0
    known = np.where(seen & (r.pass_s < r.time[-1] - half), bit, -1)
    out = np.full(known.shape, -1, np.int8)
    for row in range(len(known)):
        place = (r.start[row] + np.arange(m.disc.positions)) % m.disc.positions
        out[row, place] = known[row]
    return out
