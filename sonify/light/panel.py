"""The back end for video: the matrix painted straight into an encoder's planes."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.errors import InputError
from sonify.light.cells import means
from sonify.light.exposure import gain, light_steps
from sonify.light.lamp_grid import Box, fitted, grain_of
from sonify.light.look import F32, Look, from_linear, linear, to_linear
from sonify.light.mounting import Mounting
from sonify.light.planes import Picture, halved, over
from sonify.light.renderer import Arrays, Renderer, shades, tiled

__all__ = ["Panel"]

COVERS = 16
# Steps of light in CIELAB: finer than 8 bits per component can show.
FINE, COARSE = 0.5, 1.0
_MOST_WINDOWS = 1024


class Panel(Renderer):
    """A matrix on a picture.

    Parameters
    ----------
    look : Look
    matrix : Matrix
    picture : Picture
        What it is painted on.
    box : tuple of int
        The rectangle that it may take; the matrix is centred in it.
    cell : int
        Side of the flash meter's cells in pixels.

    Raises
    ------
    InputError
        Lamps would be too small to see.
    """

    def __init__(self, look: Look, matrix: Matrix, picture: Picture, box: Box, cell: int = 1):
        x, y, w, h = box
        grid = fitted(look, matrix, w, h)
        if grid is None:
            across, down = Mounting.of(look, matrix).size
            raise InputError(
                f"{across} by {down} lamps of two pixels or more don't fit {w} by {h} pixels; "
                "give a larger size",
                key="size",
            )
        super().__init__(grid, COVERS, light_steps(look, FINE, COARSE))
        self.picture = picture
        grain = grain_of(grid.look.pixels)
        step = max(grain, cell)
        wide, high = grid.size
        self.x = (x + (w - wide) // 2) // step * step
        self.y = (y + (h - high) // 2) // step * step
        self.box: Box = (self.x, self.y, wide, high)
        # light by cells is kept with the tiles if these begin on whole cells
        in_place = all(v % cell == 0 for v in (self.x, self.y, grid.look.pixels, grain))
        self.cell = cell if in_place and grid.look.pixels >= cell else 0
        self._windows: dict[Box, Arrays] = {}
        self.light: F32 | None = None
        if self.cell and look.plain:
            self.light = np.empty((3, high // cell, wide // cell), np.float32)
            self.light[:] = linear(look.ground)[:, None, None]

    def centres(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """The picture's columns and rows of pixels in which lamps have their centres."""
        x, y = self.grid.centres
        return self.x + x, self.y + y

    def update(self, levels: NDArray[np.uint8]) -> tuple[Box, F32 | None] | None:
        """Paint what changed since the last time.

        Parameters
        ----------
        levels : ndarray of uint8, shape (height, width)

        Returns
        -------
        tuple or None
            The rectangle that was painted, and its linear light by cells, shape (3, h, w), if tiles
            begin on whole cells. None if nothing changed.
        """
        if self._shown is None:
            self.picture.clear(*self.box)
        box = self._update(levels)
        if box is None:
            return None
        x, y, w, h = box
        light, c = None, self.cell
        if self.light is not None:
            light = self.light[:, y // c : (y + h) // c, x // c : (x + w) // c]
        return (self.x + x, self.y + y, w, h), light

    @cached_property
    def _table(self) -> tuple[NDArray[Any], F32, F32]:
        """For each shade, the components' numbers, coverage, and linear light on the background.

        Shapes (n, 3), (n,), (3, n).
        """
        look = self.look
        cover, light, mixed = shades(look, COVERS, self._lights)
        alpha = np.ones(len(mixed))
        straight = from_linear(mixed)
        if not look.plain:
            # what lies behind is seen where neither lamp nor light is
            whole = 1 - (1 - cover) * (1 - np.minimum(light * gain(look), 1))
            part = mixed - linear(look.ground) * (1 - whole)[:, None]
            straight = from_linear(part / np.maximum(whole, 1e-9)[:, None])
            straight[0] = straight[1]
            # gamma-encoded coverage, because pictures are usually laid over each other without
            # conversion to linear light
            alpha = from_linear(whole)
            mixed = to_linear(straight * alpha[:, None])
        numbers = self.picture.format.nearest(straight)
        return numbers, alpha.astype(np.float32), np.ascontiguousarray(mixed.T, np.float32)

    def _finish(self, index: NDArray[np.uint16]) -> Arrays:
        """The planes, then the light of cells if they are kept; over an image the bare indices."""
        if not self.look.plain and not self.look.clear:
            return [index]
        numbers, alpha, mixed = self._table
        fmt = self.picture.format
        n, h, w = index.shape
        planes: Arrays = [numbers[:, 0][index]]
        for k in (1, 2):
            full = numbers[:, k][index]
            if fmt.half:
                mean = halved(full.reshape(n * h, w).astype(np.float32))
                full = np.rint(mean).astype(fmt.dtype).reshape(n, h // 2, w // 2)
            planes.append(full)
        if fmt.alpha:
            planes.append(np.rint(alpha * fmt.top).astype(fmt.dtype)[index])
        if self.light is not None:
            c = self.cell
            whole = index.reshape(n * h, w)
            cells = [means(one[whole], c).reshape(n, h // c, w // c) for one in mixed]
            planes.append(np.stack(cells, axis=1))
        return planes

    def _place(self, part: Box, arrays: Arrays) -> None:
        if not self.look.plain and not self.look.clear:
            self._place_over(part, arrays[0])
            return
        windows = self._windows.get(part)
        if windows is None:
            if len(self._windows) > _MOST_WINDOWS:
                self._windows.clear()
            windows = self._windows[part] = self._windows_of(part)
        for window, tile in zip(windows, arrays, strict=True):
            window[...] = tile

    def _pixels(self, part: Box) -> Box:
        """The pixels within the matrix of some columns and rows of lamps."""
        left, top, n, m = part
        xe, ye = self.grid.columns.edge, self.grid.rows.edge
        x, y = int(xe[left]), int(ye[top])
        return x, y, int(xe[left + n]) - x, int(ye[top + m]) - y

    def _windows_of(self, part: Box) -> Arrays:
        """Views of the planes, and of the light by cells, as tiles: shapes (rows, columns, ...)."""
        _, _, n, m = part
        x, y, w, h = self._pixels(part)
        planes = self.picture.cut(self.picture.planes, self.x + x, self.y + y, w, h)
        windows = [tiled(plane, m, n) for plane in planes]
        if self.light is not None:
            c = self.cell
            own = self.light[:, y // c : (y + h) // c, x // c : (x + w) // c]
            h, w = own.shape[1] // m, own.shape[2] // n
            q, d, r = own.strides
            windows.append(as_strided(own, (m, n, 3, h, w), (h * d, w * r, q, d, r)))
        return windows

    def _place_over(self, part: Box, index: NDArray[Any]) -> None:
        """Lay the shades of tiles over a background image."""
        m, n, h, w = index.shape
        whole = index.transpose(0, 2, 1, 3).reshape(m * h, n * w)
        numbers, alpha, _ = self._table
        picture = self.picture
        x, y, _, _ = self._pixels(part)
        box = (self.x + x, self.y + y, n * w, m * h)
        over(
            picture.format,
            picture.cut(picture.planes, *box),
            picture.cut(picture.ground, *box),
            numbers.astype(np.float32)[whole],
            alpha[whole],
        )
