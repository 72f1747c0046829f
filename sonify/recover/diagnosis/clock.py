"""The clock row in a log: its pulses, and which position each of them is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.diagnosis.source import LogRecording

__all__ = ["Clock", "find_clock"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

FEWEST = 8
"""Pulses from which a speed can be told."""


@dataclass(frozen=True, eq=False)
class Clock:
    """The clock row as it was seen.

    Attributes
    ----------
    pulse_s : ndarray
        The middle of every pulse, in s.
    pulse_slot : ndarray of int64
        How many positions had gone by, counted through pulses that are missing or doubled.
    extra : ndarray of bool
        Pulses too many: not at the place of a position.
    slot_s : ndarray, shape (slots,)
        When each position passed, missing ones between their neighbours.
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
        """How long a position lasts about each slot, in s."""
        out: Reals = np.gradient(self.slot_s)
        return out


def levels_of(x: NDArray[np.float32]) -> tuple[float, float]:
    """The low and the high level of a two-level signal: the means of its two classes."""
    some = x[:: max(1, len(x) // 200_000)].astype(np.float64)
    low, high = np.percentile(some, [2, 98])
    for _ in range(12):
        middle = (low + high) / 2
        below, above = some[some < middle], some[some >= middle]
        if not len(below) or not len(above):
            break
        low, high = float(below.mean()), float(above.mean())
    return float(low), float(high)


def find_clock(log: LogRecording, period_s: float, low_holes: bool | None = None) -> Clock:
    """Find and number the clock row's pulses.

    Parameters
    ----------
    log : LogRecording
    period_s : float
        How long a position should last, in s.
    low_holes : bool, optional
        Whether holes read low; told by which level is the shorter if not given.

    Raises
    ------
    InputError
        There are no pulses, or too few samples to see them.
    """
    x = log.clock
    low, high = levels_of(x)
    spread = float(np.std(x))
    if not high - low > 0 or spread == 0:
        raise InputError(
            "the clock channel does not change: no pulses in it; look at the clock detector's "
            "light and wiring, and at which channel is which",
            file=log.path,
        )
    width = max(1, int(0.05 * period_s * log.rate))
    smooth = _mean(x, width)
    is_low = low_holes
    if is_low is None:
        is_low = float(np.mean(smooth < (low + high) / 2)) < 0.55
    pulses, lengths = _pulses(smooth, low, high, is_low, log.rate)
    if len(pulses) >= FEWEST:
        usual = float(np.median(lengths))
        keep = lengths > 0.12 * usual
        pulses, lengths = pulses[keep], lengths[keep]
    if len(pulses) < FEWEST:
        raise InputError(
            f"the clock channel has {len(pulses)} pulses and a row has more; look at the clock "
            "detector's light and wiring, and at which channel is which",
            file=log.path,
        )
    return _numbered(pulses, lengths, is_low)


def _mean(x: NDArray[np.float32], width: int) -> Reals:
    if width < 2:
        return x.astype(np.float64)
    total = np.concatenate([[0.0], np.cumsum(x, dtype=np.float64)])
    half = width // 2
    at = np.arange(len(x))
    a, b = np.maximum(at - half, 0), np.minimum(at + half + 1, len(x))
    out: Reals = (total[b] - total[a]) / (b - a)
    return out


def _pulses(
    x: Reals, low: float, high: float, is_low: bool, rate: float
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Middles and lengths of pulses, with hysteresis about the middle level, in s."""
    y = (x - low) / (high - low)
    if is_low:
        y = 1 - y
    state = np.zeros(len(y), np.int8)
    state[y > 0.6] = 1
    state[y < 0.4] = -1
    at = np.where(state != 0, np.arange(len(y)), -1)
    at = np.maximum.accumulate(at)
    held = np.where(at >= 0, state[np.maximum(at, 0)], -1) > 0
    edge = np.flatnonzero(np.diff(held.astype(np.int8)))
    rises = edge[held[edge + 1]]
    falls = edge[~held[edge + 1]]
    if len(falls) and len(rises):
        falls = falls[falls > rises[0]]
    n = min(len(rises), len(falls))
    rises, falls = rises[:n], falls[:n]

    def crossing(k: NDArray[np.intp]) -> NDArray[Any]:
        # where the level of half height lies between two samples near the edge
        return (k + 0.5) / rate

    begin, end = crossing(rises), crossing(falls)
    return (begin + end) / 2, end - begin


def _numbered(pulses: Reals, lengths: Reals, low: bool) -> Clock:
    """Number the pulses, following the speed from a steady stretch to both ends."""
    gaps = np.diff(pulses)
    around = np.array([np.median(gaps[max(0, k - 6) : k + 7]) for k in range(len(gaps))])
    # begin where the gaps about are most alike
    rough = np.abs(gaps / around - 1)
    calm = np.convolve(np.minimum(rough, 1), np.ones(9), "same")
    start = int(np.argmin(calm[4:-4])) + 4 if len(gaps) > 12 else len(gaps) // 2
    usual = float(np.median(lengths))
    slot = np.zeros(len(pulses), np.int64)
    extra = np.zeros(len(pulses), bool)
    for way in (1, -1):
        last, number, period = pulses[start], 0, float(around[min(start, len(around) - 1)])
        k = start + way
        while 0 <= k < len(pulses):
            gone = abs(pulses[k] - last) / period
            steps = round(gone)
            off = gone - steps
            weak = lengths[k] < 0.6 * usual
            if steps < 1 or (abs(off) > 0.3 and weak) or (abs(off) > 0.36 and gone < 2.5):
                extra[k] = True
                slot[k] = number + way * steps
                k += way
                continue
            number += way * steps
            slot[k] = number
            share = min(0.5, 0.5 / steps)
            period += share * (abs(pulses[k] - last) / steps - period)
            last = pulses[k]
            k += way
    good = ~extra
    first = int(slot[good].min())
    slot -= first
    known = slot[good]
    last_slot = int(known.max())
    times = np.interp(np.arange(last_slot + 1), known, pulses[good])
    missing = np.setdiff1d(np.arange(last_slot + 1), known)
    return Clock(pulses, slot, extra, times, missing, low)
