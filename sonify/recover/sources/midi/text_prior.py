"""How much likelier bits are as text: the prior of the discs that may explain a recording."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.code import Code
from sonify.recover.search.arrangement import Wanted
from sonify.recover.search.plain import codes_of, text_evidence

__all__ = ["TextPrior"]

Bits = NDArray[np.int8]
Reals = NDArray[np.float64]

TRUST = 0.5  # weight of text: its tables are rough, and fit no language well
NEAR = 4  # units on each side by which to tell whether a unit is text: a word


@dataclass(frozen=True, eq=False)
class TextPrior:
    """Text in the likeliest plain code of a disc.

    Attributes
    ----------
    code : Code or None
        None if the disc is shorter than a unit.
    places : ndarray of int64
        Of bits in the order of reading, on the grid.
    """

    code: Code | None
    places: NDArray[np.int64]

    @classmethod
    def of(cls, disc: Bits, places: NDArray[np.int64]) -> TextPrior:
        """For discs like this one."""
        codes = [c for c in codes_of(Wanted()) if disc.size >= c.unit_bits]
        line = cls(None, places)._lines(disc[None])
        best = max(codes, key=lambda c: float(text_evidence(line, c)[0]), default=None)
        return cls(best, places)

    def _lines(self, discs: Bits) -> Bits:
        out = np.empty_like(discs)
        out[:, self.places[: discs.shape[1]]] = discs
        return out

    def evidence(self, discs: Bits) -> Reals:
        """Bits of evidence that discs are text."""
        if self.code is None:
            return np.zeros(len(discs))
        return text_evidence(self._lines(discs), self.code)

    def near(self, disc: Bits) -> Reals:
        """The probability that each bit of a disc belongs to text and not, say, to a check."""
        if self.code is None:
            return np.zeros(len(disc))
        unit = self.places[: len(disc)] // self.code.unit_bits
        units = np.arange(int(unit.max()) + 2)
        so_far = self.evidence(np.where(unit < units[:, None], disc, np.int8(-1)))
        first, after = np.maximum(units - NEAR, 0), np.minimum(units + NEAR + 1, units[-1])
        here = TRUST * np.log(2) * (so_far[after] - so_far[first])
        out: Reals = (1 / (1 + np.exp(-here)))[unit]
        return out

    def gain(self, discs: Bits, where: NDArray[np.bool_]) -> Reals:
        """The logarithm of how much likelier all discs but the first are than that one, from
        which they differ in the bits `where`."""
        trust = (where @ self.near(discs[0])) / where.sum(axis=1)
        likely = self.evidence(discs)
        odds = np.exp(TRUST * np.log(2) * (likely[1:] - likely[0]))
        out: Reals = np.log1p(trust * (odds - 1))
        return out
