"""When positions passed, from notes that tell only of some: a steady motor's time over slots.

A motor's speed is smooth: it drifts a little over a recording and swings once a turn. So all notes
together tell when each position passed, far nearer than the nearest notes do: a polynomial over
the recording, a wave a turn and half a turn, and a slow remainder where notes are dense.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["TimingModel", "fit_timing", "period_about", "times_of", "without_slips"]

Reals = NDArray[np.float64]

STEADY = 0.06  # positions that notes may lie off the timing, usually, for it to be one
LEAST = 20  # notes
TURNS = 2.5  # that a recording must have before a wave a turn can be told from a change of speed
DEGREE = 3
ROUNDS = 8
FAR = 4.7  # standard deviations from which on a note counts for nothing (Tukey's biweight)
ASTRAY = 0.5  # positions: notes that far off are numbered wrong, nearer ones the speed's doing
SLOW = 1.08  # times as long the first positions take where a motor starts slowly
STARTS = (0.08, 0.16, 0.32, 0.64, 1.28, 2.56)  # turns in which most of a slow start is over
SMOOTH = (0.5, 1.0, 0.5)
MOST_SLIPS = 12
SLIPPED = 0.55  # positions by which the timing jumps over a rest that was counted wrong
BESIDE = 6  # notes before and after it that say so
TWICE = 3  # rounds in which the remainder's remainder is taken too (J. W. Tukey's twicing)
FAITH = 4.0  # notes that the smooth timing is worth against a local remainder


@dataclass(frozen=True, eq=False)
class TimingModel:
    """Times over slots.

    Attributes
    ----------
    spread_s : float
        By how much single notes lie off it, as a standard deviation.
    steady : bool
        Whether notes follow it at all.
    """

    positions: int
    middle: float
    half: float
    waves: int
    first: float | None
    weight: Reals = field(default_factory=lambda: np.zeros(0))
    knots: Reals = field(default_factory=lambda: np.zeros(1))
    rest: Reals = field(default_factory=lambda: np.zeros(1))
    spread_s: float = 0.0
    steady: bool = False

    def __call__(self, slots: NDArray[Any]) -> Reals:
        """When slots pass, in s; between two slots too, and beyond the recording."""
        s = np.asarray(slots, float)
        rest = np.interp(s, self.knots, self.rest, left=0.0, right=0.0)
        out: Reals = rest + self.columns(s) @ self.weight
        return out

    def columns(self, s: Reals) -> Reals:
        """What times are made of at slots, shape (slots, weights)."""
        x = (s - self.middle) / self.half
        # beyond the recording it goes on as a straight line, which is safer than a cubic
        inside = np.clip(x, -1.0, 1.0)
        powers = np.arange(DEGREE + 1)
        slope = powers * inside[..., None] ** np.maximum(powers - 1, 0)
        columns = [inside[..., None] ** powers + (x - inside)[..., None] * slope]
        angle = 2 * np.pi * s[..., None] / self.positions
        for k in range(1, self.waves + 1):
            columns += [np.sin(k * angle), np.cos(k * angle)]
        if self.first is not None:
            # before the first note it goes on as a straight line too
            turns = np.array(STARTS) * self.positions
            since = (s - self.first)[..., None]
            columns.append(np.exp(-np.maximum(since, 0) / turns) - np.minimum(since, 0) / turns)
        return np.concatenate(columns, axis=-1)

    @property
    def wave(self) -> tuple[float, float]:
        """Sine and cosine of the swing once a turn, in s."""
        at = DEGREE + 1
        return tuple(self.weight[at : at + 2].tolist()) if self.waves else (0.0, 0.0)

    def slots_of(self, time: Reals, near: NDArray[np.int64] | Reals) -> Reals:
        """The slots, with a fraction, at which moments lie, sought from slots near them."""
        s = np.asarray(near, float).copy()
        for _ in range(6):
            slope = self(s + 0.5) - self(s - 0.5)
            s += np.clip((time - self(s)) / np.maximum(slope, 1e-9), -20, 20)
        return s


def fit_timing(
    slot: NDArray[np.int64], time: Reals, n: int, *, rigid: bool = False
) -> TimingModel | None:
    """The timing that most notes follow; None for too few.

    Parameters
    ----------
    slot : ndarray of int64, shape (notes,)
    time : ndarray of float64, shape (notes,)
        Onsets, in s. Some may be numbered wrong.
    n : int
        Positions a turn.
    rigid : bool
        Without a remainder.
    """
    if len(slot) < LEAST:
        return None
    s = slot.astype(float)
    low, high = float(s.min()), float(s.max())
    middle, half = (low + high) / 2, max((high - low) / 2, 1.0)
    waves = 2 if high - low > TURNS * n else 0
    first = low if _starts_slowly(s, time, n) else None
    model = TimingModel(n, middle, half, waves, first)
    a = model.columns(s)
    trust = np.ones(len(s))
    spread = period = float(time.max() - time.min()) / (2 * half)
    weight: Reals = np.zeros(a.shape[1])
    for _ in range(ROUNDS):
        root = np.sqrt(trust)
        found, *_ = np.linalg.lstsq(a * root[:, None], time * root, rcond=None)
        weight = found.astype(np.float64)
        off = time - a @ weight
        spread = max(1.4826 * float(np.median(np.abs(off))), 1e-4)
        trust = np.clip(1 - (off / max(FAR * spread, ASTRAY * period)) ** 2, 0, 1) ** 2
    off = time - a @ weight
    wide = max(n / 4, 2.0)
    knots = np.arange(low - wide, high + 2 * wide, wide)
    rest = np.zeros(len(knots))
    left = off
    for _ in range(0 if rigid else TWICE):
        rest = rest + _smoothed(s, left, knots, max(FAR * spread, ASTRAY * period))
        left = off - np.interp(s, knots, rest)
        spread = max(1.4826 * float(np.median(np.abs(left))), 1e-4)
    steady = bool(spread < STEADY * period)
    return replace(model, weight=weight, knots=knots, rest=rest, spread_s=spread, steady=steady)


def _smoothed(s: Reals, off: Reals, knots: Reals, far: float) -> Reals:
    """What is left of the times, half a turn wide, at knots a quarter of a turn apart."""
    fits = np.abs(off) < far
    where = (s[fits] - knots[0]) / (knots[1] - knots[0])
    k, part = where.astype(np.int64), where % 1.0
    both = np.concatenate([k, k + 1])
    share = np.concatenate([1 - part, part])
    much = np.convolve(np.bincount(both, share, len(knots)), SMOOTH, "same")
    total = np.convolve(
        np.bincount(both, share * np.tile(off[fits], 2), len(knots)), SMOOTH, "same"
    )
    some = much > 0.5
    if not some.any():
        return np.zeros(len(knots))
    # over rests it goes on from one side to the other
    out: Reals = np.interp(knots, knots[some], total[some] / (much[some] + FAITH))
    return out


def without_slips(slot: NDArray[np.int64], time: Reals, n: int) -> NDArray[np.int64]:
    """Slots in order, put right where a rest was taken for a position too many or too few.

    A motor's time never jumps: where notes before and after a rest lie a whole position apart
    from one smooth timing, the rest was counted wrong.
    """
    out = slot.copy()
    for _ in range(MOST_SLIPS):
        timing = fit_timing(out, time, n, rigid=True)
        if timing is None:
            return slot
        period = (timing(out + 0.5) - timing(out - 0.5)).clip(1e-9)
        off = (time - timing(out)) / period
        rests = np.flatnonzero(np.diff(out) >= 2)
        rests = rests[(rests >= BESIDE - 1) & (rests + BESIDE < len(out))]
        if not len(rests):
            return out
        beside = np.arange(BESIDE)
        jump = np.median(off[rests[:, None] + 1 + beside], axis=1) - np.median(
            off[rests[:, None] - beside], axis=1
        )
        sure = np.abs(jump) - SLIPPED - 0.005 * (out[rests + 1] - out[rests])
        k = int(np.argmax(sure))
        if sure[k] <= 0:
            return out
        steps = round(float(np.clip(jump[k], -n / 2, n / 2)))
        out[_where(off, rests, int(rests[k]), steps) + 1 :] += steps
    return slot


def _where(off: Reals, rests: NDArray[np.int64], about: int, steps: int) -> int:
    """The rest, near the one found, from which on notes lie so many positions off."""
    near = rests[np.abs(rests - about) < BESIDE]
    first = max(0, about - 2 * BESIDE)
    i = np.arange(first, min(len(off), about + 2 * BESIDE))
    base = float(np.median(off[first : max(about - BESIDE, first) + 1]))
    apart = np.abs(off[i] - base - steps * (i > near[:, None])).sum(axis=1)
    return int(near[int(np.argmin(apart))])


def _starts_slowly(s: Reals, time: Reals, n: int) -> bool:
    early = slice(0, max(6, int(np.searchsorted(s, s[0] + n / 8))))
    later = s > s[0] + 2 * n
    if later.sum() < 6 or len(s[early]) < 4:
        return False
    usual = np.median(np.diff(time[later]) / np.maximum(np.diff(s[later]), 1))
    timing = (time[early][-1] - time[early][0]) / max(s[early][-1] - s[early][0], 1)
    return bool(timing > SLOW * usual)


def times_of(slots: NDArray[Any], slot_s: Reals) -> Reals:
    """When slots pass by the moments of those nearest, beyond their ends as the speed was there."""
    n = len(slot_s)
    slots = np.asarray(slots)
    out: Reals = np.interp(slots, np.arange(n), slot_s)
    if n > 8:
        before, after = slots < 0, slots > n - 1
        out[before] = slot_s[0] + slots[before] * period_about(slot_s, 0)
        out[after] = slot_s[-1] + (slots[after] - (n - 1)) * period_about(slot_s, n - 1)
    return out


def period_about(slot_s: Reals, k: int) -> float:
    """How long a position lasts near a slot."""
    a, b = max(0, k - 8), min(len(slot_s) - 1, k + 8)
    return float((slot_s[b] - slot_s[a]) / max(1, b - a))
