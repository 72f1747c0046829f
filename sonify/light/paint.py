"""The back end for pictures with a palette: GIF, APNG and WebP.

The palette is all mixtures of coverage and light, in steps of light that can't be seen.
"""

from __future__ import annotations

from functools import cached_property

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.light.colours import lamp_colours
from sonify.light.exposure import NOTICED, light_steps, shade
from sonify.light.lamp_grid import Box, LampGrid
from sonify.light.look import F32, Look, from_linear
from sonify.light.renderer import (
    Arrays,
    Renderer,
    Shown,
    cover_levels,
    shades,
    tiled,
)

__all__ = ["Painter"]

COVERS = 3
# Steps between levels of light: one that is just noticed where a glow fades out, and three on
# steep edges and in cores. See "What a GIF shows" in DEVELOPERS.md for the error and the bytes.
FINE, COARSE = NOTICED, 3 * NOTICED
# What a light around lamps that is left out may change on the background, of 255: it would make
# every change larger.
FAINT = 2.0
# Steps a side of the table of the nearest colours of the palette, where lamps have many hues.
_CUBE = 86
# A bloom up to this is left out for the same reason.
FAINT_BLOOM = 0.02
# Colours that differ by no more than this, of 255, are one.
_SAME = 1


class Painter(Renderer):
    """Paints a matrix in palette indices. A background that is not a plain colour becomes black.

    Parameters
    ----------
    look : Look
    matrix : Matrix
    """

    _keeps_columns = True

    def __init__(self, look: Look, matrix: Matrix) -> None:
        if look.bloom <= FAINT_BLOOM:
            look = msgspec.structs.replace(look, bloom=0.0)
        super().__init__(
            LampGrid.exact(look, matrix), COVERS, light_steps(look, FINE, COARSE), faint(look)
        )
        self.size = self.grid.size
        self._canvas = np.zeros(self.size[::-1], np.uint8)
        if self._hues is not None:
            self._nearest = np.full(_CUBE**3, -1, np.int16)

    @property
    def palette(self) -> NDArray[np.uint8]:
        """The colours, shape (n, 3)."""
        return self._colours[0]

    @cached_property
    def _colours(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """The palette, and which of its colours each shade is."""
        if self._hues is not None:
            return _palette(self.look), np.zeros(0, np.uint8)
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

    def sort_palette(self, uses: NDArray[np.int64]) -> None:
        """Put the colours with the most uses first, and paint everything again.

        Where lamps have many hues, the palette stays as it is.
        """
        if self._hues is not None:
            return
        palette, place = self._colours
        order = np.argsort(-uses[: len(palette)], kind="stable")
        self._colours = palette[order], np.argsort(order).astype(np.uint8)[place]
        self._tiles.clear()
        self._columns.clear()
        self.forget()

    def picture(self, shown: Shown) -> NDArray[np.uint8]:
        """The palette indices of the whole picture, from lamps of shape (height, width)."""
        self.forget()
        self.update(shown)
        return self._canvas.copy()

    def update(self, shown: Shown) -> tuple[int, int, NDArray[np.uint8]] | None:
        """Paint what changed since the last time.

        Parameters
        ----------
        shown : ndarray of uint8 or uint16, shape (height, width)
            Levels, and hues times 256.

        Returns
        -------
        tuple or None
            Column and row of the top left pixel of the changed part, and its palette indices; the
            whole picture the first time. None if nothing changed.
        """
        first = self._shown is None
        box = self._update(shown)
        if box is None:
            return None
        x, y, w, h = (0, 0, *self.size) if first else box
        return x, y, self._canvas[y : y + h, x : x + w].copy()

    def _finish(self, index: NDArray[np.uint16]) -> Arrays:
        return [self._colours[1][index]]

    def _finish_mixed(self, cover: F32, light: F32, lamp: F32) -> Arrays:
        mixed = shade(self.look, cover, light, lamp)
        steps = (from_linear(mixed) * (_CUBE - 1) + 0.5).astype(np.int32)
        colour = (steps[..., 0] * _CUBE + steps[..., 1]) * _CUBE + steps[..., 2]
        missing = np.unique(colour[self._nearest[colour] < 0])
        for part in np.array_split(missing, 1 + len(missing) // 4096):
            rgb = np.stack(np.unravel_index(part, (_CUBE,) * 3), axis=-1) * (255 / (_CUBE - 1))
            apart = np.square(rgb[:, None] - self.palette[None].astype(float)).sum(axis=-1)
            self._nearest[part] = apart.argmin(axis=1)
        return [self._nearest[colour].astype(np.uint8)]

    def _windows_of(self, part: Box, down: int) -> Arrays:
        left, top, n, m = part
        xe, ye = self.grid.columns.edge, self.grid.rows.edge
        return [tiled(self._canvas[ye[top] : ye[top + m], xe[left] : xe[left + n]], down, n)]


def _palette(look: Look) -> NDArray[np.uint8]:
    """Up to 254 colours that a matrix with lamps of many hues needs."""
    hues, cover = lamp_colours(look), cover_levels(look, COVERS)
    found = np.zeros((0, 3), np.uint8)
    for wider in np.geomspace(1, 16, 40):
        light = light_steps(look, FINE * wider, COARSE * wider)
        mixed = [shade(look, cover[:, None], light, hue) for hue in hues]
        colours = np.rint(from_linear(np.stack(mixed)) * 255).astype(np.uint8)
        found = np.unique(colours.reshape(-1, 3), axis=0)
        if len(found) < 255:
            break
    return found


def faint(look: Look) -> float:
    """The light that changes the background by `FAINT`, in the mean of its components."""
    light = np.concatenate([[0.0], np.geomspace(1e-5, 1, 256)])
    seen = from_linear(shade(look, np.zeros_like(light), light)).mean(axis=1) * 255
    return float(np.interp(FAINT, np.abs(seen - seen[0]), light))
