"""One lamp: how much of each pixel it covers, and the light that it throws around it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sonify.light.look import Look

__all__ = ["Lamp"]

_FINE = 4  # samples a pixel edge, to find how much of a pixel a lamp covers
# how far a glow reaches from a lamp's centre, and over which distance it falls by e, in lamps
_REACH = 1.0
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
        if self.look.shape == "diffused":
            # a diffuser spreads the light over its tile, brightest in the middle
            inside = np.clip(1 - 0.55 * np.clip((d + 0.5) / 0.5, 0, 1) ** 2, 0, 1) * (d <= 0)
        else:
            inside = (d <= 0).astype(float)
        glow = self.look.glow * 0.5 * np.exp(-np.maximum(d, 0) / _FALL)
        light = self._mean(np.maximum(inside, np.where(d > 0, glow, 0)))
        # it dies away before it reaches the middle of a neighbour
        away = np.abs((np.arange(3 * s) + 0.5) / s - 1.5)
        fade = np.clip((_REACH - np.hypot(away[None, :], away[:, None])) / 0.4, 0, 1)
        return (light * fade).astype(np.float32)
