"""The machine of generator e: a list of what it is made of, drawn at random from a seed.

Lengths along a row count in positions, across rows in mm; times in s; levels as shares of the swing
between solid material (0) and a whole hole (1), until the amplifier turns them into V.
"""

from __future__ import annotations

import math
import string
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry

Rng = np.random.Generator
Floats = NDArray[np.float64]
Bits = NDArray[np.int8]


@dataclass
class Rig:
    """A machine and the disc in it.

    Attributes
    ----------
    disc : Disc
        As designed.
    cut : ndarray of bool, shape (rows, positions)
        Where the disc has holes.
    shut : ndarray, shape (rows, positions)
        How much of each hole is closed.
    along, clock_along : ndarray
        How far each hole is from its place, in positions.
    rpm, off, drift, shape : float, float, float, str
        Speed in the profile; how far it is off in the middle; its change over the read; whether
        that comes evenly, as an S, or in steps.
    ripples : list of (float, float)
        Speed ripples: cycles per turn, and peak share.
    wander : float
        Standard deviation of the speed from position to position, as a share.
    stalls : list of (float, float)
        At which share of the read the disc stands still, and for how long.
    move, settle, taken : float
        What the profile allows for a move and its rest, and what the move takes.
    waits, on_index : bool
        The firmware waits for the move's end; rows start at the index mark.
    step : float
        mm per pulse of the stage's driver.
    order : list of int
    pulses : list of int
        Pulses that the stage really follows at each move, row by row; the first is 0.
    rest : ndarray, shape (rows,)
        Where the carriage rests beside its nut, in mm.
    lag : ndarray, shape (rows,)
        How much later than due each move begins.
    slit : float
        Height of the beam, in mm.
    soft : float
        Width of an edge in positions: the logistic's scale.
    behind : float
        What a hole still gives back, as a share of solid material.
    mount : float
        How much later than the clock detector the data detector sees a hole, in positions.
    shake : tuple of float
        The clock detector's play in positions, and cycles of it per turn.
    weak, bounce : float
        The share of clock pulses that are missed, and of those that bounce.
    solid, dark, supply : float
        Levels in V.
    knee : float
        The level in V above which the amplifier yields, towards its supply.
    gain, tau, late : float
        Of the data amplifier; time constants of its own and of an extra filter.
    hum, mains : float
        Depth of the data lamp's ripple and the mains frequency.
    clock_hum : float
    light : list of (float, float, float)
        Other light: from and to which share of the record, and how much, as a share of solid.
    bend, bends : float, int
        How much the light changes within a turn, and how often.
    fade : float
        At which share of the record the data lamp goes out; over 1: never.
    dead : tuple of (int, int, float) or None
        From which row and position on the data output stays at which level in V; row -1: always.
    snr_db, crackle : float
        Half the swing over the noise's standard deviation; share of time with noise ten times as
        strong.
    threshold, hysteresis : float
        As shares of the swing.
    upside : bool
        Holes are high.
    before, after : float
        Turns recorded before and after the reading.
    window : float
        How long the player averages, as a share of a position.
    """

    disc: Disc
    cut: NDArray[np.bool_]
    shut: Floats
    along: Floats
    clock_along: Floats
    rpm: float
    off: float
    drift: float
    shape: str
    ripples: list[tuple[float, float]]
    wander: float
    stalls: list[tuple[float, float]]
    move: float
    settle: float
    taken: float
    on_index: bool
    step: float
    order: list[int]
    pulses: list[int]
    rest: Floats
    lag: Floats
    slit: float
    soft: float
    behind: float
    mount: float
    solid: float
    dark: float
    supply: float
    knee: float
    tau: float
    mains: float
    snr_db: float
    threshold: float
    hysteresis: float
    upside: bool
    before: float
    after: float
    window: float
    digital: bool
    waits: bool = False
    shake: tuple[float, float] = (0.0, 1.0)
    weak: float = 0.0
    bounce: float = 0.0
    gain: float = 1.0
    late: float = 0.0
    hum: float = 0.0
    clock_hum: float = 0.0
    light: list[tuple[float, float, float]] = field(default_factory=list)
    bend: float = 0.0
    bends: int = 1
    fade: float = 2.0
    dead: tuple[int, int, float] | None = None
    crackle: float = 0.0
    profile_on_index: bool | None = None
    lost: list[tuple[float, float]] = field(default_factory=list)
    lost_shows: bool = False

    @property
    def positions(self) -> int:
        """Positions per row."""
        return self.disc.positions

    @property
    def slot_s(self) -> float:
        """How long a position lasts at the profile's speed, in s."""
        return 60 / (self.rpm * self.positions)

    @property
    def sizes(self) -> Geometry:
        """The disc's sizes."""
        assert self.disc.geometry is not None
        return self.disc.geometry

    @property
    def arc(self) -> Floats:
        """mm per position in each row."""
        g, rows = self.sizes, np.arange(self.disc.rows)
        sign = -1 if self.disc.layout.reading == "outside-in" else 1
        out: Floats = 2 * math.pi * (g.first_row_radius + sign * rows * g.row_pitch)
        return out / self.positions

    def volts(self, share: float) -> float:
        """The output in V for a share of the swing towards a whole hole."""
        light = 1 - (1 - self.behind) * share
        level = self.dark + (self.solid - self.dark) * light
        return self.supply - level if self.upside else level


def _words(rng: Rng, length: int) -> str:
    """Bearings, heights and initials, as in a hut's log."""
    out = ""
    while len(out) < length:
        kind = rng.integers(4)
        letters = list(string.ascii_uppercase)
        if kind == 0:
            out += f"{int(rng.integers(100, 4000))} M "
        elif kind == 1:
            out += "".join(rng.choice(letters, int(rng.integers(2, 8)))) + " "
        elif kind == 2:
            out += f"{rng.choice(['N', 'NE', 'E', 'SE', 'S', 'SW', 'W', 'NW'])} "
        else:
            out += f"{rng.choice(['OVER', 'RISING', 'FRESH', 'LOST', 'FOUND', 'SEEN'])}. "
    return out[:length].rstrip().ljust(length, "-")


def design(rng: Rng, least: int) -> Disc:
    """A disc of 2 to 18 rows of 18 to 120 positions."""
    while True:
        rows, n = int(rng.integers(least, 19)), round(18 * (120 / 18) ** rng.random())
        alphabet = str(rng.choice(["ascii", "utf-8", "ita2"], p=[0.5, 0.25, 0.25]))
        framed = alphabet != "ita2" and rng.random() < 0.4
        code = Code(
            alphabet=alphabet,  # type: ignore[arg-type]
            bit_order="low-first" if rng.random() < 0.4 else "high-first",
            framing="framed" if framed else "plain",
            check="crc-16" if framed and rng.random() < 0.5 else "none",
        )
        room = rows * n // code.unit_bits - (9 if framed else 0)
        if room < 2:
            continue
        layout = Layout(
            positions=n,
            reading="inside-out" if rng.random() < 0.5 else "outside-in",
            turning="anticlockwise" if rng.random() < 0.5 else "clockwise",
            hole_means=0 if rng.random() < 0.3 else 1,
        )
        disc = Disc.from_message(
            _words(rng, room), code=code, layout=layout, geometry=_sizes(rng, rows, layout),
            name="e",
        )  # fmt: skip
        if disc.rows == rows:
            return disc


def _sizes(rng: Rng, rows: int, layout: Layout) -> Geometry:
    """Holes of 1 mm (a drill) to 6 mm (a hole punch for paper), webs of at least half a hole."""
    hole = round(float(math.exp(rng.uniform(0, math.log(6)))), 2)
    pitch = round(hole * float(rng.uniform(1.4, 2.4)), 2)
    inner = max(4 * hole, 8.0, layout.positions * hole * rng.uniform(1.5, 2.2) / (2 * math.pi))
    outer = inner + (rows - 1) * pitch
    return Geometry(
        outer_diameter=round(2 * (outer + 2 * pitch + hole), 1),
        bore_diameter=4.0,
        clock_radius=round(outer + pitch, 2),
        first_row_radius=round(outer if layout.reading == "outside-in" else inner, 2),
        row_pitch=pitch,
        hole_diameter=hole,
    )


def rig(disc: Disc, rng: Rng, digital: bool) -> Rig:
    """A sound machine, from a toy (wear 1) to a watch (wear 0)."""
    wear = float(rng.beta(0.8, 0.8))
    rows, n = disc.grid.shape
    g = disc.geometry
    assert g is not None
    # a wheel turned by a clockwork motor to a record player's speed
    rpm = round(float(math.exp(rng.uniform(math.log(2), math.log(60)))), 2)
    turn = 60 / rpm
    pause = float(rng.choice([rng.uniform(0.1, 0.7), rng.uniform(1.15, 1.65)], p=[0.85, 0.15]))
    settle = round(pause * turn * float(rng.uniform(0.05, 0.5)), 3)
    move = round(pause * turn - settle, 3)
    step = g.row_pitch / int(rng.integers(40, 800))
    supply = float(rng.choice([1.8, 3.3, 5.0, 10.0, 24.0]))
    solid = supply * float(rng.uniform(0.4, 0.85))
    # arcs at the tightest row decide how soft an edge may be
    arc = 2 * math.pi * min(g.first_row_radius, g.clock_radius - rows * g.row_pitch) / n
    ripples = [
        (float(rng.choice([1, 2, rng.uniform(2, 9)])), 0.025 * wear * float(rng.random()))
        for _ in range(int(rng.integers(0, 3)))
    ]
    per = round(g.row_pitch / step)
    return Rig(
        disc=disc,
        cut=disc.grid == disc.layout.hole_means,
        shut=np.zeros((rows, n)),
        along=(0.03 * wear * rng.standard_normal((rows, n))).clip(-0.1, 0.1),
        clock_along=(0.03 * wear * rng.uniform(0, 1) * rng.standard_normal(n)).clip(-0.1, 0.1),
        rpm=rpm,
        off=float(rng.uniform(-0.012, 0.012)),
        drift=0.2 * wear * float(rng.uniform(-1, 1)),
        shape=str(rng.choice(["even", "s", "steps"])),
        ripples=ripples,
        wander=0.004 * wear,
        stalls=[
            (float(rng.uniform(0.05, 0.95)), float(rng.uniform(0.08, 0.5)))
            for _ in range(int(rng.integers(1, 3)))
        ]
        if rng.random() < 0.3 * wear
        else [],
        move=move,
        settle=settle,
        taken=move * float(rng.uniform(0.6, 0.99)),
        on_index=bool(rng.random() < 0.65),
        step=step,
        order=list(range(rows)),
        pulses=[0] + [per] * (rows - 1),
        rest=0.04 * wear * g.hole_diameter * rng.standard_normal(rows).clip(-2, 2),
        lag=np.zeros(rows),
        slit=g.hole_diameter * float(rng.uniform(0.15, 0.5)),
        soft=g.hole_diameter / arc * float(rng.uniform(0.01, 0.07)),
        behind=float(rng.uniform(0.0, 0.3)),
        mount=float(rng.choice([0.0, rng.uniform(-0.4, 0.4)])),
        solid=solid,
        dark=solid * float(rng.uniform(0, 0.2)),
        supply=supply,
        knee=solid + (supply - solid) * float(rng.uniform(0.5, 0.9)),
        tau=min(float(math.exp(rng.uniform(math.log(1e-6), math.log(1e-3)))), turn / n / 60),
        mains=float(rng.choice([50.0, 60.0])),
        snr_db=(24 if digital else 12) + 40 * (1 - wear) * float(rng.random()),
        threshold=float(rng.uniform(0.4, 0.6)),
        hysteresis=float(rng.uniform(0.1, 0.3)),
        upside=bool(rng.random() < 0.3),
        before=float(rng.uniform(0.1, 2.5)),
        after=float(rng.uniform(0.05, 1.5)),
        window=float(rng.uniform(0.06, 0.2)),
        digital=digital,
    )


def profile(r: Rig, rng: Rng) -> dict[str, Any]:
    """What the maker has written down."""
    on_index = r.on_index if r.profile_on_index is None else r.profile_on_index
    out: dict[str, Any] = {
        "rpm": r.rpm,
        "row-start": "index" if on_index else "next-position",
        "stage": r.move,
        "settle": r.settle,
        "delay": round(r.mount * r.slot_s, 6),
    }
    if rng.random() < 0.4:
        out["sample-at"], out["sample-width"] = out["delay"], round(r.window, 3)
    return out
