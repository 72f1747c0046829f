"""Invented discs: a text, a code, a layout and sizes that fit each other.

Ranges (common practice, no source, unless stated): holes of 1.5 to 5 mm, webs of at least 40 % of
a hole, a rim of at least one web, a bore of 3 to 20 mm. Alphabets, framings and checks are those
of the disc file.
"""

from __future__ import annotations

import math

import numpy as np

from sonify import Code, Disc, Geometry, Layout

PLACES = (
    "NORTH PATH",
    "SADDLE",
    "LOWER SPRING",
    "CAIRN 7",
    "ROPE BRIDGE",
    "WEST GULLY",
    "HUT",
    "TARN",
    "SCREE BELOW THE CHAPEL",
    "OLD LEVEE",
    "RIDGE",
    "FORTH SLOPE",
)
STATES = (
    "ICE",
    "CLEAR",
    "CLOSED UNTIL NOON",
    "WET ROCK",
    "SNOW TO THE KNEE",
    "GOOD TRACK",
    "FOG ABOVE 1900 M",
    "LOOSE STONES",
    "MARKED WITH POLES",
    "WIND NW 7",
)
PHRASES = (
    "WIND {d} {n}",
    "CLOUD BASE {m} M",
    "{p}: {s}",
    "SOUP AT {h}",
    "-{n} C AT DAWN",
    "{p} {s}",
    "BELL AT {h}.15",
    "QNH {q}",
    "SNOW LINE {m}",
    "TAKE THE ROPE AT {p}",
    "K. WENT TO {p}",
    "WATER AT {p}",
)
WIDER = ("°", "ü", "é", "→", "½", "ø", "ß", "…")


def text(rng: np.random.Generator, alphabet: str) -> str:
    """A note from an invented hut, 5 to 200 characters."""
    length = round(math.exp(rng.uniform(math.log(5), math.log(200))))
    out = ""
    while len(out) < length:
        phrase = str(rng.choice(PHRASES)).format(
            d=rng.choice(["N", "NE", "E", "SE", "S", "SW", "W", "NW"]),
            n=rng.integers(1, 18),
            m=100 * rng.integers(6, 31),
            p=rng.choice(PLACES),
            s=rng.choice(STATES),
            h=rng.integers(5, 23),
            q=rng.integers(980, 1040),
        )
        out += (", " if out else "") + phrase
    out = out[:length].strip(" ,.:-").ljust(5, "1")
    style = rng.integers(3)
    if alphabet != "ita2" and style:
        out = out.lower() if style == 1 else out.capitalize()
    if alphabet == "utf-8":
        for _ in range(int(rng.integers(1, 4))):
            at = int(rng.integers(len(out)))
            out = out[:at] + str(rng.choice(WIDER)) + out[at + 1 :]
    return out


def code(rng: np.random.Generator) -> Code:
    """Any code that the disc file allows; the plain ones more often."""
    alphabet = str(rng.choice(["ascii", "ita2", "utf-8"], p=[0.6, 0.2, 0.2]))
    framing = "framed" if alphabet != "ita2" and rng.random() < 0.4 else "plain"
    check = str(rng.choice(["none", "parity", "crc-16", "reed-solomon"], p=[0.4, 0.2, 0.2, 0.2]))
    order = str(rng.choice(["high-first", "low-first"], p=[0.75, 0.25]))
    return Code(alphabet=alphabet, framing=framing, check=check, bit_order=order)


def geometry(rng: np.random.Generator, layout: Layout, rows: int) -> Geometry:
    """Sizes on which so many rows fit.

    The chord between neighbours of the innermost row, 2 r sin(pi / N), holds a hole and a web.
    """
    hole = round(float(rng.uniform(1.5, 5.0)), 1)
    web = hole * float(rng.uniform(0.4, 1.6))
    pitch = round(hole + web, 1)
    bore = round(float(rng.uniform(3.0, 20.0)), 1)
    tight = (hole + hole * float(rng.uniform(0.4, 1.2))) / (
        2 * math.sin(math.pi / layout.positions)
    )
    inner = round(max(tight, bore / 2 + hole) + float(rng.uniform(0, 15)), 1)
    clock_gap = round(pitch * float(rng.choice([1.0, 1.0, 1.2, 1.5])), 1)
    clock_inside = rng.random() < 0.12
    first_inner = inner + clock_gap if clock_inside else inner
    outermost = first_inner + (rows - 1) * pitch
    clock = inner if clock_inside else outermost + clock_gap
    rim = max(outermost, clock) + hole / 2 + hole * float(rng.uniform(0.4, 2.5))
    return Geometry(
        outer_diameter=round(2 * rim, 1),
        bore_diameter=bore,
        clock_radius=round(clock, 2),
        first_row_radius=round(outermost if layout.reading == "outside-in" else first_inner, 2),
        row_pitch=pitch,
        hole_diameter=hole,
    )


def random_disc(
    rng: np.random.Generator, *, most_rows: int = 40, widest: float = 620.0, blank: bool = True
) -> Disc:
    """A disc of 2 to `most_rows` rows and 12 to 120 positions, at most `widest` mm across."""
    while True:
        spec = code(rng)
        positions = int(rng.integers(12, 121))
        layout = Layout(
            positions=positions,
            reading=str(rng.choice(["outside-in", "inside-out"], p=[0.7, 0.3])),
            turning=str(rng.choice(["clockwise", "anticlockwise"], p=[0.65, 0.35])),
            hole_means=int(rng.choice([1, 0], p=[0.8, 0.2])),
        )
        message = text(rng, spec.alphabet)
        bare = Disc.from_message(message, code=spec, layout=layout)
        if not 2 <= bare.rows <= most_rows or (not blank and bare.grid.min() == bare.grid.max()):
            continue
        sizes = geometry(rng, layout, bare.rows)
        if sizes.outer_diameter <= widest:
            return Disc.from_message(
                message,
                code=spec,
                layout=layout,
                geometry=sizes,
                title=f"Cairn Hut, {rng.integers(1, 29)} {rng.choice(['May', 'June', 'October'])}",
            )


def row_radii(disc: Disc) -> np.ndarray:
    """The radius of each data row in mm, in the order of reading."""
    sizes = disc.geometry
    assert sizes is not None
    step = -sizes.row_pitch if disc.layout.reading == "outside-in" else sizes.row_pitch
    return sizes.first_row_radius + step * np.arange(disc.rows)
