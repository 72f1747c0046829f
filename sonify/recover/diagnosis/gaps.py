"""Gaps in the clock row: missing pulses, pauses and false pulses, told apart by the disc; and
positions that a recorder lost."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import signs_of
from sonify.recover.diagnosis.observed import Observed
from sonify.recover.diagnosis.sampling import passing
from sonify.recover.diagnosis.source import LogRecording
from sonify.recover.diagnosis.under_detector import angles_of
from sonify.recover.signal.clock import PulseClock

__all__ = ["filled", "settle_gaps"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]
Samples = NDArray[np.float32]
Gap = tuple[float, float]

NEAR, GAP = 0.64, 1.4
"""Of a position: of two pulses that are nearer, one may be no position; in a longer gap, pulses may
be missing."""

AROUND = 6
"""Gaps on either side that tell the usual one."""

AWRY = 6.0
"""Bits of evidence that it takes to believe in pulses that do not fit into their gap; twice as many
for a pause in which some pulses, but not all, were lost, or came of noise."""

MOST = 20
"""Pulses that may be lost in a pause, or come of noise while the disc stands at a hole's edge; more
would be another fault (a choice that keeps the search short)."""

MISCOUNTED = 2
"""Positions by which pulses that are missing or come twice may shift a count."""


def settle_gaps(clock: PulseClock, seen: Reals, grid: NDArray[np.int8]) -> PulseClock:
    """Tell missing pulses, pauses and false pulses apart by the disc, which must fit what is read
    after them.

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
        With the number of positions in each gap that fits best (dynamic programming over the angle
        of the disc after each gap; A. J. Viterbi, 1967).
    """
    good = np.flatnonzero(~clock.extra)
    slot = clock.pulse_slot[good]
    steps, gone = np.diff(slot), np.diff(clock.pulse_s[good])
    ratio = gone / _usual(gone)
    gaps = np.flatnonzero((ratio > GAP) | (ratio < NEAR) | (steps > 1))
    if not len(gaps):
        return clock
    n = grid.shape[1]
    spectrum = np.fft.rfft(signs_of(grid), axis=1)
    value = np.nan_to_num(seen[slot])
    edges = [0, *(gaps + 1).tolist(), len(good)]
    score, came = np.zeros(n), []
    for part, (a, b) in enumerate(pairwise(edges)):
        if part:
            k = int(gaps[part - 1])
            near = round(float(ratio[k])) if ratio[k] > NEAR else 0
            likely = {1, near, int(steps[k])}
            stopped = ratio[k] > GAP  # then noise may make pulses, too
            ways = sorted(likely | ({*range(-MOST, min(near, MOST) + 2)} if stopped else set()))
            cost = [AWRY * (min(1.0, abs(w - ratio[k])) + (w not in likely)) for w in ways]
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
    # pulses of noise come before the one that counts
    after = np.append(np.minimum.accumulate(moved[:0:-1])[::-1], moved[-1] + 1)
    extra = clock.extra.copy()
    extra[good[1:][new == 0]] = True
    extra[good[(moved >= after) & np.append(new != 0, True)]] = True
    shift = np.interp(np.arange(len(clock.pulse_s)), good, moved - (slot - slot[0]))
    numbers = clock.pulse_slot - int(slot[0]) + np.rint(shift).astype(np.int64)
    numbers[good] = moved
    return clock.renumbered(numbers - int(numbers[~extra].min()), extra)


def _fits(value: Reals, spectrum: NDArray[np.complex128], n: int, first: int) -> Reals:
    """How well a run of bits fits the best row of the disc, turn by turn, for each angle at which
    pulse 0 would have been; the run begins with pulse `first`."""
    out = np.zeros(n)
    for a in range(0, len(value), n):
        turn = np.zeros(n)
        part = value[a : a + n]
        turn[(first + a + np.arange(len(part))) % n] = part
        out += np.fft.irfft(np.conj(np.fft.rfft(turn)) * spectrum, n, axis=1).max(axis=0)
    return out


def _usual(gaps: Reals) -> Reals:
    """The median of the gaps around each; it follows a speed that rises or falls, and passes over
    missing pulses and pauses."""
    around = min(AROUND, len(gaps) - 1)
    padded = np.pad(gaps, around, mode="reflect", reflect_type="odd")
    out: Reals = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * around + 1), axis=1)
    return out


def filled(log: LogRecording, seen: Observed, grid: NDArray[np.int8]) -> LogRecording:
    """The log with time put in where its recorder lost whole positions: the disc is farther on
    than the pulses that came evenly tell."""
    clock, n = seen.clock, grid.shape[1]
    assert clock is not None
    assert seen.levels is not None
    odd, passed = np.concatenate([clock.odd, clock.merged]), passing(clock)
    clock_parts, data_parts, lost, begin = list[Samples](), list[Samples](), list[Gap](), 0
    solid, added = np.float32(np.median(log.data)), 0
    for (_, slot, before), (upto, _, after) in pairwise(angles_of(seen.levels.slots, grid)):
        positions = (after - before) % n
        # a pulse or two that came twice, or that are missing and left the time for it
        near = slice(max(slot - 2, 0), upto + 2)
        late = np.diff(clock.slot_s)[near].max(initial=0.0) > (positions + NEAR) * clock.usual_s
        twice = bool(((odd >= near.start) & (odd < near.stop)).any())
        if (late and positions <= MISCOUNTED) or (twice and n - positions <= MISCOUNTED):
            continue
        at = round((clock.slot_s[slot - 1] + clock.slot_s[slot]) / 2 * log.rate)
        one = log.clock[max(0, at - round(float(passed[slot - 1]) * log.rate)) : at]
        more = np.tile(one, positions)
        clock_parts += [log.clock[begin:at], more]
        data_parts += [log.data[begin:at], np.full_like(more, solid)]
        lost.append(((at + added) / log.rate, len(more) / log.rate))
        begin, added = at, added + len(more)
    if not lost:
        return log
    both = [
        np.concatenate([*x, y[begin:]])
        for x, y in ((clock_parts, log.clock), (data_parts, log.data))
    ]
    return replace(log, clock=both[0], data=both[1], lost=tuple(lost))
