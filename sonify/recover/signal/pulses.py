"""Clock recovery by edges: the clock row's pulses, and the position that each belongs to.

For clean logs of any speed, a slow start included. Every pulse that a comparator would see is
kept, so that missing and doubled ones can be named; `phase` follows logs too noisy for that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.signal.averages import running_mean
from sonify.recover.signal.slicer import HOLE_SHARE, two_levels

__all__ = ["PulseClock", "find_pulses", "number_pulses"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

SMOOTH = 0.05
"""Share of a position over which the clock channel is averaged: far less than a hole's passage."""

BAND = (0.4, 0.6)
"""A comparator's hysteresis, as shares of the swing (common practice, no source)."""

SHORTEST = 0.12
"""Of the usual length: a shorter pulse is noise."""

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
    y = (running_mean(x, int(SMOOTH * period_s * rate)) - bottom) / max(top - bottom, 1e-30)
    if low is None:
        low = float(np.mean(y < 0.5)) < HOLE_SHARE
    y = 1 - y if low else y
    # between the two thresholds the state is the last one that was clear
    clear = np.flatnonzero((y < BAND[0]) | (y > BAND[1]))
    if not len(clear):
        return np.zeros(0), np.zeros(0), low
    last = np.searchsorted(clear, np.arange(len(y)), "right") - 1
    high = (last >= 0) & (y[clear[np.maximum(last, 0)]] > BAND[1])
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
    """Number at least `FEWEST` pulses, following the speed from a steady stretch to both ends."""
    gaps = np.diff(pulses)
    around = np.array([np.median(gaps[max(0, k - 6) : k + 7]) for k in range(len(gaps))])
    # start where neighbouring gaps are most alike
    rough = np.convolve(np.minimum(np.abs(gaps / around - 1), 1), np.ones(9), "same")
    start = int(np.argmin(rough[4:-4])) + 4 if len(gaps) > 12 else len(gaps) // 2
    weak = lengths < 0.6 * float(np.median(lengths))
    slot = np.zeros(len(pulses), np.int64)
    extra = np.zeros(len(pulses), bool)
    for way in (1, -1):
        last, number, period = pulses[start], 0, float(around[min(start, len(around) - 1)])
        for k in range(start + way, len(pulses) if way > 0 else -1, way):
            gone = abs(pulses[k] - last) / period
            steps = round(gone)
            off = abs(gone - steps)
            slot[k] = number + way * steps
            if steps < 1 or (off > 0.3 and weak[k]) or (off > 0.36 and gone < 2.5):
                extra[k] = True
                continue
            number += way * steps
            period += min(0.5, 0.5 / steps) * (abs(pulses[k] - last) / steps - period)
            last = pulses[k]
    good = ~extra
    slot -= int(slot[good].min())
    every = np.arange(int(slot[good].max()) + 1)
    times = np.interp(every, slot[good], pulses[good])
    return PulseClock(pulses, slot, extra, times, np.setdiff1d(every, slot[good]), low)
