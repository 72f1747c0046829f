"""What the tests of all drawings share: a disc, and where its circles must be."""

from __future__ import annotations

import math

import numpy as np

from sonify.disc.disc import Disc
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry, KeepOut

MICRON = 0.001
TEXT = "WIND SW 6, CLOUD BASE 900 M"
KEEP = (KeepOut(radius=24.0, angle=120.0, diameter=8.0),)
CUT = {"holes", "clock-row", "bore", "outline"}


def disc_of(turning: str = "clockwise", **sizes: object) -> Disc:
    return Disc.from_message(
        TEXT,
        layout=Layout(turning=turning),
        geometry=Geometry(keep_out=KEEP, **sizes),
        title="Cairn Hut, 14 March <&>",
    )


DISC = disc_of()


def expected(disc: Disc, side: str = "front", kerf: float = 0.0) -> dict[str, list]:
    """The circles of a drawing by group, from the design's words: row r at its radius, position
    p turned by p / N of a turn from twelve o'clock."""
    g, n = disc.geometry, disc.positions
    mirror = -1 if side == "back" else 1
    way = -1 if disc.layout.turning == "clockwise" else 1

    def at(radius: float, turn: float, diameter: float) -> tuple[float, float, float]:
        a = 2 * math.pi * turn
        return mirror * radius * math.sin(a), radius * math.cos(a), diameter

    hole = g.hole_diameter - kerf
    return {
        "holes": [
            at(g.first_row_radius - r * g.row_pitch, way * p / n, hole)
            for r in range(disc.rows)
            for p in range(n)
            if disc.grid[r, p] == 1
        ],
        "clock-row": [at(g.clock_radius, way * p / n, hole) for p in range(n)],
        "bore": [(0.0, 0.0, g.bore_diameter - kerf)],
        "outline": [(0.0, 0.0, g.outer_diameter + kerf)],
        "keep-outs": [at(k.radius, k.angle / 360, k.diameter) for k in g.keep_out],
    }


def same(found: list, wanted: list, diameter: float = 0.0) -> None:
    """The same circles, in any order: centres within 1 µm, diameters exact (or so near)."""
    assert len(found) == len(wanted)
    left = np.array(sorted(found, key=lambda c: (round(c[0], 2), round(c[1], 2))))
    right = np.array(sorted(wanted, key=lambda c: (round(c[0], 2), round(c[1], 2))))
    far = np.hypot(left[:, None, 0] - right[None, :, 0], left[:, None, 1] - right[None, :, 1])
    nearest = far.argmin(axis=1)
    assert sorted(nearest.tolist()) == list(range(len(right)))
    assert far.min(axis=1).max() < MICRON
    assert np.abs(left[:, 2] - right[nearest, 2]).max() <= diameter + 1e-12


WAYS = [
    ("front", 0.0, "clockwise"),
    ("back", 0.0, "clockwise"),
    ("front", 0.15, "anticlockwise"),
    ("back", 0.2, "anticlockwise"),
]
