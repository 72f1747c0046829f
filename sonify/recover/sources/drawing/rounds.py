"""Outlines that are circles within a given accuracy, however they were drawn."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

__all__ = ["CIRCLES", "Rounds", "rounds_of"]

CIRCLES = np.dtype([("x", "f8"), ("y", "f8"), ("diameter", "f8")])
"""Circles in mm: x to the right, y up."""

ROUND_TO = 0.05
"""An outline is round if no radius differs from the mean by more than this share."""

Line = NDArray[np.float64]


@dataclass(frozen=True)
class Rounds:
    """The circles of a drawing, and how many outlines are not round.

    Attributes
    ----------
    circles : ndarray of CIRCLES
    ignored : int
        Closed outlines that are not round.
    notes : tuple of str
    """

    circles: NDArray[np.void]
    ignored: int = 0
    notes: tuple[str, ...] = ()


def _fit(line: Line) -> tuple[float, float, float, float]:
    """Centre, diameter and roundness (largest deviation of the radius, as a share)."""
    x, y = line[:, 0], line[:, 1]
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    x0, y0 = x - x[0], y - y[0]
    cross = x0 * (y1 - y[0]) - (x1 - x[0]) * y0
    area = cross.sum() / 2
    if area == 0:
        return 0.0, 0.0, 0.0, np.inf
    cx = x[0] + ((x0 + x1 - x[0]) * cross).sum() / (6 * area)
    cy = y[0] + ((y0 + y1 - y[0]) * cross).sum() / (6 * area)
    radii = np.hypot(x - cx, y - cy)
    # a polygon's mean radius lies between its corners and the middles of its sides
    mids = np.hypot((x + x1) / 2 - cx, (y + y1) / 2 - cy)
    low, high = min(radii.min(), mids.min()), max(radii.max(), mids.max())
    mean = (low + high) / 2
    if mean <= 0:
        return 0.0, 0.0, 0.0, np.inf
    # an outline that does not go around its centre exactly once is not a circle
    around = np.angle(np.exp(1j * np.diff(np.arctan2(y - cy, x - cx), append=np.nan)))[:-1].sum()
    once = abs(abs(around) - 2 * np.pi) < 2.0
    # the corners of a fine polygon lie on the circle that was meant
    diameter = 2 * float(radii.mean())
    return float(cx), float(cy), diameter, (high - low) / 2 / mean if once else np.inf


def _join(pieces: list[Line]) -> list[Line]:
    """The outlines that open lines form, joined end to end where the ends meet."""
    if not pieces:
        return []
    step = max(1e-4 * max(float(np.ptp(p, axis=0).max()) for p in pieces), 1e-6)
    cells = [np.rint(p[[0, -1]] / step).astype(np.int64).tolist() for p in pieces]
    ends: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for n, both in enumerate(cells):
        for end, (x, y) in enumerate(both):
            ends.setdefault((x, y), []).append((n, end))

    used: set[int] = set()
    closed: list[Line] = []
    for n, piece in enumerate(pieces):
        if n in used:
            continue
        used.add(n)
        chain, (x, y) = [piece], cells[n][1]
        while True:
            if len(chain) > 1 and np.abs(chain[-1][-1] - piece[0]).max() <= 1.5 * step:
                closed.append(np.concatenate([c[:-1] for c in chain]))
                break
            around = product((0, -1, 1), repeat=2)
            near = (e for dx, dy in around for e in ends.get((x + dx, y + dy), ()))
            found = next((e for e in near if e[0] not in used), None)
            if found is None:
                break
            m, end = found
            used.add(m)
            chain.append(pieces[m][::-1] if end else pieces[m])
            x, y = cells[m][1 - end]
    return closed


def rounds_of(
    exact: list[tuple[float, float, float]],
    lines: Iterable[Line],
    scale: tuple[float, float] = (1.0, 1.0),
    ignored: int = 0,
    notes: Iterable[str] = (),
) -> Rounds:
    """Exact circles (x, y, diameter), and those among outlines that are closed or in pieces.

    An outline, shape (points, 2), is closed if its ends meet within 2 % of its size. Pieces (such
    as the two halves of a circle) are joined where their ends meet. `scale` is the mm per unit of x
    and of y.
    """
    pieces: list[Line] = []
    outlines: list[Line] = []
    for line in lines:
        size = float(np.ptp(line, axis=0).max()) if len(line) > 1 else 0.0
        if not 0 < size < np.inf:
            continue
        if len(line) > 3 and np.abs(line[0] - line[-1]).max() <= 0.02 * size:
            outlines.append(line[:-1])
        else:
            pieces.append(line)
    found = list(exact)
    for line in outlines + _join(pieces):
        x, y, diameter, off = _fit(line)
        if off <= ROUND_TO and len(line) >= 6:
            found.append((x, y, diameter))
        else:
            ignored += 1
    circles = np.array([tuple(c) for c in found], CIRCLES)
    circles["x"] *= scale[0]
    circles["y"] *= scale[1]
    circles["diameter"] *= scale[0]
    return Rounds(circles, ignored, tuple(notes))
