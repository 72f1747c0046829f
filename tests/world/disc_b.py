"""Random discs, as a hut keeper might design and cut them.

Only the step from message to grid comes from sonify; positions and radii are computed here from
the formulas of the design: position p lies at 360 p / N degrees, against the turning, and row r at
the first row's radius plus or minus r times the pitch.

Ranges: 12 to 120 positions, 2 to 40 rows and 5 to 200 characters are the task's. Holes of 1.5 to
6 mm with a web of 0.15 to 1.2 hole diameters between them: common practice for laser and drill, no
source. The web along a row shrinks towards the centre, so the innermost row sets the size.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify import Code, Disc, Geometry, Layout

Rng = np.random.Generator
Reals = NDArray[np.float64]

WHERE = "SADDLE|UPPER PATH|NORTH COL|SPRING|LOWER BRIDGE|WOODSHED|GULLY|LADDER|TARN|EAST RIDGE"
WHAT = "WIND|FOG|SNOW|RAIN|CLOUD|HAIL|THAW|FROST|SUN|DRIFT|ICE|STARS"
DOES = "RISING|FALLING|BY NOON|UNTIL DARK|FROM SW|FROM NE|CLEARING|HEAVY|LIGHT|BELOW 1800 M"
SAYS = (
    "SOUP AT SIX|BELL ON THE HOUR|MIND THE STEP|KEEP LEFT|TAKE WATER|ROPE UP|BOIL THE WATER|"
    "BREAD IN THE TIN|SIGN THE BOOK|WAKE AT 4|STOVE IS LIT|TURN BACK AT 2|SHUT THE GATE"
)
WIDE = (
    "Tür zu, bitte",
    "−7 °C",
    "Föhn · 40 km/h",
    "À gauche après le névé",
    "日の出 5:12",
    "☀ → ☂",
)


def _pick(rng: Rng, words: str) -> str:
    return str(rng.choice(words.split("|")))


def text_of(rng: Rng, alphabet: str, length: int) -> str:
    """An invented note of roughly `length` characters, 5 to 200."""
    parts: list[str] = []
    while len(", ".join(parts)) < length:
        kind = rng.integers(4 if alphabet != "utf-8" else 5)
        if kind == 0:
            parts.append(f"{_pick(rng, WHAT)} {_pick(rng, DOES)}")
        elif kind == 1:
            parts.append(f"{_pick(rng, WHERE)}: {_pick(rng, WHAT)} {rng.integers(2, 90)}")
        elif kind == 2:
            parts.append(_pick(rng, SAYS))
        elif kind == 3:
            parts.append(f"{rng.integers(1, 25)}.{rng.integers(10, 60)} {_pick(rng, WHERE)}")
        else:
            parts.append(str(rng.choice(WIDE)))
    text = ", ".join(parts)[: max(5, length)].rstrip(" ,") or "FOG 3"
    case = rng.integers(3)
    if alphabet != "ita2" and case:
        text = text.capitalize() if case == 1 else text.title()
    return text.ljust(5, "9" if alphabet == "ita2" else "!")


def disc_of(rng: Rng, *, largest_bits: int = 4800, most_positions: int = 120) -> Disc:
    """A random disc with its geometry, at most so many bits."""
    while True:
        alphabet = str(rng.choice(["ascii", "ascii", "ita2", "utf-8"]))
        framing = "plain" if alphabet == "ita2" else str(rng.choice(["plain", "framed"]))
        checks = ["none"] * (4 if framing == "plain" else 1) + ["parity", "crc-16", "reed-solomon"]
        length = int(np.exp(rng.uniform(np.log(5), np.log(201))))
        settings: dict[str, Any] = {
            "alphabet": alphabet,
            "bit_order": str(rng.choice(["high-first", "high-first", "low-first"])),
            "framing": framing,
            "check": str(rng.choice(checks)),
        }
        text = text_of(rng, alphabet, length)
        # either the positions are chosen and the rows follow, or the other way round
        positions = int(rng.integers(12, most_positions + 1))
        if rng.random() < 0.3:
            positions = int(rng.choice([16, 24, 32, 40, 48, 56, 64, 72, 84, 96, 112, 120]))
        elif rng.random() < 0.6:
            rows = int(np.exp(rng.uniform(np.log(3), np.log(41))))
            bits = len(text.encode()) * {"ascii": 7, "ita2": 5.5, "utf-8": 8}[alphabet]
            positions = int(np.ceil(bits / rows))
        if not 12 <= positions <= most_positions:
            continue
        layout = Layout(
            positions=positions,
            reading=str(rng.choice(["outside-in", "inside-out"], p=[0.7, 0.3])),  # type: ignore[arg-type]
            turning=str(rng.choice(["clockwise", "anticlockwise"], p=[0.7, 0.3])),  # type: ignore[arg-type]
            hole_means=int(rng.choice([1, 0], p=[0.8, 0.2])),  # type: ignore[arg-type]
        )
        disc = Disc.from_message(
            text, code=Code(**settings), layout=layout, title="Cairn Hut" * bool(rng.integers(2))
        )
        if not 2 <= disc.rows <= 40 or disc.grid.size > largest_bits:
            continue
        geometry = geometry_of(rng, disc)
        return Disc(
            disc.grid, layout, disc.code, geometry, disc.title, given_message=disc.given_message
        )


def geometry_of(rng: Rng, disc: Disc) -> Geometry:
    """Sizes that fit a disc: webs along the innermost row, between rows, to bore and rim."""
    hole = float(np.round(rng.choice([1.5, 2.0, 2.5, 3.0, 3.0, 4.0, 5.0, 6.0]), 2))
    pitch = round(hole * (1 + float(rng.uniform(0.25, 1.2))), 2)
    web = hole * (1 + float(rng.uniform(0.15, 0.7)))
    bore = round(float(rng.uniform(5, 14)), 1)
    inner = max(web * disc.positions / (2 * np.pi), bore / 2 + 3 + 1.5 * hole)
    inner = round(inner * float(rng.choice([1.0, 1.0, 1.25, 1.6])), 1)
    clock_inside = bool(rng.random() < 0.15)
    if clock_inside:
        clock = inner
        inner = round(inner + max(pitch, hole * 1.5), 2)
    last = round(inner + pitch * (disc.rows - 1), 2)
    if not clock_inside:
        clock = round(last + max(pitch, hole * 1.4) * float(rng.uniform(1, 1.6)), 2)
    rim = max(last, clock) + hole / 2 + float(rng.uniform(1.5, 8))
    return Geometry(
        outer_diameter=round(2 * rim, 1),
        bore_diameter=bore,
        clock_radius=round(clock, 2),
        first_row_radius=last if disc.layout.reading == "outside-in" else inner,
        row_pitch=pitch,
        hole_diameter=hole,
    )


def radii(disc: Disc) -> Reals:
    """The radius of each data row in mm, shape (rows,)."""
    g = disc.geometry
    assert g is not None
    sign = -1.0 if disc.layout.reading == "outside-in" else 1.0
    return g.first_row_radius + sign * g.row_pitch * np.arange(disc.rows)


def angles(disc: Disc) -> Reals:
    """The angle of each position, clockwise from twelve o'clock in rad, shape (positions,)."""
    sign = -1.0 if disc.layout.turning == "clockwise" else 1.0
    return sign * 2 * np.pi * np.arange(disc.positions) / disc.positions


def sites(disc: Disc) -> tuple[Reals, Reals]:
    """Centres in mm, x right and y up: data (rows, positions, 2) and clock (positions, 2)."""
    a = angles(disc)
    unit = np.column_stack((np.sin(a), np.cos(a)))
    assert disc.geometry is not None
    return radii(disc)[:, None, None] * unit, disc.geometry.clock_radius * unit
