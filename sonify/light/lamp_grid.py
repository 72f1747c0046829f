"""Lamp geometry: how the lamps of a matrix lie on a picture, and the light on each tile.

A tile is the part of the picture that belongs to one lamp: a square of `look.pixels` a side, and
its share of the margins and gaps beside it. A glow reaches less than half a lamp beyond that
square, so the light on a tile depends on the lamp itself and its eight neighbours only.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.light.lamp_shapes import Lamp
from sonify.light.look import F32, Look
from sonify.light.mounting import Mounting

__all__ = ["Axis", "Band", "Box", "Kind", "LampGrid", "fitted", "grain_of", "size_of"]

# A rectangle of pixels: left, top, width, height.
Box = tuple[int, int, int, int]

# In video, sizes are multiples of this if lamps are large enough, so that tiles begin on whole
# chroma samples and on whole cells of the flash meter.
_GRAIN = 4
# The margin in lamps that a glow needs to fade out; see `lamp_shapes.REACH`.
_GLOW_MARGIN = 0.5


@dataclass(frozen=True)
class Band:
    """The columns (or rows) of pixels of one lamp's tile.

    Attributes
    ----------
    before, after : int
        Pixels on either side of the lamp's square.
    back, on : int
        Pixels from its start to the starts of the lamps before and after it.
    """

    before: int
    after: int
    back: int
    on: int


# The rows and columns of a tile; tiles of one kind look alike under the same levels.
Kind = tuple[Band, Band]


@dataclass(frozen=True)
class Axis:
    """One axis of the matrix.

    Attributes
    ----------
    start : ndarray of int64, shape (lamps,)
        The pixel at which each lamp's square starts.
    edge : ndarray of int64, shape (lamps + 1,)
        The pixels between which the tiles lie.
    bands : list of Band
    size : int
        Pixels in all.
    """

    start: NDArray[np.int64]
    edge: NDArray[np.int64]
    bands: list[Band]
    size: int

    @classmethod
    def of(cls, count: int, look: Look, margin: float, grain: int) -> Axis:
        """The axis of `count` lamps, with all distances multiples of `grain`."""
        s = look.pixels
        border = round(margin * s / grain) * grain
        gap = round(look.module_gap * s / grain) * grain if look.module else 0
        at = np.arange(count)
        start = border + at * s + (at // look.module * gap if look.module else 0)
        between = np.diff(start) - s
        edge = np.empty(count + 1, np.int64)
        edge[0] = start[0] - min(border, s)
        edge[1:-1] = start[:-1] + s + between // 2 // grain * grain
        edge[-1] = start[-1] + s + min(border, s)
        far = 4 * s
        apart = [far, *np.diff(start).tolist(), far]
        bands = [
            Band(int(start[k] - edge[k]), int(edge[k + 1] - start[k] - s), apart[k], apart[k + 1])
            for k in range(count)
        ]
        return cls(start, edge, bands, int(start[-1]) + s + border)

    @cached_property
    def alike(self) -> list[int]:
        """For each lamp the first one with the same band."""
        return [self.bands.index(band) for band in self.bands]

    @cached_property
    def runs(self) -> list[tuple[int, int]]:
        """Neighbouring lamps with the same band: the first, and one past the last."""
        cuts = [k for k in range(1, len(self.bands)) if self.bands[k] != self.bands[k - 1]]
        return list(zip([0, *cuts], [*cuts, len(self.bands)], strict=True))


@dataclass(frozen=True, eq=False)
class LampGrid:
    """The lamps of a matrix on a picture, as seen by the viewer.

    Attributes
    ----------
    look : Look
    mounting : Mounting
    columns, rows : Axis
    """

    look: Look
    mounting: Mounting
    columns: Axis
    rows: Axis

    @classmethod
    def exact(cls, look: Look, matrix: Matrix) -> LampGrid:
        """The grid with the look's own distances, exact to the pixel."""
        return cls._of(look, matrix, look.margin, 1)

    @classmethod
    def even(cls, look: Look, matrix: Matrix) -> LampGrid:
        """The grid with distances that suit video, and room for the glow at the edges."""
        margin = max(look.margin, _GLOW_MARGIN if look.glow else 0.0)
        return cls._of(look, matrix, margin, grain_of(look.pixels))

    @classmethod
    def _of(cls, look: Look, matrix: Matrix, margin: float, grain: int) -> LampGrid:
        mounting = Mounting.of(look, matrix)
        columns, rows = (Axis.of(count, look, margin, grain) for count in mounting.size)
        return cls(look, mounting, columns, rows)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the picture in pixels."""
        return self.columns.size, self.rows.size

    @property
    def centres(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """The columns and rows of pixels in which lamps have their centres."""
        half = self.look.pixels // 2
        return self.columns.start + half, self.rows.start + half

    @cached_property
    def _lamp(self) -> Lamp:
        return Lamp(self.look)

    def tile(self, kind: Kind) -> tuple[F32, NDArray[np.float64], F32]:
        """The light that each of nine lamps at full level throws on a kind of tile, what it looks
        like without light (`Lamp.cover`), and how much of each pixel the lens covers: shapes
        (9, h, w), (h, w) and (h, w)."""
        s = self.look.pixels
        row, column = kind
        # light that is out of reach is read from a dark border
        light = np.pad(self._lamp.light, ((0, 1), (0, 1)))
        picks = []
        for band in (row, column):
            at = np.arange(-band.before, s + band.after)
            own = [at - move + s for move in (-band.back, 0, band.on)]
            picks.append([np.where((k >= 0) & (k < 3 * s), k, 3 * s) for k in own])
        kernels = np.stack([light[np.ix_(ky, kx)] for ky in picks[0] for kx in picks[1]])
        cover, lens = np.zeros((2, *kernels.shape[1:]))
        square = (slice(row.before, row.before + s), slice(column.before, column.before + s))
        cover[square], lens[square] = self._lamp.cover, self._lamp.lens
        if self.look.panel == "diffuser":
            cover[:] = self._lamp.cover[0, 0]
        return kernels, cover, lens.astype(np.float32)


def grain_of(pixels: int) -> int:
    """The grain of a video picture with lamps that many pixels apart."""
    return _GRAIN if pixels >= 4 * _GRAIN and pixels % _GRAIN == 0 else 2


def fitted(look: Look, matrix: Matrix, width: int, height: int) -> LampGrid | None:
    """The grid with the largest lamps that fits a rectangle; None if they are under two pixels."""
    across, down = Mounting.of(look, matrix).size
    most = int(min(width / across, height / down)) + 2
    for s in range(most - most % 2, 0, -2):
        if s > 4 * _GRAIN and s % _GRAIN:
            continue
        grid = LampGrid.even(msgspec.structs.replace(look, pixels=s), matrix)
        if grid.size[0] <= width and grid.size[1] <= height:
            return grid
    return None


def size_of(look: Look, matrix: Matrix) -> tuple[int, int]:
    """Width and height of the video picture of a matrix with lamps of the look's size."""
    s = max(2, look.pixels + look.pixels % 2)
    if s > 4 * _GRAIN:
        s = round(s / _GRAIN) * _GRAIN
    return LampGrid.even(msgspec.structs.replace(look, pixels=s), matrix).size
