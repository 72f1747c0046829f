"""The pattern of wrong bits, and the probability distributions that causes explain it with."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "MANY", "SLIP", "STRAY", "Burst", "ErrorPattern", "best_burst", "burst_log_likelihood",
    "log_choose", "share_between", "share_of_row",
]  # fmt: skip

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Priors, chosen on the simulated player with each fault at each strength
# (tests/benchmarks/takes.py).

STRAY = 1e-4  # how often a bit is wrong for a reason of its own
SLIP = 0.01  # how often a hole is seen although ambient light is on
LONGEST = 20.0  # the longest that light lasts, in lengths of the recording
MANY = 3  # the fewest wrong bits that a stage, a threshold or noise cause
UNTIMELY = (0.05, 0.6)  # the share of bits that are wrong where a stage is out of time
MISSES = (0.05, 0.99)  # the same of holes, if it sees none there
PART = 0.5  # of the beta distribution of the share a stage misses: mostly little or nearly all


@dataclass(frozen=True)
class Burst:
    """A stretch of bits of one kind that are nearly all wrong.

    Attributes
    ----------
    first, last : int
        In the order of reading, of the bits that can be wrong in this way.
    begin_s, end_s : float
    share : float
        Of the bits in the stretch that are wrong.
    outside : int
        Wrong bits elsewhere.
    """

    first: int
    last: int
    begin_s: float
    end_s: float
    share: float
    outside: int


@dataclass(frozen=True, eq=False)
class ErrorPattern:
    """Where and when bits went wrong.

    Attributes
    ----------
    wrong : ndarray of bool, shape (rows, positions)
        Where a bit is wrong, either way.
    could : ndarray of bool, shape (rows, positions)
        Where one can be wrong the way that most are.
    time_s : ndarray, shape (rows, positions)
        When each was read; nan where it was not.
    position_s : float
        How long a position lasts.
    """

    wrong: Flags
    could: Flags
    time_s: Reals
    position_s: float

    @cached_property
    def every(self) -> int:
        """Wrong bits, of those that were read."""
        return int((self.wrong & np.isfinite(self.time_s)).sum())

    @property
    def bits(self) -> int:
        """Bits that were read."""
        return int(np.isfinite(self.time_s).sum())

    @cached_property
    def _order(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        r, p = np.nonzero(self.could & np.isfinite(self.time_s))
        order = np.argsort(self.time_s[r, p], kind="stable")
        return r[order], p[order]

    @property
    def hit(self) -> Flags:
        """Of the bits that can be wrong the usual way, in the order of reading: which are."""
        out: Flags = self.wrong[self._order]
        return out

    @property
    def when_s(self) -> Reals:
        """When each of them was read."""
        out: Reals = self.time_s[self._order]
        return out

    @property
    def others(self) -> int:
        """Bits that are wrong the other way."""
        return self.every - int(self.hit.sum())

    @cached_property
    def burst(self) -> Burst | None:
        """The stretch that explains most wrong bits."""
        return best_burst(self.hit, self.when_s, self.others)

    @cached_property
    def by_row(self) -> tuple[slice, float]:
        """The row, or the rows from one on, that a missed stage explains best, and the log
        likelihood, averaged over all of them."""
        rows = self.wrong.shape[0]
        row = self._order[0]
        both = np.stack([np.bincount(row, self.hit, rows), np.bincount(row, minlength=rows)])
        later = np.cumsum(both[:, ::-1], axis=1)[:, ::-1]
        some = np.concatenate([both, later[:, 1:-1]], axis=1).astype(int).T.tolist()
        each = [share_of_row(k, of) + (self.every - k) * math.log(STRAY) for k, of in some]
        best = int(np.argmax([x if k else -math.inf for x, (k, _) in zip(each, some, strict=True)]))
        where = slice(best, best + 1) if best < rows else slice(best - rows + 1, rows)
        return where, each[best] - math.log(len(each))

    @cached_property
    def in_patch(self) -> float:
        """The log likelihood of errors of one kind in a patch of neighbouring rows and positions,
        averaged over all patches."""
        could = self.could & np.isfinite(self.time_s)
        r, p = np.nonzero(self.wrong & could)
        if not len(r):
            return -math.inf
        rows, n = could.shape
        # the smallest arc that holds all positions
        at = np.unique(p)
        gaps = np.diff(at, append=at[0] + n)
        first = at[(int(np.argmax(gaps)) + 1) % len(at)]
        inside = (np.arange(n) - first) % n <= n - int(gaps.max())
        of = int(could[r.min() : r.max() + 1][:, inside].sum())
        sizes = math.log(rows * (rows + 1) / 2) + math.log(n * n / 2)
        return share_between(len(r), of, *UNTIMELY) + self.others * math.log(STRAY) - sizes

    def at_ends(self, last: bool) -> tuple[int, float]:
        """How many positions at the beginning of each row but the first, or at the end of each but
        the last, explain the errors best, and the log likelihood averaged over all such numbers."""
        n = self.wrong.shape[1]
        read = np.isfinite(self.time_s)
        order = np.argsort(np.argsort(np.where(read, self.time_s, np.inf), axis=1), axis=1)
        place = read.sum(axis=1, keepdims=True) - 1 - order if last else order
        place = np.where(read, place, n)
        place[-1 if last else 0] = n
        many, each = np.arange(1, n // 2 + 1), list[float]()
        # between two rows a stage sees material, so that only holes are missed; or another row
        for which, least, most in ((self.could & read, *MISSES), (read, *UNTIMELY)):
            bits, hits = (
                np.cumsum(np.bincount(place[x], minlength=n + 1))
                for x in (which, which & self.wrong)
            )
            each += [
                share_between(k, of, least, most) + (self.every - k) * math.log(STRAY)
                for k, of in zip(hits[many - 1].tolist(), bits[many - 1].tolist(), strict=True)
            ]
        best = int(np.argmax(each)) % len(many)
        return best + 1, float(np.logaddexp.reduce(each)) - math.log(len(each))


def log_choose(n: int, k: int) -> float:
    """The logarithm of the number of ways to choose k of n."""
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def share_between(k: int, of: int, least: float, most: float) -> float:
    """The log probability that just these k of so many are wrong, if the share of wrong ones lies
    between two bounds, each power of ten equally likely."""
    q = np.exp(np.linspace(math.log(least), math.log(most), 60))
    each = k * np.log(q) + (of - k) * np.log1p(-q)
    return float(np.logaddexp.reduce(each) - math.log(len(q)))


def share_of_row(k: int, of: int) -> float:
    """The same for one row that a stage misses more or less of."""
    both = math.lgamma(k + PART) + math.lgamma(of - k + PART) - math.lgamma(of + 2 * PART)
    return both - 2 * math.lgamma(PART) + math.lgamma(2 * PART)


def best_burst(wrong: Flags, time_s: Reals, others: int) -> Burst | None:
    """The stretch that explains most wrong bits.

    Parameters
    ----------
    wrong : ndarray of bool, shape (bits,)
        Of the bits that can be wrong in this way, in the order of reading.
    time_s : ndarray, shape (bits,)
        When they were read.
    others : int
        Bits that are wrong in another way.
    """
    if not wrong.any():
        return None
    gain = np.where(wrong, math.log((1 - SLIP) / STRAY), math.log(SLIP))
    total = np.concatenate([[0.0], np.cumsum(gain)])
    last = int(np.argmax(total[1:] - np.minimum.accumulate(total[:-1])))
    first = int(np.argmin(total[: last + 1]))
    part = wrong[first : last + 1]
    return Burst(
        first, last, float(time_s[first]), float(time_s[last]), float(part.mean()),
        int(wrong.sum() - part.sum()) + others,
    )  # fmt: skip


def burst_log_likelihood(burst: Burst, time_s: Reals, position_s: float) -> float:
    """The log probability of a burst from light that may start at any moment and last any time,
    each power of ten equally likely."""
    whole = float(time_s[-1] - time_s[0]) + position_s
    before = float(time_s[burst.first - 1]) if burst.first else float(time_s[0]) - position_s
    at_end = burst.last + 1 == len(time_s)
    after = float(time_s[-1]) + position_s if at_end else float(time_s[burst.last + 1])
    least = position_s / 2
    begin = np.linspace(before, burst.begin_s, 33)
    begin = (begin[1:] + begin[:-1]) / 2
    long = np.log(np.maximum(after - begin, least)) - np.log(np.maximum(burst.end_s - begin, least))
    long = np.maximum(long, 1e-12) / math.log(LONGEST * whole / least)
    at = math.log(float(np.mean(long)) * max(burst.begin_s - before, 1e-9) / whole)
    count = burst.last - burst.first + 1
    hit = round(burst.share * count)
    inside = hit * math.log(1 - SLIP) + (count - hit) * math.log(SLIP)
    return at + inside + burst.outside * math.log(STRAY)
