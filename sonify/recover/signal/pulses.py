"""The pulses of the clock row, as a comparator with hysteresis sees them.

The channel is averaged as far as its noise asks. Where a comparator would count noise, peaks are
looked for instead.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.recover.signal.averages import Integral, running_mean
from sonify.recover.signal.slicer import two_levels

__all__ = ["FEWEST", "SMOOTH", "SURE", "Pulses", "find_pulses"]

Reals = NDArray[np.float64]

SMOOTH = 0.05
"""Share of a position over which the clock channel is averaged: far less than a hole's passage."""

PART = 0.25
"""Of a position, over which a channel is averaged to see its holes in noise: few are shorter."""

LONGEST_SMOOTH = 0.7
"""The most where there is noise, as a share of a hole's passage: more would flatten it."""

CALM = 0.033
"""Noise, as a share of the swing, down to which the channel is averaged: a third of `BAND`."""

BAND = 0.1
"""Half of a comparator's hysteresis, as a share of the swing (common practice, no source)."""

SIGMAS = 2.5
"""Standard deviations of the averaged noise that the hysteresis holds back: one sample in 161 is
beyond (normal distribution)."""

MOST_BAND = 0.2
"""The most of it: 0.3 of the swing is left on either side, so that averaged pulses still pass."""

MOST_NOISE = 0.086
"""Averaged noise, as a share of the swing, up to which a comparator counts well: from either level
to the farther threshold it is then 3.5 standard deviations, beyond which one sample in 4000 lies
(0.3 of the swing; normal distribution)."""

SHORTEST = 0.12
"""Of the usual length: a shorter pulse is noise."""

FEWEST = 8
"""Pulses from which a speed can be estimated."""

SURE = 8.0
"""Evidence that a pulse is one, in nats, at most: one in 3000 is something else."""

LEAST_SPREAD = 0.12
"""Of the swing: standard deviation of a hole's depth without noise, as clock holes are never quite
alike (own estimate)."""

SHALLOW = 2.0
"""Evidence against a shallow pulse, in nats, at most: less than a missing pulse's price, so that
one in its place is still taken."""

BINS = 32
"""Samples of a position among which peaks are sought."""

APART = 0.3
"""Positions around a peak without a higher one."""

LOWEST = 0.3
"""Of the swing: a peak below, or 4 standard deviations of noise below a hole's level, is none."""


class Pulses(NamedTuple):
    """What a comparator sees: middles and lengths of pulses, in s; the evidence for each, in nats;
    the standard deviation of a middle by the channel's noise, in s; and whether second pulses can
    be told from noise."""

    middle: Reals
    length: Reals
    evidence: Reals
    noise_s: float
    clear: bool


def find_pulses(x: NDArray[np.float32], rate: float, period_s: float, low: bool) -> Pulses:
    """The pulses of the clock channel, `rate` samples per second."""
    bottom, top = two_levels(x)
    # third differences pass noise, whose variance they make 20 times as large, and little else
    spread = 1.4826 * float(np.median(np.abs(np.diff(x, 3)))) / math.sqrt(20)
    # of a channel that is mostly noise, two levels are those of the noise
    some = max(1, int(PART * period_s * rate))
    tone = math.sqrt(max(float(running_mean(x, some).var()) - spread**2 / some, 0.0))
    below = float(np.mean(x < (bottom + top) / 2))
    share = min(below, 1 - below)
    noise = spread / max(min(top - bottom, tone / _deviation(share)), 1e-30)
    hole = max(1.0, share * period_s * rate)
    wide = int(max(1, SMOOTH * period_s * rate, min((noise / CALM) ** 2, LONGEST_SMOOTH * hole)))
    y = running_mean(x, wide)
    # averaged, narrow pulses are less deep
    bottom, top = two_levels(y)
    y = (y - bottom) / max(top - bottom, 1e-30)
    y = 1 - y if low else y
    left = noise / math.sqrt(wide)
    clear = left < MOST_NOISE
    if clear:
        middle, length = _excursions(y, rate, float(np.clip(SIGMAS * left, BAND, MOST_BAND)))
    else:
        middle = _peaks(y, rate, period_s, max(LOWEST, 1 - 4 * left))
        length = np.full(len(middle), hole / rate)
    depth = Integral(y, rate).mean(middle - hole / 2 / rate, middle + hole / 2 / rate)
    unsure = max(noise / math.sqrt(hole), LEAST_SPREAD)
    evidence = np.clip((np.nan_to_num(depth) - 0.5) / unsure**2, -SHALLOW, SURE)
    # an edge is off by the noise over the slope, and a middle by half the sum of two edges
    return Pulses(middle, length, evidence, noise * math.sqrt(wide / 2) / rate, clear)


def _deviation(share: float) -> float:
    """The standard deviation of a channel that is averaged over `PART` of a position, of its swing,
    if holes take that `share`: averaged, they are trapezoids."""
    short, long = min(share, PART), max(share, PART)
    square = (short / PART) ** 2 * (long - short / 3)
    return math.sqrt(max(square - share**2, 1e-6))


def _excursions(y: Reals, rate: float, half: float) -> tuple[Reals, Reals]:
    """Middles and lengths of pulses, in s, as a comparator with that much hysteresis sees them;
    levels are 0 at webs and 1 at holes."""
    # between the two thresholds the state is the last one that was clear
    clear = np.flatnonzero(np.abs(y - 0.5) > half)
    if not len(clear):
        return np.zeros(0), np.zeros(0)
    last = np.searchsorted(clear, np.arange(len(y)), "right") - 1
    high = (last >= 0) & (y[clear[np.maximum(last, 0)]] > 0.5)
    edge = np.flatnonzero(np.diff(high.astype(np.int8)))
    # the middle of the two samples beside each edge
    times = (edge + 1.0) / rate
    rises, falls = times[high[edge + 1]], times[~high[edge + 1]]
    falls = falls[np.searchsorted(falls, rises[:1]).sum() :]
    n = min(len(rises), len(falls))
    middle, length = (rises[:n] + falls[:n]) / 2, falls[:n] - rises[:n]
    if n < FEWEST:
        return middle, length
    usual = float(np.median(length))
    keep = length > SHORTEST * usual
    middle, length = middle[keep], length[keep]
    begin, end = times[0] - usual / 2, times[-1] + usual / 2
    if high[0] and begin > 0:  # the log begins in this pulse
        middle, length = np.append(begin, middle), np.append(usual, length)
    if high[-1] and end < len(y) / rate:
        middle, length = np.append(middle, end), np.append(length, usual)
    return middle, length


def _peaks(y: Reals, rate: float, period_s: float, lowest: float) -> Reals:
    """When noisy levels are highest within the part of a position around, and not below `lowest`,
    in s."""
    step = max(1, int(period_s * rate / BINS))
    z: Reals = y[: len(y) // step * step].reshape(-1, step).mean(axis=1)
    near = max(1, int(APART * period_s * rate / step))
    around = np.lib.stride_tricks.sliding_window_view(np.pad(z, near, mode="edge"), 2 * near + 1)
    at = np.flatnonzero((z == around.max(axis=1)) & (z > lowest))
    out: Reals = ((at + 0.5) * step / rate).astype(np.float64)
    return out
