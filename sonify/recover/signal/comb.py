"""How well gaps between onsets fit a period."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["comb_scores"]

Reals = NDArray[np.float64]

AT_ONCE = 512  # periods compared side by side: a few megabytes for a thousand gaps


def comb_scores(gaps: Reals, periods: Reals, between: tuple[float, ...] = (0.0,)) -> Reals:
    """How near gaps are to whole multiples of each period, from -1 to 1.

    Parameters
    ----------
    gaps : ndarray, shape (gaps,)
    periods : ndarray, shape (periods,)
    between : tuple of float
        Parts of a period that may be left over; the nearest counts.
    """
    out = np.empty(len(periods))
    for k in range(0, len(periods), AT_ONCE):
        turns = gaps[None, :, None] / periods[k : k + AT_ONCE, None, None] - np.array(between)
        out[k : k + AT_ONCE] = np.cos(2 * np.pi * turns).max(axis=2).mean(axis=1)
    return out
