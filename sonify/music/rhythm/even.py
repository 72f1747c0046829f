"""Notes spread over steps as evenly as possible."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["even_pattern"]


@lru_cache(maxsize=4096)
def even_pattern(notes: int, steps: int) -> NDArray[np.bool_]:
    """Bjorklund's pattern of `notes` over `steps`, shape (steps,), starting with a note.

    Source: E. Bjorklund, "The theory of rep-rate pattern generation in the SNS timing system",
    SNS-NOTE-CNTRL-99 (2003), described by G. Toussaint, "The Euclidean algorithm generates
    traditional musical rhythms", BRIDGES 2005.
    """
    if notes <= 0 or steps <= 0:
        return np.zeros(max(steps, 0), bool)
    if notes >= steps:
        return np.ones(steps, bool)
    head, tail = np.ones(1, bool), np.zeros(1, bool)
    heads, tails = notes, steps - notes
    first = True
    while first or tails > 1:
        first = False
        paired = np.concatenate([head, tail])
        if heads < tails:
            heads, tails = heads, tails - heads
        else:
            tail = head
            heads, tails = tails, heads - tails
        head = paired
    out = np.concatenate([np.tile(head, heads), np.tile(tail, tails)])
    out.setflags(write=False)
    return out
