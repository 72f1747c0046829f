"""Generator f: a machine and its disc as numbers, drawn from a seed.

f keeps a disc as a picture of the light that it throws back, over radius and angle, blurred by the
spot of each detector. Motor and stage give the path of the spot over this picture.

Lengths in mm, times in s, angles in *slots* (one position of the disc), levels in V. What is a
share of T is one of the time that a position lasts. Ranges are those of cheap machines, common
practice, no source, where nothing else is said.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry
from sonify.errors import InputError

Floats = NDArray[np.float64]
Rng = np.random.Generator

KINDS = ["npy", "npy-names", "npy-rate", "csv", "csv-ms", "wav", "edges", "vcd"]
WORDS = re.findall(
    r"\S+",
    """
    FOG SOUP TEN RIDGE CAIRN LATE SNOW BRIDGE HUT WIND LANTERN GUST 40 KNOTS MOSS KETTLE BY THE
    UPPER SPRING TRACK IS OPEN CLOSED ICE ON NORTH STEPS BRING ROPE STOVE LIT BOOTS OFF BUNKS 7
    FREE THAW AT NOON CLOUD LIFTS SOON MIND EDGE SLEET EASES BELL RINGS
""",
)


@dataclass
class Eye:
    """A detector with its light, amplifier and comparator."""

    spot: float  # the spot's standard deviation, or a slit's half width along the track
    slit: bool
    dark: float  # V without light
    swing: float  # V that all the light of solid material adds
    stray: float  # the share of the light that a hole still throws back
    supply: float
    upside: bool  # light lowers the voltage (a phototransistor to ground)
    tau: float  # s, of the amplifier
    snr_db: float  # power of the two levels about their mean to that of the noise
    hysteresis: float  # between the comparator's two thresholds, as a share of the step
    threshold: float  # as a share of the step above the lower level
    aside: float = 0.0  # mm off its row, radially
    hum: float = 0.0  # V of mains picked up by the wires
    flicker: float = 0.0  # share of the light that follows the mains
    slow: float = 0.0  # s, of a filter too slow
    gain: float = 1.0
    sticky: float = 0.0  # s for which the amplifier stays at its limit

    @property
    def levels(self) -> tuple[float, float]:
        """V at a hole and at material, as long as nothing is wrong."""
        low, high = self.dark + self.stray * self.swing, self.dark + self.swing
        return (self.supply - low, self.supply - high) if self.upside else (low, high)

    @property
    def decides(self) -> float:
        """V at which the machine tells holes from material."""
        hole, solid = self.levels
        return hole + self.threshold * (solid - hole)


@dataclass
class Rig:
    """A machine, the disc in it, and the recorder."""

    disc: Disc  # the design
    cut: Floats  # (rows, positions): the share of the hole that is open
    along: Floats  # (rows, positions): mm by which holes are off along the row
    across: Floats
    clock_cut: Floats  # (positions,)
    clock_along: Floats
    rpm: float
    on_index: bool
    stage: float
    settle: float
    data: Eye
    clock: Eye
    azimuth: float  # slots by which the data detector sees a hole later
    known: dict[str, Any]  # what the settings say beside speed and stage
    # motor
    speed: float = 1.0
    drift: float = 0.0  # the change of speed over the read
    shape: str = "even"
    ripples: list[tuple[float, float]] = field(default_factory=list)  # per turn, share
    holds: list[tuple[float, float]] = field(default_factory=list)  # share of the read, s
    # disc on its hub
    centre: tuple[float, float] = (0.0, 0.0)  # mm, rad
    warp: tuple[float, int, float] = (0.0, 1, 0.0)  # mm, waves a turn, rad
    depth: float = 3.0  # mm out of focus at which half of the light is lost
    grain: float = 0.02
    burrs: Floats = field(default_factory=lambda: np.zeros(0))  # clock holes with a hair across
    # stage
    order: list[int] = field(default_factory=list)
    step: float = 0.01
    ring_hz: float = 15.0
    damping: float = 0.3
    effort: float = 0.9  # the share of the stage's time that it moves
    takes: float = 1.0  # how much longer the stage takes than it should; the machine waits
    lag: float = 0.0  # s by which the stage leaves late (or early), unnoticed
    lost: tuple[int, float] = (0, 0.0)  # from this row on, mm short
    pitch_error: float = 0.0
    play: float = 0.0  # mm that the nut has
    floats: bool = False  # it stops anywhere in its play
    # electronics
    mains: float = 50.0
    dead: tuple[str, float, float, float] = ("", 0, 0, 0)  # kind, from, to (shares), V or s
    ambient: tuple[float, float, float] = (0, 0, 0)  # share of the step, from, rise (shares)
    shake: tuple[str, float, float] = ("", 0, 0)  # of the clock detector: kind, slots, Hz * T
    bounce: tuple[float, float, float] = (0, 0, 0)  # share of the pulses; after, long (of T)
    # recorder
    kind: str = "npy"
    rate: float = 1000.0
    bits: int = 12
    lead: float = 0.5  # turns
    tail: float = 0.3
    gaps: list[tuple[float, float]] = field(default_factory=list)  # share of the record, T
    presets: tuple[str, ...] = ()
    wire: tuple[str, float, float] = ("", 0, 0)  # a fault of the MIDI wire: kind, sizes
    facts: dict[str, Any] = field(default_factory=dict)  # what the fault is, for people

    @property
    def position_s(self) -> float:
        """How long a position lasts at the speed of the settings."""
        return 60 / self.rpm / self.disc.positions

    @property
    def sharp(self) -> float:
        """The half width of the outermost row's holes, in slots."""
        g = self.disc.geometry
        assert g is not None
        return g.hole_diameter / 2 / (2 * np.pi * self.radii.max() / self.disc.positions)

    @property
    def radii(self) -> Floats:
        """The rows' radii as designed."""
        g = self.disc.geometry
        assert g is not None
        way = -1 if self.disc.layout.reading == "outside-in" else 1
        return g.first_row_radius + way * g.row_pitch * np.arange(self.disc.rows)


def text_of(rng: Rng, letters: int) -> str:
    """Words in any order."""
    return " ".join(rng.choice(WORDS, letters // 3 + 2))[: max(letters, 1)].strip() or "FOG"


def disc_of(rng: Rng, least_rows: int) -> Disc:
    """A disc that can be cut: webs of 0.8 mm and more (common practice for acrylic and ply)."""
    rows = int(rng.integers(least_rows, 15))
    positions = int(rng.integers(20, 91))
    hole = float(rng.uniform(1.8, 4.5 if positions < 56 else 3.0))
    web = float(rng.uniform(0.8, 0.8 + hole))
    pitch = hole + float(rng.uniform(1.0, 0.9 + 0.7 * hole))
    inner = max(9.0, positions * (hole + web) / (2 * np.pi))
    outer = inner + (rows - 1) * pitch
    clock = outer + pitch * float(rng.uniform(1.3, 2.0))
    inwards = bool(rng.random() < 0.6)
    geometry = Geometry(
        outer_diameter=round(2 * clock + 2 * hole + 6, 1), bore_diameter=6.0,
        clock_radius=round(clock, 2), first_row_radius=round(outer if inwards else inner, 2),
        row_pitch=round(pitch, 2), hole_diameter=round(hole, 2),
    )  # fmt: skip
    layout = Layout(
        positions=positions,
        reading="outside-in" if inwards else "inside-out",
        turning="clockwise" if rng.random() < 0.6 else "anticlockwise",
        hole_means=1 if rng.random() < 0.75 else 0,
    )
    code = Code(
        alphabet=str(rng.choice(["ascii", "ascii", "ita2", "utf-8"])),  # type: ignore[arg-type]
        bit_order="high-first" if rng.random() < 0.6 else "low-first",
        framing="framed" if rng.random() < 0.4 else "plain",
        check=str(rng.choice(["none", "none", "parity", "crc-16", "reed-solomon"])),  # type: ignore
    )
    letters = max(3, int(rows * positions / (code.unit_bits + 0.5)))
    text = text_of(rng, letters)
    while True:
        if len(text) < 4:  # marks and checks have no room on so small a disc
            code, text = Code(), text_of(rng, letters)
        try:
            disc = Disc.from_message(text, code=code, layout=layout, geometry=geometry)
            if disc.rows <= rows:
                return disc
        except InputError:  # a letter more than the check can take
            pass
        text = text[: len(text) * 19 // 20].strip()


def eye_of(rng: Rng, hole: float, position_s: float, snr_db: float, supply: float) -> Eye:
    """A detector whose spot is smaller than a hole."""
    slit = bool(rng.random() < 0.4)
    dark = float(rng.uniform(0.05, 0.25))
    # a comparator is set to more than the noise: 5 sigma, so it rarely chatters
    least = 5 * 0.5 * 10 ** (-snr_db / 20)
    return Eye(
        spot=hole * float(rng.uniform(0.08, 0.2)), slit=slit, dark=dark,
        swing=float(rng.uniform(0.3, 0.85)) * (supply - dark), stray=float(rng.uniform(0.03, 0.25)),
        supply=supply, upside=False, tau=position_s * float(np.exp(rng.uniform(-6, -3.3))),
        snr_db=snr_db, hysteresis=min(0.6, max(float(rng.uniform(0.05, 0.2)), least)),
        threshold=float(rng.uniform(0.44, 0.56)), aside=hole * float(rng.uniform(-0.08, 0.08)),
        hum=float(rng.uniform(0, 0.008)) * supply, flicker=float(rng.uniform(0, 0.03)),
    )  # fmt: skip


def rig_of(rng: Rng, least_rows: int = 2) -> Rig:
    """A sound machine of the cheap kind with a disc."""
    disc = disc_of(rng, least_rows)
    g, n = disc.geometry, disc.positions
    assert g is not None
    hole = g.hole_diameter
    rpm = round(float(np.exp(rng.uniform(np.log(4), np.log(45)))), 2)
    t, turn = 60 / rpm / n, 60 / rpm
    on_index = bool(rng.random() < 0.65)
    # moves as long as steppers take, and no near thing whether the next index is caught
    move = float(rng.uniform(0.25, 1.6))
    if on_index:
        whole, share = divmod(move / turn, 1)
        move = turn * (whole + min(0.7, max(share, 0.15 if whole else 0.0)))
    settle = move * float(rng.uniform(0.12, 0.4))
    # down to 12 dB
    snr = float(rng.uniform(12, 36)) if rng.random() < 0.8 else float(rng.uniform(36, 50))
    supply = float(rng.choice([3.3, 5.0]))
    data, clock = (eye_of(rng, hole, t, x, supply) for x in (snr, snr + float(rng.uniform(0, 6))))
    data.upside = clock.upside = bool(rng.random() < 0.25)
    rig = Rig(
        disc=disc, cut=(disc.grid == disc.layout.hole_means).astype(float),
        # a hand punch with a jig keeps 0.05 to 0.15 mm
        along=rng.normal(0, 0.03, disc.grid.shape) * hole,
        across=rng.normal(0, 0.03, disc.grid.shape) * hole,
        clock_cut=np.ones(n), clock_along=np.zeros(n), rpm=rpm, on_index=on_index,
        stage=round(move - settle, 3), settle=round(settle, 3), data=data, clock=clock,
        azimuth=0.0, known={}, order=list(range(disc.rows)),
    )  # fmt: skip
    # a bit is judged where its clock pulse is, so what is off there must fit into a hole
    room = float(0.75 * rig.sharp)
    rig.azimuth = (
        float(rng.uniform(-1, 1)) * min(0.3, 1.4 * room) * (1 if rng.random() < 0.3 else 0.17)
    )
    # the noisier, the longer a machine that was tuned averages
    least = float(np.interp(min(data.snr_db, clock.snr_db), [14, 26], [1.1, 0.3]))
    width = float(rng.uniform(least, max(least, 1.0))) * min(0.25, room)
    told = bool(rng.random() < 0.5) or abs(rig.azimuth) > 0.25 * room
    late = rig.azimuth * t if told else 0.0
    if told and rng.random() < 0.7:
        rig.known["delay"] = round(late, 5)
    if told:
        rig.known |= {"sample-at": round(late, 5), "sample-width": round(width, 3)}
    rig.facts |= {"at": late, "width": width}
    # told in s, the delay is off by as much as speed and flutter are
    left = room - width / 3 - (0.15 if told else 1.0) * abs(rig.azimuth)
    jitter = min(0.1, left) * float(rng.uniform(0.1, 1))
    pitch_mm = 2 * np.pi * g.clock_radius / n
    rig.clock_along = rng.uniform(-jitter, jitter, n) * pitch_mm
    rig.drift = float(rng.uniform(-0.2, 0.2))
    rig.shape = str(rng.choice(["even", "warm", "sway"]))
    share = rng.dirichlet([1, 1, 1]) * float(rng.uniform(0, 0.05))
    teeth = (1.0, float(rng.uniform(2.5, 9)), float(rng.uniform(10, 0.45 * n + 10)))
    rig.ripples = list(zip(teeth, share.tolist(), strict=True))
    if rng.random() < 0.4:
        many = int(rng.integers(1, 5))
        rig.holds = [
            (float(rng.uniform(0.02, 0.98)), t * float(np.exp(rng.uniform(-1, 2.5))))
            for _ in range(many)
        ]
    rig.centre = (hole * float(rng.uniform(0, 0.08)), float(rng.uniform(0, 2 * np.pi)))
    rig.depth = float(rng.uniform(2, 5))
    waves = (int(rng.integers(1, 4)), float(rng.uniform(0, 2 * np.pi)))
    rig.warp = (rig.depth * float(rng.uniform(0, 0.12)), *waves)
    rig.grain = float(rng.uniform(0.005, 0.04))
    # screw of 2 mm on 200 steps, microsteps, or a belt of 40 mm a turn on 1600
    rig.step = float(rng.choice([0.01, 0.005, 0.025]))
    rig.ring_hz, rig.damping = float(rng.uniform(8, 30)), float(rng.uniform(0.15, 0.6))
    rig.effort = float(rng.uniform(0.75, 0.97))
    rig.mains = float(rng.choice([50.0, 60.0]))
    rig.kind = str(rng.choice(KINDS))
    rates = np.array([200, 250, 500, 1000, 2000, 2500, 4000, 5000, 8000, 10_000, 20_000.0])
    if rig.kind == "wav":
        rates = rates[rates >= 4000]  # what sound cards and loggers offer
    good = rates[(rates * t >= 14) & (rates * t <= 130)]
    rig.rate = float(rng.choice(good if len(good) else rates[[np.argmin(np.abs(rates * t - 60))]]))
    rig.bits = int(rng.choice([10, 12, 16] if rig.kind != "wav" else [16]))
    rig.lead, rig.tail = float(rng.uniform(0.1, 1.2)), float(rng.uniform(0.05, 0.6))
    return rig
