"""Number notes: how many positions passed between one note and the next."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design, turn_phase
from sonify.recover.signal.comb import comb_scores

__all__ = ["across_silence", "first_period", "mended_start", "numbered"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

# Chosen on recordings of the simulated player in tests/recover/diagnosis/machine.py.
ASTRAY = 0.3  # of a position: a note farther from every position is astray
SWUNG_ASTRAY = 0.46  # the same for swung notes, every other one of which is late
LOST = 4  # notes in a row between positions from which on they are counted anew
LATE = 0.04  # of a position: standard deviation of a note's delay
WANDER = 0.004  # of a period: standard deviation of its change per position
LONG = 12  # positions: through longer rests the speed of the last turn is used
MOST_SLIP = 5  # positions that may be lost or gained over a silence
PERIODS = 0.32  # logarithm of how far the speed may be from the profile's: a factor of 1.38


def first_period(t: Reals, period_s: float, swing: float) -> float:
    """The length of a position, from the gaps between notes that follow each other soon."""
    gaps = np.diff(t)
    gaps = gaps[(gaps > 0.4 * period_s) & (gaps < 9 * period_s)]
    if not len(gaps):
        return period_s
    tries = period_s * np.exp(np.arange(-PERIODS, PERIODS, 0.002))
    # swung positions make pairs; a gap leads to the same place of another pair, or to the other one
    swung = (2 * tries, (0.0, swing, 1 - swing))
    score = comb_scores(gaps, *swung) if swing else comb_scores(gaps, tries)
    # the profile's speed is likelier than a distant one that fits as well
    score -= 0.15 * np.abs(np.log(tries / period_s))
    return float(tries[int(np.argmax(score))])


class _Follower:
    """A Kalman filter of time and period, which predicts the next positions.

    R. E. Kalman, A New Approach to Linear Filtering and Prediction Problems, 1960. The period
    wanders from position to position, and each note comes a little early or late.
    """

    def __init__(self, period: float) -> None:
        self.jump(0.0, period, 0.03)

    def jump(self, time: float, period: float, unsure: float = 0.05) -> None:
        """Start again at another speed, which is unsure by such a share."""
        self.at, self.period = time, period
        self.both: Reals = np.diag([(LATE * period) ** 2, (unsure * period) ** 2])

    def see(self, time: float, steps: int) -> None:
        """Take a note that came so many positions after the one before."""
        ahead = np.array([[1.0, steps], [0.0, 1.0]])
        wander = (WANDER * self.period) ** 2 * steps
        grown = wander * np.array([[steps**2 / 3, steps / 2], [steps / 2, 1.0]])
        self.both = ahead @ self.both @ ahead.T + grown
        off = time - (self.at + steps * self.period)
        gain = self.both[:, 0] / (self.both[0, 0] + (LATE * self.period) ** 2)
        self.at += steps * self.period + float(gain[0]) * off
        self.period = max(self.period + float(gain[1]) * off, 0.2 * self.period)
        self.both = self.both - np.outer(gain, self.both[0])


def numbered(
    t: Reals, period_s: float, turn: int, swing: float = 0.0
) -> tuple[Index, NDArray[np.bool_]]:
    """The slot of each onset, and which onsets lie between slots.

    Parameters
    ----------
    t : ndarray, shape (notes,)
        Onsets, in s.
    period_s : float
        How long a position should last.
    turn : int
        Positions per turn.
    swing : float
        The share of two positions that the first one gets, or 0 for notes that don't swing.
    """
    begin = first_period(t, period_s, swing)
    astray_from = SWUNG_ASTRAY if swing else ASTRAY
    start = _calmest(t, begin)
    slot = np.zeros(len(t), np.int64)
    astray = np.zeros(len(t), bool)
    for way in (1, -1):
        times = np.abs(t[start::way] - t[start]).tolist()
        follow, lost = _Follower(begin), 0
        seen, count, between = [(0, 0.0)], [0], [False]
        for now, after in itertools.pairwise([*times, np.inf][1:]):
            gone, period = now - follow.at, follow.period
            if gone > LONG * period:
                # the speed changes within a turn, but little from turn to turn
                first = next(s for s in seen[-turn:] if seen[-1][0] - s[0] < turn)
                wide, took = seen[-1][0] - first[0], seen[-1][1] - first[1]
                period = took / wide if wide >= 8 else period
            steps = round(gone / period)
            off = abs(gone / period - steps)
            far = off > astray_from
            if far and gone >= 6 * period:
                # the speed may have changed over a rest; but then the next note fits no better
                ahead = min(after - follow.at, 1e9) / period
                far = after < np.inf and abs(ahead - round(ahead)) < 0.5 * off
            lost = lost + 1 if far else 0
            count.append(seen[-1][0] + steps)
            between.append(steps < 1 or 0 < lost < LOST)
            if between[-1]:
                between[-1] = gone > 0.02 * period
                continue
            if steps > LONG or far:
                # so many notes in a row are not astray: the count was
                follow.jump(now, period if off < 0.2 else follow.period)
            elif swing:
                # every other note is late, which is no change of speed
                follow.jump(now, follow.period + 0.04 * (gone - steps * follow.period))
            else:
                follow.see(now, steps)
            seen.append((count[-1], now))
        slot[start::way], astray[start::way] = way * np.array(count), between
    return slot - slot.min(), astray


def _calmest(t: Reals, period: float) -> int:
    """The note around which gaps fit the period best."""
    gaps = np.diff(t) / period
    off = np.where(gaps < 9, np.abs(gaps - np.rint(gaps)), 0.5)
    if len(off) < 12:
        return len(t) // 2
    calm = np.convolve(off, np.ones(11), "valid")
    return int(np.argmin(calm)) + 5


def across_silence(slot: Index, good: Index, design: Design) -> Index:
    """Correct slots that were lost or gained over a silence of a turn or more.

    The disc keeps turning, so all stretches between silences must have the same phase.
    """
    n = design.positions
    jumps = np.flatnonzero(np.diff(slot[good]) > n)
    if not len(jumps):
        return slot
    edges = [0, *(jumps + 1).tolist(), len(good)]
    parts = [good[a:b] for a, b in itertools.pairwise(edges)]
    long = [p for p in parts if slot[p[-1]] - slot[p[0]] >= 0.8 * n]
    if len(long) < 2:
        return slot
    phases = []
    for part in long:
        first = int(slot[part[0]])
        seen = np.full(int(slot[part[-1]]) - first + 1, -1, np.int8)
        seen[slot[part] - first] = 1
        phase, _ = turn_phase(np.concatenate([seen, np.zeros(n, np.int8)]), design.grid)
        phases.append(phase - first)
    base = phases[int(np.argmax([np.ptp(slot[part]) for part in long]))]
    out = slot.copy()
    for part, phase in zip(long, phases, strict=True):
        off = (phase - base + n // 2) % n - n // 2
        if abs(off) <= MOST_SLIP:
            out[part[0] : part[-1] + 1] += off
    return out - min(0, int(out.min()))


def mended_start(
    t: Reals, slot: Index, astray: NDArray[np.bool_], design: Design, alignment: Alignment
) -> tuple[Index, NDArray[np.bool_]]:
    """Number the notes of the first row anew if the motor started slowly.

    Slots are chosen from a note late in the row back to the first, so that the speed changes least
    and the notes are those that the row should have.
    """
    n, start = design.positions, int(alignment.start[0])
    good = np.flatnonzero(~astray)
    row = good[(slot[good] >= start - 3) & (slot[good] < start + n)]
    expected = design.grid[int(alignment.seen_row[0]), alignment.places(design)[0]] == 1
    heard = np.zeros(n, bool)
    inside = slot[row] - start
    heard[inside[inside >= 0]] = True
    if len(row) < 8:
        return slot, astray
    outside = int((inside < 0).sum()) + int(astray[: int(row[-1])].sum())
    if not outside and (heard == expected).all():
        return slot, astray
    anchor = int(row[int(0.75 * len(row))])
    index = np.flatnonzero(np.append(np.diff(t[: anchor + 1]) > 1e-3, True))
    ahead = min(anchor + 6, len(t) - 1)
    period = float(t[ahead] - t[anchor]) / max(1, int(slot[ahead] - slot[anchor]))
    found = None
    if period > 0 and ahead > anchor + 1:
        found = _way_back(t[index], int(slot[anchor] - start), period, expected)
    if found is None:
        return slot, astray
    mended = np.zeros(n, bool)
    mended[found] = True
    # compare as far as the notes that were numbered anew go
    part = slice(0, int(found[-1]) + 1)
    before = int((heard[part] != expected[part]).sum()) + outside
    after = int((mended[part] != expected[part]).sum())
    first_period = (t[index[1]] - t[index[0]]) / (found[1] - found[0])
    if after + 2 > before or first_period < 1.1 * period:
        return slot, astray
    slot, astray = slot.copy(), astray.copy()
    slot[index], astray[index] = found + start, False
    return slot, astray


def _way_back(t: Reals, last: int, period: float, expected: NDArray[np.bool_]) -> Index | None:
    """The cheapest slots of notes back from the one in slot `last`, after which a position lasts
    `period`; None if there are none."""
    states: dict[int, tuple[float, float, tuple[int, ...]]] = {last: (0.0, period, (last,))}
    missed = np.concatenate([[0], np.cumsum(expected)])
    for j in range(len(t) - 2, -1, -1):
        gap = float(t[j + 1] - t[j])
        now: dict[int, tuple[float, float, tuple[int, ...]]] = {}
        for s, (cost, before, way) in states.items():
            for steps in range(1, min(13, s + 1)):
                length = gap / steps
                change = np.log(length / before)
                if not -0.12 < change < 0.75:
                    continue
                at = s - steps
                price = cost + (change / 0.1) ** 2 + 2.5 * (missed[s] - missed[at + 1])
                price += 0.0 if expected[at] else 2.5
                if at not in now or price < now[at][0]:
                    now[at] = (price, length, (at, *way))
        if not now:
            return None
        states = now
    best = min(states, key=lambda s: states[s][0] + 2.5 * missed[s])
    return np.array(states[best][2], np.int64)
