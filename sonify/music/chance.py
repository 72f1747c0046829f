"""Random numbers that depend on nothing but a seed and a number."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.music.mixing import GOLDEN, mixed

__all__ = ["chance"]


def chance(seed: int, index: NDArray[np.int64], lot: int = 0) -> NDArray[np.float64]:
    """A number from 0 up to 1 for each index, the same for the same seed on every machine."""
    with np.errstate(over="ignore"):
        x = index.astype(np.uint64) + np.uint64((seed * 0x9E3779B9 + lot * 0x85EBCA6B) % 2**64)
        x = mixed((x + np.uint64(1)) * np.uint64(GOLDEN))
    out: NDArray[np.float64] = (x >> np.uint64(11)).astype(np.float64) * 2.0**-53
    return out
