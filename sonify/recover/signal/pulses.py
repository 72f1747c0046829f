"""Clock recovery by edges: the clock row's pulses, and the position that each belongs to.

For clean logs of any speed, a slow start included. Every pulse that a comparator would see is
kept, so that missing and doubled ones can be named; `phase` follows logs too noisy for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from sonify.recover.signal.averages import running_mean
from sonify.recover.signal.slicer import HOLE_SHARE, two_levels

__all__ = ["PulseClock", "find_pulses", "number_pulses", "usual_gaps"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

SMOOTH = 0.05
"""Share of a position over which the clock channel is averaged: far less than a hole's passage."""

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

SHORTEST = 0.12
"""Of the usual length: a shorter pulse is noise."""

TWICE = 0.64
"""Of a position: of two pulses that are nearer to each other, one is a second one."""

AROUND = 6
"""Gaps on either side that tell the usual one."""

WITHIN = 0.25
"""Of a position: how well missing pulses must fit into a gap."""

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

    @classmethod
    def numbered(
        cls, pulse_s: Reals, pulse_slot: Index, extra: NDArray[np.bool_], low: bool
    ) -> Self:
        """A clock whose missing pulses lie evenly between their neighbours."""
        slot = pulse_slot[~extra]
        every = np.arange(int(slot[-1]) + 1)
        times = np.interp(every, slot, pulse_s[~extra])
        return cls(pulse_s, pulse_slot, extra, times, np.setdiff1d(every, slot), low)

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
        usual = usual_gaps(gaps)
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
    slot = np.rint(np.interp(pulses, pulses[good], number)).astype(np.int64)
    return PulseClock.numbered(pulses, slot, ~good, low)


def usual_gaps(gaps: Reals) -> Reals:
    """The median of the gaps around each; it follows a speed that rises or falls, and passes over
    missing pulses and pauses."""
    around = min(AROUND, len(gaps) - 1)
    padded = np.pad(gaps, around, mode="reflect", reflect_type="odd")
    out: Reals = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * around + 1), axis=1)
    return out
