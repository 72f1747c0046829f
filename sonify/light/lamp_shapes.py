"""Lamp shapes, and the picture of one lamp: what it covers and the light around it.

To add a shape, add its row to `SHAPES` and its name and meaning to `Look.shape`. A new outline also
goes into `studio/static/draw-matrix.js`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.light.look import Look

__all__ = ["REACH", "SHAPES", "Lamp", "LampShape"]

F64 = NDArray[np.float64]

_FINE = 4  # samples per side of a pixel, to find how much of it a lamp covers
# how far a glow reaches from a lamp's centre, and the distance over which it falls by a factor e,
# in lamps
REACH = 1.0
_FALL = 0.14


class LampShape(NamedTuple):
    """The signed distance from a lamp's edge (below 0 inside), from |x|, |y| and the radius; and
    the light inside by that distance. Lengths are in lamps."""

    distance: Callable[[F64, F64, float], F64]
    light: Callable[[F64], F64]


def _circle(x: F64, y: F64, radius: float) -> F64:
    return np.hypot(x, y) - radius


def _rounded_square(x: F64, y: F64, radius: float) -> F64:
    corner = min(0.08, radius)
    dx, dy = np.maximum(x - radius + corner, 0), np.maximum(y - radius + corner, 0)
    outside: F64 = np.hypot(dx, dy) - corner
    return np.where((dx == 0) | (dy == 0), np.maximum(x, y) - radius, outside)


def _even(distance: F64) -> F64:
    return np.ones_like(distance)


def _frosted(distance: F64) -> F64:
    # a diffuser spreads the light over its tile, brightest in the middle
    return np.clip(1 - 0.55 * np.clip((distance + 0.5) / 0.5, 0, 1) ** 2, 0, 1)


SHAPES: dict[str, LampShape] = {
    "round": LampShape(_circle, _even),
    "square": LampShape(_rounded_square, _even),
    "diffused": LampShape(_circle, _frosted),
}


@dataclass(frozen=True)
class Lamp:
    """A lamp of a look, on a tile of `look.pixels` (s) a side.

    Attributes
    ----------
    look : Look
    """

    look: Look

    @property
    def _distance(self) -> F64:
        """Signed distance in lamps from a lamp's edge, at fine samples, shape (3sF, 3sF)."""
        s = self.look.pixels
        at = (np.arange(3 * s * _FINE) + 0.5) / (s * _FINE) - 1.5
        x, y = np.abs(at)[None, :], np.abs(at)[:, None]
        return SHAPES[self.look.shape].distance(x, y, (1 - self.look.gap) / 2)

    def _mean(self, fine: F64) -> F64:
        n = len(fine) // _FINE
        out: F64 = fine.reshape(n, _FINE, n, _FINE).mean(axis=(1, 3))
        return out

    @cached_property
    def cover(self) -> F64:
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

    def profile(self, steps: int) -> tuple[F64, F64]:
        """Its light from its middle to its edge, and its glow from there to `REACH`, each shape
        (steps + 1,)."""
        edge = (1 - self.look.gap) / 2
        lens, halo = np.linspace(0, edge, steps + 1), np.linspace(edge, REACH, steps + 1)
        return self._inside(lens - edge), self._glow(halo - edge) * _fade(halo)

    def _inside(self, distance: F64) -> F64:
        return SHAPES[self.look.shape].light(distance) * (distance <= 0)

    def _glow(self, distance: F64) -> F64:
        return self.look.glow * 0.5 * np.exp(-np.maximum(distance, 0) / _FALL)


def _fade(away: F64) -> F64:
    """A factor that fades light out before it reaches the middle of a neighbour."""
    return np.clip((REACH - away) / 0.4, 0, 1)
