"""Mounting: where the player's lamps are if the matrix is turned or seen from behind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.light.look import Look

__all__ = ["Mounting"]


@dataclass(frozen=True)
class Mounting:
    """How a matrix is mounted: first mirrored left to right, then turned clockwise.

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
    def size(self) -> tuple[int, int]:
        """Lamps across and down as they are seen."""
        flat = self.turned % 180 == 0
        return (self.width, self.height) if flat else (self.height, self.width)

    def levels(self, levels: NDArray[Any]) -> NDArray[Any]:
        """The levels as they are seen, from levels of shape (height, width)."""
        if self.mirrored:
            levels = levels[:, ::-1]
        return np.rot90(levels, -(self.turned // 90))

    def leds(self, leds: NDArray[np.integer]) -> NDArray[np.int64]:
        """Where lamps are seen, as y * seen width + x, from the player's numbers."""
        player = np.arange(self.width * self.height).reshape(self.height, self.width)
        seen: NDArray[np.int64] = np.argsort(self.levels(player), axis=None)
        return seen[np.asarray(leds)]
