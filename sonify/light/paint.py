"""The back end for pictures with a palette: GIF, APNG and WebP.

All mixtures of coverage and light are the palette, so that a picture is exact in few colours.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.light.lamp_grid import Box, LampGrid
from sonify.light.look import Look, from_linear
from sonify.light.renderer import Arrays, Renderer, shades, tiled

__all__ = ["Painter"]

COVERS = 4
# Together 64 colours; more would make files larger and show nothing more (compared by eye).
LIGHTS = 16


class Painter(Renderer):
    """Paints a matrix in palette indices. A background that is not a plain colour becomes black.

    Parameters
    ----------
    look : Look
    matrix : Matrix
    """

    def __init__(self, look: Look, matrix: Matrix) -> None:
        super().__init__(LampGrid.exact(look, matrix), COVERS, LIGHTS)
        self.size = self.grid.size
        self._canvas = np.zeros(self.size[::-1], np.uint8)

    @cached_property
    def palette(self) -> NDArray[np.uint8]:
        """The colours, shape (COVERS * LIGHTS, 3); index = cover * LIGHTS + light."""
        _, _, mixed = shades(self.look, COVERS, LIGHTS)
        return np.rint(from_linear(mixed) * 255).astype(np.uint8)

    def picture(self, levels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """The palette indices of the whole picture, from levels of shape (height, width)."""
        self.forget()
        self.update(levels)
        return self._canvas.copy()

    def update(self, levels: NDArray[np.uint8]) -> tuple[int, int, NDArray[np.uint8]] | None:
        """Paint what changed since the last time.

        Parameters
        ----------
        levels : ndarray of uint8, shape (height, width)

        Returns
        -------
        tuple or None
            Column and row of the top left pixel of the changed part, and its palette indices; the
            whole picture the first time. None if nothing changed.
        """
        first = self._shown is None
        box = self._update(levels)
        if box is None:
            return None
        x, y, w, h = (0, 0, *self.size) if first else box
        return x, y, self._canvas[y : y + h, x : x + w].copy()

    def _index(self, step: NDArray[np.uint16], cover: NDArray[np.uint16]) -> NDArray[np.uint16]:
        # a lamp itself has all steps of light, the glow around it every other one: all of them
        # would make files half as large again without a visible difference
        glow = (cover < (COVERS - 1) * LIGHTS) & (step < LIGHTS - 1)
        return super()._index(np.where(glow, step // 2 * 2, step), cover)

    def _finish(self, index: NDArray[np.uint16]) -> Arrays:
        return [index.astype(np.uint8)]

    def _place(self, part: Box, arrays: Arrays) -> None:
        left, top, n, m = part
        xe, ye = self.grid.columns.edge, self.grid.rows.edge
        under = self._canvas[ye[top] : ye[top + m], xe[left] : xe[left + n]]
        tiled(under, m, n)[...] = arrays[0]
