"""How likely a pattern of wrong bits is under each cause that only its pattern tells of.

Five stories are held against each other: single holes that are blocked or torn, light that falls
for a while, a stage that stops beside one row, a threshold off its middle, and noise. For each the
probability of just this pattern is worked out, with what the story leaves open (how many holes,
from when to when, which row, what share) averaged over priors that favour none of its values; so
a story that could explain anything is worth little. Each may leave a bit or two to chance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["STORIES", "Burst", "best_burst", "posterior", "stories"]

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]

STORIES = {"hole": 1.0, "ambient-light": 0.5, "stage": 0.5, "threshold": 0.5, "noise": 0.2}
"""How common each is, before anything is known: dust and splinters are the commonest."""

STRAY = 1e-4  # how often a bit is wrong for a reason of its own
SLIP = 0.01  # how often a hole is seen although the light is on
MORE_HOLES = 0.5  # each further hole is so much rarer than the one before
LONGEST = 20.0  # light goes on for so many times the recording at most
MANY = 3  # wrong bits that a stage, a threshold or noise make at least
PART = 0.5  # of the beta distribution of the share that a stage misses: mostly little or nearly all
THRESHOLD = (0.02, 0.6)  # the share of bits that a threshold gets wrong, each power of ten alike
NOISE = (0.005, 0.4)


@dataclass(frozen=True)
class Burst:
    """A stretch of bits of one kind that are nearly all wrong.

    Attributes
    ----------
    first, last : int
        In the order of reading, of the bits that could be wrong this way.
    begin_s, end_s : float
    share : float
        Of those in the stretch that are wrong.
    outside : int
        Wrong bits that it leaves over.
    """

    first: int
    last: int
    begin_s: float
    end_s: float
    share: float
    outside: int


def _choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def _share_between(k: int, of: int, least: float, most: float) -> float:
    """Logarithm of the chance that just these k of so many are wrong, if the share of wrong ones is
    between two bounds, each power of ten alike."""
    q = np.exp(np.linspace(math.log(least), math.log(most), 60))
    each = k * np.log(q) + (of - k) * np.log1p(-q)
    return float(np.logaddexp.reduce(each) - math.log(len(q)))


def _share_of_row(k: int, of: int) -> float:
    """The same for one row that a stage has missed more or less of."""
    both = math.lgamma(k + PART) + math.lgamma(of - k + PART) - math.lgamma(of + 2 * PART)
    return both - 2 * math.lgamma(PART) + math.lgamma(2 * PART)


def best_burst(wrong: Flags, time: Reals, others: int) -> Burst | None:
    """The stretch that explains most wrong bits.

    Parameters
    ----------
    wrong : ndarray of bool, shape (bits,)
        Of the bits that could be wrong in this way, in the order of reading.
    time : ndarray of float64, shape (bits,)
        When they were read, in s.
    others : int
        Bits that are wrong in another way.
    """
    if not wrong.any():
        return None
    gain = np.where(wrong, math.log((1 - SLIP) / STRAY), math.log(SLIP))
    total = np.concatenate([[0.0], np.cumsum(gain)])
    low = np.minimum.accumulate(total[:-1])
    last = int(np.argmax(total[1:] - low))
    first = int(np.argmin(total[: last + 1]))
    part = wrong[first : last + 1]
    return Burst(
        first, last, float(time[first]), float(time[last]), float(part.mean()),
        int(wrong.sum() - part.sum()) + others,
    )  # fmt: skip


def _light(burst: Burst, wrong: Flags, time: Reals, position_s: float) -> float:
    """Light may begin at any moment and goes on for any time, each power of ten alike."""
    recording = float(time[-1] - time[0]) + position_s
    before = time[burst.first - 1] if burst.first else time[0] - position_s
    after = time[burst.last + 1] if burst.last + 1 < len(time) else time[-1] + position_s
    least = position_s / 2
    begin = np.linspace(float(before), burst.begin_s, 33)
    begin = (begin[1:] + begin[:-1]) / 2
    long = np.log(np.maximum(after - begin, least)) - np.log(np.maximum(burst.end_s - begin, least))
    long = np.maximum(long, 1e-12) / math.log(LONGEST * recording / least)
    at = math.log(float(np.mean(long)) * max(burst.begin_s - float(before), 1e-9) / recording)
    count = burst.last - burst.first + 1
    hit = round(burst.share * count)
    inside = hit * math.log(1 - SLIP) + (count - hit) * math.log(SLIP)
    return at + inside + burst.outside * math.log(STRAY)


def stories(
    wrong: Flags, could: Flags, time: Reals, position_s: float
) -> tuple[dict[str, float], Burst | None, int]:
    """How likely the pattern is under each story, as logarithms; the burst that fits best; and the
    row that a stage fits best.

    Parameters
    ----------
    wrong : ndarray of bool, shape (rows, positions)
        Where a bit is wrong, whichever way.
    could : ndarray of bool, shape (rows, positions)
        Where one can be wrong the way that most are.
    time : ndarray of float64, shape (rows, positions)
        When each was read, in s; nan where it was not.
    position_s : float
        How long a position lasts.
    """
    there = np.isfinite(time)
    r, p = np.nonzero(could & there)
    order = np.argsort(time[r, p], kind="stable")
    r, p = r[order], p[order]
    hit = wrong[r, p]
    every, bits = int((wrong & there).sum()), int(there.sum())
    count, others = int(hit.sum()), every - int(hit.sum())
    stray = math.log(STRAY)
    halves = -math.log(2)  # which of the two ways
    out = {
        "hole": every * math.log(MORE_HOLES) - _choose(bits, every) if every else 0.0,
    }
    burst = best_burst(hit, time[r, p], others)
    if burst is not None:
        out["ambient-light"] = halves + _light(burst, hit, time[r, p], position_s)
    if every >= MANY:
        out["noise"] = _share_between(every, bits, *NOISE)
        out["threshold"] = halves + _share_between(count, len(hit), *THRESHOLD) + others * stray
    rows = wrong.shape[0]
    some, here = np.bincount(r, minlength=rows), np.bincount(r, hit, rows)
    each = [
        _share_of_row(int(k), int(of)) + (every - int(k)) * stray
        for k, of in zip(here, some, strict=True)
    ]
    row = int(np.argmax(np.where(here > 0, each, -np.inf)))
    if every >= MANY:
        out["stage"] = halves + each[row] - math.log(rows)
    return out, burst, row


def posterior(logs: dict[str, float]) -> dict[str, float]:
    """How sure each story is, with what is known of how common each is; they add up to 1."""
    names = list(logs)
    value = np.array([logs[k] + math.log(STORIES[k]) for k in names])
    value = np.exp(value - value.max())
    return dict(zip(names, (value / value.sum()).tolist(), strict=True))
