"""Discs at random: texts, codes, layouts and sizes.

Only the way from a message to bits is the product's own; radii and angles are worked out here
from the formulas of the disc file. Ranges are common practice for hand-made discs (no source):
holes of 1.2 to 5 mm, webs of 0.6 mm or more, discs up to 400 mm.

Seeds that three divides are kept back: nobody looks at results from them before the work is done.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import sonify
from sonify.disc.code.code import Code
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry, KeepOut
from sonify.errors import InputError

LETTER = 3
Reals = NDArray[np.float64]

_SUBJECTS = (
    "NORTH SLOPE", "SOUTH GULLY", "EAST COL", "THE RIDGE", "UPPER TARN", "LOWER BRIDGE",
    "SCREE PATH", "HUT WATER", "WEST SPUR", "SUMMIT", "MEADOW TRACK", "ROPE AT THE SLAB",
    "FERRY STEPS", "BIRCH HOLLOW", "STOVE", "CAIRN 7", "THE OLD QUARRY",
    "MOSS CROSSING", "LANTERN POST",
)  # fmt: skip
_STATES = (
    "IS CLEAR", "IS ICY", "CLOSED", "OPEN TO NOON", "DRY", "IN CLOUD", "WET AND SLOW",
    "HAS NEW SNOW", "FREE OF ICE", "UNDER REPAIR", "FULL", "LOW", "MARKED WITH RAGS", "GONE",
    "SAFE BY DAY",
)  # fmt: skip
_WINDS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
_ADVICE = (
    "TAKE A LAMP", "TURN BACK BY 3", "KEEP LEFT", "WALK IN PAIRS", "SIGN THE BOOK", "SHUT THE GATE",
    "MIND THE GOATS", "BOIL ALL WATER", "LEAVE WOOD DRY", "FOLLOW THE POSTS", "REST AT THE SPRING",
)  # fmt: skip
_FOREIGN = (
    "Hütte offen bis 18 Uhr", "névé dur à l'ombre", "−4 °C", "vent fort ↗", "Grüße vom Grat",
    "båten går kl. 9", "sentiero chiuso più in là", "źródło suche",
    "φως στο καταφύγιο", "☂ ab zwei",
)  # fmt: skip


def _phrase(rng: np.random.Generator) -> str:
    pick = int(rng.integers(6))
    if pick == 0:
        return f"WIND {rng.choice(_WINDS)} {rng.integers(1, 10)}"
    if pick == 1:
        return f"{rng.choice(_SUBJECTS)} {rng.integers(-19, 24)} C"
    if pick == 2:
        return f"CLOUD BASE {rng.integers(4, 31)}00 M"
    if pick == 3:
        return str(rng.choice(_ADVICE))
    return f"{rng.choice(_SUBJECTS)} {rng.choice(_STATES)}"


def text(rng: np.random.Generator, length: int, alphabet: str) -> str:
    """A text of about `length` characters in the style of a hut's notices."""
    out = ""
    while len(out) < length:
        join = str(rng.choice([". ", ", ", ": ", " - "])) if out else ""
        foreign = alphabet == "utf-8" and rng.random() < 0.4
        out += join + (str(rng.choice(_FOREIGN)) if foreign else _phrase(rng))
    if alphabet != "ita2" and rng.random() < 0.3:
        out = out.capitalize()
    return out[:length].strip(" ,:-.") or "FOG"


def _code(rng: np.random.Generator) -> Code:
    framed = rng.random() < 0.5
    check = str(rng.choice(["none", "parity", "crc-16", "reed-solomon"], p=[0.5, 0.2, 0.15, 0.15]))
    return Code(
        alphabet=str(rng.choice(["ascii", "ita2", "utf-8"], p=[0.55, 0.25, 0.2])),
        bit_order=str(rng.choice(["high-first", "low-first"], p=[0.75, 0.25])),
        framing="framed" if framed else "plain",
        check=check,
    )


def _geometry(
    rng: np.random.Generator, rows: int, positions: int, inward: bool, magnets: bool
) -> Geometry | None:
    """Sizes that fit the rows; None where the disc would be larger than 400 mm."""
    hole = round(float(rng.uniform(1.2, 5.0)), 1)
    web = float(rng.uniform(0.6, 2.0)) * max(1.0, hole / 3)
    pitch = round(hole + web * float(rng.uniform(0.8, 1.6)), 2)
    bore = round(float(rng.uniform(4.0, 16.0)), 1)
    hub = bore / 2 + float(rng.uniform(6.0, 20.0))
    innermost = max(positions * (hole + web) / (2 * math.pi), hub)
    clock_inside = rng.random() < 0.15
    low = innermost + (pitch * float(rng.uniform(1.0, 1.6)) if clock_inside else 0.0)
    high = low + (rows - 1) * pitch
    gap = pitch * float(rng.uniform(1.0, 1.6))
    clock = innermost if clock_inside else high + gap
    rim = max(high, clock) + hole / 2 + float(rng.uniform(2.0, 8.0))
    if rim > 200.0:
        return None
    keep: tuple[KeepOut, ...] = ()
    if magnets and innermost - hole - bore / 2 > 14.0:
        size = float(rng.uniform(4.0, 8.0))
        at = (bore / 2 + innermost - hole / 2) / 2
        n, phase = int(rng.integers(1, 4)), float(rng.uniform(0, 360))
        keep = tuple(
            KeepOut(radius=round(at, 2), angle=round((phase + 360 * k / n) % 360, 1),
                    diameter=round(size, 1))
            for k in range(n)
        )  # fmt: skip
    return Geometry(
        outer_diameter=round(2 * rim, 2),
        bore_diameter=bore,
        clock_radius=round(clock, 3),
        first_row_radius=round(high if inward else low, 3),
        row_pitch=pitch,
        hole_diameter=hole,
        keep_out=keep,
    )


def disc(rng: np.random.Generator, most_bits: int = 4800, most_ratio: float = 400.0) -> sonify.Disc:
    """A disc of 2 to 40 rows and 12 to 120 positions.

    `most_ratio` bounds the disc's diameter in hole diameters.
    """
    while True:
        code = _code(rng)
        length = round(5 * 40 ** float(rng.uniform(0, 1)))
        words = text(rng, length, code.alphabet)
        positions = round(12 * 10 ** float(rng.uniform(0, 1)))
        inward = rng.random() < 0.7
        layout = Layout(
            positions=positions,
            reading="outside-in" if inward else "inside-out",
            turning=str(rng.choice(["clockwise", "anticlockwise"], p=[0.7, 0.3])),
            hole_means=int(rng.random() < 0.85),
        )
        try:
            made = sonify.Disc.from_message(words, code=code, layout=layout)
        except InputError:  # a character that the alphabet lacks
            continue
        if not 2 <= made.rows <= 40 or made.grid.size > most_bits:
            continue
        geometry = _geometry(rng, made.rows, positions, inward, rng.random() < 0.3)
        if geometry is None or geometry.outer_diameter > most_ratio * geometry.hole_diameter:
            continue
        title = f"Cairn Hut, {rng.integers(1, 29)} {rng.choice(['May', 'June', 'August'])}"
        return sonify.Disc.from_message(
            words,
            code=code,
            layout=layout,
            geometry=geometry,
            title=title if rng.random() < 0.6 else "",
        )


@dataclass(frozen=True)
class Places:
    """Where a disc's positions lie: radii in mm and angles in radians, clockwise from twelve."""

    rows: Reals
    clock: float
    angles: Reals
    hole: float
    pitch: float


def places(made: sonify.Disc) -> Places:
    """The radius of each row and the angle of each position."""
    g, layout = made.geometry, made.layout
    assert g is not None
    inward = -1.0 if layout.reading == "outside-in" else 1.0
    against = -1.0 if layout.turning == "clockwise" else 1.0
    return Places(
        rows=g.first_row_radius + inward * g.row_pitch * np.arange(made.rows),
        clock=g.clock_radius,
        angles=against * 2 * math.pi * np.arange(made.positions) / made.positions,
        hole=g.hole_diameter,
        pitch=g.row_pitch,
    )


def with_grid(made: sonify.Disc, grid: NDArray[np.int8]) -> sonify.Disc:
    """The same disc with other bits."""
    return sonify.Disc.from_bits(
        grid, code=made.code, layout=made.layout, geometry=made.geometry, title=made.title
    )
