"""Clock recovery: the clock row's pulses, and the position that each belongs to.

`pulses` finds them. They are numbered by dynamic programming over all of them (A. J. Viterbi,
1967): each path carries its own phase-locked loop ("per-survivor processing", R. Raheli et al.,
1995), which predicts the next pulse from those before. So missing pulses, second pulses, pauses and
changes of speed are told apart by their likelihood, in clean logs and in noise alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.signal.averages import running_mean
from sonify.recover.signal.pulses import FEWEST, SMOOTH, SURE, Pulses, find_pulses
from sonify.recover.signal.slicer import HOLE_SHARE, two_levels

__all__ = ["PulseClock", "follow_clock"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

JITTER = 0.12
"""Standard deviation, in positions, of a pulse about its prediction, until it is measured: that of
a cheap motor, whose pulses jitter by up to a tenth (common practice, no source)."""

LEAST_JITTER, MOST_JITTER = 0.08, 0.2
"""Bounds of that measure: even a steady motor's belt slips now and then; more than 0.2 would not
tell a missing pulse from a late one."""

MISSING, ALSO_MISSING = 4.0, 1.0
"""Prices of a missing pulse and of each further one in a run, in nats: one in 55 is missing, and
dirt that covers one hole covers its neighbour as well in one case of 3."""

PAUSE = 9.5
"""Price of a pause of any length, in nats: one in 750 gaps is one (exp -6.6), of a length equally
likely up to some 18 positions (exp -2.9)."""

NEW_SPEED = 8.5
"""Price of a sudden change of speed, in nats: one in 2000 positions (exp -7.6), by any factor up to
2.5 (exp -0.9)."""

FASTEST, SLOWEST = 0.6, 8.0
"""Bounds of a new length of a position, as shares of the usual: motors start slowly and never race
(common practice, no source)."""

HELD = 1.25
"""Of the usual length: during a longer pulse the disc stood still."""

BEFORE = 8
"""Pulses before one that its position may be counted from: noise makes two or three a position."""

GAINS = 0.6, 0.1
"""Gain of a path's loop for its phase in clean logs and in those whose jitter is all noise. The
gain for its period follows from it (T. R. Benedict and G. W. Bordner, 1962; from memory)."""

STEADY = 0.02
"""Positions by which noise may move the clock; with more noise, more pulses are averaged."""

MOST_AVERAGED = 25
"""Positions averaged at the most: less than most turns, so that a flutter is still followed."""


BESIDE = 0.25
"""Of a position: jitter of a tenth moves an interval by 0.14, and by this once in 13 times; such an
interval must also stand out from the others by `SIGMAS`."""

MERGED = 0.25, 1.3
"""Positions by which something between two holes makes a pulse longer: it fills a part of the web
beside a hole, or all of the web up to the next hole, which is one position."""

TURNS_ON = 0.2
"""Of a position: by so much the time from the pulse before to the one after may differ from whole
positions if the disc turns on; jitter of a tenth makes it 0.14."""

ALIKE = 1.3
"""Of a usual hole, from the beginning of the first of two pulses to the end of the second: up to
here they are of one hole. Holes that are punched alike differ by a tenth (own estimate)."""

SIGMAS = 5.0
NEAR = 5  # intervals on either side that give the usual length


@dataclass(frozen=True, eq=False)
class PulseClock:
    """The clock row as it was seen.

    Attributes
    ----------
    pulse_s : ndarray
        The middle of every pulse, in s.
    length_s : ndarray
        How long each was, in s.
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
    noise : float
        Standard deviation of a pulse's time that noise explains, in positions.
    clear : bool
        Whether missing and second pulses can be told from noise.
    """

    pulse_s: Reals
    length_s: Reals
    pulse_slot: Index
    extra: NDArray[np.bool_]
    slot_s: Reals
    missing: Index
    low: bool
    noise: float
    clear: bool

    @classmethod
    def numbered(
        cls, pulse_s: Reals, length_s: Reals, pulse_slot: Index, extra: NDArray[np.bool_],
        low: bool, noise: float, clear: bool,
    ) -> Self:  # fmt: skip
        """A clock whose missing pulses lie evenly between their neighbours."""
        if not clear:
            pulse_s, length_s = pulse_s[~extra], length_s[~extra]
            pulse_slot, extra = pulse_slot[~extra], extra[~extra]
        slot = pulse_slot[~extra]
        every = np.arange(int(slot[-1]) + 1)
        times = _calmed(np.interp(every, slot, pulse_s[~extra]), noise)
        missing = np.setdiff1d(every, slot)[: None if clear else 0]
        return cls(pulse_s, length_s, pulse_slot, extra, times, missing, low, noise, clear)

    @classmethod
    def steady(cls, period_s: float, long_s: float) -> Self:
        """The clock of a disc that turns evenly for so long."""
        times = (np.arange(max(2, int(long_s / period_s)), dtype=np.float64) + 0.5) * period_s
        every = np.arange(len(times))
        none = np.zeros(len(times))
        return cls.numbered(times, none, every, none > 0, False, 0.0, False)

    def renumbered(self, pulse_slot: Index, extra: NDArray[np.bool_]) -> PulseClock:
        """The same pulses with other numbers."""
        return PulseClock.numbered(
            self.pulse_s, self.length_s, pulse_slot, extra, self.low, self.noise, self.clear
        )

    @property
    def doubled(self) -> Index:
        """Slots with a pulse after the first."""
        every = np.arange(len(self.slot_s))
        at = np.interp(self.pulse_s[self.extra], self.slot_s, every)
        return np.rint(at - 0.25).astype(np.int64)

    @cached_property
    def odd(self) -> Index:
        """Slots of pulses beside their place or between two; none if noise makes such pulses."""
        good = ~self.extra
        gaps = np.diff(self.pulse_s[good])
        steps = np.diff(self.pulse_slot[good])
        if not self.clear or len(gaps) < 2 * NEAR + 1:
            return np.zeros(0, np.int64)
        length = np.pad(gaps / np.maximum(steps, 1), NEAR, "edge")
        around = np.lib.stride_tricks.sliding_window_view(length, 2 * NEAR + 1)
        share = gaps / np.median(around, axis=1)
        single = share[steps == 1]
        jitter = 1.4826 * float(np.median(np.abs(single - 1))) if len(single) else 0.0
        beside = np.abs(share - np.rint(share)) > max(BESIDE, SIGMAS * jitter)
        # a stop makes one interval longer; a pulse beside its place also makes one shorter
        short = np.flatnonzero(beside & (share < 1))
        slots = np.concatenate([self.pulse_slot[good][1:][short], self.doubled])
        return np.unique(slots)

    @cached_property
    def _parts(self) -> NDArray[np.bool_]:
        """Which pulses are of the same hole as the one before: both take no longer than one."""
        half = self.length_s / 2
        both = (self.pulse_s + half)[1:] - (self.pulse_s - half)[:-1]
        return np.append(False, both < ALIKE * float(np.median(self.length_s[~self.extra])))

    @property
    def split(self) -> Index:
        """Slots of holes that are seen twice."""
        return np.unique(self.pulse_slot[self._parts])

    @property
    def holes(self) -> tuple[Reals, Reals]:
        """The middle and the length of each hole that passed, be it seen once or twice, in s."""
        first = np.flatnonzero(~self._parts)
        half = self.length_s / 2
        begin = (self.pulse_s - half)[first]
        end = (self.pulse_s + half)[np.append(first[1:], len(half)) - 1]
        return (begin + end) / 2, end - begin

    @cached_property
    def merged(self) -> Index:
        """Slots of the first holes of pulses that something between two holes makes longer, while
        the disc turns on; none if noise makes such pulses."""
        usual = self.usual_s
        hole = float(np.median(self.length_s))
        more = (self.length_s - hole) / usual
        long = np.flatnonzero((more > MERGED[0]) & (more < MERGED[1]))
        sound = np.flatnonzero((np.abs(more) < MERGED[0]) & ~self.extra)
        at = np.searchsorted(sound, long)
        long, at = (v[(at > 0) & (at < len(sound))] for v in (long, at))
        if not self.clear or not len(long):
            return np.zeros(0, np.int64)
        before, after = sound[at - 1], sound[at]
        gone = (self.pulse_s[after] - self.pulse_s[before]) / usual
        first = self.pulse_s[long] - (self.length_s[long] - hole) / 2 - self.pulse_s[before]
        slots = self.pulse_slot[before] + np.rint(first / usual).astype(np.int64)
        # while the disc stands still, time passes and no position
        return np.unique(slots[np.abs(gone - np.rint(gone)) < TURNS_ON])

    @property
    def period(self) -> Reals:
        """How long a position lasts at each slot, in s."""
        out: Reals = np.gradient(self.slot_s)
        return out

    @property
    def usual_s(self) -> float:
        """How long a position usually lasts, in s."""
        return float(np.median(self.period))

    def pauses(self, longest: float) -> list[tuple[float, float]]:
        """When no pulse came for more than `longest` positions, and for how long, in s."""
        good = self.pulse_s[~self.extra]
        gaps = np.diff(good)
        at = np.flatnonzero(gaps > longest * self.usual_s)
        return list(zip(good[at].tolist(), gaps[at].tolist(), strict=True))

    @property
    def _passed(self) -> tuple[Reals, Reals]:
        """Slots, one before the first and one after the last too, and when they passed, in s."""
        ends = self.slot_s[[0, -1]] + self.period[[0, -1]] * (-1, 1)
        slots = np.arange(-1.0, len(self.slot_s) + 1)
        return slots, np.concatenate([ends[:1], self.slot_s, ends[1:]])

    def phase(self, time_s: NDArray[Any]) -> Reals:
        """How many positions had passed at some moments."""
        slot, passed = self._passed
        out: Reals = np.interp(time_s, passed, slot)
        return out

    def times(self, slot: NDArray[Any]) -> Reals:
        """When slots passed, in s; parts of a slot too."""
        out: Reals = np.interp(slot, *self._passed)
        return out


def _calmed(times: Reals, noise: float) -> Reals:
    """Times of positions without what noise adds to them; `noise` is in positions.

    Noise and a motor's jitter both move pulses. The share of noise in their second differences is
    the share by which they are replaced by running means (Wiener's filter).
    """
    if len(times) < 2 * FEWEST or noise < STEADY:
        return times
    bend = np.diff(times, 2)
    period = float(np.median(np.diff(times)))
    usual = (1.4826 * float(np.median(np.abs(bend)))) ** 2
    share = min(1.0, 6 * (noise * period) ** 2 / max(usual, 1e-30))
    width = int(min((noise / STEADY) ** 2, MOST_AVERAGED)) | 1
    line = times[0] + (times[-1] - times[0]) * np.linspace(0, 1, len(times))
    smooth = line + running_mean(running_mean(times - line, width), width)
    out: Reals = times + share * (smooth - times)
    return out


def _path(
    into: list[float], out: list[float], evidence: list[float], period: float, jitter: float,
    gain: float, starts: bool,
) -> tuple[list[int], list[int], list[float]]:  # fmt: skip
    """The likeliest pulses that are positions, how many positions each is after the one before, and
    how far each is from its prediction, in positions.

    Times run backwards, from the usual speed to that of a motor's start. Each pulse keeps two
    paths, with where and how fast their loops are: the best one, and the best one that takes a new
    speed, if the motor `starts`: in noise nobody can tell that from missing pulses.
    """
    follow, turn = gain, gain**2 / (2 - gain)
    inverse, norm = 0.5 / jitter**2, math.log(jitter * math.sqrt(2 * math.pi))
    nothing = (-math.inf, 0.0, period)
    kept: list[tuple[tuple[float, float, float], tuple[float, float, float]]] = []
    came: list[list[tuple[int, int, int, float]]] = []
    for j, (t, ends) in enumerate(zip(into, out, strict=True)):
        best, back = (0.0, ends, period), (-1, 0, 0, 0.0)
        new, new_back = nothing, (-1, 0, 0, 0.0)
        sure = 0
        for i in range(j - 1, -1, -1):
            gap = t - out[i]
            for k, (score, at, length) in enumerate(kept[i]):
                if starts and score - NEW_SPEED > new[0] and FASTEST < gap / period < SLOWEST:
                    new, new_back = (score - NEW_SPEED, ends, gap), (i, k, 1, 0.0)
                passed = (t - at) / length
                steps = max(1, int(passed + 0.5))
                off = passed - steps
                price = off * off * inverse + norm
                if steps > 1:
                    price += MISSING + ALSO_MISSING * (steps - 2)
                if price < PAUSE:
                    where = at + (steps + follow * off) * length + ends - t
                    found = (score - price, where, length * (1 + turn * off / steps))
                elif passed > 1:
                    steps, found = 1, (score - PAUSE, ends, length)
                else:
                    continue
                if found[0] > best[0]:
                    best, back = found, (i, k, steps, off)
            # a path that passes over three sure pulses is never the best
            sure += evidence[i] >= SURE
            if sure > 2 or j - i > BEFORE:
                break
        kept.append(((best[0] + evidence[j], *best[1:]), (new[0] + evidence[j], *new[1:])))
        came.append([back, new_back])
    at, k = max(((j, k) for j in range(len(kept)) for k in (0, 1)), key=lambda w: kept[w[0]][w[1]])
    pulses, steps_of, offs = [at], list[int](), list[float]()
    while (back := came[at][k])[0] >= 0:
        at, k, steps, off = back
        pulses.append(at)
        steps_of.append(steps)
        offs.append(off)
    return pulses[::-1], steps_of[::-1], offs[::-1]


def _numbered(pulses: Pulses, period_s: float, low: bool) -> PulseClock:
    """Number at least `FEWEST` pulses."""
    usual = float(np.median(pulses.length))
    # a disc that stands still with a hole under the detector makes a long pulse
    held: Reals = np.where(pulses.length > HELD * usual, (pulses.length - usual) / 2, 0.0)
    into, out = (-(pulses.middle + held))[::-1].tolist(), (-(pulses.middle - held))[::-1].tolist()
    evidence = pulses.evidence[::-1].tolist()
    jitter, gain = JITTER, GAINS[0]
    noise = pulses.noise_s / period_s
    for _ in range(2):
        kept, steps, offs = _path(into, out, evidence, period_s, jitter, gain, pulses.clear)
        measured = 1.4826 * float(np.median(np.abs(offs))) if offs else JITTER
        share = min(1.0, (noise / max(measured, 1e-9)) ** 2)
        gain = GAINS[0] + share * (GAINS[1] - GAINS[0])
        jitter = float(np.clip(1.5 * measured, LEAST_JITTER, MOST_JITTER))
    extra = np.ones(len(pulses.middle), bool)
    extra[len(extra) - 1 - np.array(kept)] = False
    slot = np.concatenate([[0], np.cumsum(steps[::-1])])
    every = np.rint(np.interp(pulses.middle, pulses.middle[~extra], slot)).astype(np.int64)
    return PulseClock.numbered(pulses.middle, pulses.length, every, extra, low, noise, pulses.clear)


def _reads_low(x: NDArray[np.float32], phase: Reals) -> bool:
    """Whether holes read low, from the mean shape of a position."""
    place = np.floor((phase % 1) * 64).astype(int) % 64
    fold = np.bincount(place, x, 64) / np.maximum(np.bincount(place, minlength=64), 1)
    fold = (np.roll(fold, 1) + fold + np.roll(fold, -1)) / 3
    return float((fold < (fold.max() + fold.min()) / 2).mean()) < HOLE_SHARE


def follow_clock(
    x: NDArray[np.float32], rate: float, period_s: float, path: object, low: bool | None = None
) -> PulseClock:
    """Find the clock row's pulses and number them.

    Parameters
    ----------
    x : ndarray, shape (samples,)
        The clock channel.
    rate : float
        Samples per second.
    period_s : float
        How long a position lasts, roughly, in s.
    path : path
    low : bool, optional
        Whether holes read low; found from the log if not given.

    Raises
    ------
    InputError
        Fewer than `FEWEST` pulses.
    """
    sense = low
    if sense is None:
        y = running_mean(x, int(SMOOTH * period_s * rate))
        sense = float(np.mean(y < sum(two_levels(y)) / 2)) < HOLE_SHARE
    time = (np.arange(len(x)) + 0.5) / rate
    for _ in range(2):
        pulses = find_pulses(x, rate, period_s, sense)
        if len(pulses.middle) < FEWEST:
            raise InputError(
                f"the clock channel has {len(pulses.middle) or 'no'} pulses; check the clock "
                "detector's light and wiring, and which channel is which",
                file=path,
            )
        clock = _numbered(pulses, period_s, sense)
        if len(clock.slot_s) < FEWEST:
            raise InputError(
                f"only {len(clock.slot_s)} of the clock channel's pulses follow one another; check "
                "the clock detector's light, threshold and wiring",
                file=path,
            )
        if low is not None or _reads_low(x, clock.phase(time)) == sense:
            break
        sense = not sense
    return clock
