"""Where the weight of a disc lies. Exact for circles, also where they overlap."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
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


@dataclass(frozen=True)
class Mass:
    """What is left of a disc, with holes and bore cut: keep-outs count as material.

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

    By Green's theorem along the boundary: the arcs of the rim outside every hole, and the arcs
    of holes and bore inside the rim and outside all others, run the other way round.
    """
    holes = holes_of(disc, geometry)
    circles = np.vstack(
        (
            np.column_stack(
                (holes["x_mm"], holes["y_mm"], np.full(len(holes), geometry.hole_diameter / 2))
            ),
            [[0.0, 0.0, geometry.bore_diameter / 2]],
        )
    )
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

    free = ~tangled
    area = np.pi * rim**2 - np.pi * np.sum(r[free] ** 2)
    moment_x = -np.pi * np.sum(r[free] ** 2 * x[free])
    moment_y = -np.pi * np.sum(r[free] ** 2 * y[free])
    if tangled.any():
        others: dict[int, list[int]] = {int(i): [] for i in np.flatnonzero(tangled)}
        for i, j in zip(first.tolist(), second.tolist(), strict=True):
            others[i].append(j)
            others[j].append(i)
        outside = np.array([0.0, 0.0, rim])
        crossing = [circles[i] for i in others if away[i] + r[i] > rim]
        area -= np.pi * rim**2
        for arc in _bare(outside, crossing, None):
            part = _green(outside, *arc)
            area, moment_x, moment_y = area + part[0], moment_x + part[1], moment_y + part[2]
        for i, near in others.items():
            for arc in _bare(circles[i], [circles[j] for j in near], rim):
                part = _green(circles[i], *arc)
                area, moment_x, moment_y = area - part[0], moment_x - part[1], moment_y - part[2]
    if area <= 1e-9:
        raise InputError("the holes leave nothing of the disc", place="geometry")
    return Mass(float(area), float(moment_x / area), float(moment_y / area))


def _bare(circle: Reals, others: list[Reals], rim: float | None) -> list[tuple[float, float]]:
    """The arcs of a circle outside the other circles, and inside the rim if one is given."""
    x, y, r = circle
    covered: list[tuple[float, float]] = []
    for ox, oy, other in others:
        d = float(np.hypot(ox - x, oy - y))
        if d >= r + other or d <= r - other:
            continue
        if d <= other - r:
            return []
        half = float(np.arccos(np.clip((r * r + d * d - other * other) / (2 * r * d), -1, 1)))
        middle = float(np.arctan2(oy - y, ox - x))
        covered.append((middle - half, middle + half))
    if rim is not None:
        d = float(np.hypot(x, y))
        if d >= rim + r:
            return []
        if d > rim - r:
            half = float(np.arccos(np.clip((r * r + d * d - rim * rim) / (2 * r * d), -1, 1)))
            middle = float(np.arctan2(-y, -x))
            covered.append((middle + half, middle + 2 * np.pi - half))
    turn = 2 * np.pi
    pieces: list[tuple[float, float]] = []
    for low, high in covered:
        start = low % turn
        end = start + (high - low)
        pieces.append((start, min(end, turn)))
        if end > turn:
            pieces.append((0.0, end - turn))
    edges = [(0.0, 0.0), *sorted(pieces), (turn, turn)]
    out, reached = [], 0.0
    for (_, before), (start, _) in pairwise(edges):
        reached = max(reached, before)
        if start > reached:
            out.append((reached, start))
    return out


def _green(circle: Reals, start: float, end: float) -> tuple[float, float, float]:
    """Area, and first moments about both axes, that an arc run anticlockwise bounds."""
    x, y, r = (float(v) for v in circle)
    a = np.array([start, end])
    s, c = np.sin(a), np.cos(a)
    turn = end - start
    ds, dc = float(np.diff(s)[0]), float(np.diff(c)[0])
    area = 0.5 * (r * r * turn + x * r * ds - y * r * dc)
    half2 = float(np.diff(np.sin(2 * a))[0]) / 4
    cube_c = float(np.diff(s - s**3 / 3)[0])
    cube_s = float(np.diff(-c + c**3 / 3)[0])
    moment_x = 0.5 * r * (x * x * ds + 2 * x * r * (turn / 2 + half2) + r * r * cube_c)
    moment_y = 0.5 * r * (-y * y * dc + 2 * y * r * (turn / 2 - half2) + r * r * cube_s)
    return area, moment_x, moment_y
