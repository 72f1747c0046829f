"""Clock recovery by edges: the clock row's pulses, and the position that each belongs to.

For clean logs of any speed, a slow start included. Every pulse that a comparator would see is
kept, so that missing and doubled ones can be named; `phase` follows logs too noisy for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sonify.recover.signal.averages import running_mean
from sonify.recover.signal.slicer import HOLE_SHARE, two_levels

__all__ = ["PulseClock", "find_pulses", "number_pulses", "settle_gaps"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

SMOOTH = 0.05
"""Share of a position over which the clock channel is averaged: far less than a hole's passage."""

LONGEST_SMOOTH = 0.7
"""The same where there is noise, as a share of a hole's passage: more would flatten it."""

CALM = 0.033
"""Noise, as a share of the swing, from which a third of the hysteresis on is averaged away."""

BAND = 0.1
"""Half of a comparator's hysteresis, as a share of the swing (common practice, no source)."""

SIGMAS = 2.5
"""Standard deviations of the noise that the hysteresis holds back: one sample in 30,000 is beyond
(normal distribution)."""

MOST_BAND = 0.2
"""The most of it: a third of the swing is left for the pulses on either side."""

SHORTEST = 0.12
"""Of the usual length: a shorter pulse is noise."""

TWICE = 0.64
"""Of a position: of two pulses that are nearer to each other, one is a second one."""

AROUND = 6
"""Gaps on either side that tell the usual one."""

WITHIN = 0.25
"""Of a position: how well missing pulses must fit into a gap."""

GAP = 1.4
"""Of a position: in a longer gap between two pulses, others may be missing."""

AWRY = 6.0
"""Bits of evidence that it takes to believe in pulses that do not fit into their gap."""

FEWEST = 8
"""Pulses from which a speed can be estimated."""


@dataclass(frozen=True, eq=False)
class PulseClock:
    """The clock row as it was seen.

    Attributes
    ----------
    pulse_s : ndarray
        The middle of every pulse, in s.
    pulse_slot : ndarray of int64
        How many positions had passed, counted through missing and doubled pulses.
    extra : ndarray of bool
        Pulses that belong to no position.
    slot_s : ndarray, shape (slots,)
        When each position passed; a missing one lies between its neighbours.
    missing : ndarray of int64
        Slots without a pulse.
    low : bool
        Whether holes read low.
    """

    pulse_s: Reals
    pulse_slot: Index
    extra: NDArray[np.bool_]
    slot_s: Reals
    missing: Index
    low: bool

    @property
    def doubled(self) -> Index:
        """Slots with a pulse after the first."""
        every = np.arange(len(self.slot_s))
        at = np.interp(self.pulse_s[self.extra], self.slot_s, every)
        return np.rint(at - 0.25).astype(np.int64)

    @property
    def period(self) -> Reals:
        """How long a position lasts at each slot, in s."""
        out: Reals = np.gradient(self.slot_s)
        return out


def find_pulses(
    x: NDArray[np.float32], rate: float, period_s: float, low: bool | None = None
) -> tuple[Reals, Reals, bool]:
    """The middles and lengths of the pulses, in s, and whether they read low.

    Parameters
    ----------
    x : ndarray, shape (samples,)
        The clock channel.
    rate : float
        Samples per second.
    period_s : float
        How long a position should last, in s.
    low : bool, optional
        Whether holes read low; found from the log if not given.
    """
    bottom, top = two_levels(x)
    swing = max(top - bottom, 1e-30)
    # differences of neighbouring samples are noise but for the few at edges
    noise = 1.4826 * float(np.median(np.abs(np.diff(x)))) / math.sqrt(2) / swing
    below = float(np.mean(x < (bottom + top) / 2))
    if low is None:
        low = below < HOLE_SHARE
    hole = min(below, 1 - below) * period_s * rate
    wide = int(max(1, SMOOTH * period_s * rate, min((noise / CALM) ** 2, LONGEST_SMOOTH * hole)))
    y = running_mean(x, wide)
    # averaged, narrow pulses are less deep
    bottom, top = two_levels(y)
    y = (y - bottom) / max(top - bottom, 1e-30)
    half = min(max(BAND, SIGMAS * noise / math.sqrt(wide)), MOST_BAND)
    y = 1 - y if low else y
    # between the two thresholds the state is the last one that was clear
    clear = np.flatnonzero(np.abs(y - 0.5) > half)
    if not len(clear):
        return np.zeros(0), np.zeros(0), low
    last = np.searchsorted(clear, np.arange(len(y)), "right") - 1
    high = (last >= 0) & (y[clear[np.maximum(last, 0)]] > 0.5)
    edge = np.flatnonzero(np.diff(high.astype(np.int8)))
    # the middle of the two samples beside each edge
    times = (edge + 0.5) / rate
    rises, falls = times[high[edge + 1]], times[~high[edge + 1]]
    falls = falls[falls > rises[0]] if len(rises) else falls
    n = min(len(rises), len(falls))
    middle, length = (rises[:n] + falls[:n]) / 2, falls[:n] - rises[:n]
    if n >= FEWEST:
        keep = length > SHORTEST * float(np.median(length))
        middle, length = middle[keep], length[keep]
    return middle, length, low


def number_pulses(pulses: Reals, lengths: Reals, low: bool) -> PulseClock:
    """Number at least `FEWEST` pulses by the gaps between them."""
    good = np.ones(len(pulses), bool)
    while True:
        kept = np.flatnonzero(good)
        gaps = np.diff(pulses[kept])
        usual = _usual_gaps(gaps)
        close = np.flatnonzero(gaps < TWICE * usual)
        if not len(close):
            break
        # of two pulses too close to each other, the shorter one is extra
        at, after = kept[close], kept[close + 1]
        good[np.where(lengths[at] < lengths[after], at, after)] = False
    # a longer gap is one of missing pulses if they would fit in, and a pause if not
    ratio = gaps / usual
    fits = (ratio > 2 - WITHIN) & (np.abs(ratio - np.rint(ratio)) < WITHIN)
    number = np.concatenate([[0], np.cumsum(np.where(fits, np.rint(ratio), 1))])
    every = np.arange(int(number[-1]) + 1)
    times = np.interp(every, number, pulses[good])
    slot = np.rint(np.interp(pulses, pulses[good], number)).astype(np.int64)
    return PulseClock(pulses, slot, ~good, times, np.setdiff1d(every, slot[good]), low)


def _usual_gaps(gaps: Reals) -> Reals:
    """The median of the gaps around each; it follows a speed that rises or falls, and passes over
    missing pulses and pauses."""
    around = min(AROUND, len(gaps) - 1)
    padded = np.pad(gaps, around, mode="reflect", reflect_type="odd")
    out: Reals = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * around + 1), axis=1)
    return out


def settle_gaps(clock: PulseClock, seen: Reals, grid: NDArray[np.int8]) -> PulseClock:
    """Tell missing pulses from pauses by the disc: after either, what is read must still fit it.

    Parameters
    ----------
    clock : PulseClock
    seen : ndarray, shape (slots,)
        The evidence for a hole in each slot, -1 to 1.
    grid : ndarray of int8, shape (rows, positions)
        The disc: 1, 0, -1 for unknown.

    Returns
    -------
    PulseClock
        With the number of missing pulses in each gap that fits best (dynamic programming over the
        angle of the disc after each gap; A. J. Viterbi, 1967).
    """
    good = np.flatnonzero(~clock.extra)
    slot, time = clock.pulse_slot[good], clock.pulse_s[good]
    steps, gone = np.diff(slot), np.diff(time)
    ratio = gone / _usual_gaps(gone)
    gaps = np.flatnonzero((ratio > GAP) | (steps > 1))
    if not len(gaps):
        return clock
    n = grid.shape[1]
    signs = np.where(grid < 0, 0.0, 2.0 * grid - 1)
    spectrum = np.conj(np.fft.rfft(signs, axis=1))
    value = np.nan_to_num(seen[slot])
    edges = [0, *(gaps + 1).tolist(), len(good)]
    score, came = np.zeros(n), []
    for part, (a, b) in enumerate(pairwise(edges)):
        if part:
            k = int(gaps[part - 1])
            near = int(max(1, round(ratio[k])))
            ways = sorted({1, near, int(steps[k])})
            cost = [AWRY * min(1.0, abs(w - ratio[k])) for w in ways]
            # pulse b stands `way` positions after pulse a
            both = np.array([np.roll(score, w - 1) - c for w, c in zip(ways, cost, strict=True)])
            pick = np.argmax(both, axis=0)
            came.append((ways, pick))
            score = both[pick, np.arange(n)]
        score = score + _fits(value[a:b], spectrum, n, a)
    at = int(np.argmax(score))
    new = steps.copy()
    for part in range(len(gaps), 0, -1):
        ways, pick = came[part - 1]
        way = ways[int(pick[at])]
        new[gaps[part - 1]] = way
        at = (at - (way - 1)) % n
    if (new == steps).all():
        return clock
    moved = np.concatenate([[0], np.cumsum(new)])
    shift = np.interp(np.arange(len(clock.pulse_s)), good, moved - (slot - slot[0]))
    numbers = clock.pulse_slot - int(slot[0]) + np.rint(shift).astype(np.int64)
    numbers[good] = moved
    every = np.arange(int(moved[-1]) + 1)
    return PulseClock(
        clock.pulse_s, numbers, clock.extra, np.interp(every, moved, time),
        np.setdiff1d(every, moved), clock.low,
    )  # fmt: skip


def _fits(value: Reals, spectrum: NDArray[np.complex128], n: int, first: int) -> Reals:
    """How well a run of bits fits the best row of the disc, turn by turn, for each angle at which
    pulse 0 would have been; the run begins with pulse `first`."""
    out = np.zeros(n)
    for a in range(0, len(value), n):
        turn = np.zeros(n)
        part = value[a : a + n]
        turn[(first + a + np.arange(len(part))) % n] = part
        out += np.fft.irfft(np.conj(np.fft.rfft(turn)) * np.conj(spectrum), n, axis=1).max(axis=0)
    return out
