"""A mixing function: numbers that look random, and are the same on every machine."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["GOLDEN", "mixed"]

GOLDEN = 0x9E3779B97F4A7C15
"""The step between inputs: 2^64 over the golden ratio, as in SplitMix64."""


def mixed(x: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """The mixing function of SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom
    number generators", OOPSLA 2014)."""
    with np.errstate(over="ignore"):
        x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        return x ^ (x >> np.uint64(31))
