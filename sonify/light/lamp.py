"""One lamp: how much of each pixel it covers, and the light that it throws around it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sonify.light.look import Look

__all__ = ["REACH", "Lamp"]

_FINE = 4  # samples a pixel edge, to find how much of a pixel a lamp covers
# how far a glow reaches from a lamp's centre, and over which distance it falls by e, in lamps
REACH = 1.0
_FALL = 0.14


@dataclass(frozen=True)
class Lamp:
    """A lamp of a look, on a tile of `look.pixels` (s) a side.

    Attributes
    ----------
    look : Look
    """

    look: Look

    @property
    def _distance(self) -> NDArray[np.float64]:
        """Signed distance in lamps from a lamp's edge, at fine samples, shape (3sF, 3sF)."""
        s = self.look.pixels
        at = (np.arange(3 * s * _FINE) + 0.5) / (s * _FINE) - 1.5
        x, y = np.abs(at)[None, :], np.abs(at)[:, None]
        radius = (1 - self.look.gap) / 2
        if self.look.shape == "square":
            corner = min(0.08, radius)
            dx, dy = np.maximum(x - radius + corner, 0), np.maximum(y - radius + corner, 0)
            out: NDArray[np.float64] = np.hypot(dx, dy) - corner
            inside = np.maximum(x, y) - radius
            return np.where((dx == 0) | (dy == 0), inside, out)
        return np.hypot(x, y) - radius

    def _mean(self, fine: NDArray[np.float64]) -> NDArray[np.float64]:
        n = len(fine) // _FINE
        out: NDArray[np.float64] = fine.reshape(n, _FINE, n, _FINE).mean(axis=(1, 3))
        return out

    @cached_property
    def cover(self) -> NDArray[np.float64]:
        """How much of each pixel of its tile the lamp covers, shape (s, s)."""
        s = self.look.pixels
        return self._mean((self._distance <= 0).astype(float))[s : 2 * s, s : 2 * s]

    @cached_property
    def light(self) -> NDArray[np.float32]:
        """Its light at full level on its own tile and those around it, shape (3s, 3s)."""
        s, d = self.look.pixels, self._distance
        light = self._mean(np.where(d > 0, self._glow(d), self._inside(d)))
        at = np.abs((np.arange(3 * s) + 0.5) / s - 1.5)
        fade = _fade(np.hypot(at[None, :], at[:, None]))
        return (light * fade).astype(np.float32)

    def profile(self, steps: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Its light from its middle to its edge, and its glow from there to `REACH`, each shape
        (steps + 1,)."""
        edge = (1 - self.look.gap) / 2
        lens, halo = np.linspace(0, edge, steps + 1), np.linspace(edge, REACH, steps + 1)
        return self._inside(lens - edge), self._glow(halo - edge) * _fade(halo)

    def _inside(self, distance: NDArray[np.float64]) -> NDArray[np.float64]:
        if self.look.shape != "diffused":
            return (distance <= 0).astype(float)
        # a diffuser spreads the light over its tile, brightest in the middle
        spread = 1 - 0.55 * np.clip((distance + 0.5) / 0.5, 0, 1) ** 2
        return np.clip(spread, 0, 1) * (distance <= 0)

    def _glow(self, distance: NDArray[np.float64]) -> NDArray[np.float64]:
        return self.look.glow * 0.5 * np.exp(-np.maximum(distance, 0) / _FALL)


def _fade(away: NDArray[np.float64]) -> NDArray[np.float64]:
    """A share of light that dies away before it reaches the middle of a neighbour."""
    return np.clip((REACH - away) / 0.4, 0, 1)
