"""Onsets that a program moved to a grid of note values, which may be coarser than positions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sonify.music.metre import Grid

__all__ = ["Quantised", "few", "grid_of_file", "quantisings"]

# Steps of a quarter, from quarter notes to sixty-fourths and their triplets: those that programs
# offer (common practice, no source)
GRIDS = (1, 2, 3, 4, 6, 8, 12, 16)
# How far a note may lie beside the grid, in quarters: a tick of the coarsest common files, which
# have 96 ticks a quarter, from rounding
TICK = 1 / 96
# Notes beside the grid: one in a hundred is added, and three standard deviations of such a count
ADDED, DEVIATIONS = 0.01, 3.0
MOVED = 3.0  # price of a grid, as a logarithm: one file in twenty is moved to one (own guess)
SURE = 0.99  # the largest share of a mapping's notes that counts as lying beside the grid

Ints = NDArray[np.int64]
Ties = Literal["down", "up", "even"]
TIES: tuple[Ties, ...] = ("even", "down", "up")


def few(count: int) -> float:
    """How many of so many notes an editor may have added."""
    return float(ADDED * count + DEVIATIONS * np.sqrt(ADDED * count))


@dataclass(frozen=True)
class Quantised:
    """What became of onsets.

    Attributes
    ----------
    step : float
        Of the grid, in ticks of the reading.
    begin : float
        The tick of the reading at which the file begins, and so the grid.
    ties : str
        Where a note in the middle of two lines went: `down`, `up`, or to the `even` line.
    """

    step: float
    begin: float
    ties: Ties

    def moved(self, on: Ints) -> Ints:
        """Onsets on the grid, in ticks of the reading."""
        at = (on - self.begin) / self.step
        line = np.rint(at) if self.ties == "even" else np.floor(at + 0.5)
        if self.ties == "down":
            line = np.ceil(at - 0.5)
        out: Ints = np.rint(line * self.step + self.begin).astype(np.int64)
        return out


def grid_of_file(notes: NDArray[np.void]) -> int:
    """The coarsest grid, in steps of a quarter, that onsets lie on; 0 if they lie on none."""
    beats = notes["on_beat"]
    for grid in GRIDS:
        beside = np.abs(beats - np.rint(beats * grid) / grid) >= min(TICK, 1 / (8 * grid))
        if beside.sum() <= few(len(beats)):
            return grid
    return 0


def quantisings(
    made: Ints, steps: int, begin: float, grid: Grid, count: int
) -> list[tuple[Quantised | None, float]]:
    """How the onsets that a mapping makes may have been moved to a grid of so many steps of a
    quarter, on which `count` recorded notes lie, and the price of each way as a logarithm; None
    stands for not at all."""
    out: list[tuple[Quantised | None, float]] = []
    seen: set[bytes] = {made.tobytes()}
    beside = 0.0
    for ties in TIES if steps else ():
        one = Quantised(grid.ticks_per_quarter / steps, begin, ties)
        moved = one.moved(made)
        if moved.tobytes() not in seen:
            seen.add(moved.tobytes())
            out.append((one, MOVED))
            beside = max(beside, float((moved != made).mean()))
    # by chance, so many notes of the mapping would not all lie on the grid
    return [(None, -count * float(np.log1p(-min(beside, SURE)))), *out]
