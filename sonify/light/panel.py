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
from sonify.light.exposure import Real, gain, light_steps, shade
from sonify.light.lamp_grid import Box, fitted, grain_of
from sonify.light.look import F32, Look, from_linear, linear, to_linear
from sonify.light.mounting import Mounting
from sonify.light.planes import Picture, halved, over
from sonify.light.renderer import (
    Arrays,
    Renderer,
    Shown,
    cover_levels,
    shades,
    tiled,
)

__all__ = ["Panel"]

F64 = NDArray[np.float64]

COVERS = 16
# Steps of light in CIELAB: finer than 8 bits per component can show.
FINE, COARSE = 0.5, 1.0


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
        self.light: F32 | None = None
        if self.cell and look.plain:
            self.light = np.empty((3, high // cell, wide // cell), np.float32)
            self.light[:] = linear(look.ground)[:, None, None]

    def centres(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """The picture's columns and rows of pixels in which lamps have their centres."""
        x, y = self.grid.centres
        return self.x + x, self.y + y

    def update(self, shown: Shown) -> tuple[Box, F32 | None] | None:
        """Paint what changed since the last time.

        Parameters
        ----------
        shown : ndarray of uint8 or uint16, shape (height, width)
            Levels, and hues times 256.

        Returns
        -------
        tuple or None
            The rectangle that was painted, and its linear light by cells, shape (3, h, w), if tiles
            begin on whole cells. None if nothing changed.
        """
        if self._shown is None:
            self.picture.clear(*self.box)
        box = self._update(shown)
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
        cover, light, mixed = shades(self.look, COVERS, self._lights)
        straight, alpha, mixed = self._seen(cover, light, mixed)
        numbers = self.picture.format.nearest(straight)
        return numbers, alpha.astype(np.float32), np.ascontiguousarray(mixed.T, np.float32)

    def _seen(self, cover: Real, light: Real, mixed: F64) -> tuple[F64, F64, F64]:
        """Colours (encoded), coverage, and linear light on the background, of shades."""
        look = self.look
        if look.plain:
            return from_linear(mixed), np.ones(mixed.shape[:-1]), mixed
        # what lies behind is seen where neither lamp nor light is
        whole = 1 - (1 - np.abs(cover)) * (1 - np.minimum(light * gain(look), 1))
        part = mixed - linear(look.ground) * (1 - whole)[..., None]
        straight = from_linear(part / np.maximum(whole, 1e-9)[..., None])
        straight = np.where((whole > 0)[..., None], straight, from_linear(linear(look.off)))
        # gamma-encoded coverage, because pictures are usually laid over each other without
        # conversion to linear light
        alpha = from_linear(whole)
        return straight, alpha, to_linear(straight * alpha[..., None])

    def _finish(self, index: NDArray[np.uint16]) -> Arrays:
        """The planes, then the light of cells if they are kept; over an image the bare indices."""
        if not self.look.plain and not self.look.clear:
            return [index]
        numbers, alpha, mixed = self._table
        cells = None if self.light is None else [one[index] for one in mixed]
        return self._planes(numbers[index], alpha[index], cells)

    def _finish_mixed(self, cover: F32, light: F32, lamp: F32) -> Arrays:
        mixed = shade(self.look, cover, light, lamp)
        straight, alpha, mixed = self._seen(cover, light, mixed)
        numbers = np.rint(self.picture.format.values(straight))
        if not self.look.plain and not self.look.clear:
            return [numbers.astype(np.float32), alpha.astype(np.float32)]
        # what no light falls on has the exact colours of the look
        at = cover_levels(self.look, COVERS)
        steps = np.searchsorted((at[1:] + at[:-1]) / 2, cover)
        exact = self._table[0][steps * len(self._lights)]
        numbers = np.where((light < 1e-4)[..., None], exact, numbers)
        cells = list(np.moveaxis(mixed, -1, 0).astype(np.float32))
        return self._planes(numbers.astype(self.picture.format.dtype), alpha, cells)

    def _planes(
        self, numbers: NDArray[Any], alpha: NDArray[Any], cells: list[F32] | None
    ) -> Arrays:
        """The planes of tiles, and the light of their cells if it is kept."""
        fmt = self.picture.format
        n, h, w = alpha.shape
        planes: Arrays = [numbers[..., 0]]
        for k in (1, 2):
            full = numbers[..., k]
            if fmt.half:
                mean = halved(full.reshape(n * h, w).astype(np.float32))
                full = np.rint(mean).astype(fmt.dtype).reshape(n, h // 2, w // 2)
            planes.append(full)
        if fmt.alpha:
            planes.append(np.rint(alpha * fmt.top).astype(fmt.dtype))
        if self.light is not None and cells is not None:
            c = self.cell
            kept = [means(one.reshape(n * h, w), c).reshape(n, h // c, w // c) for one in cells]
            planes.append(np.stack(kept, axis=1))
        return planes

    def _place(self, part: Box, arrays: Arrays) -> None:
        if self.look.plain or self.look.clear:
            super()._place(part, arrays)
            return
        if self._hues is None:
            numbers, alpha, _ = self._table
            arrays = [numbers.astype(np.float32)[arrays[0]], alpha[arrays[0]]]
        self._place_over(part, *arrays)

    def _pixels(self, part: Box) -> Box:
        """The pixels within the matrix of some columns and rows of lamps."""
        left, top, n, m = part
        xe, ye = self.grid.columns.edge, self.grid.rows.edge
        x, y = int(xe[left]), int(ye[top])
        return x, y, int(xe[left + n]) - x, int(ye[top + m]) - y

    def _windows_of(self, part: Box, down: int) -> Arrays:
        n = part[2]
        x, y, w, h = self._pixels(part)
        planes = self.picture.cut(self.picture.planes, self.x + x, self.y + y, w, h)
        windows = [tiled(plane, down, n) for plane in planes]
        if self.light is not None:
            c = self.cell
            own = self.light[:, y // c : (y + h) // c, x // c : (x + w) // c]
            h, w = own.shape[1] // down, own.shape[2] // n
            q, d, r = own.strides
            windows.append(as_strided(own, (down, n, 3, h, w), (h * d, w * r, q, d, r)))
        return windows

    def _place_over(self, part: Box, numbers: NDArray[Any], alpha: NDArray[Any]) -> None:
        """Lay tiles over a background image."""
        m, n, h, w = alpha.shape
        picture = self.picture
        x, y, _, _ = self._pixels(part)
        box = (self.x + x, self.y + y, n * w, m * h)
        over(
            picture.format,
            picture.cut(picture.planes, *box),
            picture.cut(picture.ground, *box),
            numbers.transpose(0, 2, 1, 3, 4).reshape(m * h, n * w, 3),
            alpha.transpose(0, 2, 1, 3).reshape(m * h, n * w),
        )
