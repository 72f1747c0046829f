"""The holes of a disc: where each one is, seen from the front."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.disc.sizes import Geometry, check_rows, row_radii
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.disc.disc import Disc

__all__ = ["CLOCK", "DATA", "HOLES", "MAX_HOLES", "holes_of"]

HOLES = np.dtype(
    [("x_mm", "f8"), ("y_mm", "f8"), ("kind", "u1"), ("row", "i4"), ("position", "i4")]
)
"""One hole: its centre (x to the right, y up), `DATA` or `CLOCK`, its row (-1 in the clock row)
and its position."""

DATA, CLOCK = 0, 1
MAX_HOLES = 200_000
"""The most holes that a drawing may have."""


def holes_of(disc: Disc, geometry: Geometry) -> NDArray[np.void]:
    """The holes of a disc: an array of `HOLES`, the data rows in the order of reading, then the
    clock row. Unknown bits have no hole.

    Raises
    ------
    InputError
        Rows that don't fit the geometry, or more holes than can be drawn.
    """
    check_rows(geometry, disc.layout, disc.rows)
    meant = disc.grid == disc.layout.hole_means
    count = int(np.count_nonzero(meant)) + disc.positions
    if count > MAX_HOLES:
        raise InputError(f"{count:,} holes are too many to draw; at most {MAX_HOLES:,}")
    row, position = np.nonzero(meant)
    out = np.zeros(count, HOLES)
    out["row"] = np.append(row, np.full(disc.positions, -1))
    out["position"] = np.append(position, np.arange(disc.positions))
    out["kind"] = np.where(out["row"] < 0, CLOCK, DATA)
    # the clock row is row -1
    radii = row_radii(geometry, disc.layout, disc.rows)
    radius = np.append(radii, geometry.clock_radius)[out["row"]]
    # clockwise from twelve o'clock, like Layout.angle for one position
    turn = 2 * np.pi * out["position"] / disc.positions
    angle = -turn if disc.layout.turning == "clockwise" else turn
    out["x_mm"] = radius * np.sin(angle)
    out["y_mm"] = radius * np.cos(angle)
    return out
