"""What changes over a piece and what comes back: arcs, and likeness within and between phrases."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["PARTS", "arc", "over_parts", "repetition"]

Ints = NDArray[np.int64]
Reals = NDArray[np.float64]

PARTS = 8
"""How many equal parts of a piece are compared for an arc. Own choice."""

PHRASE = 4
"""Bars of a phrase (common practice, no source)."""

MOST_PHRASES = 200
"""Only so many phrases from the start are compared, each with all before it. Own limit."""


def over_parts(at: Ints, end: int) -> Ints:
    """Which of the equal parts of a piece that lasts to `end` each time lies in."""
    return np.clip(at * PARTS // max(end, 1), 0, PARTS - 1)


def arc(at: Ints, end: int, value: Reals | None = None) -> Reals:
    """How many notes each part of a piece has, or the mean of their values.

    Parameters
    ----------
    at : ndarray of int64, shape (notes,)
        When they begin.
    end : int
    value : ndarray of float64, shape (notes,), optional

    Returns
    -------
    ndarray of float64, shape (parts,)
        Without parts that have no notes, if values are given.
    """
    part = over_parts(at, end)
    count = np.bincount(part, minlength=PARTS).astype(np.float64)
    if value is None:
        return count
    total = np.bincount(part, value, minlength=PARTS)
    return total[count > 0] / count[count > 0]


def repetition(bar: Ints, code: Ints) -> tuple[float, float]:
    """How alike the bars of a phrase are, and how alike phrases are to their likest earlier one.

    Two bars are compared by the share of their notes that they have in common (L. R. Dice,
    "Measures of the amount of ecologic association between species", Ecology 26 (1945)).

    Parameters
    ----------
    bar : ndarray of int64, shape (notes,)
        Each note's bar, from 0.
    code : ndarray of int64, shape (notes,)
        Equal for notes that are the same but for their bar.

    Returns
    -------
    within, between : float
        From 0 to 1.
    """
    bar, code = (x[bar < MOST_PHRASES * PHRASE] for x in (bar, code))
    if not len(bar):
        return 0.0, 0.0
    bars = int(bar.max()) + 1
    kind = np.unique(code, return_inverse=True)[1].reshape(-1)
    shared = np.zeros((bars, bars))
    size = np.bincount(bar, minlength=bars).astype(np.float64)
    order = np.argsort(kind, kind="stable")
    for group in np.split(bar[order], np.cumsum(np.bincount(kind))[:-1]):
        where, count = np.unique(group, return_counts=True)
        shared[np.ix_(where, where)] += np.minimum.outer(count, count)
    both = size + size[:, None]
    alike = np.where(both > 0, 2 * shared / np.maximum(both, 1), 1.0)
    within, between = [], []
    for start in range(0, bars, PHRASE):
        mine = np.arange(start, min(start + PHRASE, bars))
        if len(mine) > 1:
            pairs = alike[np.ix_(mine, mine)][np.triu_indices(len(mine), 1)]
            within.append(pairs.mean())
        earlier = [alike[mine, np.arange(b, b + len(mine))].mean() for b in range(0, start, PHRASE)]
        if earlier:
            between.append(max(earlier))
    return float(np.mean(within or [0.0])), float(np.mean(between or [0.0]))
