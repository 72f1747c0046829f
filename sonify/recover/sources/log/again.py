"""What passes between rows: the row before it again, then the one after it.

A stage that moves still shows the row that it leaves until it is half a hole away, and soon the row
that it comes to. So between two rows, bits are those of a turn before and then those of a turn
later, and after the last row they are its own: evidence for how many positions make a turn that
needs no message.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["Again"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

SAME = 0.9
"""Share of bits that agree with those of a turn away between rows: holes half in view don't."""

BY_CHANCE = 0.6
"""The least share of bits of a text that agree with others anyway: at multiples of its units."""

EIGHTHS = (0, 2, 4, 6, 8)
"""Where between two rows the stage may have left the first, in eighths."""


class Again:
    """How far the bits of a log are seen again, in bits of evidence, for many lengths of a turn.

    Parameters
    ----------
    bits : ndarray of int8, shape (passed,)
        -1 for unknown.
    lengths : sequence of int
        Positions of a turn.
    """

    def __init__(self, bits: NDArray[np.int8], lengths: Sequence[int]) -> None:
        self.size = n = len(bits)
        ones = float((bits > 0).mean())
        chance = max(BY_CHANCE, ones**2 + (1 - ones) ** 2)
        yes, no = np.log2(SAME / chance), np.log2((1 - SAME) / (1 - chance))
        self.line = np.zeros(max(lengths) + 1, np.int64)
        # added up from the beginning: agreement with a turn before, and with a turn later
        self.before, self.after = np.zeros((2, len(lengths), n + 1), np.float32)
        for k, length in enumerate(lengths):
            self.line[length] = k
            both = (bits[length:] >= 0) & (bits[:-length] >= 0)
            same = np.cumsum(np.where(bits[length:] == bits[:-length], yes, no) * both)
            self.before[k, length + 1 :] = same
            self.after[k, 1 : n - length + 1] = same
            self.after[k, n - length + 1 :] = same[-1]

    def first(self, positions: Index | int, start: Index | int) -> Reals:
        """Evidence of what passes before the first row, which is a part of it."""
        out: Reals = self.after[self.line[positions], start]
        return out

    def between(self, positions: Index | int, end: Index | int, begin: Index | int) -> Reals:
        """Evidence of what passes from the end of a row to the beginning of the next one, which is
        the log's length after the last row."""
        k, end, begin = (
            self.line[positions],
            np.minimum(end, self.size),
            np.minimum(begin, self.size),
        )
        best = -np.inf
        for part in EIGHTHS:
            at = end + (begin - end) * part // 8
            best = np.maximum(best, self.before[k, at] - self.after[k, at])
        out: Reals = best + self.after[k, begin] - self.before[k, end]
        out -= np.log2(len(EIGHTHS)) * (begin > end)
        return out
