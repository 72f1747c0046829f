"""Webs: the material between holes, exact because all outlines are circles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.geometry.holes import holes_of
from sonify.disc.sizes import Geometry, row_radii
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.disc.disc import Disc

__all__ = ["Edge", "Web", "Webs", "close_pairs", "open_share", "webs_of"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]
MAX_PAIRS = 4_000_000
ROUNDING = 1e-9


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
        Too many pairs: holes overlap everywhere.
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
                "holes overlap all over the disc; use fewer positions or smaller holes",
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
    """One side of a web: `hole`, `clock`, `bore`, `rim` or `keep-out`, with the row and position of
    a hole, or the number of a keep-out as `row`."""

    kind: str
    row: int = -1
    position: int = -1

    def __str__(self) -> str:
        names = {
            "hole": f"row {self.row + 1} position {self.position + 1}",
            "clock": f"clock row position {self.position + 1}",
            "keep-out": f"keep-out {self.row + 1}",
        }
        return names.get(self.kind, f"the {self.kind}")


@dataclass(frozen=True)
class Web:
    """A web of material: its width in mm (below 0 if its sides overlap), and its sides."""

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
        How many webs are thinner than the limit, without holes that touch.
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

    pairs = _nearest(x, y, size + max(limit, 0.0), geometry.outer_diameter)
    width = pairs.distance - size

    def between(k: int) -> Web:
        return Web(float(width[k]), _edge(holes[pairs.first[k]]), _edge(holes[pairs.second[k]]))

    # positions are rounded in the last place
    touch = np.flatnonzero(width <= ROUNDING)
    first = np.lexsort((pairs.second[touch], pairs.first[touch]))[:1]
    found = [between(int(np.argmin(width)))] if len(width) else []
    thin = int(np.count_nonzero((width > ROUNDING) & (width < limit - ROUNDING)))

    radius = np.hypot(x, y)
    edges = {
        Edge("rim"): geometry.outer_diameter / 2 - radius - size / 2,
        Edge("bore"): radius - size / 2 - geometry.bore_diameter / 2,
    }
    for n, k in enumerate(geometry.keep_out):
        away = np.hypot(x - k.centre[0], y - k.centre[1])
        edges[Edge("keep-out", n)] = away - (size + k.diameter) / 2
    cut: dict[str, list[Web]] = {"rim": [], "bore": [], "keep-out": []}
    for edge, gap in edges.items():
        at = int(np.argmin(gap))
        found.append(Web(float(gap[at]), _edge(holes[at]), edge))
        thin += int(np.count_nonzero((gap >= 0) & (gap < limit - ROUNDING)))
        cut[edge.kind] += [
            Web(float(gap[i]), _edge(holes[i]), edge) for i in np.flatnonzero(gap < -ROUNDING)
        ]
    return Webs(
        thinnest=min(found, key=lambda w: w.width),
        thin=thin,
        touching=len(touch),
        first_touching=between(int(touch[first[0]])) if len(touch) else None,
        at_rim=len(cut["rim"]),
        at_bore=len(cut["bore"]),
        at_keep_out=tuple(cut["keep-out"]),
    )


def _nearest(x: Reals, y: Reals, reach: float, most: float) -> Pairs:
    """All pairs within `reach`; if there are none, within twice as much, and so on."""
    while True:
        pairs = close_pairs(x, y, reach * (1 + 1e-9) + 1e-9)
        if len(pairs.first) or reach > most:
            return pairs
        reach *= 2


def open_share(disc: Disc, geometry: Geometry) -> Reals:
    """How much of each data row's circle is cut away, 0 to 1, shape (rows,)."""
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
