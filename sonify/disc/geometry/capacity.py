"""How much a disc holds: its free rings, and the trade-off between holes, webs and size."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.code import Code
from sonify.disc.code.encoding import message_units, room
from sonify.disc.sizes import LARGEST, FitSpec
from sonify.errors import InputError

__all__ = ["SLACK", "FitSpec", "Room", "bands_of", "characters_that_fit", "room_on", "sizes",
           "turn_of"]  # fmt: skip

SLACK = 1e-7
"""Differences between sizes below this are rounding errors."""
TRIES = {"reed-solomon": 2000}
"""How many layouts are tried in full, by check; 24 for the others. Apart from rounding, the number
of bits decides; with reed-solomon the rows matter too."""


class Room(NamedTuple):
    """What a disc holds at most, in code units, and with how many positions and rows."""

    units: int
    positions: int
    rows: int


def turn_of(positions: NDArray[np.int64]) -> NDArray[np.float64]:
    """The radius of a row divided by the chord between neighbouring positions."""
    safe = np.maximum(positions, 2)
    return np.where(positions < 2, 0.0, 1 / (2 * np.sin(np.pi / safe)))


def bands_of(spec: FitSpec) -> list[tuple[float, float]]:
    """The free rings between bore, keep-outs and rim: inner and outer radius of each."""
    low = spec.bore_diameter / 2
    rim = (spec.outer_diameter or LARGEST) / 2
    out = []
    taken = [(k.radius - k.diameter / 2, k.radius + k.diameter / 2) for k in spec.keep_out]
    for inner, outer in [*sorted(taken), (rim, rim)]:
        if min(inner, rim) > low:
            out.append((low, min(inner, rim)))
        low = max(low, outer)
    return out


def room_on(spec: FitSpec, code: Code) -> Room:
    """What a disc of a given diameter holds at most, at the least web."""
    if spec.outer_diameter is None:
        raise InputError("how much a disc holds depends on its outer diameter; give one")
    d, q = spec.hole_diameter, spec.hole_diameter + spec.least_web
    best = Room(0, 0, 0)
    for low, high in bands_of(spec):
        n = np.arange(1, max(3, int(2 * np.pi * high / q) + 2))
        if spec.positions is not None:
            n = np.array([spec.positions])
        rows = np.minimum((high + d / 2) / q - 1 - turn_of(n), (high + d - low) / q - 2)
        rows = np.floor(rows + SLACK).astype(np.int64)
        n, rows = n[rows > 0], rows[rows > 0]
        largest_first = np.argsort(-(n * rows), kind="stable")
        for k in largest_first[: TRIES.get(code.check, 24)].tolist():
            held = room(int(rows[k]), int(n[k]), code)
            if held > best.units:
                best = Room(held, int(n[k]), int(rows[k]))
    return best


def characters_that_fit(text: str, code: Code, units: int) -> int:
    """How many characters of a text, from its start, fit in `units` code units."""
    ends = range(1, len(text) + 1)
    return bisect_right(ends, units, key=lambda end: len(message_units(text[:end], code)))


def sizes(
    code: Code,
    spec: FitSpec,
    diameters: Iterable[float] = (60, 90, 120, 150, 180, 240, 300, 400),
    holes: Iterable[float] = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0),
) -> list[tuple[float, float, float, Room]]:
    """Hole, web and outer diameter in mm, and the room that they give.

    For each hole there are two webs: the least one of the spec, and one as wide as the hole.
    """

    def held(hole: float, web: float, diameter: float) -> Room:
        one = msgspec.structs.replace(
            spec, hole_diameter=hole, least_web=web, outer_diameter=diameter
        )
        return room_on(one, code)

    return [
        (hole, web, float(diameter), held(hole, web, diameter))
        for hole in holes
        for web in sorted({spec.least_web, max(spec.least_web, hole)})
        for diameter in diameters
    ]
