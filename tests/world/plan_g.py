"""What machine a seed stands for: its disc, its profile, and how it was built."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry
from sonify.errors import InputError
from tests.world.optics_g import Eye

COUNTS = (16, 18, 20, 24, 28, 30, 32, 36, 40, 42, 48, 56, 60, 64, 72, 80, 84, 96, 112, 120, 128)
RATES = (200, 250, 300, 400, 500, 600, 800, 1000, 1200, 1500, 2000, 2500, 3000, 4000, 5000, 6000,
         8000, 10000)  # fmt: skip
"""Samples a second that recorders offer."""

KINDS = ("csv", "npy", "wav", "vcd", "edges", "mid")
SAMPLED = ("csv", "npy", "wav")

CODES = (
    Code(),
    Code(bit_order="low-first"),
    Code(check="parity"),
    Code(framing="framed"),
    Code(framing="framed", check="crc-16"),
    Code(framing="framed", check="reed-solomon"),
    Code(alphabet="ita2"),
    Code(alphabet="ita2", bit_order="low-first"),
    Code(alphabet="utf-8"),
    Code(alphabet="utf-8", framing="framed", check="crc-16", bit_order="low-first"),
)

PHRASES = (
    "GRIT BIN FULL", "TWO BLANKETS DAMP", "RIDGE CLEAR BY TEN", "STOVE PIPE SWEPT",
    "RAVENS ON THE MAST", "PATH WET BELOW THE STILE", "GUST 41 FROM NW", "LAMP OIL LOW",
    "FOG TO THE DOOR", "KEY UNDER SLATE", "TEA 3 TINS", "RIME ON THE GUY ROPES",
    "SPRING RUNS AGAIN", "SLEDGE LENT OUT", "THAW SINCE NOON", "NO TRACKS EAST", "BARO FALLING 6",
    "HARE SEEN TWICE", "BELL AT DUSK", "SNOW TO THE SILL", "GATE WIRED SHUT", "PEAT STACKED",
    "MOON BEHIND CLOUD", "BURN IN SPATE",
)  # fmt: skip


def dice(seed: int, *tags: object) -> np.random.Generator:
    """Numbers of their own for each part of a machine, so that a fault in one moves no other."""
    return np.random.default_rng([seed, *(zlib.crc32(str(t).encode()) for t in tags)])


@dataclass(frozen=True)
class Machine:
    """A machine: `profile` is what its maker tells the software, the rest is how it is.

    Lengths in mm, times in s, angles in positions; levels as shares of the supply. `crop` is how
    much of its first and of its last row was read while the recorder was off.
    """

    seed: int
    disc: Disc
    profile: dict[str, Any]
    kind: str
    motor: dict[str, Any]
    stage: dict[str, Any]
    eyes: tuple[Eye, Eye]
    light: dict[str, Any]
    board: dict[str, Any]
    jitter: float
    lead: float
    tail: float
    rate: int
    finer: int
    snr_db: float
    crop: tuple[float, float] = (0.0, 0.0)

    @property
    def slot_s(self) -> float:
        """How long a position lasts, by the profile."""
        return float(60 / (self.profile["rpm"] * self.disc.positions))

    @property
    def supply(self) -> float:
        return float(self.board["supply"])

    def volts(self, light: Any, which: str, gain: float = 1.0) -> Any:
        """What a detector's amplifier gives for an amount of light, if it had no limits."""
        board = self.board
        return self.supply * (board["base"][which] + board["gain"][which] * gain * light)

    def levels_of(self, which: str) -> tuple[float, float]:
        """What a detector gives for material and for a hole, in V."""
        dim = self.light["leak"]
        material, hole = (1.0, dim) if self.light["reflective"] else (dim, 1.0)
        return float(self.volts(material, which)), float(self.volts(hole, which))

    @property
    def levels(self) -> tuple[float, float]:
        """What the data detector gives for material and for a hole, in V."""
        return self.levels_of("data")

    @property
    def swing(self) -> float:
        material, hole = self.levels
        return abs(material - hole)


def text(rng: np.random.Generator, length: int) -> str:
    """A message of about so many characters."""
    out = ""
    while len(out) < length:
        out += (", " if out else "") + PHRASES[int(rng.integers(len(PHRASES)))]
    return out[:length].rstrip(" ,")


def written(rng: np.random.Generator, code: Code, layout: Layout, rows: int) -> Disc | None:
    """A disc with a message that takes just so many rows; None if it has no room for any."""
    length = int(rows * layout.positions / code.unit_bits)
    message = text(rng, length)
    while message:
        try:
            disc = Disc.from_message(message, code=code, layout=layout)
        except InputError:
            return None
        if disc.rows == rows:
            return disc
        if disc.rows < rows:
            return None
        message = message[:-1].rstrip(" ,")
    return None


def a_disc(rng: np.random.Generator, needs: dict[str, Any]) -> Disc:
    """A disc whose holes are wide enough to be seen in every row."""
    while True:
        positions = int(rng.choice(COUNTS))
        most = min(16, max(2, positions // 6 + 1))
        least = needs.get("rows", 2)
        if most < least:
            continue
        rows = round(math.exp(rng.uniform(math.log(least), math.log(most + 0.49))))
        wide = rng.uniform(1.45, 2.1)
        hole = round(min(rng.uniform(1.5, 4.0), 2 * math.pi * 70 / (wide * positions)), 1)
        pitch = round(hole * rng.uniform(1.35, 1.9) * 20) / 20
        inner = round(wide * positions * hole / (2 * math.pi), 1)
        outer = round(inner + pitch * rows, 2)
        inside = rng.random() < 0.25 and not needs.get("wide-clock")
        duty = positions * hole / (2 * math.pi * outer)
        if hole < 0.8 or duty < 0.18 or (needs.get("wide-clock") and duty > 0.42):
            continue
        clock, low, high = (
            (inner, inner + pitch, outer) if inside else (outer, inner, outer - pitch)
        )
        layout = Layout(
            positions=positions,
            reading="outside-in" if rng.random() < 0.6 else "inside-out",
            turning="clockwise" if rng.random() < 0.6 else "anticlockwise",
            hole_means=1 if rng.random() < 0.75 else 0,
        )
        code = CODES[int(rng.integers(len(CODES)))]
        made = written(rng, code, layout, rows)
        if made is None:
            continue
        geometry = Geometry(
            outer_diameter=round(2 * outer + hole + 2 * rng.uniform(3, 6), 1),
            bore_diameter=round(max(2.0, min(8.0, 2 * inner - hole - 3)), 1),
            clock_radius=round(clock, 2),
            first_row_radius=round(high if layout.reading == "outside-in" else low, 2),
            row_pitch=pitch,
            hole_diameter=hole,
        )
        bare = rng.random() < 0.1 and not needs.get("coded")
        return Disc(
            made.grid,
            layout,
            None if bare else code,
            geometry,
            name=f"hut-{rows}-{positions}",
            given_message=None if bare else made.given_message,
        )


def duty_of(disc: Disc) -> float:
    """The least share of a position that a hole takes, over all rows and the clock row."""
    g = disc.geometry
    assert g is not None
    step = -g.row_pitch if disc.layout.reading == "outside-in" else g.row_pitch
    far = max(g.clock_radius, g.first_row_radius, g.first_row_radius + step * (disc.rows - 1))
    return disc.positions * g.hole_diameter / (2 * math.pi * far)


def a_profile(rng: np.random.Generator, disc: Disc, needs: dict[str, Any]) -> dict[str, Any]:
    """What the maker sets, in round numbers."""
    rpm = float(np.exp(rng.uniform(np.log(4), np.log(60))))
    rpm = round(rpm * 2) / 2 if rpm < 20 else float(round(rpm))
    turn = 60 / rpm
    starts = "index" if rng.random() < 0.6 else "next-position"
    starts = needs.get("row-start", starts)
    while True:
        stage = round(float(np.exp(rng.uniform(np.log(0.15), np.log(2.0)))), 2)
        settle = round(float(rng.uniform(0.05, 0.5)), 2)
        turns = (stage + settle) / turn
        # not so near a whole turn that a motor's whim decides on one turn more
        if turns < 1.75 and 0.02 < turns % 1 < 0.72:
            break
    duty, slot = duty_of(disc), turn / disc.positions
    out: dict[str, Any] = {"rpm": rpm, "row-start": starts, "stage": stage, "settle": settle}
    late = rng.random() < 0.45
    out["delay"] = round(rng.uniform(-0.45, 0.45) * duty * slot, 4) if late else 0.0
    if rng.random() < 0.3:
        out["sample-at"] = round(out["delay"] + rng.uniform(-0.2, 0.2) * duty * slot, 4)
    return out


def a_motor(rng: np.random.Generator) -> dict[str, Any]:
    kind = str(rng.choice(["gear", "belt", "stepper", "mains"], p=[0.4, 0.3, 0.2, 0.1]))
    loose = {"gear": 1.0, "belt": 0.7, "stepper": 0.15, "mains": 0.08}[kind]
    return {
        "kind": kind,
        "offset": rng.uniform(-0.04, 0.04) * min(1, 2 * loose),
        "flutter": 0.05 * loose * rng.random() ** 1.5,
        "drift": 0.20 * loose * rng.random() ** 1.5,
        "teeth": float(rng.uniform(5, 40)),
        "ringing": 0.02 * rng.random() if kind == "stepper" else 0.0,
        "holds": kind == "belt" and rng.random() < 0.6,
        "from-rest": bool(rng.random() < 0.15),
    }


def machine(seed: int, needs: dict[str, Any], calm: float = 1.0) -> Machine:
    """The machine of a seed.

    `needs` are what a fault must have to be there: a number of rows, a kind of file, a reflective
    eye, and the fault's name, so that each has machines of its own. `calm` scales all that a sound
    machine does a little wrong.
    """
    rng = dice(seed, "plan", needs.get("for", ""))
    kind = str(rng.choice(KINDS, p=[0.27, 0.22, 0.14, 0.11, 0.11, 0.15]))
    if (allowed := needs.get("kinds", KINDS)) and kind not in allowed:
        kind = str(rng.choice(list(allowed)))
    disc = a_disc(rng, needs)
    g = disc.geometry
    assert g is not None
    profile = a_profile(rng, disc, needs)
    duty, slot = duty_of(disc), 60 / (profile["rpm"] * disc.positions)
    motor = a_motor(rng)
    for key in ("flutter", "drift", "ringing"):
        motor[key] *= calm
    motor["drift"] *= needs.get("steady", 1.0)

    def eye() -> Eye:
        spot = g.hole_diameter * rng.uniform(0.25, 0.6)
        look = str(rng.choice(["round", "slit", "blur"]))
        return Eye(look, spot if look == "round" else spot * 0.6, spot)

    reflective = needs.get("reflective", bool(rng.random() < 0.65))
    inverting = bool(rng.random() < 0.4)
    # two of a kind, and yet not the same
    gain = rng.uniform(0.35, 0.75)
    base = rng.uniform(0.04, 0.16)
    pairs = {"data": (gain, base),
             "clock": (gain * rng.uniform(0.75, 1.05), base * rng.uniform(0.6, 1.2))}  # fmt: skip
    adc = rng.random() < 0.5 and kind in SAMPLED and not needs.get("fast")
    if adc and rng.random() < 0.5:
        profile["sample-width"] = round(float(rng.uniform(0.2, 0.6)) * duty, 2) or 0.02
    leak = rng.uniform(*needs.get("leak", (0.02, 0.15)))
    # how far the eyes stand off, for the distance at which they see best: a stage has more play
    gaps = {"clock": (1.2, 1.3), "data": (1.35, 1.6)}
    board = {
        "supply": float(rng.choice([3.3, 5.0])),
        "gain": {k: -v if inverting else v for k, (v, _) in pairs.items()},
        "base": {k: 1 - v if inverting else v for k, (_, v) in pairs.items()},
        "adc": adc,
        "trim": rng.uniform(-0.09, 0.09),
        "hysteresis": rng.uniform(0.08, 0.18),
        "tau": min(slot * duty * rng.uniform(0.02, 0.1), 0.0005 if needs.get("fast") else 1.0),
        "noise": rng.uniform(0.003, 0.016) * calm,
    }
    snr = 12 + 33 * rng.random() ** 1.2
    snr = snr if calm == 1 else max(snr, 20.0)
    per_slot = max(16, 6 / duty, 26 if snr < 20 else 0) * rng.uniform(1, 2.4)
    per_slot *= 4 if rng.random() < 0.15 else 1
    per_slot = min(per_slot, 260_000 / (disc.rows * disc.positions * 2.2))
    least = needs.get("rate", 200)
    want = max(per_slot / slot, least)
    rate = next((r for r in RATES if r >= 0.98 * want), RATES[-1])
    finer = max(1, math.ceil(max(28 if kind in SAMPLED else 72, 8 / duty) / (rate * slot)))
    crop = (0.0, 0.0)
    if not needs and rng.random() < 0.08:
        much = float(rng.uniform(1, 0.4 * disc.positions))
        crop = (much, 0.0) if rng.random() < 0.6 else (0.0, much)
    return Machine(
        seed=seed,
        disc=disc,
        profile=profile,
        kind=kind,
        motor=motor,
        stage={
            "way": str(rng.choice(["screw", "belt", "steps", "stiction"])),
            "share": float(rng.uniform(0.75, 0.97)),
            "ring": float(rng.uniform(0, 0.12)),
            "scatter": 0.02 * float(rng.random()),
            "off": float(rng.uniform(-0.04, 0.04)),
            "home": bool(rng.random() < 0.3),
        },
        eyes=(eye(), eye()),
        light={
            "reflective": reflective,
            "leak": leak,
            "grain": 0.05 * rng.random() ** 2 * calm,
            "ripple": 0.04 * rng.random() ** 2 * calm if rng.random() < 0.4 else 0.0,
            "ripple-hz": float(rng.choice([100, 120, 490, 976])),
            "gaps": {k: float(rng.uniform(*v)) for k, v in gaps.items()},
        },
        board=board,
        jitter=min(0.10, 0.3 * duty) * float(rng.random()) * calm,
        lead=needs.get("lead", 0.02 + 0.95 * float(rng.random()) ** 2),
        tail=0.05 + 0.9 * float(rng.random()) ** 2,
        rate=rate,
        finer=finer,
        snr_db=snr,
        crop=crop,
    )
