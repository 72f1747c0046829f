"""Two-level slicing: which of two levels a value belongs to, and how surely."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["HOLE_SHARE", "SoftBits", "best_threshold", "soft_bits", "two_levels"]

Reals = NDArray[np.float64]

HOLE_SHARE = 0.54
"""A level seen for a smaller share of the time belongs to the holes, which are shorter than the
webs between them; of two equal shares the lower one counts as holes (common practice: a hole is
dark). Between the shares measured on square clocks (0.50) and on logs whose holes read high."""

LEAST_SPREAD = 0.04
"""Share of the swing that each level spreads by at least: levels clipped to one value would
otherwise pull the best threshold to themselves."""

MOST_SAMPLES = 200_000
"""Samples from which the two levels are estimated: enough for either to a thousandth."""


def two_levels(x: NDArray[np.floating]) -> tuple[float, float]:
    """The low and the high level of a two-level signal: the means of its two classes.

    Two-class k-means (S. P. Lloyd, Least squares quantization in PCM, 1982).
    """
    some = x[:: max(1, len(x) // MOST_SAMPLES)].astype(np.float64)
    low, high = np.percentile(some, [2, 98])
    for _ in range(12):
        middle = (low + high) / 2
        below, above = some[some < middle], some[some >= middle]
        if not len(below) or not len(above):
            break
        low, high = below.mean(), above.mean()
    return float(low), float(high)


@dataclass(frozen=True, eq=False)
class SoftBits:
    """A decision for each position, with its certainty.

    Attributes
    ----------
    level : ndarray, shape (positions,)
        About 0 at a web and 1 at a hole.
    odds : ndarray, shape (positions,)
        Natural logarithm of the odds for a hole.
    noise : float
        Standard deviation of `level` about 0 and 1.
    low : bool
        Whether holes read low.
    """

    level: Reals
    odds: Reals
    noise: float
    low: bool


def soft_bits(level: Reals, noise: Reals) -> SoftBits:
    """The odds for a hole at each position, from levels above the web; finds the sense as well.

    The first two moments give the level of a hole and the share of holes; expectation maximisation
    (A. P. Dempster et al., 1977) refines them.
    """
    sigma = float(np.sqrt(np.mean(noise**2)))
    square = max(float(np.mean(level**2)) - sigma**2, 1e-30)
    first = float(np.mean(level))
    step = square / first if abs(first) > 1e-30 else np.sqrt(square)
    top = float(np.percentile(np.abs(level), 99.5))
    if abs(step) > top:
        step = np.sign(step) * top
    step = step or 1.0  # a channel that never moves
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
    step = step or 1.0
    noise_1 = sigma / abs(step)
    return SoftBits(level / step, (level / step - 0.5) / max(noise_1, 0.06) ** 2, noise_1, step < 0)


def best_threshold(ones: Reals, zeros: Reals) -> tuple[float, float]:
    """The threshold with the fewest errors between two normal distributions, and its error rate.

    It lies where the weighted densities cross (J. G. Proakis, Digital Communications, the binary
    decision between two Gaussians). Centres and spreads are medians and 1.4826 times the median
    absolute deviations, so that a few wrong places do not move them.
    """
    m1, m0 = float(np.median(ones)), float(np.median(zeros))
    least = LEAST_SPREAD * max(abs(m1 - m0), 1e-9)
    s1 = max(1.4826 * float(np.median(np.abs(ones - m1))), least)
    s0 = max(1.4826 * float(np.median(np.abs(zeros - m0))), least)
    p1 = len(ones) / (len(ones) + len(zeros))
    a = 1 / (2 * s0**2) - 1 / (2 * s1**2)
    b = m1 / s1**2 - m0 / s0**2
    weight = math.log(max(p1, 1e-9) / max(1 - p1, 1e-9) * s0 / s1)
    c = m0**2 / (2 * s0**2) - m1**2 / (2 * s1**2) + weight
    middle = (m1 * s0 + m0 * s1) / (s0 + s1)
    if abs(a) <= 1e-12 * abs(b):
        point = -c / b if b else middle
    else:
        root = math.sqrt(max(b * b - 4 * a * c, 0))
        point = min(((-b + w * root) / (2 * a) for w in (1, -1)), key=lambda x: abs(x - middle))
    if not min(m0, m1) <= point <= max(m0, m1):
        point = middle
    sign = math.copysign(math.sqrt(0.5), m1 - m0)
    missed = 0.5 * math.erfc(sign * (m1 - point) / s1)
    added = 0.5 * math.erfc(sign * (point - m0) / s0)
    return point, p1 * missed + (1 - p1) * added
