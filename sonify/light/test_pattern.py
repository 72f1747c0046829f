"""A test pattern for the matrix: its lamps one after the other along the strip."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sonify.light.fill_rules import LIT
from sonify.light.wiring import Wiring

__all__ = ["ALL_S", "DARK_S", "LAMP_S", "pattern", "pattern_s"]

ALL_S, DARK_S, LAMP_S = 1.0, 0.5, 0.2
"""How long all lamps are lit, then none, then each: own choice; a film at 25 frames per second has
five frames of each lamp. The machine's example program keeps the same times."""


def pattern_s(wiring: Wiring) -> float:
    """How long the pattern lasts, in s."""
    return ALL_S + DARK_S + LAMP_S * wiring.length


def pattern(wiring: Wiring) -> Iterator[tuple[float, NDArray[np.uint16]]]:
    """All lamps, none, and then each alone in the order of the strip; for a lamp without a place,
    none."""
    shape = wiring.strip.shape
    yield 0.0, ((wiring.strip >= 0) * LIT).astype(np.uint16)
    yield ALL_S, np.zeros(shape, np.uint16)
    for n, at in enumerate(wiring.order.tolist()):
        levels = np.zeros(shape, np.uint16)
        if at >= 0:
            levels.flat[at] = LIT
        yield ALL_S + DARK_S + n * LAMP_S, levels
