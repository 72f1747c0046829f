"""Where the next row starts on a player that reads on at the next position.

Such a player reads one turn of clock pulses, moves its stage, and starts the next row with the
first pulse after that. Its clock never stops.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["next_start"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]


def next_start(
    time_s: Reals, last: NDArray[Any] | int, move_s: Reals | float
) -> tuple[Index, Reals, Reals]:
    """The first pulse of the next row.

    Parameters
    ----------
    time_s : ndarray, shape (pulses,)
        When each clock pulse came, in s.
    last : ndarray of int64 or int
        The last pulse of each row.
    move_s : ndarray or float
        The time of the stage's move with settling, in s.

    Returns
    -------
    start : ndarray of int64
        The last pulse there is where the log ends before.
    early, late : ndarray
        How long the pulse before comes before the stage is ready, and this pulse after it, in s.
    """
    top = len(time_s) - 1
    ready = time_s[last] + move_s
    start = np.searchsorted(time_s, ready, "right")
    start = np.clip(start, np.minimum(np.add(last, 1), top), top)
    return start, ready - time_s[start - 1], time_s[start] - ready
