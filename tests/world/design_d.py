"""Discs for generator d: texts, codes, layouts and sizes, all drawn at random."""

from __future__ import annotations

import math

import numpy as np

from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry

Rng = np.random.Generator

WORDS = tuple(
    """
    ABOVE AIR ALMOST AT BELAY BELOW BOOTS BRIDGE CAIRN CLEAR CLOUD COLD CREST DRY DUSK EAST
    FALLS FIRN FOG FORD FROST GALE GAP GLOW GONE GULLY HAIL HALF HUT ICE IN KEEP KEY LAKE LAMP LATE
    LEDGE LIFTS LOW MIST MOON MOSS NEW NIGHT NO NORTH ON OPEN PATH PEAK QUIET RAIN RIDGE ROPE SCREE
    SHUT SLOPE SNOW SOUP SOUTH SPRING STEEP STOVE SUN THAW TO TREE UNTIL VALLEY WARM WEST WIND WOOD
    3 7 12 40 300 900
    """.split()  # noqa: SIM905
)


def _text(rng: Rng, length: int) -> str:
    """A note of just this many characters."""
    out = ""
    while len(out) < length:
        out += str(rng.choice(WORDS)) + str(rng.choice([" ", " ", " ", ", ", ". "]))
    return out[:length].rstrip(" ,").ljust(length, ".")


def _code(rng: Rng) -> Code:
    """Any alphabet, order, framing and check that go together."""
    alphabet = str(rng.choice(["ascii", "ascii", "ita2", "utf-8"]))
    framed = alphabet != "ita2" and rng.random() < 0.5
    check = str(rng.choice(["none", "none", "parity", *(["crc-16"] if framed else [])]))
    order = "low-first" if rng.random() < 0.3 else "high-first"
    return Code(
        alphabet=alphabet,  # type: ignore[arg-type]
        bit_order=order,
        framing="framed" if framed else "plain",
        check=check,  # type: ignore[arg-type]
    )


def sizes(rng: Rng, rows: int, layout: Layout) -> Geometry:
    """Sizes with which all holes stay apart.

    Hand punches and small end mills make holes of 1.6 to 4 mm; webs of less than 0.8 mm tear in
    card and 1 mm plastic (common practice, no source). The innermost row is the tightest, so its
    radius follows from holes plus webs along its circumference.
    """
    hole = float(rng.uniform(1.6, 4.0))
    pitch = hole + float(rng.uniform(1.2, 4.0))
    inner = max(14.0, layout.positions * (hole + rng.uniform(0.8, 2.5)) / (2 * math.pi))
    outer = inner + (rows - 1) * pitch
    clock = outer + pitch * float(rng.uniform(1.0, 1.6))
    return Geometry(
        outer_diameter=round(2 * (clock + hole + 3), 1),
        bore_diameter=6.0,
        clock_radius=round(clock, 2),
        first_row_radius=round(outer if layout.reading == "outside-in" else inner, 2),
        row_pitch=round(pitch, 2),
        hole_diameter=round(hole, 2),
    )


def design(rng: Rng, least_rows: int = 2) -> Disc:
    """A disc of 2 to 14 rows of 20 to 90 positions that carries a text."""
    while True:
        rows, positions = int(rng.integers(least_rows, 15)), int(rng.integers(20, 91))
        layout = Layout(
            positions=positions,
            reading="inside-out" if rng.random() < 0.35 else "outside-in",
            turning="anticlockwise" if rng.random() < 0.35 else "clockwise",
            hole_means=0 if rng.random() < 0.2 else 1,
        )
        code = _code(rng)
        # framing and check take a few units; a text that is too long gives a row more
        length = rows * positions // code.unit_bits - 8 * (code.framing == "framed")
        if length < 2:
            continue
        text = _text(rng, length)
        if code.alphabet == "utf-8" and rng.random() < 0.5:
            text = text.lower()
        disc = Disc.from_message(
            text, code=code, layout=layout, geometry=sizes(rng, rows, layout), name="d"
        )
        if disc.rows == rows:
            return disc
