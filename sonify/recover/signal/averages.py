"""Means of a signal over spans of samples."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Integral", "running_mean"]

Reals = NDArray[np.float64]


class Integral:
    """The running sum of a signal, for means between any two moments.

    Sample k holds from moment k to k + 1.

    Parameters
    ----------
    x : ndarray, shape (samples,)
    rate : float
        Samples per unit of time; moments are sample numbers if it is 1.
    """

    def __init__(self, x: NDArray[Any], rate: float = 1.0) -> None:
        wide = np.result_type(x.dtype, np.float64)
        self.total: NDArray[Any] = np.concatenate([[0], np.cumsum(x, dtype=wide)])
        self.rate = rate

    def at(self, moment: NDArray[Any]) -> NDArray[Any]:
        """The sum up to a moment, which may lie within a sample."""
        place = np.clip(moment * self.rate, 0, len(self.total) - 1)
        k = np.minimum(place.astype(np.int64), len(self.total) - 2)
        out: NDArray[Any] = self.total[k] + (place - k) * (self.total[k + 1] - self.total[k])
        return out

    def _between(self, first: NDArray[Any], end: NDArray[Any]) -> NDArray[Any]:
        inside = (first >= 0) & (end < len(self.total)) & (end > first)
        a, b = np.where(inside, first, 0), np.where(inside, end, 1)
        return np.where(inside, (self.total[b] - self.total[a]) / (b - a), np.nan)

    def mean(self, begin: Reals, end: Reals) -> Reals:
        """Means over spans rounded to whole samples, at least one each; nan outside the signal."""
        top = len(self.total) - 1
        middle = np.floor((begin + end) / 2 * self.rate)
        a = np.clip(np.minimum(np.rint(begin * self.rate), middle).astype(np.int64), 0, top)
        b = np.clip(np.rint(end * self.rate).astype(np.int64), 0, top)
        return self._between(a, np.maximum(b, np.minimum(a + 1, top)))

    def held(self, begin: Reals, end: Reals) -> Reals:
        """Means of all samples in force at some moment of each span, as a sample-and-hold converter
        sees them; nan unless the whole span lies in the signal."""
        a = np.floor(begin * self.rate).astype(np.int64)
        return self._between(a, np.floor(end * self.rate).astype(np.int64) + 1)


def running_mean(x: NDArray[Any], width: int) -> NDArray[Any]:
    """The mean of the `width` samples (made odd) around each, fewer at the ends."""
    half = min(max(0, width // 2), (len(x) - 1) // 2)
    total, at = Integral(x).total, np.arange(len(x))
    first, end = np.maximum(at - half, 0), np.minimum(at + half + 1, len(x))
    out: NDArray[Any] = (total[end] - total[first]) / (end - first)
    return out
