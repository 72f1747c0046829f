"""The centre of mass of a disc, exact for circles even where they overlap."""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, atan2, hypot, pi
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.disc.geometry.holes import holes_of
from sonify.disc.geometry.webs import close_pairs
from sonify.disc.sizes import Geometry
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.disc.disc import Disc

__all__ = ["Mass", "mass_of"]

Reals = NDArray[np.float64]
TURN = 2 * pi


@dataclass(frozen=True)
class Mass:
    """The material left of a disc after holes and bore are cut; keep-outs count as material.

    Attributes
    ----------
    area : float
        In mm².
    x, y : float
        The centre of mass, in mm; x to the right, y up, seen from the front.
    """

    area: float
    x: float
    y: float

    @property
    def offset(self) -> float:
        """How far the centre of mass lies from the axis, in mm."""
        return float(np.hypot(self.x, self.y))

    @property
    def angle(self) -> float:
        """Where it lies, in degrees clockwise from twelve o'clock."""
        return float(np.degrees(np.arctan2(self.x, self.y)) % 360)


def mass_of(disc: Disc, geometry: Geometry) -> Mass:
    """Area and centre of mass of the material, exact also where holes overlap.

    By Green's theorem along the boundary: the arcs of the rim outside every hole, and, in the
    opposite direction, the arcs of holes and bore inside the rim and outside all others.
    """
    holes = holes_of(disc, geometry)
    size = np.full(len(holes), geometry.hole_diameter / 2)
    drilled = np.column_stack((holes["x_mm"], holes["y_mm"], size))
    circles = np.vstack((drilled, [[0.0, 0.0, geometry.bore_diameter / 2]]))
    circles = np.unique(np.round(circles, 9), axis=0)
    rim = geometry.outer_diameter / 2
    x, y, r = circles.T
    away = np.hypot(x, y)
    largest = np.sort(r)[-2:].sum() if len(r) > 1 else 0.0
    pairs = close_pairs(x, y, float(largest) + 1e-9)
    real = pairs.distance < r[pairs.first] + r[pairs.second]
    first, second = pairs.first[real], pairs.second[real]
    tangled = away + r > rim
    tangled[first] = tangled[second] = True

    # area, and first moments about the y and the x axis
    free = np.pi * r[~tangled] ** 2
    total = np.array([np.pi * rim**2 - free.sum(), -free @ x[~tangled], -free @ y[~tangled]])
    if tangled.any():
        others: dict[int, list[int]] = {int(i): [] for i in np.flatnonzero(tangled)}
        for i, j in zip(first.tolist(), second.tolist(), strict=True):
            others[i].append(j)
            others[j].append(i)
        total[0] -= np.pi * rim**2
        outside = np.array([0.0, 0.0, rim])
        crossing = [circles[i] for i in others if away[i] + r[i] > rim]
        for arc in _bare(outside, crossing, None):
            total += _green(outside, *arc)
        for i, near in others.items():
            for arc in _bare(circles[i], [circles[j] for j in near], rim):
                total -= _green(circles[i], *arc)
    area, moment_x, moment_y = total.tolist()
    if area <= 1e-9:
        raise InputError("the holes leave nothing of the disc", place="geometry")
    return Mass(area, moment_x / area, moment_y / area)


def _bare(circle: Reals, others: list[Reals], rim: float | None) -> list[tuple[float, float]]:
    """The arcs of a circle outside the other circles, and inside the rim if one is given."""
    x, y, r = circle.tolist()
    covered: list[tuple[float, float]] = []
    edges = [(*other.tolist(), False) for other in others]
    if rim is not None:
        edges.append((0.0, 0.0, rim, True))
    for other_x, other_y, other, outside in edges:
        d = hypot(other_x - x, other_y - y)
        if d >= r + other or d <= abs(r - other):
            # one in the other, or side by side
            if (d >= r + other) if outside else (d <= other - r):
                return []
            continue
        half = acos((r * r + d * d - other * other) / (2 * r * d))
        middle = atan2(other_y - y, other_x - x)
        if outside:
            middle, half = middle + pi, pi - half
        start = (middle - half) % TURN
        covered += [(start, start + 2 * half), (start - TURN, start + 2 * half - TURN)]
    out, reached = [], 0.0
    for start, end in [*sorted(covered), (TURN, TURN)]:
        if start > reached:
            out.append((reached, start))
        reached = max(reached, end)
    return out


def _green(circle: Reals, start: float, end: float) -> Reals:
    """An anticlockwise arc's contribution to the area and the first moments about both axes."""
    x, y, r = circle.tolist()
    a = np.array([start, end])
    s, c = np.sin(a), np.cos(a)
    turn = end - start
    ds, dc, half2, cube_c, cube_s = (
        float(v[1] - v[0]) for v in (s, c, np.sin(2 * a) / 4, s - s**3 / 3, -c + c**3 / 3)
    )
    return np.array(
        [
            0.5 * (r * r * turn + x * r * ds - y * r * dc),
            0.5 * r * (x * x * ds + 2 * x * r * (turn / 2 + half2) + r * r * cube_c),
            0.5 * r * (-y * y * dc + 2 * y * r * (turn / 2 - half2) + r * r * cube_s),
        ]
    )
