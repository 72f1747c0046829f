"""Painting: levels of lamps to a picture of palette indices.

A pixel is told by two small numbers: how much of it an unlit lamp covers, and how much light falls
on it. Their pairs are the palette, so that a picture is exact in few colours, whichever file it
goes to, and a change of one lamp repaints only the tiles around it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sonify.light.look import Look, colour, from_linear, to_linear
from sonify.player.profile import Matrix

__all__ = ["Painter"]

COVERS = 4
LIGHTS = 16
_FINE = 4  # samples a pixel edge, to find how much of a pixel a lamp covers


@dataclass(frozen=True)
class Painter:
    """Paints a matrix in a look.

    Attributes
    ----------
    look : Look
    matrix : Matrix
    """

    look: Look
    matrix: Matrix

    @cached_property
    def _starts(self) -> tuple[NDArray[np.int64], NDArray[np.int64], int, int]:
        s, look = self.look.pixels, self.look
        margin = round(look.margin * s)
        gap = round(look.module_gap * s) if look.module else 0
        out = []
        for count in (self.matrix.width, self.matrix.height):
            at = np.arange(count)
            out.append(margin + at * s + (at // look.module * gap if look.module else 0))
        x, y = out
        return x, y, int(x[-1]) + s + margin, int(y[-1]) + s + margin

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the picture in pixels."""
        return self._starts[2], self._starts[3]

    def centres(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """The pixel columns and rows in which lamps have their centres."""
        half = self.look.pixels // 2
        return self._starts[0] + half, self._starts[1] + half

    @cached_property
    def spill(self) -> int:
        """How many lamps away a lamp's glow still reaches: 0 or 1."""
        return 1 if self.look.glow > 0 else 0

    @cached_property
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
    def _cover(self) -> NDArray[np.uint8]:
        """How much of each pixel of a tile an unlit lamp covers, 0 to COVERS - 1, shape (s, s)."""
        s = self.look.pixels
        cover = self._mean((self._distance <= 0).astype(float))[s : 2 * s, s : 2 * s]
        return np.rint(cover * (COVERS - 1)).astype(np.uint8)

    @cached_property
    def _kernel(self) -> NDArray[np.float32]:
        """The light of one lamp on its own tile and the eight around it, shape (3, 3, s, s)."""
        s, d = self.look.pixels, self._distance
        if self.look.shape == "diffused":
            # a diffuser spreads the light over its tile, brightest in the middle
            inside = np.clip(1 - 0.55 * np.clip((d + 0.5) / 0.5, 0, 1) ** 2, 0, 1) * (d <= 0)
        else:
            inside = (d <= 0).astype(float)
        glow = self.look.glow * 0.5 * np.exp(-np.maximum(d, 0) / 0.16)
        light = self._mean(np.maximum(inside, np.where(d > 0, glow, 0)))
        # it dies away before the tile after next
        away = np.abs((np.arange(3 * s) + 0.5) / s - 1.5)
        fade = np.clip((1.5 - np.maximum(away[None, :], away[:, None])) / 0.5, 0, 1)
        out: NDArray[np.float32] = (light * fade).astype(np.float32)
        return out.reshape(3, s, 3, s).transpose(0, 2, 1, 3)

    @cached_property
    def palette(self) -> NDArray[np.uint8]:
        """The colours, shape (COVERS * LIGHTS, 3); index = cover * LIGHTS + light."""
        lamp, unlit, ground = (
            to_linear(np.array(colour(c)) / 255)
            for c in (self.look.lamp, self.look.unlit, self.look.background)
        )
        cover = np.linspace(0, 1, COVERS)[:, None, None]
        light = np.linspace(0, 1, LIGHTS)[None, :, None]
        base = ground + (unlit - ground) * cover
        mixed = from_linear(base + (lamp - base) * light)
        out: NDArray[np.uint8] = np.rint(mixed * 255).astype(np.uint8).reshape(-1, 3)
        return out

    def picture(self, levels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """The whole picture.

        Parameters
        ----------
        levels : ndarray of uint8, shape (height, width)
            Of the lamps.

        Returns
        -------
        ndarray of uint8
            Palette indices, shape (picture height, picture width).
        """
        width, height = self.size
        out = np.zeros((height, width), np.uint8)
        self._paste(out, self._tiles(levels, 0, 0, *levels.shape[::-1]), 0, 0, 0, 0)
        return out

    def repaint(
        self, levels: NDArray[np.uint8], leds: NDArray[np.integer]
    ) -> tuple[int, int, NDArray[np.uint8]]:
        """The part of the picture that the change of some lamps touches.

        Parameters
        ----------
        levels : ndarray of uint8, shape (height, width)
            Of all lamps, after the change.
        leds : ndarray of int
            The lamps that changed, at least one.

        Returns
        -------
        tuple
            Column and row of its top left pixel, and its palette indices.
        """
        h, w = levels.shape
        y, x = np.divmod(leds, w)
        left, right = max(int(x.min()) - self.spill, 0), min(int(x.max()) + self.spill, w - 1)
        top, below = max(int(y.min()) - self.spill, 0), min(int(y.max()) + self.spill, h - 1)
        xs, ys, _, _ = self._starts
        s = self.look.pixels
        px, py = int(xs[left]), int(ys[top])
        out = np.zeros((int(ys[below]) + s - py, int(xs[right]) + s - px), np.uint8)
        self._paste(out, self._tiles(levels, left, top, right + 1, below + 1), left, top, px, py)
        return px, py, out

    def _tiles(
        self, levels: NDArray[np.uint8], left: int, top: int, right: int, below: int
    ) -> NDArray[np.uint8]:
        """Palette indices of some tiles, shape (tiles down, tiles across, s, s)."""
        reach = self.spill
        h, w = levels.shape
        near = np.zeros((below - top + 2 * reach, right - left + 2 * reach), np.float32)
        y0, y1 = max(top - reach, 0), min(below + reach, h)
        x0, x1 = max(left - reach, 0), min(right + reach, w)
        near[y0 - (top - reach) : y1 - (top - reach), x0 - (left - reach) : x1 - (left - reach)] = (
            levels[y0:y1, x0:x1]
        )
        near /= 255
        rows, across = below - top, right - left
        s = self.look.pixels
        light = np.zeros((rows, across, s, s), np.float32)
        for dy in range(-reach, reach + 1):
            for dx in range(-reach, reach + 1):
                part = near[reach + dy : reach + dy + rows, reach + dx : reach + dx + across]
                if part.any():
                    # the lamp at (dy, dx) from here lights this tile by its kernel's far side
                    light += part[:, :, None, None] * self._kernel[1 - dy, 1 - dx]
        index: NDArray[np.uint8] = np.rint(np.minimum(light, 1) * (LIGHTS - 1)).astype(np.uint8)
        index += self._cover * np.uint8(LIGHTS)
        return index

    def _paste(
        self,
        out: NDArray[np.uint8],
        tiles: NDArray[np.uint8],
        left: int,
        top: int,
        px: int,
        py: int,
    ) -> None:
        xs, ys, _, _ = self._starts
        s = self.look.pixels
        rows, across = tiles.shape[:2]
        columns = (xs[left : left + across, None] - px + np.arange(s)).reshape(-1)
        lines = (ys[top : top + rows, None] - py + np.arange(s)).reshape(-1)
        out[np.ix_(lines, columns)] = tiles.transpose(0, 2, 1, 3).reshape(rows * s, across * s)
