"""The data channel at each position: integrated over the hole's passage, and judged.

The shape of a hole's passage is found from the log itself, as the one of a family of shapes that
holds most of what varies from position to position. A position is the sum of its samples weighted
by that shape (the matched filter), above the level of the webs beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["BINS", "Levels", "binned", "judge", "measure"]

Floats = NDArray[np.float64]

BINS = 32
BLOCK = 256  # positions that share a shape
WEB = 0.40  # positions from a hole's middle at which there is only web


@dataclass(frozen=True, eq=False)
class Levels:
    """What the data channel says.

    Attributes
    ----------
    level : ndarray, shape (positions,)
        0 at a web, 1 at a hole, about.
    odds : ndarray, shape (positions,)
        Natural logarithm of the odds for a hole.
    noise : float
        Standard deviation of `level` about 0 and 1.
    low : bool
        Whether holes read low.
    """

    level: Floats
    odds: Floats
    noise: float
    low: bool


def binned(x: NDArray[np.float32], phase: Floats, first: int, count: int, delay: float) -> Floats:
    """Means of the signal over 32nds of each position, shape (positions, BINS).

    Bin edges between samples take their share of the sample, so that no noise is counted twice.
    """
    total = np.concatenate([[0.0], np.cumsum(x, dtype=np.float64)])
    edges = first + delay - 0.5 + np.arange(count * BINS + 1) / BINS
    at = np.interp(edges, phase, np.arange(len(phase)) + 0.5)
    sums = np.interp(at, np.arange(len(total)), total)
    widths = np.diff(at)
    means = np.diff(sums) / np.maximum(widths, 1e-9)
    # what lies before the first sample or after the last is as they are
    real = np.flatnonzero(widths > 1e-6)
    if len(real) and len(real) < len(widths):
        means = np.interp(np.arange(len(means)), real, means[real])
    out: Floats = means.reshape(count, BINS)
    return out


def measure_delay(cells: Floats) -> float:
    """Where in its position the data channel's holes lie, -0.5 to 0.5, from binned levels."""
    spread = cells.var(axis=0)
    turn = np.exp(2j * np.pi * ((np.arange(BINS) + 0.5) / BINS - 0.5))
    return float(np.angle((spread * turn).sum()) / (2 * np.pi))


def _shapes() -> tuple[Floats, NDArray[np.bool_]]:
    """Shapes of a hole's passage, each of length 1: trapezoids of many widths and places."""
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


def measure(cells: Floats) -> tuple[Floats, Floats, Floats]:
    """The matched sum of each position, its noise, and the level of the webs.

    Parameters
    ----------
    cells : ndarray, shape (positions, BINS)

    Returns
    -------
    level, noise, web : ndarray, shape (positions,)
        In units of the signal; noise is a standard deviation.
    """
    n = len(cells)
    web = cells[:, _WEB].mean(axis=1)
    # ambient light moves slowly: the webs of several positions give the level better than one
    unrest = float((np.diff(cells[:, _WEB], axis=1) ** 2).mean() / 2) if n else 0.0
    spread = max(float(cells.var()), 1e-30)
    # and the more of them the more noise there is
    web = _running(web, 9 if unrest < 0.05 * spread else 65)
    rest = cells - web[:, None]
    level = np.empty(n)
    noise = np.empty(n)
    blocks = max(1, round(n / BLOCK))
    edges = np.linspace(0, n, blocks + 1).astype(int)
    joint = [rest[a:b].T @ rest[a:b] for a, b in pairwise(edges)]
    fine = [
        float((np.diff(rest[a:b][:, _WEB], axis=1) ** 2).mean() / 2) if b > a else 0.0
        for a, b in pairwise(edges)
    ]
    for k, (a, b) in enumerate(pairwise(edges)):
        c = joint[k] + sum(0.5 * joint[j] for j in (k - 1, k + 1) if 0 <= j < blocks)
        held = np.einsum("ti,ij,tj->t", _SHAPES, c, _SHAPES)
        shape = _SHAPES[int(np.argmax(held))]
        level[a:b] = rest[a:b] @ shape / shape.sum()
        noise[a:b] = np.sqrt(max(fine[k], 0.0)) / shape.sum()
    return level, noise, web


def _running(x: Floats, width: int) -> Floats:
    if len(x) < 3:
        return np.full_like(x, x.mean() if len(x) else 0.0)
    width = min(width, len(x) // 2 * 2 - 1)
    half = width // 2
    padded = np.pad(x, half, mode="reflect")
    total = np.concatenate([[0.0], np.cumsum(padded)])
    out: Floats = (total[width:] - total[:-width]) / width
    return out


def judge(level: Floats, noise: Floats) -> Levels:
    """Levels against the webs, as odds for a hole; which way holes go is found from them.

    The first two moments give the level of a hole and how many there are; a few rounds of
    expectation and maximisation refine them.
    """
    sigma = float(np.sqrt(np.mean(noise**2)))
    square = max(float(np.mean(level**2)) - sigma**2, 1e-30)
    first = float(np.mean(level))
    step = square / first if abs(first) > 1e-30 else np.sqrt(square)
    top = float(np.percentile(np.abs(level), 99.5))
    if abs(step) > top:
        step = np.sign(step) * top
    share = float(np.clip(first / step, 0.02, 0.98))
    for _ in range(30):
        odds = np.clip(step * (level - step / 2) / max(sigma**2, (0.04 * step) ** 2), -60, 60)
        chance = 1 / (1 + np.exp(-odds) * (1 - share) / share)
        if chance.sum() < 0.5:
            break
        step_now = float((chance * level).sum() / chance.sum())
        share = float(np.clip(chance.mean(), 0.02, 0.98))
        spread = chance * (level - step_now) ** 2 + (1 - chance) * level**2
        sigma_now = float(np.sqrt(spread.mean()))
        done = abs(step_now - step) < 1e-4 * abs(step) and abs(sigma_now - sigma) < 1e-3 * sigma
        step, sigma = step_now, sigma_now
        if step == 0 or done:
            break
    if step == 0:
        step = 1.0
    scaled = level / step
    spread_1 = sigma / abs(step)
    odds = (scaled - 0.5) / max(spread_1, 0.06) ** 2
    return Levels(scaled, odds, spread_1, step < 0)
