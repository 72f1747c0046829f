"""Motifs of letters: a rhythm and a line for each value of a code unit.

The two lowest bits of the value choose the rhythm, the next three the line, the others the degree
on which it begins. Any two values differ in what is heard, in units of five bits or more.
"""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray

from sonify.controls import control

__all__ = [
    "LINES", "RHYTHMS", "STARTS", "Speed", "Way", "first_degree", "line_of", "motif_of",
    "rhythm_of",
]  # fmt: skip

Index = NDArray[np.int64]

Way = Literal["forward", "inverted", "backward", "both"]
Speed = Annotated[float, control(step=0.5, ge=0.5, le=2)]

RHYTHMS = ("x.x.x.x.", "x..xx.x.", "x.xx..x.", "xx..x.x.")
"""Where notes begin, over the places of a unit."""

LINES = (
    (0, 1, 2, 3, 4, 3, 2, 1),
    (0, -1, -2, -3, -4, -3, -2, -1),
    (0, 2, 4, 2, 0, 2, 4, 2),
    (0, -1, 0, 1, 2, 1, 0, -1),
    (0, 1, 0, -1, -2, -1, 0, 1),
    (0, 4, 3, 2, 1, 0, 1, 2),
    (0, 2, 1, 3, 2, 4, 3, 1),
    (0, -3, -2, -1, 0, 1, 0, -1),
)
"""Scale degrees over the places of a unit: a rise, a fall, a broken chord, turns from below and
above, a leap that fills, a pendulum of thirds, and a drop that climbs back. Own choice; at the
places that sound in each rhythm they differ within five places."""

STARTS = (5, 4, 0, 2, -1, -2, 1, 3)
"""The degree that a line begins on, by the highest bits: in ASCII, capitals begin on the root,
small letters a third and figures a fifth above it. Own choice."""

_SHORT = 5


def first_degree(value: Index, unit_bits: int) -> Index:
    """The scale degree on which the motifs of values begin."""
    if unit_bits <= _SHORT:
        return np.zeros_like(value)
    out: Index = np.asarray(STARTS)[value >> _SHORT & len(STARTS) - 1]
    return out


def line_of(value: Index, place: Index, unit_bits: int) -> Index:
    """The scale degrees of the motifs of values at places of their units."""
    line: Index = np.asarray(LINES)[value >> 2 & 7, place % len(LINES[0])]
    return first_degree(value, unit_bits) + line


def rhythm_of(value: Index, place: Index) -> NDArray[np.bool_]:
    """Whether the motifs of values have a note at places of their units."""
    struck = np.array([[c == "x" for c in r] for r in RHYTHMS])
    out: NDArray[np.bool_] = struck[value & 3, place % struck.shape[1]]
    return out


def motif_of(
    value: Index, place: Index, unit_bits: int, way: Way = "forward", speed: float = 1.0
) -> tuple[NDArray[np.bool_], Index]:
    """Motifs of values at places of their units, turned round or at another speed.

    Returns
    -------
    struck : ndarray of bool
        Whether there is a note.
    line : ndarray of int64
        Its scale degree.
    """
    at = np.floor(place * speed).astype(np.int64) % unit_bits
    # at double speed each place has two of the motif
    last = np.maximum(at, np.ceil((place + 1) * speed).astype(np.int64) - 1) % unit_bits
    struck = np.equal(np.mod(place * speed, 1), 0)
    if way in ("backward", "both"):
        at, last = unit_bits - 1 - at, unit_bits - 1 - last
    struck = struck & (rhythm_of(value, at) | rhythm_of(value, last))
    line, first = line_of(value, at, unit_bits), first_degree(value, unit_bits)
    return struck, 2 * first - line if way in ("inverted", "both") else line
