"""Round things: outlines that are circles to a given accuracy, whoever drew them and how."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["CIRCLES", "ROUND_TO", "Rounds", "circles_of", "round_outlines"]

CIRCLES = np.dtype([("x", "f8"), ("y", "f8"), ("diameter", "f8")])
"""Circles in mm: x to the right, y up."""

ROUND_TO = 0.05
"""An outline is round when no radius is off the mean by more than this share."""

Line = NDArray[np.float64]


@dataclass(frozen=True)
class Rounds:
    """What was round in a drawing, and how much was not.

    Attributes
    ----------
    circles : ndarray of CIRCLES
    ignored : int
        Closed outlines that are not round.
    open_lines : int
        Lines that enclose nothing.
    notes : tuple of str
    """

    circles: NDArray[np.void]
    ignored: int = 0
    open_lines: int = 0
    notes: tuple[str, ...] = ()


def circles_of(items: Iterable[tuple[float, float, float]]) -> NDArray[np.void]:
    """(x, y, diameter) as an array of CIRCLES."""
    return np.array([tuple(i) for i in items], CIRCLES)


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
    # what turns about its centre more or less than once is no circle
    around = np.angle(np.exp(1j * np.diff(np.arctan2(y - cy, x - cx), append=np.nan)))[:-1].sum()
    once = abs(abs(around) - 2 * np.pi) < 2.0
    # the corners of a fine polygon lie on the circle that was meant
    diameter = 2 * float(radii.mean())
    return float(cx), float(cy), diameter, (high - low) / 2 / mean if once else np.inf


def _join(pieces: list[Line]) -> tuple[list[Line], int]:
    """Open lines joined end to end where the ends meet; the closed ones and a count of the rest."""
    if not pieces:
        return [], 0
    size = max(float(np.ptp(p, axis=0).max()) for p in pieces)
    step = max(size * 1e-4, 1e-6)
    ends: dict[tuple[int, int], list[tuple[int, int]]] = {}

    def key(point: NDArray[np.float64]) -> tuple[int, int]:
        return round(float(point[0]) / step), round(float(point[1]) / step)

    for n, piece in enumerate(pieces):
        for end in (0, -1):
            ends.setdefault(key(piece[end]), []).append((n, end))

    def mate(point: NDArray[np.float64]) -> tuple[int, int] | None:
        kx, ky = key(point)
        for dx in (0, -1, 1):
            for dy in (0, -1, 1):
                for n, end in ends.get((kx + dx, ky + dy), ()):
                    if n not in used:
                        return n, end
        return None

    used: set[int] = set()
    closed: list[Line] = []
    left = 0
    for n, piece in enumerate(pieces):
        if n in used:
            continue
        used.add(n)
        chain = [piece]
        start = piece[0]
        while True:
            tip = chain[-1][-1]
            if len(chain) > 1 and np.abs(tip - start).max() <= 1.5 * step:
                closed.append(np.concatenate([c[:-1] for c in chain]))
                break
            found = mate(tip)
            if found is None:
                left += 1
                break
            m, end = found
            used.add(m)
            chain.append(pieces[m] if end == 0 else pieces[m][::-1])
    return closed, left


def round_outlines(lines: Iterable[Line]) -> Rounds:
    """The circles among outlines given as points, shape (points, 2), closed or in pieces.

    An outline whose ends meet to 2 % of its size is closed. Pieces (the two halves of a
    circle, say) are joined where their ends meet.
    """
    found: list[tuple[float, float, float]] = []
    pieces: list[Line] = []
    ignored = 0

    def take(line: Line) -> None:
        nonlocal ignored
        x, y, diameter, off = _fit(line)
        if off <= ROUND_TO and len(line) >= 6:
            found.append((x, y, diameter))
        else:
            ignored += 1

    for line in lines:
        if len(line) < 2 or not np.isfinite(line).all():
            continue
        size = float(np.ptp(line, axis=0).max())
        if size == 0:
            continue
        if len(line) > 3 and np.abs(line[0] - line[-1]).max() <= 0.02 * size:
            take(line[:-1])
        else:
            pieces.append(line)
    closed, left = _join(pieces)
    for line in closed:
        take(line)
    return Rounds(circles_of(found), ignored, left)
