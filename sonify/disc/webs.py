"""Webs: how much material is left between holes, and where the weight of a disc lies.

Everything is exact for circles: no polygons, no pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.geometry import Geometry
from sonify.disc.holes import holes_of
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.disc.disc import Disc

__all__ = ["Edge", "Mass", "Web", "Webs", "close_pairs", "mass_of", "open_share", "webs_of"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]
MAX_PAIRS = 4_000_000


class Pairs(NamedTuple):
    """Pairs of points: their indices, the lower one first, and how far apart they are."""

    first: Index
    second: Index
    distance: Reals


def close_pairs(x: Reals, y: Reals, reach: float) -> Pairs:
    """All pairs of points that are nearer to each other than `reach`.

    Raises
    ------
    InputError
        So many that holes must be lying on each other everywhere.
    """
    column = np.floor((x - x.min(initial=0)) / reach).astype(np.int64)
    line = np.floor((y - y.min(initial=0)) / reach).astype(np.int64)
    wide = int(column.max(initial=0)) + 3
    key = (line + 1) * wide + column + 1
    order = np.argsort(key, kind="stable")
    keys = key[order]
    firsts, seconds, total = [], [], 0
    # the cell itself and the four after it, so that each pair of cells is met once
    for ahead in (0, 1, wide - 1, wide, wide + 1):
        low = np.searchsorted(keys, keys + ahead, "left")
        if ahead == 0:
            low = np.arange(len(keys)) + 1
        count = np.searchsorted(keys, keys + ahead, "right") - low
        total += int(count.sum())
        if total > MAX_PAIRS:
            raise InputError(
                "holes lie on each other all over the disc; fewer positions or smaller holes",
                place="geometry.hole-diameter",
            )
        one = np.repeat(np.arange(len(keys)), count)
        start = np.repeat(np.cumsum(count) - count, count)
        other = np.repeat(low, count) + np.arange(len(one)) - start
        firsts.append(order[one])
        seconds.append(order[other])
    first, second = np.concatenate(firsts), np.concatenate(seconds)
    distance = np.hypot(x[first] - x[second], y[first] - y[second])
    near = distance < reach
    first, second, distance = first[near], second[near], distance[near]
    return Pairs(np.minimum(first, second), np.maximum(first, second), distance)


class Edge(NamedTuple):
    """One side of a web: `hole`, `clock`, `bore`, `rim` or `keep-out`, with row and position of
    a hole or the number of a keep-out."""

    kind: str
    row: int = -1
    position: int = -1

    def __str__(self) -> str:
        if self.kind == "hole":
            return f"row {self.row + 1} position {self.position + 1}"
        if self.kind == "clock":
            return f"clock row position {self.position + 1}"
        if self.kind == "keep-out":
            return f"keep-out {self.row + 1}"
        return f"the {self.kind}"


@dataclass(frozen=True)
class Web:
    """A web of material: its width in mm (below 0 where its sides overlap), and its sides."""

    width: float
    one: Edge
    other: Edge

    def __str__(self) -> str:
        return f"{self.width:.2f} mm between {self.one} and {self.other}"


@dataclass(frozen=True, eq=False)
class Webs:
    """The webs of a disc.

    Attributes
    ----------
    thinnest : Web
        Keep-outs count as sides.
    thin : int
        How many webs are thinner than the limit (those that touch are not counted).
    touching : int
        Pairs of holes that touch or overlap.
    first_touching : Web or None
    at_rim, at_bore : int
        Holes that the rim or the bore cuts.
    at_keep_out : tuple of Web
        Holes that a keep-out cuts.
    """

    thinnest: Web
    thin: int
    touching: int
    first_touching: Web | None
    at_rim: int
    at_bore: int
    at_keep_out: tuple[Web, ...]


def _edge(hole: np.void) -> Edge:
    return Edge("clock" if hole["row"] < 0 else "hole", int(hole["row"]), int(hole["position"]))


def webs_of(disc: Disc, geometry: Geometry, limit: float = 0.0) -> Webs:
    """The webs of a disc, in mm.

    Parameters
    ----------
    disc : Disc
    geometry : Geometry
    limit : float
        Webs thinner than this are counted.
    """
    holes = holes_of(disc, geometry)
    x, y = holes["x_mm"].copy(), holes["y_mm"].copy()
    size = geometry.hole_diameter
    found: list[Web] = []

    pairs = _nearest(x, y, size + max(limit, 0.0), geometry.outer_diameter)
    width = pairs.distance - size
    # a hair's breadth: positions are rounded in the last place
    touch = np.flatnonzero(width <= 1e-9)
    first_touching = None
    if len(touch):
        k = touch[np.lexsort((pairs.second[touch], pairs.first[touch]))][0]
        first_touching = _pair(holes, pairs, int(k), size)
    if len(width):
        found.append(_pair(holes, pairs, int(np.argmin(width)), size))

    radius = np.hypot(x, y)
    to_rim = geometry.outer_diameter / 2 - radius - size / 2
    to_bore = radius - size / 2 - geometry.bore_diameter / 2
    for gaps, kind in ((to_rim, "rim"), (to_bore, "bore")):
        k = int(np.argmin(gaps))
        found.append(Web(float(gaps[k]), _edge(holes[k]), Edge(kind)))
    thin = int(np.count_nonzero((width > 1e-9) & (width < limit - 1e-9)))
    thin += sum(int(np.count_nonzero((g >= 0) & (g < limit - 1e-9))) for g in (to_rim, to_bore))

    cut: list[Web] = []
    for n, k in enumerate(geometry.keep_out):
        kx = k.radius * np.sin(np.radians(k.angle))
        ky = k.radius * np.cos(np.radians(k.angle))
        gap = np.hypot(x - kx, y - ky) - (size + k.diameter) / 2
        at = int(np.argmin(gap))
        found.append(Web(float(gap[at]), _edge(holes[at]), Edge("keep-out", n)))
        thin += int(np.count_nonzero((gap >= 0) & (gap < limit - 1e-9)))
        cut.extend(
            Web(float(gap[i]), _edge(holes[i]), Edge("keep-out", n))
            for i in np.flatnonzero(gap < -1e-9)[:100]
        )
    return Webs(
        thinnest=min(found, key=lambda w: w.width),
        thin=thin,
        touching=len(touch),
        first_touching=first_touching,
        at_rim=int(np.count_nonzero(to_rim < -1e-9)),
        at_bore=int(np.count_nonzero(to_bore < -1e-9)),
        at_keep_out=tuple(cut),
    )


def _pair(holes: NDArray[np.void], pairs: Pairs, k: int, size: float) -> Web:
    return Web(
        float(pairs.distance[k] - size),
        _edge(holes[pairs.first[k]]),
        _edge(holes[pairs.second[k]]),
    )


def _nearest(x: Reals, y: Reals, reach: float, most: float) -> Pairs:
    """All pairs within `reach`, or, if there are none, within the least reach that has some."""
    while True:
        pairs = close_pairs(x, y, reach * (1 + 1e-9) + 1e-9)
        if len(pairs.first) or reach > most:
            return pairs
        reach *= 2


def open_share(disc: Disc, geometry: Geometry) -> Reals:
    """How much of each data row's circle is cut away, 0 to 1, shape (rows,)."""
    from sonify.disc.geometry import row_radii

    radii = row_radii(geometry, disc.layout, disc.rows)
    wide = 4 * np.arcsin(np.minimum(1.0, geometry.hole_diameter / (4 * radii)))
    meant = disc.grid == disc.layout.hole_means
    step = 2 * np.pi / disc.positions
    out = np.zeros(disc.rows)
    for r in range(disc.rows):
        at = np.flatnonzero(meant[r])
        if len(at):
            gaps = np.diff(np.append(at, at[0] + disc.positions)) * step
            out[r] = np.minimum(gaps, wide[r]).sum() / (2 * np.pi)
    return out


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
