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

from sonify.light.lamp import Lamp
from sonify.light.look import BRIGHTEST, Look, colour, from_linear, to_linear
from sonify.light.mounting import Mounting
from sonify.player.profile import Matrix

__all__ = ["Painter"]

COVERS = 4
LIGHTS = 16


@dataclass(frozen=True)
class Painter:
    """Paints a matrix in a look, as it is mounted.

    Levels and lamps are given as the player counts them. A background that is no plain colour is
    painted black.

    Attributes
    ----------
    look : Look
    matrix : Matrix
    """

    look: Look
    matrix: Matrix

    @cached_property
    def mounting(self) -> Mounting:
        """Where the player's lamps are seen."""
        return Mounting.of(self.look, self.matrix)

    @cached_property
    def _lamp(self) -> Lamp:
        return Lamp(self.look)

    @cached_property
    def _starts(self) -> tuple[NDArray[np.int64], NDArray[np.int64], int, int]:
        s, look = self.look.pixels, self.look
        margin = round(look.margin * s)
        gap = round(look.module_gap * s) if look.module else 0
        out = []
        for count in self.mounting.size:
            at = np.arange(count)
            out.append(margin + at * s + (at // look.module * gap if look.module else 0))
        x, y = out
        return x, y, int(x[-1]) + s + margin, int(y[-1]) + s + margin

    @cached_property
    def _runs(self) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
        """The lamps of each module, first and behind the last, across and down."""
        each = self.look.module if self.look.module and self.look.module_gap else 1 << 30
        across, down = (
            [(k, min(k + each, count)) for k in range(0, count, each)]
            for count in self.mounting.size
        )
        return across, down

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the picture in pixels."""
        return self._starts[2], self._starts[3]

    def centres(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """The pixel columns and rows in which lamps, as they are seen, have their centres."""
        half = self.look.pixels // 2
        return self._starts[0] + half, self._starts[1] + half

    @cached_property
    def spill(self) -> int:
        """How many lamps away a lamp's glow still reaches: 0 or 1."""
        return 1 if self.look.glow > 0 else 0

    @cached_property
    def _ground(self) -> NDArray[np.uint8]:
        """The picture with all lamps dark: palette indices of the shape of the picture."""
        s = self.look.pixels
        xs, ys, width, height = self._starts
        tile = np.rint(self._lamp.cover * (COVERS - 1)).astype(np.uint8) * np.uint8(LIGHTS)
        out = np.zeros((height, width), np.uint8)
        lines, columns = (ys[:, None] + np.arange(s)).ravel(), (xs[:, None] + np.arange(s)).ravel()
        out[np.ix_(lines, columns)] = np.tile(tile, (len(ys), len(xs)))
        return out

    @cached_property
    def _kernel(self) -> NDArray[np.float32]:
        """The light of one lamp on its own tile and the eight around it, shape (3, 3, s, s)."""
        s = self.look.pixels
        return self._lamp.light.reshape(3, s, 3, s).transpose(0, 2, 1, 3)

    @cached_property
    def _window(self) -> NDArray[np.float32]:
        """The part of the kernel that a glow reaches: the lamp's tile, and with a glow half a
        tile around it."""
        s = self.look.pixels
        whole = self._kernel.transpose(0, 2, 1, 3).reshape(3 * s, 3 * s)
        start = s - s // 2 * self.spill
        side = s * (1 + self.spill)
        return whole[start : start + side, start : start + side]

    @cached_property
    def palette(self) -> NDArray[np.uint8]:
        """The colours, shape (COVERS * LIGHTS, 3); index = cover * LIGHTS + light."""
        lamp, unlit, ground = (
            to_linear(np.array(colour(c)) / 255)
            for c in (self.look.lamp, self.look.unlit, self.look.ground)
        )
        cover = np.linspace(0, 1, COVERS)[:, None, None]
        light = (np.linspace(0, 1, LIGHTS) ** _EVEN)[None, :, None]
        light = light * (self.look.brightness / BRIGHTEST)
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
        return self._paint(self.mounting.levels(levels), 0, 0, *self.size)

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
        y, x = np.divmod(self.mounting.leds(leds), self.mounting.size[0])
        levels = self.mounting.levels(levels)
        xs, ys, width, height = self._starts
        s = self.look.pixels
        reach = s // 2 * self.spill
        left = max(int(xs[x.min()]) - reach, 0)
        right = min(int(xs[x.max()]) + s + reach, width)
        top = max(int(ys[y.min()]) - reach, 0)
        below = min(int(ys[y.max()]) + s + reach, height)
        return left, top, self._paint(levels, left, top, right, below)

    def _paint(
        self, levels: NDArray[np.uint8], left: int, top: int, right: int, below: int
    ) -> NDArray[np.uint8]:
        """Palette indices of the pixels from (left, top) to before (right, below)."""
        xs, ys, _, _ = self._starts
        s = self.look.pixels
        half = s // 2 * self.spill
        side = s * (1 + self.spill)
        # a border takes what falls outside; lamps of every other column and row have windows that
        # do not overlap, so that each of the four sets is one sum of blocks
        edge = 2 * s + half
        light = np.zeros((below - top + 2 * edge, right - left + 2 * edge), np.float32)
        for x0, x1 in _within(self._runs[0], xs, left - s - half + 1, right + half):
            for y0, y1 in _within(self._runs[1], ys, top - s - half + 1, below + half):
                for y in range(y0, min(y0 + 1 + self.spill, y1)):
                    for x in range(x0, min(x0 + 1 + self.spill, x1)):
                        lit = levels[y : y1 : 1 + self.spill, x : x1 : 1 + self.spill]
                        if not lit.any():
                            continue
                        rows, across = lit.shape
                        px, py = int(xs[x]) - half - left + edge, int(ys[y]) - half - top + edge
                        blocks = light[py : py + rows * side, px : px + across * side].reshape(
                            rows, side, across, side
                        )
                        part = lit.astype(np.float32) / 255
                        blocks += part[:, None, :, None] * self._window[:, None, :]
        inner = light[edge : edge + below - top, edge : edge + right - left]
        step = (np.minimum(inner, 1) * (len(_STEPS) - 1) + 0.5).astype(np.int16)
        ground = self._ground[top:below, left:right]
        # a lamp itself has all steps of brightness, the glow around it every other one
        index: NDArray[np.uint8] = np.where(
            ground >= (COVERS - 1) * LIGHTS, _STEPS[step], _GLOW_STEPS[step]
        )
        index += ground
        return index


# light to its step: even steps for the eye, so that a glow shows no rings; twice as many in the
# glow would make files half as large again and show nothing more
_EVEN = 2.2
_STEPS = np.rint((np.arange(4097) / 4096) ** (1 / _EVEN) * (LIGHTS - 1)).astype(np.uint8)
_GLOW_STEPS = np.where(_STEPS < LIGHTS - 1, _STEPS // 2 * 2, _STEPS)


def _within(
    runs: list[tuple[int, int]], starts: NDArray[np.int64], low: int, high: int
) -> list[tuple[int, int]]:
    """The parts of the runs whose lamps start from pixel `low` to before pixel `high`."""
    a, b = np.searchsorted(starts, [low, high])
    return [(max(x, int(a)), min(y, int(b))) for x, y in runs if max(x, a) < min(y, b)]
