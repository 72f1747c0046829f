"""The data channel at each position: where holes lie in it, and how high they stand.

The shape of a hole's passage is found in the log itself: of a family of shapes, the one that holds
most of what varies from position to position. The level of a position is the sum of its samples
weighted by that shape (a matched filter), above the level of the webs beside it.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sonify.recover.signal.averages import Integral, running_mean
from sonify.recover.signal.clock import PulseClock

__all__ = ["BINS", "aligned_cells", "cells_of", "hole_levels", "lag_of"]

Reals = NDArray[np.float64]

BINS = 32
"""Parts of a position: finer than the edge of any hole whose passage lasts a tenth of one."""

BLOCK = 256
"""Positions that share a shape: a few turns, so that the shape can follow the speed and stage."""

ALONE = 4
"""Holes without a neighbour from which a passage's shape is taken."""

FOOT = 0.05
"""Of a passage's height: what is lower is not counted to it."""

SKEWED = 0.25
"""Skewness of a passage from which a filter has made it so: holes alone make 0.2 or less (120
healthy logs of generators a and b of tests/benchmarks/world.py)."""

WEB = 0.40
"""From this distance from a hole's middle on, in positions, there is only web."""


def cells_of(x: NDArray[np.float32], rate: float, clock: PulseClock, delay_s: float) -> Reals:
    """Means of a channel over 32nds of each position, shape (positions, BINS).

    Bin edges between samples take their share of a sample, so that no noise counts twice.

    Parameters
    ----------
    x : ndarray, shape (samples,)
    rate : float
        Samples per second.
    clock : PulseClock
    delay_s : float
        How much later than the clock's the channel's holes pass, in s.
    """
    count = len(clock.slot_s)
    edges = np.arange(count * BINS + 1) / BINS - 0.5 + delay_s / clock.usual_s
    at = np.clip(clock.times(edges) * rate, 0, len(x))
    widths = np.diff(at)
    means = np.diff(Integral(x).at(at)) / np.maximum(widths, 1e-9)
    # before the first sample and after the last, the level is as there
    real = np.flatnonzero(widths > 1e-6)
    if len(real) and len(real) < len(widths):
        means = np.interp(np.arange(len(means)), real, means[real])
    out: Reals = means.reshape(count, BINS)
    return out


def aligned_cells(
    x: NDArray[np.float32], rate: float, clock: PulseClock, about_s: float = 0.0
) -> tuple[Reals, float]:
    """The means of `cells_of` with holes in the middle of their positions, and how much later than
    the clock's they pass, in s: within half a position of `about_s`."""
    delay = about_s + hole_delay(cells_of(x, rate, clock, about_s)) * clock.usual_s
    return cells_of(x, rate, clock, delay), delay


def hole_delay(cells: Reals) -> float:
    """Where in their positions holes lie, -0.5 to 0.5, from binned levels: where they vary."""
    spread = (cells - running_mean(cells.mean(axis=1), 9)[:, None]).var(axis=0)
    turn = np.exp(2j * np.pi * ((np.arange(BINS) + 0.5) / BINS - 0.5))
    return float(np.angle((spread * turn).sum()) / (2 * np.pi))


def _shapes() -> tuple[Reals, NDArray[np.bool_]]:
    """Shapes of a hole's passage, of unit energy: trapezoids of many widths and places."""
    x = (np.arange(BINS) + 0.5) / BINS - 0.5
    out = []
    for shift in np.arange(-6, 7) / 64:
        for width in np.arange(3, 26) / BINS:
            for rise in (0.02, 0.35 * width, 0.7 * width):
                edge = (width / 2 + rise / 2 - np.abs(x - shift)) / rise
                shape = np.clip(edge, 0, 1) * (np.abs(x) < 0.49)
                out.append(shape / np.linalg.norm(shape))
    return np.array(out), np.abs(x) > WEB


_SHAPES, _WEB = _shapes()


def _roughness(cells: Reals) -> float:
    """The variance of the noise, from neighbouring parts of the webs."""
    return float((np.diff(cells[:, _WEB], axis=1) ** 2).mean() / 2) if len(cells) else 0.0


def hole_levels(cells: Reals) -> tuple[Reals, Reals]:
    """The matched sum of each position above its webs, and the standard deviation of its noise.

    Parameters
    ----------
    cells : ndarray, shape (positions, BINS)

    Returns
    -------
    level, noise : ndarray, shape (positions,)
        In units of the signal.
    """
    n = len(cells)
    # ambient light changes slowly: the webs of several positions give its level better than one,
    # and more of them where there is noise
    calm = _roughness(cells) < 0.05 * max(float(cells.var()), 1e-30)
    rest = cells - running_mean(cells[:, _WEB].mean(axis=1), 9 if calm else 65)[:, None]
    level, noise = np.empty(n), np.empty(n)
    edges = np.linspace(0, n, max(1, round(n / BLOCK)) + 1).astype(int)
    parts = [rest[a:b] for a, b in pairwise(edges)]
    power = [part.T @ part for part in parts]
    for k, (a, b) in enumerate(pairwise(edges)):
        both = power[k] + sum(0.5 * power[j] for j in (k - 1, k + 1) if 0 <= j < len(power))
        shape = _SHAPES[int(np.argmax(np.einsum("ti,ij,tj->t", _SHAPES, both, _SHAPES)))]
        level[a:b] = parts[k] @ shape / shape.sum()
        noise[a:b] = np.sqrt(_roughness(parts[k])) / shape.sum()
    return level, noise


def lag_of(cells: Reals, hole: NDArray[np.bool_], low: bool) -> float:
    """The time constant, in positions, of a filter that drags out the passages of holes; 0 if they
    are as steep in front as behind.

    A hole's passage is symmetric. A first-order filter makes it skew; behind, it falls from one
    half to a tenth in tau ln 5, and in front, it rises as far in tau ln 1.8, which is tau less
    (derived for a hole with sharp edges; true to a fifth for edges of up to 2 tau).

    Parameters
    ----------
    cells : ndarray, shape (positions, BINS)
        With holes in the middle of their positions.
    hole : ndarray of bool, shape (positions,)
    low : bool
        Whether holes read low.
    """
    at = np.arange(2, len(cells) - 2)
    at = at[hole[at] & ~hole[at - 2] & ~hole[at - 1] & ~hole[at + 1]]
    if len(at) < ALONE:
        return 0.0
    place = np.arange(2 * BINS)
    shown = cells.reshape(-1)[(at * BINS - BINS // 2)[:, None] + place]
    ends = np.concatenate([shown[:, : BINS // 8], shown[:, -BINS // 8 :]], axis=1)
    shape = np.median(shown - np.median(ends, axis=1)[:, None], axis=0) * (-1 if low else 1)
    top = int(np.argmax(shape))
    if not shape[top] > 0:
        return 0.0
    shape = shape / shape[top]
    foot = np.flatnonzero(shape < FOOT)
    before, after = foot[foot < top], foot[foot > top]
    inside = slice(before[-1] + 1 if len(before) else 0, after[0] if len(after) else None)
    weight = shape[inside] / shape[inside].sum()
    off = place[inside] - weight @ place[inside]
    if weight @ off**3 < SKEWED * (weight @ off**2) ** 1.5:
        return 0.0

    def flank(fall: Reals) -> float:
        """Bins from one half of the height to a tenth."""
        end = np.flatnonzero(fall < 0.1)
        fall = np.minimum.accumulate(fall[: end[0] + 1] if len(end) else fall)
        half, tenth = np.interp([-0.5, -0.1], -fall, np.arange(len(fall)))
        return float(tenth - half)

    return max(0.0, flank(shape[top:]) - flank(shape[top::-1])) / BINS
