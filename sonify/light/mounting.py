"""Mounting: where the player's lamps are when the matrix is turned or seen from behind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.light.look import Look
from sonify.player.profile import Matrix

__all__ = ["Mounting"]


@dataclass(frozen=True)
class Mounting:
    """How a matrix is mounted: mirrored left to right first, and then turned clockwise.

    Attributes
    ----------
    width, height : int
        Of the player's matrix, in lamps.
    turned : int
        0, 90, 180 or 270 degrees clockwise.
    mirrored : bool
    """

    width: int
    height: int
    turned: int = 0
    mirrored: bool = False

    @classmethod
    def of(cls, look: Look, matrix: Matrix) -> Mounting:
        """The mounting that a look asks for."""
        return cls(matrix.width, matrix.height, look.turned, look.mirrored)

    @property
    def plain(self) -> bool:
        """Whether the lamps stay where they are."""
        return self.turned == 0 and not self.mirrored

    @property
    def size(self) -> tuple[int, int]:
        """Lamps across and down as they are seen."""
        flat = self.turned % 180 == 0
        return (self.width, self.height) if flat else (self.height, self.width)

    def levels(self, levels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """The levels as they are seen, from levels of shape (height, width)."""
        if self.mirrored:
            levels = levels[:, ::-1]
        return np.rot90(levels, -(self.turned // 90))

    def leds(self, leds: NDArray[np.integer]) -> NDArray[np.int64]:
        """Where lamps are seen, as y * seen width + x, from the player's numbers."""
        y, x = np.divmod(np.asarray(leds, np.int64), self.width)
        if self.mirrored:
            x = self.width - 1 - x
        if self.turned == 90:
            x, y = self.height - 1 - y, x
        elif self.turned == 180:
            x, y = self.width - 1 - x, self.height - 1 - y
        elif self.turned == 270:
            x, y = y, self.width - 1 - x
        out: NDArray[np.int64] = y * self.size[0] + x
        return out
