"""The back end for pictures with a palette: GIF, APNG and WebP.

The palette is all mixtures of coverage and light, in steps of light that can't be seen.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.light.exposure import NOTICED, light_steps, shade
from sonify.light.lamp_grid import Box, LampGrid
from sonify.light.look import Look, from_linear
from sonify.light.renderer import Arrays, Renderer, shades, tiled

__all__ = ["Painter"]

COVERS = 3
# Steps between levels of light: one that is just noticed where a glow fades out, and three on
# steep edges and in cores. See "What a GIF shows" in DEVELOPERS.md for the error and the bytes.
FINE, COARSE = NOTICED, 3 * NOTICED
# What a light around lamps that is left out may change on the background, of 255: it would make
# every change larger.
FAINT = 2.0
# Colours that differ by no more than this, of 255, are one.
_SAME = 1


class Painter(Renderer):
    """Paints a matrix in palette indices. A background that is not a plain colour becomes black.

    Parameters
    ----------
    look : Look
    matrix : Matrix
    """

    def __init__(self, look: Look, matrix: Matrix) -> None:
        super().__init__(
            LampGrid.exact(look, matrix), COVERS, light_steps(look, FINE, COARSE), faint(look)
        )
        self.size = self.grid.size
        self._canvas = np.zeros(self.size[::-1], np.uint8)

    @property
    def palette(self) -> NDArray[np.uint8]:
        """The colours, shape (n, 3)."""
        return self._colours[0]

    @cached_property
    def _colours(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """The palette, and which of its colours each shade is."""
        _, _, mixed = shades(self.look, COVERS, self._lights)
        wanted = np.rint(from_linear(mixed) * 255).astype(np.int16)
        found = np.empty_like(wanted)
        place = np.empty(len(wanted), np.uint8)
        n = 0
        for k, one in enumerate(wanted):
            apart = np.abs(found[:n] - one).max(axis=1)
            same = int(apart.argmin()) if n else 0
            if not n or apart[same] > _SAME:
                same, found[n], n = n, one, n + 1
            place[k] = same
        return found[:n].astype(np.uint8), place

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

    def _finish(self, index: NDArray[np.uint16]) -> Arrays:
        return [self._colours[1][index]]

    def _place(self, part: Box, arrays: Arrays) -> None:
        left, top, n, m = part
        xe, ye = self.grid.columns.edge, self.grid.rows.edge
        under = self._canvas[ye[top] : ye[top + m], xe[left] : xe[left + n]]
        tiled(under, m, n)[...] = arrays[0]


def faint(look: Look) -> float:
    """The light that changes the background by `FAINT`, in the mean of its components."""
    light = np.concatenate([[0.0], np.geomspace(1e-5, 1, 256)])
    seen = from_linear(shade(look, np.zeros_like(light), light)).mean(axis=1) * 255
    return float(np.interp(FAINT, np.abs(seen - seen[0]), light))
