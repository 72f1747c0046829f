"""Lamp shapes, and the picture of one lamp: what it covers and the light around it.

A lamp is an emitter, whose hot core shines through the lens; the lens, which is a little darker
towards its edge; the spill of its light on what is next to it; and a wide bloom.

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

from sonify.light.look import NO_LAMP, Look

__all__ = ["CORE", "DARKER", "FALL", "REACH", "SHAPES", "SPILL_ENDS", "WIDE", "Lamp", "LampShape"]

F64 = NDArray[np.float64]

_FINE = 4  # samples per side of a pixel, to find how much of it a lamp covers
# Lengths are in lamps. All light of a lamp ends at `REACH` from its middle, where the tiles of its
# neighbours end; its spill falls by a factor e over `FALL`, its bloom over `WIDE` (by eye).
REACH = 1.5
SPILL_ENDS = 0.78
FALL, WIDE = 0.06, 0.35
# The light of a full core over that of its lens, its radius as a share of the lens, and how much
# darker the lens is at its edge (by eye, after photographs of indicator lamps).
CORE = 3.0
_CORE_RADIUS = 0.45
_LIMB = 0.25
# A grille's walls are so wide on each side of a tile, and so much darker than the background; a
# diffuser spreads light by so much (in lamps, by eye).
_WALL, DARKER = 0.06, -0.8
_SHEET = 0.42
# The light next to a lens at full glow, and at full bloom.
_GLOW, _BLOOM = 0.5, 0.12


class LampShape(NamedTuple):
    """How a lamp is made.

    `distance` is the signed distance from its edge (below 0 inside) by |x|, |y| and the radius, in
    lamps; `light` the light inside by how deep it is (0 at the edge, 1 in the middle), how far
    from the middle in radii, and the strength of the core.
    """

    distance: Callable[[F64, F64, float], F64]
    light: Callable[[F64, F64, float], F64]


def _circle(x: F64, y: F64, radius: float) -> F64:
    return np.hypot(x, y) - radius


def _rounded_square(x: F64, y: F64, radius: float) -> F64:
    corner = min(0.08, radius)
    dx, dy = np.maximum(x - radius + corner, 0), np.maximum(y - radius + corner, 0)
    outside: F64 = np.hypot(dx, dy) - corner
    return np.where((dx == 0) | (dy == 0), np.maximum(x, y) - radius, outside)


def _ring(x: F64, y: F64, radius: float) -> F64:
    # a tube of light round an open middle
    return np.abs(np.hypot(x, y) - 0.72 * radius) - 0.28 * radius


def _bar(x: F64, y: F64, radius: float) -> F64:
    # upright, a third as wide as high, with round ends
    half = radius / 3
    return np.hypot(x, np.maximum(y - radius + half, 0)) - half


def _chip(x: F64, y: F64, radius: float) -> F64:
    # the window of a bare LED, half as wide as its package
    return np.hypot(x, y) - 0.5 * radius


def _lens(depth: F64, away: F64, core: float) -> F64:
    hot = CORE * core * np.exp(-((away / _CORE_RADIUS) ** 2))
    out: F64 = 1 - _LIMB * core * (1 - depth) ** 4 + hot
    return out


def _tube(depth: F64, away: F64, core: float) -> F64:
    # the core runs along the middle of the tube
    out: F64 = 1 + CORE * core * 0.6 * depth**2 - _LIMB * core * (1 - depth) ** 4
    return out


def _frosted(depth: F64, away: F64, core: float) -> F64:
    # a diffuser spreads the light over its tile, brightest in the middle
    return 1 - 0.55 * (1 - depth) ** 2


SHAPES: dict[str, LampShape] = {
    "round": LampShape(_circle, _lens),
    "square": LampShape(_rounded_square, _lens),
    "diffused": LampShape(_circle, _frosted),
    "ring": LampShape(_ring, _tube),
    "bar": LampShape(_bar, _tube),
    "chip": LampShape(_chip, _lens),
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
    def radius(self) -> float:
        """Of its lens, in lamps."""
        return (1 - self.look.gap) / 2

    @cached_property
    def _at(self) -> F64:
        """Where fine samples lie from its middle, in lamps, shape (3sF,)."""
        s = self.look.pixels
        return (np.arange(3 * s * _FINE) + 0.5) / (s * _FINE) - 1.5

    @cached_property
    def _distance(self) -> F64:
        """Signed distance in lamps from a lamp's edge, at fine samples, shape (3sF, 3sF)."""
        x, y = np.abs(self._at)[None, :], np.abs(self._at)[:, None]
        return SHAPES[self.look.shape].distance(x, y, self.radius)

    def _mean(self, fine: F64) -> F64:
        n = len(fine) // _FINE
        out: F64 = fine.reshape(n, _FINE, n, _FINE).mean(axis=(1, 3))
        return out

    @cached_property
    def lens(self) -> F64:
        """How much of each pixel of its tile its lens covers, shape (s, s)."""
        s = self.look.pixels
        if self.look.panel == "diffuser":
            return np.zeros((s, s))
        return self._mean((self._distance <= 0).astype(float))[s : 2 * s, s : 2 * s]

    @cached_property
    def cover(self) -> F64:
        """What its tile looks like without light: 0 where it is background, 1 unlit lamp, below 0
        darker than the background, shape (s, s)."""
        s = self.look.pixels
        own = slice(s * _FINE, 2 * s * _FINE)
        x, y = self._at[None, own], self._at[own, None]
        if self.look.unlit == NO_LAMP:
            return np.zeros((s, s))
        if self.look.panel == "diffuser":
            return np.full((s, s), 0.5)
        fine = (self._distance[own, own] <= 0).astype(float)
        if self.look.panel == "board":
            package = np.maximum(np.abs(x), np.abs(y)) < self.radius
            pads = (np.abs(np.abs(x) - self.radius) < 0.05) & (np.abs(y) < 0.5 * self.radius)
            track = (np.abs(np.abs(y) - 0.46) < 0.02) & (np.abs(x) < 2)
            fine = np.maximum(fine, 0.55 * package)
            fine = np.maximum(fine, np.maximum(1.0 * pads, 0.3 * track))
        elif self.look.panel == "grille":
            fine = np.where(self._walls(x, y), DARKER, fine)
        return self._mean(fine)

    def _walls(self, x: F64, y: F64) -> NDArray[np.bool_]:
        """Where the walls of a grille are."""
        return np.maximum(np.abs(x), np.abs(y)) > 0.5 - _WALL

    @cached_property
    def light(self) -> NDArray[np.float32]:
        """Its light at full level on its own tile and those around it, shape (3s, 3s)."""
        d, x, y = self._distance, self._at[None, :], self._at[:, None]
        away = np.hypot(x, y)
        panel = self.look.panel
        if panel == "diffuser":
            # the sheet spreads all of a lamp's light; a faint core shows through
            hot = CORE * self.look.core * 0.35 * np.exp(-((away / 0.16) ** 2))
            fine = (1 + hot) * np.exp(-((away / _SHEET) ** 2)) * _ending(away, 0.6, 1.1)
            fine += self._outside(np.maximum(away - self.radius, 0), away) * (away > 0.5)
        else:
            fine = np.where(d > 0, self._outside(d, away), self._inside(d, away))
        if panel == "grille":
            # walls stop the light at the edges of the tile, and catch a little of it
            fine = np.where(np.maximum(np.abs(x), np.abs(y)) <= 0.5, fine, 0)
            fine = np.where(self._walls(x, y), 0.35 * fine, fine)
        return self._mean(fine).astype(np.float32)

    def profile(self, steps: int) -> tuple[F64, F64]:
        """Its light from its middle to its edge, and from there to `REACH`, each shape
        (steps + 1,)."""
        edge = self.radius
        lens, halo = np.linspace(0, edge, steps + 1), np.linspace(edge, REACH, steps + 1)
        return self._inside(lens - edge, lens), self._outside(halo - edge, halo)

    def _inside(self, distance: F64, away: F64) -> F64:
        depth = np.clip(-distance / self.radius, 0, 1)
        return SHAPES[self.look.shape].light(depth, away / self.radius, self.look.core)

    def _outside(self, distance: F64, away: F64) -> F64:
        """The spill and the bloom at a distance from its edge and from its middle."""
        far = np.maximum(distance, 0)
        spill = _GLOW * np.exp(-far / FALL) * _ending(away, 0.5, SPILL_ENDS)
        bloom = _BLOOM * np.exp(-far / WIDE) * _ending(away, 0.5, REACH)
        return self.look.glow * spill + self.look.bloom * bloom


def _ending(away: F64, begin: float, end: float) -> F64:
    """A factor that falls smoothly from 1 to 0 between two distances."""
    t = np.clip((end - away) / (end - begin), 0, 1)
    return t * t * (3 - 2 * t)
