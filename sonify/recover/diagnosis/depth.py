"""How the depth of holes in a log varies with row, position and order of reading."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.observed import Levels

__all__ = ["DepthShape", "depth_shape"]

Reals = NDArray[np.float64]

FEWEST = 10
"""Holes that were read, from which a shape can be told from chance."""

SHALLOW = 0.75
"""Of the usual depth: the least fitted depth of a shape that is named. A threshold in the middle
of the levels misses holes below one half."""

GAIN = 0.6
"""Share of the scatter that is left by a shape that is named; chance leaves 0.8 or more of that of
`FEWEST` holes to a curve with two more parameters (F distribution, 99 %)."""


@dataclass(frozen=True)
class DepthShape:
    """A curve that explains how deep holes look.

    Attributes
    ----------
    name : str
        "start": each later row starts shallow. "turn": they fade in one part of each turn.
    least : float
        The least depth of the curve, as a share of the usual one.
    at : int
        The position where the curve is lowest, or, for "start", the number of positions until the
        depth is as usual, from 0.
    left : float
        Share of the scatter that the curve leaves.
    """

    name: str
    least: float
    at: int
    left: float


def _fit(x: Reals, depth: Reals) -> tuple[float, Reals]:
    curve = x @ np.linalg.lstsq(x, depth, rcond=None)[0]
    return float(((depth - curve) ** 2).sum()), curve


def _start(row: Reals, order: Reals, n: int, depth: Reals) -> tuple[float, float, int]:
    """The best ramp at the start of each row but the first: what it leaves, its least depth and
    its length."""
    best = (math.inf, 1.0, 0)
    for long in range(1, max(2, n // 2)):
        ramp = np.where((row > 0) & (order < long), 1 - order / long, 0.0)
        if not ramp.any():
            continue
        left, curve = _fit(np.column_stack([np.ones(len(ramp)), ramp]), depth)
        if left < best[0] and curve[ramp > 0].mean() < curve[ramp == 0].mean():
            best = (left, float(curve[ramp > 0].min()), long)
    return best


def depth_shape(v: Levels, time_s: Reals) -> DepthShape | None:
    """The curve that explains best how deep the holes of a log look; None if none does well.

    Parameters
    ----------
    v : Levels
    time_s : ndarray, shape (rows, positions)
        When each place was read; nan where it was not.
    """
    rows, n = v.level.shape
    depth = np.abs(v.level - v.web) * np.where((v.level < v.web) == v.low, 1, -1)
    at = (v.truth == 1) & np.isfinite(depth)
    if np.count_nonzero(at) < FEWEST:
        return None
    row, place = (x.astype(float) for x in np.nonzero(at))
    # a row that is read well may be the only one
    each = [depth[at][row == r] for r in range(rows)]
    usual = max(float(np.median(x)) for x in each if len(x) >= min(3, max(map(len, each))))
    if usual <= 0:
        return None
    d = np.clip(depth[at] / usual, -0.5, 1.5)
    first = np.nanmin(np.where(np.isfinite(time_s), time_s, np.inf), axis=1, keepdims=True)
    order = np.argsort(np.argsort(np.where(np.isfinite(time_s), time_s - first, np.inf), axis=1))
    scatter = float(((d - np.median(d)) ** 2).sum())
    if scatter <= 0.02 * len(d):
        return None
    one, found = np.ones(len(d)), list[DepthShape]()
    if rows > 1:
        left, least, long = _start(row, order[at].astype(float), n, d)
        found.append(DepthShape("start", least, long, left / scatter))
    angle = 2 * np.pi * place / n
    left, curve = _fit(np.column_stack([one, np.cos(angle), np.sin(angle)]), d)
    lowest = int(place[int(np.argmin(curve))])
    found.append(DepthShape("turn", float(curve.min()), lowest, left / scatter))
    found = [f for f in found if f.left < GAIN and f.least < SHALLOW]
    return min(found, key=lambda f: f.left) if found else None
