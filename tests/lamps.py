"""The lamps at some moments, for comparison with every output that shows them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def states_at(
    lights: NDArray[np.void], times: NDArray[np.float64], lamps: int
) -> NDArray[np.uint8]:
    """The levels of all lamps at some moments, shape (times, lamps).

    A lamp that changes at exactly a moment has its new level then.
    """
    order = np.argsort(times, kind="stable")
    out = np.zeros((len(times), lamps), np.uint8)
    ends = np.searchsorted(lights["time_s"], times[order], side="right")
    now = np.zeros(lamps, np.uint8)
    start = 0
    for k, end in zip(order, ends, strict=True):
        now[lights["led"][start:end]] = lights["level"][start:end]
        out[k] = now
        start = int(end)
    return out
