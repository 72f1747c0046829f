"""Scores many trial discs at once by exactly the notes that a player would play."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.compose.choices import Design
from sonify.compose.objectives import Aims, Picture, values_of
from sonify.compose.pieces import Counts, Ground
from sonify.disc.code.code import Code
from sonify.music.chance import chance
from sonify.performance_settings import Setup

__all__ = ["Budget", "Judge", "Tail", "random_fills"]

Bits = NDArray[np.int8]
Ints = NDArray[np.int64]
Reals = NDArray[np.float64]

DIGITS = 9
"""Scores are rounded to so many digits, so that sums in another order compare as equal."""

PROBES = 8
"""Random fillings by which is checked that the rows before do not change. Own choice."""


class Tail(NamedTuple):
    """The rows of a design that its filling can change: the first of them, and what is counted of
    all rows before."""

    row: int
    before: Counts


@dataclass
class Budget:
    """How many trial discs may still be scored; `on_step` gets the share that is used."""

    most: int
    on_step: Callable[[float], None]
    used: int = 0

    def spend(self, discs: int) -> None:
        """Count some discs."""
        self.used += discs
        self.on_step(min(1.0, self.used / self.most))

    @property
    def left(self) -> int:
        """How many discs are left, 0 or more."""
        return max(0, self.most - self.used)


@dataclass
class Judge:
    """Judges discs by some aims under a setup.

    Attributes
    ----------
    setup : Setup
    aims : Aims
    least_web : float
        In mm.
    budget : Budget
        What is scored counts.
    """

    setup: Setup
    aims: Aims
    least_web: float
    budget: Budget
    _grounds: dict[tuple[int, int, Code | None], Ground] = field(default_factory=dict)

    def ground(self, design: Design) -> Ground:
        """The ground of a design's shape."""
        disc = design.disc
        code = disc.code
        if code is not None:
            # all else about a code does not matter to the music
            plain = Code(alphabet=code.alphabet, bit_order=code.bit_order)
            code = msgspec.structs.replace(plain, check="parity") if code.parity else plain
        key = (disc.rows, disc.positions, code)
        if key not in self._grounds:
            self._grounds[key] = Ground.of(self.setup, *key, self.aims.tune is not None)
        return self._grounds[key]

    def tail(self, design: Design) -> Tail | None:
        """The rows that the filling changes; None if it may change all."""
        if not len(design.slots.at):
            return None
        disc, ground = design.disc, self.ground(design)
        row = int(design.slots.at[0, 0]) // disc.positions - 1
        if row < 1:
            return None
        base = disc.grid.reshape(1, -1)
        tail = Tail(row, ground.counts(base, 0, row))
        probes = random_fills(design, PROBES, seed=0)
        whole, part = ground.counts(probes), ground.counts(probes, row).after(tail.before)
        names = ("onsets", "density", "classes", "ends")
        same = all(np.allclose(getattr(whole, n), getattr(part, n), equal_nan=True) for n in names)
        same &= len(whole.notes.beat) == len(part.notes.beat) and all(
            np.allclose(a, b) for a, b in zip(whole.notes, part.notes, strict=True)
        )
        return tail if same else None

    def values(self, design: Design, grids: Bits, tail: Tail | None = None) -> dict[str, Reals]:
        """The values of all objectives for discs of one design, shape (discs,) each.

        Parameters
        ----------
        design : Design
        grids : ndarray of int8, shape (discs, rows * positions)
            Read row by row.
        tail : Tail, optional
            The design's own, if the discs differ in their filling only.
        """
        return self._values([(design, grids)], tail)

    def _values(
        self, lots: Sequence[tuple[Design, Bits]], tail: Tail | None = None
    ) -> dict[str, Reals]:
        """The values for discs of some designs that share a ground."""
        ground = self.ground(lots[0][0])
        grids = np.concatenate([g for _, g in lots])
        self.budget.spend(len(grids))
        if tail is None:
            counts = ground.counts(grids)
        else:
            counts = ground.counts(grids, tail.row).after(tail.before)
        pictures = [_picture(design, own, self.least_web) for design, own in lots]
        return values_of(self.aims, counts, ground, pictures)

    def scores(self, design: Design, grids: Bits, tail: Tail | None = None) -> Reals:
        """The score of each disc, 0 to 1."""
        out: Reals = np.round(self.aims.total(self._values([(design, grids)], tail)), DIGITS)
        return out

    def scores_of(self, lots: Sequence[tuple[Design, Bits]]) -> list[Reals]:
        """The scores for discs of many designs; those that share a ground are scored together."""
        groups: dict[int, list[int]] = {}
        for k, (design, _) in enumerate(lots):
            groups.setdefault(id(self.ground(design)), []).append(k)
        out: list[Reals] = [np.zeros(0)] * len(lots)
        for which in groups.values():
            some = [lots[k] for k in which]
            scores = np.round(self.aims.total(self._values(some)), DIGITS)
            ends = np.cumsum([len(grids) for _, grids in some])[:-1]
            for k, own in zip(which, np.split(scores, ends), strict=True):
                out[k] = own
        return out


def _picture(design: Design, grids: Bits, least_web: float) -> Picture:
    disc = design.disc
    assert disc.geometry is not None
    holes = grids.reshape(-1, disc.rows, disc.positions) == disc.layout.hole_means
    return Picture(holes, disc.layout, disc.geometry, least_web)


def random_fills(design: Design, count: int, seed: int) -> Bits:
    """Discs of a design with random fillings, shape (count, rows * positions)."""
    at, ways = design.slots
    grids = np.tile(design.disc.grid.reshape(-1), (count, 1))
    which = chance(seed, np.arange(count * len(at))) * len(ways)
    grids[:, at] = ways[which.astype(np.int64).reshape(count, -1)]
    return grids
